//! What a site knows now: fresh values, how much of it was measured, and what the latches make of it.

use chrono::Datelike;

use super::civil;
use super::decision::Confidence;
use super::decision::hold::freeze::FreezeChange;
use super::decision::hold::rain::{RainEvent, RainEvidence};
use super::decision::scale;
use super::formula::solar;
use super::output::Level;
use super::publish::{log, words};
use super::rainfall;
use super::reading::Quantity;
use super::season;
use super::settings::GroupSettings;
use super::site::day_weather::{DEW_FROM_PERCENT, MOST_DEW_UM};
use super::site::days::StandIn;
use super::site::ledger::{self, DayWater};
use super::site::neighborhood::Near;
use super::site::normals::{Basis, Learnt, Usual};
use super::stamp::{DAY, HOUR, MINUTE, Stamp};
use super::state::{Context, SiteState};
use super::units::Degrees;

/// Which of the quantities that carry a decision are fresh.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Known {
    pub thermometer: bool,
    pub gauge: bool,
    pub confidence: Confidence,
}

/// What is fresh. A quantity that no sensor of the site ever had is not missed, but a thermometer always is.
pub fn known(state: &SiteState, context: &Context<'_>) -> Known {
    let thermometer = fresh(state, Quantity::AirTemperature, context).next().is_some();
    let gauge = rainfall::gauge_is_heard(state, context);
    let has_gauge = rainfall::gauge_index(state, context).is_some();
    let confidence = match (thermometer, gauge || !has_gauge) {
        (true, true) => Confidence::Measured,
        _ if !thermometer && is_warmth_known_nearby(state, context) => Confidence::Substituted,
        (false, false) => Confidence::Unknown,
        (false, true) if !has_gauge => Confidence::Unknown,
        _ => Confidence::Substituted,
    };
    Known { thermometer, gauge, confidence }
}

/// A site nearby has told its temperature of the last hours.
pub fn is_warmth_known_nearby(state: &SiteState, context: &Context<'_>) -> bool {
    let fresh = |hour| context.now.wall.since(hour) <= NEARBY_FRESH;
    state.neighbors.iter().any(|digest| digest.air_temperature_celsius.is_some() && fresh(digest.hour))
}

/// Sites nearby have told the rain of the last hour and of those since it rained here, but for a few: of the last day, where
/// that is longer ago. Silence is not dryness, but a word of gauges nearby is no silence.
fn is_rain_known_nearby(state: &SiteState, event: &RainEvent, context: &Context<'_>) -> bool {
    let now = context.now.wall;
    let told_until = civil::hour_start(now.plus(-NEARBY_FRESH));
    let from = event.last_rain().map_or(told_until, civil::hour_start).max(now.plus(-DAY)).min(told_until);
    let is_told = |hour: Stamp| {
        let own = state.book.between(hour, hour.plus(HOUR)).any(|bin| bin.gauge_heard);
        own || state.book.neighborhood.at(hour).is_some_and(|near| near.value(Near::Rain).is_some())
    };
    let (mut told, mut hours, mut hour) = (0, 0, civil::hour_start(from));
    while hour <= told_until {
        (told, hours) = (told + i64::from(is_told(hour)), hours + 1);
        hour = hour.plus(HOUR);
    }
    // The share of a day that makes it measured. Our choice.
    is_told(told_until) && 4 * told >= 3 * hours
}

/// Fresh values of a quantity, in the order of the settings.
pub fn fresh<'a>(state: &'a SiteState, quantity: Quantity, context: &'a Context<'_>) -> impl Iterator<Item = f64> + 'a {
    let listening = context.now.listening;
    state
        .sensors
        .iter()
        .zip(&context.site.sensors)
        .filter_map(move |(entry, settings)| entry.sensor.fresh(quantity, listening, &settings.link))
        .map(|counted| counted.value)
}

/// Listening instants at which what is fresh now goes stale.
pub fn stale_at<'a>(state: &'a SiteState, context: &'a Context<'_>) -> impl Iterator<Item = i64> + 'a {
    let sensors = state.sensors.iter().zip(&context.site.sensors);
    sensors.flat_map(|(entry, settings)| {
        let limit = || entry.sensor.link.silence_limit(&settings.link).saturating_add(1);
        let gauge = entry.gauge_heard.map(|heard| heard.saturating_add(limit()));
        [entry.sensor.stale_at(Quantity::AirTemperature, &settings.link), gauge].into_iter().flatten()
    })
}

