//! The season of a site: when draining or starting is due, who may say so, and how long new plants establish.
//!
//! Both are suggested and never done: pipes are drained and filled by people.

use chrono::{Datelike, Duration, NaiveDate};

use super::alert::{AlertKind, Wording};
use super::civil;
use super::output::Level;
use super::publish::{alerts, log, words};
use super::settings::{RainHoldLength, RainHoldSettings};
use super::stamp::{DAY, Stamp};
use super::state::{Context, Establishing, Season, SiteState};

/// A person set the season.
pub fn set(state: &mut SiteState, season: Season, context: &mut Context<'_>) {
    if season == Season::Running && !state.season.waters() {
        state.days.begin_season();
        for group in &mut state.groups {
            group.ledger.forgive();
        }
    }
    if season == Season::Running {
        state.groups.iter_mut().for_each(|group| group.establishing = None);
    }
    // Asked and answered: nothing is suggested again for a while.
    state.season_set_at = Some(context.now.wall);
    state.season = season;
    alerts::clear(state, AlertKind::DrainDue, SYSTEM, context);
    alerts::clear(state, AlertKind::StartDue, SYSTEM, context);
}

/// Looks at the calendar and the last days once a day has closed.
pub fn judge(state: &mut SiteState, context: &mut Context<'_>) {
    end_establishing(state, context);
    if !context.site.drained_in_winter {
        return;
    }
    let date = civil::date(context.site.zone, context.now.wall);
    match state.season {
        Season::Running | Season::DrainDue => {
            let due = drain_is_due(state, date, context);
            if due && state.season == Season::Running && !is_answered(state, context) {
                state.season = Season::DrainDue;
                alerts::raise(state, AlertKind::DrainDue, SYSTEM, drain_wording(state, context), context);
            } else if !due && state.season == Season::DrainDue {
                state.season = Season::Running;
                alerts::clear(state, AlertKind::DrainDue, SYSTEM, context);
            }
        }
        Season::Drained if start_is_due(state, date, context) => {
            state.season = Season::StartDue;
            let mut wording = Wording::new(
                "The frost months are over and the last nights were free of frost: the system can be filled again.",
                "Fill it slowly, look for leaks and broken heads, then send the command season with state running. \
                 Have a backflow preventer tested where the local code asks for it.",
            )
            .bringing("spare heads and valves, a pressure gauge and what the start-up takes");
            wording.by = Some(civil::day_number(date).saturating_add(START_WITHIN_DAYS));
            alerts::raise(state, AlertKind::StartDue, SYSTEM, wording, context);
        }
        Season::Drained | Season::StartDue => {}
    }
}

/// The rain hold of a group: shorter while its plants establish, because their roots are short too.
pub fn rain_settings(state: &SiteState, index: usize, context: &Context<'_>) -> RainHoldSettings {
    let mut rain = context.site.rain;
    if state.groups[index].establishing.is_some() {
        rain.longest_days = rain.longest_days.min(ESTABLISHING_HOLD_DAYS);
        if let RainHoldLength::Days(length) = rain.length {
            rain.length = RainHoldLength::Days(length.min(ESTABLISHING_HOLD_DAYS));
        }
    }
    rain
}

/// Days from `date` to the last day of an establishment period.
pub fn days_left(establishing: &Establishing, date: NaiveDate) -> i64 {
    (establishing.until - date).num_days()
}

/// Establishment ends with its last day.
fn end_establishing(state: &mut SiteState, context: &mut Context<'_>) {
    let date = civil::date(context.site.zone, context.now.wall);
    for (group, settings) in state.groups.iter_mut().zip(&context.site.groups) {
        if group.establishing.as_ref().is_some_and(|establishing| establishing.until < date) {
            group.establishing = None;
            log(context, Level::Info, format!("group {}: its plants are taken for established", settings.id));
        }
    }
}

