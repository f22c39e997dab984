//! Where sensors stand and how they age: shade on the sun sensor, warmth from a wall, an anemometer in the lee, a gauge that
//! catches too little, drains too slowly or counts twice. Each is seen in what the site measures over days and weeks,
//! against the sun, its neighbors or its normals; each is said with its figures and what to look at.
//!
//! An alert closes by its own rule once the readings are right again, or when somebody notes that the sensor was cleaned,
//! moved or replaced: then everything is learnt anew.

mod bounce;
mod catching;
mod compared;
mod shade;
mod words;

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

pub use bounce::Bounce;
use catching::{Catching, RainHour};
use compared::{Finding, Shelter, Warmth};
use shade::Shade;

use super::alert::{AlertKind, Wording};
use super::batteries::utc_day;
use super::civil;
use super::formula::reference_et;
use super::publish::alerts;
use super::rainfall;
use super::reading::Quantity;
use super::sensor::service::ServiceKind;
use super::site::day_book::{Averaged, Bin, micrometers};
use super::site::neighborhood::{Near, NearHour};
use super::site::rain::{Catch, Outcome, RawUnit};
use super::site::sun_clock;
use super::stamp::{HOUR, MINUTE, Stamp};
use super::state::{Context, SiteState};
use super::units::{Meters, MetersPerSecond};

/// What is known of where the sensors of a site stand.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Siting {
    /// The hour that neighbors tell of now, and how many of them; compared once the next one comes.
    #[serde(rename = "p", skip_serializing_if = "Option::is_none")]
    pending: Option<(NearHour, u8)>,
    #[serde(rename = "s", skip_serializing_if = "Shade::is_empty")]
    shade: Shade,
    /// Wind against neighbors by the hour, and against normals by the day.
    #[serde(rename = "w", skip_serializing_if = "Option::is_none")]
    by_neighbors: Option<Box<Shelter>>,
    #[serde(rename = "n", skip_serializing_if = "Option::is_none")]
    by_normals: Option<Box<Shelter>>,
    #[serde(rename = "t", skip_serializing_if = "Option::is_none")]
    warmth: Option<Box<Warmth>>,
    #[serde(rename = "r", skip_serializing_if = "Catching::is_empty")]
    catching: Catching,
}

/// Neighbors tell of an hour: `estimate` is what they make of it here, `tellers` how many they are.
pub fn near(state: &mut SiteState, hour: Stamp, estimate: &NearHour, tellers: usize, context: &Context<'_>) {
    let before = state.siting.as_ref().and_then(|siting| siting.pending);
    match before {
        Some((known, _)) if hour < known.start() => return,
        Some((known, tellers)) if hour > known.start() => compare(state, &known, tellers, context),
        _ => {}
    }
    let tellers = u8::try_from(tellers).unwrap_or(u8::MAX);
    state.siting.get_or_insert_default().pending = Some((*estimate, tellers));
}

/// What was measured here in an hour against what neighbors had.
fn compare(state: &mut SiteState, near: &NearHour, tellers: u8, context: &Context<'_>) {
    let (hour, day) = (near.start(), utc_day(near.start()));
    let here = Here::of(state, hour, context);
    let own_gauge = rainfall::gauge_index(state, context).filter(|index| !rainfall::is_clogged(&state.sensors[*index]));
    let Some(siting) = state.siting.as_deref_mut() else { return };
    let wind = near.value(Near::WindSpeed);
    if let (Some(own), Some(there)) = (here.wind, wind) {
        siting.by_neighbors.get_or_insert_default().add(day, own, there);
    }
    let sun = here.sun.or_else(|| near.value(Near::Shortwave));
    // The anemometer here may stand in the lee of the same wall.
    let blows = wind.or(here.wind);
    if let (Some(own), Some(there), Some(sun), Some(blows)) =
        (here.celsius, near.value(Near::AirTemperature), sun, blows)
    {
        let in_sun = sun >= SUNNY_W_PER_M2 && blows < CALM_M_PER_S;
        siting.warmth.get_or_insert_default().add(day, own - there, in_sun);
    }
    let (Some(rain), Some(index)) = (near.value(Near::Rain), own_gauge) else { return };
    let cold = near.value(Near::AirTemperature).is_some_and(|celsius| celsius < FROST_BELOW_CELSIUS);
    let hour = RainHour {
        start: hour,
        here_um: here.rain_um,
        near_um: (tellers >= 2).then(|| micrometers(rain)),
        is_dry: Some(rain <= 0.0),
        is_blurred: here.is_blurred || cold,
    };
    siting.catching.hour(hour, micrometers(context.site.sensors[index].gauge.tip_mm));
}