/// The coldest trustworthy thermometer, °C. One that fell silent while cold speaks on for a while, because silence is not
/// warmth.
pub fn coldest(state: &SiteState, context: &Context<'_>) -> Option<f64> {
    let listening = context.now.listening;
    let cold = context.site.freeze.release_at_celsius;
    let values = state.sensors.iter().zip(&context.site.sensors).filter_map(|(entry, settings)| {
        let counted = entry.sensor.channel(Quantity::AirTemperature)?.counted?;
        let silent = listening.saturating_sub(counted.listening);
        let counts = silent <= entry.sensor.link.silence_limit(&settings.link)
            || (counted.value < cold && silent <= COLD_MEMORY);
        counts.then_some(counted.value)
    });
    values.fold(None, |lowest: Option<f64>, value| Some(lowest.map_or(value, |lowest| lowest.min(value))))
}

/// A thermometer said `value` of now, °C. Any of them begins a freeze hold by its live word; what ends one is the coldest,
/// with those that fell silent in the cold. Their memory begins none.
pub fn cold(state: &mut SiteState, value: f64, context: &mut Context<'_>) {
    if !context.site.freeze.enabled {
        return;
    }
    // From now on it is the site's own hold, which ends by its own warmth alone.
    state.freeze_by_neighbors = false;
    let coldest = match state.freeze.since() {
        None => value,
        Some(_) => coldest(state, context).map_or(value, |coldest| coldest.min(value)),
    };
    let usual = state.sensors.iter().filter_map(|entry| entry.sensor.link.interval()).max().unwrap_or(0);
    // An hour between readings, or more where the sensors speak more rarely. Our choice.
    let longest_gap = HOUR.max(usual + usual / 2);
    let change = state.freeze.judge(coldest, context.now.wall, longest_gap, &context.site.freeze);
    // A drained system has no noise of frost.
    match change.filter(|_| state.season.waters()) {
        Some(FreezeChange::Began) => {
            log(context, Level::Info, format!("freeze hold begins at {}", words::temperature(context.site, coldest)))
        }
        Some(FreezeChange::Ended) => {
            log(context, Level::Info, format!("freeze hold ends at {}", words::temperature(context.site, coldest)))
        }
        None => {}
    }
    let now = context.now.wall;
    let by_sprinklers = state.freeze.since().is_some_and(|since| state.waterings.cooled(since, now));
    if by_sprinklers && coldest >= context.site.freeze.release_at_celsius {
        state.freeze.withdraw();
        state.groups.iter_mut().for_each(|group| group.false_alarm = true);
        let degrees = words::temperature(context.site, coldest);
        log(context, Level::Info, format!("freeze hold ends at {degrees}: the air had been cooled by the sprinklers"));
    }
}

/// Rain came in: the rain holds of all groups judge it.
pub fn rained(state: &mut SiteState, last_day_mm: f64, context: &mut Context<'_>) {
    figure_today(state, context);
    let event = state.event.clone();
    for index in 0..state.groups.len().min(context.site.groups.len()) {
        let settings = &context.site.groups[index];
        if !context.site.binds(settings, super::decision::reason::Reason::Rain) {
            continue;
        }
        let evidence = RainEvidence { last_day_mm, ..rain_evidence(state, index, &event, context) };
        let (now, rain) = (context.now.wall, season::rain_settings(state, index, context));
        if state.groups[index].rain.rained(&evidence, now, &rain) {
            log(
                context,
                Level::Info,
                format!(
                    "group {}: rain hold begins at {} of rain",
                    settings.id,
                    words::depth(context.site, event.last_mm())
                ),
            );
        }
    }
}

/// Dew and fog wet the gauge at night: so little, in air so humid, is no rain event. It stays in the totals.
///
/// `at`: when the last of it was caught; its amount is in the day book.
pub fn is_dew(state: &SiteState, at: Stamp, context: &Context<'_>) -> bool {
    let humid =
        fresh(state, Quantity::RelativeHumidity, context).next().is_some_and(|percent| percent >= DEW_FROM_PERCENT);
    if !humid {
        return false;
    }
    let (latitude, longitude) = (context.site.place.latitude_degrees, context.site.place.longitude_degrees);
    let sun = |near: Stamp| solar::sun_times(near, Degrees(latitude), Degrees(longitude));
    let rose = [at.plus(-DAY), at].into_iter().filter_map(|near| sun(near).sunrise).filter(|rise| *rise <= at).max();
    let set = [at.plus(-DAY), at].into_iter().filter_map(|near| sun(near).sunset).filter(|set| *set <= at).max();
    match (rose, set) {
        (Some(rose), Some(set)) if rose < set => state.book.rain_mm(set, at.plus(1)) <= MOST_DEW_UM as f64 / 1000.0,
        _ => false,
    }
}