/// Frost is near: its months begin soon or have begun, or a hard frost came early. Not at their end.
fn drain_is_due(state: &SiteState, date: NaiveDate, context: &Context<'_>) -> bool {
    let frost = |ahead: i64| {
        let day = date.checked_add_signed(Duration::days(ahead)).unwrap_or(date);
        context.site.frost_months[day.month0() as usize]
    };
    if context.site.frost_months.iter().all(|month| *month) {
        return false;
    }
    // More than half of a winter ahead.
    let winter_ahead = frost(WINTER_LEFT_DAYS);
    let near = frost(0) || frost(LEAD_DAYS);
    let hard = state.days.closed().rev().take(3).filter_map(|day| day.figures.coldest_celsius);
    let early = (0..=EARLY_DAYS).any(frost) && hard.fold(f64::INFINITY, f64::min) <= HARD_FROST_CELSIUS;
    winter_ahead && near || early && !frost(0)
}

/// A winter went by since draining, its months are over, and no night of the last week was freezing as far as is known.
fn start_is_due(state: &SiteState, date: NaiveDate, context: &Context<'_>) -> bool {
    let frost = |date: NaiveDate| context.site.frost_months[date.month0() as usize];
    let Some(since) = state.season_set_at else { return false };
    let drained = civil::date(context.site.zone, since);
    let wintered = drained.iter_days().step_by(7).take_while(|day| *day <= date).take(60).any(frost);
    let cold = state.days.closed().rev().take(7).filter_map(|day| day.figures.coldest_celsius);
    wintered && !frost(date) && cold.fold(f64::INFINITY, f64::min) > 0.0
}

/// A person spoke not long ago.
fn is_answered(state: &SiteState, context: &Context<'_>) -> bool {
    state.season_set_at.is_some_and(|at: Stamp| context.now.wall.since(at) < ANSWERED)
}

fn drain_wording(state: &SiteState, context: &Context<'_>) -> Wording {
    let coldest = state.days.closed().rev().take(3).filter_map(|day| day.figures.coldest_celsius);
    let coldest = coldest.fold(f64::INFINITY, f64::min);
    let date = civil::date(context.site.zone, context.now.wall);
    let is_hard = coldest <= HARD_FROST_CELSIUS;
    // Before the frost months begin; where they have, or it froze, within days.
    let days = (0..=LEAD_DAYS).take_while(|ahead| {
        let day = date.checked_add_signed(Duration::days(*ahead)).unwrap_or(date);
        !context.site.frost_months[day.month0() as usize]
    });
    let ahead = u16::try_from(days.count()).unwrap_or(0);
    let within = if is_hard { DRAIN_WITHIN_DAYS } else { ahead.max(DRAIN_WITHIN_DAYS) };
    let text = if is_hard {
        format!("It froze hard: {} in the last nights.", words::temperature(context.site, coldest))
    } else {
        "The first hard frost of the year is to be expected within weeks.".to_owned()
    };
    let mut wording = Wording::new(
        format!("{text} The system is still filled."),
        "Drain or blow out the system as its maker says, then send the command season with state drained. \
         If it stays filled, send state running.",
    )
    .with("days_to_drain", f64::from(within))
    .bringing("what the draining takes: keys and hoses, and a compressor where lines are blown out");
    wording.by = Some(civil::day_number(date).saturating_add(within));
    wording
}

/// The subject of the alerts.
const SYSTEM: &str = "system";

/// How long before the frost months draining is suggested. Our choice.
const LEAD_DAYS: i64 = 14;
/// At the latest so soon where frost is there; and so soon once the season can begin. Our choice.
const DRAIN_WITHIN_DAYS: u16 = 2;
const START_WITHIN_DAYS: u16 = 14;
/// How long before them a hard frost counts as an early winter, and how much of them has to lie ahead. Our choice.
const EARLY_DAYS: i64 = 60;
const WINTER_LEFT_DAYS: i64 = 45;
/// Commonly called a hard frost: 28 °F.
const HARD_FROST_CELSIUS: f64 = -2.2;
/// Our choice: till the winter is over.
const ANSWERED: i64 = 120 * DAY;
/// Our choice.
const ESTABLISHING_HOLD_DAYS: f64 = 1.0;