/// One hour as this site measured it.
#[derive(Default)]
struct Here {
    celsius: Option<f64>,
    humidity: Option<f64>,
    wind: Option<f64>,
    sun: Option<f64>,
    rain_um: i32,
    is_blurred: bool,
}

impl Here {
    fn of(state: &SiteState, hour: Stamp, context: &Context<'_>) -> Self {
        let bins: Vec<&Bin> = state.book.between(hour, hour.plus(HOUR)).collect();
        let mean = |averaged| {
            let read = || bins.iter().filter(|bin| bin.coverage(averaged) >= HALF).map(|bin| bin.sum(averaged));
            let (sum, count) =
                read().fold((0.0, 0.0), |(sum, count), of| (sum + f64::from(of.sum), count + f64::from(of.count())));
            (count > 0.0).then(|| sum / count)
        };
        let doubtful = |bin: &&Bin| {
            !bin.gauge_heard
                || bin.quarantined_um != 0
                || bin.spread
                || bin.frozen
                || f64::from(bin.coldest) < FROST_BELOW_CELSIUS
        };
        let sprayed = state.waterings.overlap(hour, hour.plus(HOUR));
        Self {
            celsius: mean(Averaged::Temperature),
            humidity: mean(Averaged::Humidity),
            wind: mean(Averaged::Wind),
            sun: mean(Averaged::Sun),
            rain_um: bins.iter().map(|bin| bin.rain_um.saturating_add(bin.quarantined_um)).sum(),
            is_blurred: bins.is_empty() || bins.iter().any(doubtful) || sprayed || !context.now.trusted,
        }
    }
}

/// A civil day has closed.
pub fn day_closed(state: &mut SiteState, date: NaiveDate, start: Stamp, end: Stamp, context: &mut Context<'_>) {
    look_at_sun(state, date, start, end, context);
    look_at_usual_wind(state, date, start, end, context);
    if context.site.neighbors.is_empty() {
        look_at_rain(state, start, end, context);
    }
    if state.siting.is_some() {
        judge(state, context);
    }
    judge_switches(state, context);
}

fn look_at_sun(state: &mut SiteState, date: NaiveDate, start: Stamp, end: Stamp, context: &Context<'_>) {
    let place = &context.site.place;
    let mut hours = Vec::new();
    let mut clear = None;
    for bin in state.book.between(start, end) {
        let read = bin.coverage(Averaged::Sun) >= HALF && bin.minutes >= 30;
        let Some(mean) = bin.sum(Averaged::Sun).mean().filter(|_| read) else { continue };
        let clear = clear.get_or_insert_with(|| sun_clock::clear_day(place, date.ordinal()));
        let of_day = bin.start.0.rem_euclid(24 * HOUR);
        let middle = (of_day + i64::from(bin.minutes) * MINUTE / 2) as f64 / HOUR as f64;
        let hour = (of_day / HOUR) as usize;
        let around = [hour + 23, hour, hour + 1].map(|hour| clear.get(hour % 24).copied().unwrap_or(0.0));
        hours.push((middle, mean, around[1], around.into_iter().fold(f64::INFINITY, f64::min)));
    }
    if !hours.is_empty() {
        let (latitude, longitude) = (place.latitude_degrees, place.longitude_degrees);
        let shade = &mut state.siting.get_or_insert_default().shade;
        shade.closed(civil::day_number(date), date.ordinal(), latitude, longitude, &hours);
    }
}

/// The day's mean wind, brought to 2 m, against the normals of the date. One figure for the whole year would not do: months
/// differ by more than a hedge takes away.
fn look_at_usual_wind(state: &mut SiteState, date: NaiveDate, start: Stamp, end: Stamp, context: &Context<'_>) {
    let place = &context.site.place;
    let Some(usual) = context.site.normals.as_ref().and_then(|normals| normals.usual_wind(date)) else { return };
    let read: Vec<f64> = state
        .book
        .between(start, end)
        .filter(|bin| bin.coverage(Averaged::Wind) >= HALF)
        .filter_map(|bin| bin.sum(Averaged::Wind).mean())
        .collect();
    if read.len() >= LEAST_HOURS_OF_DAY {
        let mean = read.iter().sum::<f64>() / read.len() as f64;
        let at_2_m = reference_et::wind_at_2_m(MetersPerSecond(mean), Meters(place.wind_height_m)).0;
        let shelter = state.siting.get_or_insert_default().by_normals.get_or_insert_default();
        shelter.add(civil::day_number(date), at_2_m, usual);
    }
}

