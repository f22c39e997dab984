//! A clogged gauge: what sites nearby tell of rain is held against a gauge that says 0, rain after rain; once it is judged
//! clogged it counts as silent, until it tips again or somebody has seen to it.

use crate::engine::alert::{AlertKind, Wording};
use crate::engine::civil;
use crate::engine::event::Digest;
use crate::engine::evidence;
use crate::engine::intake;
use crate::engine::output::Level;
use crate::engine::publish::{alerts, log, words};
use crate::engine::rainfall;
use crate::engine::site::clogged::{AROUND, Missed, RainNearby};
use crate::engine::site::day_book::KEPT;
use crate::engine::site::neighborhood::{Near, NearHour};
use crate::engine::stamp::{HOUR, Stamp};
use crate::engine::state::{Context, SiteState};

/// A neighbor told of an hour for the first time; `estimate`: what the neighbors say of that hour here.
pub fn told(state: &mut SiteState, digest: &Digest, hour: Stamp, estimate: &NearHour, context: &mut Context<'_>) {
    let Some(mm) = digest.rain_mm.filter(|mm| mm.is_finite()) else { return };
    if state.rain_nearby.as_deref().is_some_and(|rain| rain.is_over(hour))
        && let Some(rain) = state.rain_nearby.take()
    {
        over(state, &rain, context);
    }
    // Snow melts in one gauge and not in another.
    let frost = digest.air_temperature_celsius.is_some_and(|celsius| celsius < FROST_BELOW_CELSIUS);
    if mm > 0.0 && !frost {
        let rain = state.rain_nearby.get_or_insert_with(|| Box::new(RainNearby::new(hour)));
        rain.fell(&digest.from, hour, mm);
    }
    if let (Some(rain), Some(here)) = (state.rain_nearby.as_deref_mut(), estimate.value(Near::Rain)) {
        rain.here(hour, here);
    }
}

/// Rain nearby is over: did the site's gauge miss it?
fn over(state: &mut SiteState, rain: &RainNearby, context: &mut Context<'_>) {
    let now = context.now.wall;
    let Some(mm) = rain.certain_mm().filter(|_| !rain.is_endless() && now.since(rain.first) < KEPT - AROUND) else {
        return;
    };
    let Some(index) = rainfall::gauge_index(state, context).filter(|_| rainfall::gauge_is_heard(state, context)) else {
        return;
    };
    let around = state.book.between(rain.first.plus(-AROUND), now);
    let (mut tipped, mut frost) = (false, false);
    for bin in around {
        tipped |= bin.rain_um != 0 || bin.quarantined_um != 0;
        frost |= f64::from(bin.coldest) < FROST_BELOW_CELSIUS;
    }
    // A gauge proves nothing about hours in which it did not speak, but a counter knows them when it speaks again.
    let (end, counter) = (rain.last.plus(HOUR), rainfall::is_counter(state, index));
    let spoke_after = state.book.between(end, now).any(|bin| bin.gauge_heard);
    let during = || state.book.between(rain.first, end);
    let spoke_always = during().next().is_some() && during().all(|bin| bin.gauge_heard);
    if tipped || frost || !spoke_after || !(counter || spoke_always) {
        return;
    }
    let missed = state.sensors[index].missed.get_or_insert_default();
    let is_clogged = missed.add(rain, mm, now);
    let missed = **missed;
    if is_clogged {
        say(state, index, missed, context);
        stand_in(state, rain, context);
    }
}

fn say(state: &mut SiteState, index: usize, missed: Missed, context: &mut Context<'_>) {
    let (site, id) = (context.site, &context.site.sensors[index].id);
    let wording = Wording::new(
        format!(
            "The rain gauge of sensor {id} looks clogged: since {} it rained {} times nearby, {} or more in all at two sites at \
             least, and it reported but caught nothing. From now on the rain of this site comes from its neighbors.",
            civil::clock_text(site.zone, missed.first, context.now.wall),
            missed.rains,
            words::depth(site, f64::from(missed.mm)),
        ),
        format!(
            "Look into the funnel for leaves, nests and dirt, see that the bucket swings freely and the gauge stands level and \
             under the open sky, and look at its cable. Then note a service of kind \"cleaned\" for sensor {id}. It is believed \
             again from then on, or when it next tips."
        ),
    )
    .with("rains_missed", f64::from(missed.rains))
    .with("missed_mm", f64::from(missed.mm));
    alerts::raise(state, AlertKind::GaugeClogged, id, wording, context);
}

/// The rain that proved it is given to the site after all.
fn stand_in(state: &mut SiteState, rain: &RainNearby, context: &mut Context<'_>) {
    for (hour, mm) in rain.hours().filter(|(_, mm)| *mm > 0.0) {
        if state.days.touch(hour) {
            state.book.gauge_unheard(hour, hour.plus(HOUR));
            state.book.neighborhood.put_rain(hour, mm, KEPT);
            intake::note_late(state, hour, context);
        }
    }
    evidence::figure_today(state, context);
    state.sent.totals_due = true;
}

/// The gauge tipped, or somebody has seen to it: it is believed, and begins anew.
pub fn believed(state: &mut SiteState, index: usize, why: &str, context: &mut Context<'_>) {
    let Some(missed) = state.sensors[index].missed.take() else { return };
    if missed.clogged.is_some() {
        let id = &context.site.sensors[index].id;
        log(context, Level::Info, format!("sensor {id}: its gauge is believed again: {why}"));
        alerts::clear(state, AlertKind::GaugeClogged, id, context);
    }
}

/// A gauge that is not heated catches no snow. As for rain that is caught in frost.
const FROST_BELOW_CELSIUS: f64 = 1.0;
