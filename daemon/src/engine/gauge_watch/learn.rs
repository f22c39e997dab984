//! What humidities say about rain at this site, learnt from rain that was no question and from dry hours.

use chrono::Timelike;

use super::clues;
use crate::engine::civil;
use crate::engine::rainfall;
use crate::engine::stamp::HOUR;
use crate::engine::state::{Context, SiteState};

/// Rain that counts came in. Once its event is large and long, nobody doubts it, whatever the humidity was: that is what
/// makes the humidity of its first tip worth learning.
pub fn rained(state: &mut SiteState, context: &Context<'_>) {
    let now = context.now.wall;
    let seen = || {
        let percent = clues::humidity(state, now).filter(|_| !state.waterings.wet(now, now))?;
        Some(percent.clamp(0.0, 100.0) as u8)
    };
    let Some((began, percent)) = state.humidity.began else {
        state.humidity.began = Some((now, seen()));
        return;
    };
    let Some(percent) = percent else { return };
    // As tips are judged: by the wettest air within the hour.
    let percent = percent.max(seen().unwrap_or(0));
    let sure = state.event.last_mm() >= SURE_MM && now.since(began) >= SURE_AFTER;
    state.humidity.began = Some((began, Some(percent).filter(|_| !sure)));
    if sure {
        state.humidity.onset(f64::from(percent));
    }
}

/// Once an hour: a dry hour of the day at this humidity.
pub fn hour(state: &mut SiteState, context: &Context<'_>) {
    let now = context.now.wall;
    let hour = civil::hour_start(now).0 / HOUR;
    if hour == state.humidity.hour || !context.now.trusted {
        return;
    }
    state.humidity.hour = hour;
    let rained = state.event.is_on(now, &context.site.rain);
    if !rained {
        state.humidity.began = None;
    }
    let working = (7..19).contains(&civil::local(context.site.zone, now).hour());
    if rained || !working || !rainfall::gauge_is_heard(state, context) || state.waterings.wet(now, now) {
        return;
    }
    if let Some(percent) = clues::humidity(state, now) {
        state.humidity.dry_hour(f64::from(percent));
    }
}

/// An event so large and long is rain whatever else is known. Our choice.
const SURE_MM: f64 = 3.0;
const SURE_AFTER: i64 = HOUR;