/// Without neighbors, dry air says that it does not rain.
fn look_at_rain(state: &mut SiteState, start: Stamp, end: Stamp, context: &Context<'_>) {
    let Some(index) = rainfall::gauge_index(state, context) else { return };
    let tip_um = micrometers(context.site.sensors[index].gauge.tip_mm);
    let mut hour = civil::hour_start(start);
    while hour < end {
        let here = Here::of(state, hour, context);
        if here.rain_um > 0 || state.siting.is_some() {
            let hour = RainHour {
                start: hour,
                here_um: here.rain_um,
                near_um: None,
                is_dry: here.humidity.map(|percent| percent < DRY_AIR_PERCENT),
                is_blurred: here.is_blurred,
            };
            state.siting.get_or_insert_default().catching.hour(hour, tip_um);
        }
        hour = hour.plus(HOUR);
    }
}

/// The gauge of the sensor at `index` tipped.
pub fn tipped(state: &mut SiteState, index: usize, catch: &Catch, unit: RawUnit, context: &Context<'_>) {
    let tip_mm = context.site.sensors[index].gauge.tip_mm;
    if catch.outcome == Outcome::Rain && catch.mm > 0.0 && tip_mm > 0.0 {
        state.sensors[index].bounce.get_or_insert_default().tipped(catch.mm, tip_mm, unit == RawUnit::Tips, catch.to);
    }
}

/// What speaks for a quantity: the first sensor that ever gave one that counts.
fn speaker<'a>(state: &SiteState, quantity: Quantity, context: &Context<'a>) -> Option<&'a str> {
    let sensors = state.sensors.iter().zip(&context.site.sensors);
    let mut of =
        sensors.filter(|(entry, _)| entry.sensor.channel(quantity).is_some_and(|channel| channel.counted.is_some()));
    of.next().map(|(_, settings)| settings.id.as_str())
}

fn judge(state: &mut SiteState, context: &mut Context<'_>) {
    let Some(siting) = state.siting.as_deref() else { return };
    let shade = match siting.shade.shaded() {
        Some(shaded) => Finding::Doubtful(shaded),
        None if siting.shade.is_free() => Finding::Right,
        None => Finding::Unknown,
    };
    let of_neighbors = siting.by_neighbors.as_deref().map(|shelter| shelter.finding(LEAST_HOURS));
    let of_normals = siting.by_normals.as_deref().map(|shelter| shelter.finding(LEAST_DAYS));
    // Neighbors have today's wind, normals that of other years.
    let (wind, by_neighbors) = match (of_neighbors, of_normals) {
        (Some(finding), _) if finding != Finding::Unknown => (finding, true),
        (_, Some(finding)) => (finding, false),
        _ => (Finding::Unknown, true),
    };
    let warmth = siting.warmth.as_deref().map_or(Finding::Unknown, Warmth::finding);
    let little = match siting.catching.catches_little() {
        Some(little) => Finding::Doubtful(little),
        None if siting.catching.catches_all() => Finding::Right,
        None => Finding::Unknown,
    };
    let trickles = match siting.catching.trickles() {
        Some(count) => Finding::Doubtful(count),
        None if siting.catching.drains() => Finding::Right,
        None => Finding::Unknown,
    };
    let doubtful = AlertKind::SitingDoubtful;
    if let Some(id) = speaker(state, Quantity::SurfaceDownwellingShortwaveFlux, context) {
        say(state, doubtful, &format!("{id}-sun"), shade, |shaded| words::shaded(id, &shaded), context);
    }
    if let Some(id) = speaker(state, Quantity::WindSpeed, context) {
        let site = context.site;
        let wording = |calm| words::sheltered(site, id, &calm, by_neighbors);
        say(state, doubtful, &format!("{id}-wind"), wind, wording, context);
    }
    if let Some(id) = speaker(state, Quantity::AirTemperature, context) {
        say(state, doubtful, &format!("{id}-warmth"), warmth, |heated| words::heated(id, &heated), context);
    }
    if let Some(index) = rainfall::gauge_index(state, context) {
        let (site, clogged) = (context.site, AlertKind::GaugeClogged);
        let id = site.sensors[index].id.as_str();
        say(state, clogged, &format!("{id}-partly"), little, |little| words::little(site, id, &little), context);
        say(state, clogged, &format!("{id}-draining"), trickles, |count| words::trickles(id, count), context);
    }
}

