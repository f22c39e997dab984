//! Readings that wait for the next one: they count for nothing until it comes, except for cold, which holds at once.
//!
//! Provisional cold never touches the freeze hold of the readings that count: it holds beside it, and goes with its own
//! judgment. So a spike ends what it began and nothing else, and a reading that stands hands its hold over without a gap.

use super::intake::{self, LIVE_WITHIN};
use super::output::Level;
use super::publish::{history, log, words};
use super::quality::{Judgment, Waiting};
use super::reading::{Quantity, Reading, TimeSource};
use super::settings::SensorSettings;
use super::stamp::Stamp;
use super::state::{Context, SiteState};

/// Takes in a reading that may be a spike. Cold holds at once; warmth releases nothing. `age`: how old its news is, ms.
pub fn wait(
    state: &mut SiteState,
    index: usize,
    reading: &Reading,
    judgment: &Judgment,
    age: i64,
    context: &mut Context<'_>,
) {
    let now = context.now;
    let spike = context.site.quality.limits(reading.quantity).spike;
    let until = now.listening.saturating_add(spike.map_or(0, |spike| spike.within_ms));
    let was_cold = provisional_cold(state, context).is_some();
    let channel = state.sensors[index].sensor.channel_mut(reading.quantity);
    channel.show(&Reading { value: judgment.value, ..*reading }, judgment.flag);
    let Some(waiting) = channel.track.waiting_mut() else { return };
    (waiting.came, waiting.until) = (now.wall, until);
    waiting.heard = now.listening.saturating_sub(age);
    waiting.is_live = now.wall.since(reading.observed_at) <= LIVE_WITHIN;
    state.settle_at = Some(state.settle_at.map_or(until, |at| at.min(until)));
    let begins = !was_cold && state.freeze.since().is_none() && state.season.waters();
    if let Some((_, celsius)) = provisional_cold(state, context).filter(|_| begins) {
        let degrees = words::temperature(context.site, celsius);
        let text = format!(
            "freeze hold begins at {degrees}, a sudden fall: the next reading of the thermometer confirms or ends it"
        );
        log(context, Level::Info, text);
    }
}

/// The next reading came: the one that waited counts now, or never.
pub fn settle(
    state: &mut SiteState,
    index: usize,
    settings: &SensorSettings,
    quantity: Quantity,
    waited: &Waiting,
    context: &mut Context<'_>,
) {
    let judgment = &waited.judgment;
    let reading = Reading { quantity, value: judgment.value, observed_at: waited.at, time_source: TimeSource::Arrival };
    let held = is_cold(quantity, waited, context);
    let believed = judgment.flag.counts();
    if held && believed {
        // It held since it came, and goes on without a break.
        if state.freeze.since().is_none() && state.season.waters() {
            let degrees = words::temperature(context.site, judgment.value);
            log(context, Level::Info, format!("freeze hold is confirmed at {degrees}"));
        }
        state.freeze_by_neighbors = false;
        state.freeze.confirm(waited.came, judgment.value);
    }
    let age = context.now.listening.saturating_sub(waited.heard).max(0);
    intake::count(state, index, settings, &reading, judgment, age, context);
    // The line of the reading said that it was not evaluated: the same point again, with its flag.
    let mut points = history::points(context, settings);
    history::add(&mut points, &reading, judgment.flag);
    history::send(points, waited.at, context);
    if held && !believed && state.freeze.since().is_none() && provisional_cold(state, context).is_none() {
        // What held was no frost: the end does not wait for the window to close.
        state.groups.iter_mut().for_each(|group| group.false_alarm = true);
        let degrees = words::temperature(context.site, judgment.value);
        if state.season.waters() {
            let text = format!(
                "freeze hold ends: the {degrees} of sensor {} was a single reading that stood out",
                settings.id
            );
            log(context, Level::Info, text);
        }
    }
}

/// Readings that none followed in time stand.
pub fn expire(state: &mut SiteState, context: &mut Context<'_>) {
    let listening = context.now.listening;
    if state.settle_at.is_none_or(|at| listening < at) {
        return;
    }
    for (index, settings) in context.site.sensors.iter().enumerate() {
        let count = state.sensors.get(index).map_or(0, |entry| entry.sensor.channels.len());
        for place in 0..count {
            let channel = &mut state.sensors[index].sensor.channels[place];
            let quantity = channel.quantity;
            if channel.track.waiting().is_none_or(|waiting| listening < waiting.until) {
                continue;
            }
            if let Some(stands) = channel.track.stop_waiting() {
                settle(state, index, settings, quantity, &stands, context);
            }
        }
    }
    let channels = state.sensors.iter().flat_map(|entry| &entry.sensor.channels);
    state.settle_at = channels.filter_map(|channel| channel.track.waiting()).map(|waiting| waiting.until).min();
}

/// Since when it freezes: by the readings that count, or by one that waits.
pub fn freezing_since(state: &SiteState, context: &Context<'_>) -> Option<Stamp> {
    state.freeze.since().or_else(|| provisional_cold(state, context).map(|(since, _)| since))
}

/// Since when cold waits to be judged, and the coldest of it, °C.
pub fn provisional_cold(state: &SiteState, context: &Context<'_>) -> Option<(Stamp, f64)> {
    state.settle_at?;
    let waiting = state.sensors.iter().filter_map(|entry| {
        let waiting = entry.sensor.channel(Quantity::AirTemperature)?.track.waiting()?;
        is_cold(Quantity::AirTemperature, waiting, context).then_some((waiting.came, waiting.judgment.value))
    });
    waiting.reduce(|one, other| (one.0.min(other.0), one.1.min(other.1)))
}

fn is_cold(quantity: Quantity, waiting: &Waiting, context: &Context<'_>) -> bool {
    let freeze = &context.site.freeze;
    quantity == Quantity::AirTemperature
        && freeze.enabled
        && waiting.is_live
        && waiting.judgment.value <= freeze.hold_at_celsius
}