/// What the rain hold of a group is judged on, but for the rain of the last day, which only matters when it rains.
pub fn rain_evidence<'a>(
    state: &SiteState,
    index: usize,
    event: &'a RainEvent,
    context: &Context<'_>,
) -> RainEvidence<'a> {
    let group = &context.site.groups[index];
    let daily_need_mm = daily_need_mm(state, group, context);
    let (spent_mm, day_end) = match state.days.today() {
        Some(today) => {
            let dry = DayWater { rain_mm: 0.0, ..today.figures.water };
            (ledger::balance_mm(group, civil::month(today.date), dry), today.end)
        }
        None => (0.0, context.now.wall),
    };
    RainEvidence {
        event,
        exposure: group.rain_exposure,
        last_day_mm: 0.0,
        owed_mm: owed_mm(state, index, context),
        least_run_mm: scale::least_run_mm(group),
        daily_need_mm,
        need_left_mm: (daily_need_mm - spent_mm).max(0.0),
        day_end,
        rain_known: rainfall::gauge_is_heard(state, context) || is_rain_known_nearby(state, event, context),
    }
}

/// Water owed to a group with the day so far, mm.
pub fn owed_mm(state: &SiteState, index: usize, context: &Context<'_>) -> f64 {
    let Some(group) = state.groups.get(index) else { return 0.0 };
    let settings = &context.site.groups[index];
    let (month, water) = today_water(state, context);
    group.ledger.owed_mm(settings, month, water)
}

/// What the plants of a group went without since the last watering, mm; no ceiling cuts it off.
pub fn dry_mm(state: &SiteState, index: usize, context: &Context<'_>) -> f64 {
    let (month, water) = today_water(state, context);
    state.groups.get(index).map_or(0.0, |group| group.ledger.dry_mm(&context.site.groups[index], month, water))
}

/// Books water given to a group, mm net, and says how far owed fell.
pub fn deliver(state: &mut SiteState, index: usize, mm: f64, context: &Context<'_>) -> f64 {
    let (month, water) = today_water(state, context);
    let settings = &context.site.groups[index];
    state.groups.get_mut(index).map_or(0.0, |group| group.ledger.deliver(settings, month, water, mm))
}

/// Rain of `mm` that the gauge did not catch may have fallen: the ledgers reckon with it on the side.
pub fn doubt(state: &mut SiteState, mm: f64, context: &Context<'_>) {
    let (month, water) = today_water(state, context);
    for (group, settings) in state.groups.iter_mut().zip(&context.site.groups) {
        group.ledger.doubt(settings, month, water, mm);
    }
}

/// Month, and what the running day brought so far.
fn today_water(state: &SiteState, context: &Context<'_>) -> (usize, DayWater) {
    match state.days.today() {
        Some(today) => (civil::month(today.date), today.figures.water),
        None => (civil::month(civil::date(context.site.zone, context.now.wall)), DayWater::default()),
    }
}

/// What the ledger of a group gains on a day without rain, mm: from normals and the last days, else the default.
pub fn daily_need_mm(state: &SiteState, group: &GroupSettings, context: &Context<'_>) -> f64 {
    let date = civil::date(context.site.zone, context.now.wall);
    // The weather of the last days goes on for a while, and the season comes through: both count alike. Our choice.
    let eto = match (usual(&state.learnt, context).eto(date), state.days.recent_eto_mm()) {
        ((_, Basis::Default), Some(recent)) => recent,
        ((usual, _), Some(recent)) => (usual + recent) / 2.0,
        ((usual, _), None) => usual,
    };
    ledger::balance_mm(group, date.month0() as usize, DayWater { eto_mm: eto, rain_mm: 0.0 })
}

/// Figures the running day anew where the last figures are old.
pub fn refresh_today(state: &mut SiteState, context: &mut Context<'_>) {
    let due = state.days.today().is_some_and(|today| context.now.wall.since(today.figured_at) >= FIGURE_EVERY);
    if due && context.now.trusted {
        figure_today(state, context);
    }
}

pub fn figure_today(state: &mut SiteState, context: &Context<'_>) {
    let has_gauge = rainfall::gauge_index(state, context).is_some();
    let stand_in = stand_in(&state.learnt, has_gauge, context);
    state.days.figure_today(&context.site.place, &state.book, stand_in, context.now.wall);
}

/// What the site usually has, by its settings and by its own days.
pub fn usual<'a>(learnt: &'a Option<Box<Learnt>>, context: &Context<'a>) -> Usual<'a> {
    let site = context.site;
    Usual { normals: site.normals.as_deref(), default: &site.default_eto, learnt: learnt.as_deref() }
}

/// What stands in for measurements at this site.
pub fn stand_in<'a>(learnt: &'a Option<Box<Learnt>>, has_gauge: bool, context: &Context<'a>) -> StandIn<'a> {
    StandIn { usual: usual(learnt, context), has_gauge }
}

/// A thermometer that is silent while it is cold keeps its word this long. Our choice.
const COLD_MEMORY: i64 = 12 * HOUR;

/// The hour of a neighbor is news until the next but one should have come. Our choice.
const NEARBY_FRESH: i64 = 3 * HOUR;

/// Today's figures are at most this old. Our choice.
const FIGURE_EVERY: i64 = 10 * MINUTE;
