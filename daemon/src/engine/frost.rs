//! Frost that is expected: the evening's look, the hold for the low in the window, and what the morning teaches.
//!
//! The live hold stands beside it. An expectation is no measurement: it holds only windows in the cold end of the night, and
//! ends in the morning, if a thermometer is heard then. Missing data releases nothing.

use super::civil;
use super::decision::hold::Hold;
use super::decision::reason::Reason;
use super::evidence;
use super::formula::{solar, vapor};
use super::output::Level;
use super::publish::{log, words};
use super::reading::Quantity;
use super::site::night;
use super::stamp::{DAY, HOUR, Stamp};
use super::state::{Context, SiteState};
use super::units::{Celsius, Degrees, Percent};

/// Looks at the evening and at the morning when their time has come.
pub fn look(state: &mut SiteState, context: &mut Context<'_>) {
    let now = context.now.wall;
    if !context.now.trusted {
        return;
    }
    end_hold(state, context);
    if state.nights.next.is_some_and(|next| next > now) {
        return;
    }
    match state.nights.tonight {
        None => evening(state, context),
        Some(tonight) if now >= tonight.morning => morning(state),
        Some(_) => later(state, context),
    }
}

/// Holds a group whose window lies in the cold end of the night.
pub fn hold(state: &SiteState, index: usize, context: &Context<'_>) -> Option<Hold> {
    let since = state.nights.held_since?;
    let now = context.now.wall;
    let ends = state.nights.tonight.map_or(now.plus(HOUR), |tonight| tonight.morning);
    let settings = &context.site.groups[index];
    let mut windows = civil::windows_from(context.site.zone, now, settings.window, 1);
    let meets = windows.any(|(day, opens, closes)| {
        settings.watering_days[civil::weekday(day)] && opens < ends && closes > ends.plus(-COLD_END).max(now)
    });
    let until = state.nights.tonight.map(|tonight| tonight.morning);
    meets.then_some(Hold { reason: Reason::Freeze, since, until })
}

/// Sunset: the first estimate, or the wait for it.
fn evening(state: &mut SiteState, context: &mut Context<'_>) {
    let now = context.now.wall;
    let times = |near: Stamp| {
        let place = &context.site.place;
        solar::sun_times(near, Degrees(place.latitude_degrees), Degrees(place.longitude_degrees))
    };
    let set = (-1..=1).filter_map(|day| times(now.plus(day * DAY)).sunset).filter(|set| now.since(*set) < LATEST).min();
    let Some(set) = set else {
        // No sunset within reach: polar day or night.
        state.nights.next = Some(now.plus(12 * HOUR));
        return;
    };
    if set > now {
        state.nights.next = Some(set);
        return;
    }
    let rise = (0..=2).filter_map(|day| times(now.plus(day * DAY)).sunrise).filter(|rise| *rise > set).min();
    let temperature = evidence::fresh(state, Quantity::AirTemperature, context).next();
    let (Some(rise), Some(temperature)) = (rise, temperature) else {
        state.nights.next = Some(set.plus(LATEST));
        return;
    };
    let quarter = night::quarter(civil::month(civil::date(context.site.zone, now)));
    state.nights.begin(quarter, set, rise.plus(HOUR), temperature);
    state.nights.next = Some(set.plus(2 * HOUR).min(rise));
    judge(state, context);
}

/// Two hours later: the estimate by the dew point.
fn later(state: &mut SiteState, context: &mut Context<'_>) {
    let temperature = evidence::fresh(state, Quantity::AirTemperature, context).next();
    if let Some((temperature, dew_point)) = temperature.and_then(|t| Some((t, dew_point(state, t, context)?))) {
        state.nights.look(temperature, dew_point);
        judge(state, context);
    }
    state.nights.next = state.nights.tonight.map(|tonight| tonight.morning);
}

/// Morning: the night is learnt from, where it was heard.
fn morning(state: &mut SiteState) {
    let Some(tonight) = state.nights.tonight else { return };
    let (from, to) = (tonight.sunset.plus(HOUR), tonight.morning);
    let bins = state.book.between(from, to).map(|bin| bin.coldest).filter(|coldest| coldest.is_finite());
    let (low, heard) = bins.fold((f32::INFINITY, 0i64), |(low, heard), coldest| (low.min(coldest), heard + 1));
    let whole = heard * HOUR >= to.since(from) * 8 / 10;
    state.nights.end(whole.then_some(f64::from(low)));
    state.nights.next = None;
}

/// Begins the hold where the expected low asks for it, and ends it where a better estimate does not.
fn judge(state: &mut SiteState, context: &mut Context<'_>) {
    let freeze = &context.site.freeze;
    let Some(low) = state.nights.expected_celsius().filter(|_| freeze.enabled) else { return };
    let cold = low <= freeze.hold_at_celsius;
    let before = state.nights.held_since;
    state.nights.held_since = if cold { before.or(Some(context.now.wall)) } else { None };
    if state.season.waters() && cold != before.is_some() {
        let word = if cold { "holds for" } else { "no longer holds for" };
        let text = format!("{word} the expected low of {}", words::temperature(context.site, low));
        log(context, Level::Info, text);
    }
}

/// The night is over and a thermometer is heard: what was expected has come or not, and the live hold knows.
fn end_hold(state: &mut SiteState, context: &Context<'_>) {
    let over = state.nights.tonight.is_none_or(|tonight| context.now.wall >= tonight.morning);
    if state.nights.held_since.is_some()
        && over
        && evidence::fresh(state, Quantity::AirTemperature, context).next().is_some()
    {
        state.nights.held_since = None;
    }
}

fn dew_point(state: &SiteState, temperature: f64, context: &Context<'_>) -> Option<f64> {
    let read = evidence::fresh(state, Quantity::DewPointTemperature, context).next();
    read.or_else(|| {
        let humidity = evidence::fresh(state, Quantity::RelativeHumidity, context).next()?;
        let humidity = Percent(humidity.clamp(1.0, 100.0));
        Some(vapor::dew_point(vapor::vapor_pressure_of_humidity(Celsius(temperature), humidity)).0)
    })
}

/// A window in the last hours before an hour after sunrise lies in the cold end of the night. Our choice.
const COLD_END: i64 = 8 * HOUR;

/// A sunset longer ago is over. Our choice.
const LATEST: i64 = HOUR;