fn say<T>(
    state: &mut SiteState,
    kind: AlertKind,
    subject: &str,
    finding: Finding<T>,
    wording: impl FnOnce(T) -> Wording,
    context: &mut Context<'_>,
) {
    match finding {
        Finding::Doubtful(found) => alerts::raise(state, kind, subject, wording(found), context),
        Finding::Right => alerts::clear(state, kind, subject, context),
        Finding::Unknown => {}
    }
}

fn judge_switches(state: &mut SiteState, context: &mut Context<'_>) {
    for (index, settings) in context.site.sensors.iter().enumerate() {
        let Some(entry) = state.sensors.get(index) else { return };
        let Some(bounce) = entry.bounce.as_deref() else { continue };
        let finding = match bounce.doubles() {
            Some(pairs) => Finding::Doubtful(pairs),
            None if bounce.is_over() => Finding::Right,
            None => Finding::Unknown,
        };
        let (id, tip) = (settings.id.as_str(), settings.gauge.tip_mm);
        let wording = |pairs| words::bounces(context.site, id, pairs, tip);
        let subject = format!("{id}-switch");
        match finding {
            Finding::Doubtful(pairs) => {
                let wording = wording(pairs);
                alerts::raise(state, AlertKind::SitingDoubtful, &subject, wording, context);
            }
            Finding::Right => alerts::clear(state, AlertKind::SitingDoubtful, &subject, context),
            Finding::Unknown => {}
        }
    }
}

/// Somebody has seen to the sensor at `index`: what was learnt of it is of before.
pub fn serviced(state: &mut SiteState, index: usize, kind: ServiceKind, context: &mut Context<'_>) {
    if !matches!(kind, ServiceKind::Cleaned | ServiceKind::Moved | ServiceKind::Replaced) {
        return;
    }
    let Some(id) = context.site.sensors.get(index).map(|settings| settings.id.as_str()) else { return };
    state.sensors[index].bounce = None;
    let speaks = |quantity| speaker(state, quantity, context) == Some(id);
    let [sun, wind, air] =
        [Quantity::SurfaceDownwellingShortwaveFlux, Quantity::WindSpeed, Quantity::AirTemperature].map(speaks);
    let gauge = rainfall::gauge_index(state, context) == Some(index);
    if let Some(siting) = state.siting.as_deref_mut() {
        if sun {
            siting.shade = Shade::default();
        }
        if wind {
            (siting.by_neighbors, siting.by_normals) = (None, None);
        }
        if air {
            siting.warmth = None;
        }
        if gauge {
            siting.catching = Catching::default();
        }
    }
    for (kind, what) in SUBJECTS {
        alerts::clear(state, kind, &format!("{id}-{what}"), context);
    }
}

const SUBJECTS: [(AlertKind, &str); 6] = [
    (AlertKind::SitingDoubtful, "sun"),
    (AlertKind::SitingDoubtful, "wind"),
    (AlertKind::SitingDoubtful, "warmth"),
    (AlertKind::SitingDoubtful, "switch"),
    (AlertKind::GaugeClogged, "partly"),
    (AlertKind::GaugeClogged, "draining"),
];

/// An hour is measured where readings speak for half of it. Our choice.
const HALF: f64 = 0.5;
/// Sun that heats a wall, and wind that does not carry its warmth away. Our choice.
const SUNNY_W_PER_M2: f64 = 400.0;
const CALM_M_PER_S: f64 = 2.5;
/// A gauge that is not heated catches no snow. As for rain that is caught in frost.
const FROST_BELOW_CELSIUS: f64 = 1.0;
/// In drier air it does not rain for hours (common practice in judging tips: qc of rain gauges by humidity). Our choice.
const DRY_AIR_PERCENT: f64 = 80.0;
/// Of the last thirty days so much must have been compared: twenty days. Our choice.
const LEAST_HOURS: u32 = 480;
const LEAST_DAYS: u32 = 20;
const LEAST_HOURS_OF_DAY: usize = 18;
