//! Sites that help each other out: what this one tells of each hour, and what it makes of the others' hours.

use super::civil;
use super::decision::hold::freeze::FreezeChange;
use super::event::Digest;
use super::evidence;
use super::formula::reference_et;
use super::gauge_watch;
use super::intake;
use super::output::{Level, Output};
use super::publish::{log, words};
use super::rainfall;
use super::settings::MOST_NEIGHBORS;
use super::site::day_book::{Averaged, KEPT};
use super::site::day_weather;
use super::site::neighborhood::{self, Near};
use super::siting;
use super::stamp::{HOUR, MINUTE, Stamp};
use super::state::{Context, SiteState};
use super::units::{Meters, MetersPerSecond};

/// Tells the hour that is over, once, if some site listens.
pub fn tell(state: &mut SiteState, context: &mut Context<'_>) {
    if due(state, context).is_none_or(|due| due > context.now.wall) || !context.now.trusted {
        return;
    }
    let hour = civil::hour_start(context.now.wall).plus(-HOUR);
    state.sent.digest_hour = Some(hour);
    let digest = digest(state, hour, context);
    let says_something = [
        digest.air_temperature_celsius,
        digest.relative_humidity_percent,
        digest.wind_speed_m_per_s,
        digest.shortwave_w_per_m2,
        digest.rain_mm,
    ];
    if says_something.iter().any(Option::is_some) {
        context.outputs.push(Output::Digest(digest));
    }
}

/// When the next hour is to be told. None for a site that nobody lists.
pub fn due(state: &SiteState, context: &Context<'_>) -> Option<Stamp> {
    if !context.site.is_neighbor {
        return None;
    }
    let hour = civil::hour_start(context.now.wall);
    let told = state.sent.digest_hour.is_some_and(|told| told >= hour.plus(-HOUR));
    Some(if told { hour.plus(HOUR + AFTER_THE_HOUR) } else { hour.plus(AFTER_THE_HOUR) })
}

/// What this site measured itself in an hour. Nothing that is suspect, in quarantine or badly covered.
fn digest(state: &SiteState, hour: Stamp, context: &Context<'_>) -> Digest {
    let place = &context.site.place;
    let bins: Vec<_> = state.book.between(hour, hour.plus(HOUR)).collect();
    let mean = |averaged: Averaged| {
        let sound = |bin: &&&_| day_weather::is_read(bin, averaged) && !bin.sum(averaged).is_suspect();
        let minutes: u32 = bins.iter().filter(sound).map(|bin| u32::from(bin.minutes)).sum();
        let sum: f64 =
            bins.iter().filter(sound).filter_map(|bin| Some(bin.sum(averaged).mean()? * f64::from(bin.minutes))).sum();
        (minutes >= LEAST_MINUTES).then(|| sum / f64::from(minutes))
    };
    let (air, humidity) = (mean(Averaged::Temperature), mean(Averaged::Humidity));
    let gauge_speaks = !bins.is_empty() && bins.iter().all(|bin| bin.gauge_heard);
    let doubtful = bins.iter().any(|bin| bin.quarantined_um != 0 || bin.spread || bin.frozen);
    let rain_um: i64 = bins.iter().map(|bin| i64::from(bin.rain_um)).sum();
    Digest {
        from: context.site.id.clone(),
        hour,
        air_temperature_celsius: air,
        relative_humidity_percent: humidity.or_else(|| {
            let dew_point = mean(Averaged::DewPoint)?;
            let vapor = |celsius| super::formula::vapor::saturation_vapor_pressure(super::units::Celsius(celsius)).0;
            Some((100.0 * vapor(dew_point) / vapor(air?)).clamp(0.0, 100.0))
        }),
        wind_speed_m_per_s: mean(Averaged::Wind)
            .map(|wind| reference_et::wind_at_2_m(MetersPerSecond(wind), Meters(place.wind_height_m)).0),
        shortwave_w_per_m2: mean(Averaged::Sun),
        rain_mm: (gauge_speaks && !doubtful).then(|| rain_um as f64 / 1000.0),
        latitude_degrees: place.latitude_degrees,
        longitude_degrees: place.longitude_degrees,
        elevation_m: place.elevation_m,
    }
}

/// The hour of a neighbor: what this site lacks of it stands in.
pub fn heard(state: &mut SiteState, digest: &Digest, context: &mut Context<'_>) {
    let (now, site) = (context.now.wall, context.site);
    let hour = civil::hour_start(digest.hour);
    if !context.now.trusted || hour > now || now.since(hour) > KEPT {
        return;
    }
    let known_before = state.neighbors.iter().any(|known| known.from == digest.from && known.hour >= hour);
    state.neighbors.retain(|known| {
        known.from != digest.from && site.neighbors.contains(&known.from) && hour.since(known.hour).abs() < REMEMBERED
    });
    if state.neighbors.len() >= MOST_NEIGHBORS {
        return;
    }
    state.neighbors.push(Digest { hour, ..digest.clone() });
    let Some(estimate) = neighborhood::estimate(&site.place, hour, state.neighbors.iter()) else { return };
    let tellers = state.neighbors.iter().filter(|known| known.hour == hour).count();
    siting::near(state, hour, &estimate, tellers, context);
    if !known_before && site.neighbors.contains(&digest.from) {
        gauge_watch::told(state, digest, hour, &estimate, context);
    }
    if let Some(celsius) = estimate.value(Near::AirTemperature) {
        cold(state, celsius, hour, context);
    }
    let Some(lacking) = estimate.only(|near| is_lacking(state, near, hour, context)) else { return };
    if !state.days.touch(hour) {
        return;
    }
    state.book.neighborhood.put(lacking, KEPT);
    intake::note_late(state, hour, context);
    evidence::figure_today(state, context);
    state.sent.totals_due = true;
}

/// This site has no good readings of its own for the hour.
fn is_lacking(state: &SiteState, near: Near, hour: Stamp, context: &Context<'_>) -> bool {
    let read = |averaged| {
        let mut bins = state.book.between(hour, hour.plus(HOUR)).peekable();
        bins.peek().is_some() && bins.all(|bin| day_weather::is_read(bin, averaged))
    };
    match near {
        Near::AirTemperature => !read(Averaged::Temperature),
        Near::RelativeHumidity => !read(Averaged::Humidity) && !read(Averaged::DewPoint),
        Near::WindSpeed => !read(Averaged::Wind),
        Near::Shortwave => !read(Averaged::Sun),
        Near::Rain => {
            let spoke = state.book.between(hour, hour.plus(HOUR)).any(|bin| bin.gauge_heard);
            // A gauge that rarely speaks is not silent because it said nothing within an hour.
            let rarely = rainfall::gauge_index(state, context)
                .and_then(|index| state.sensors[index].sensor.link.interval())
                .is_some_and(|interval| interval > HOUR / 2);
            !(spoke || (rarely && rainfall::gauge_is_heard(state, context)))
        }
    }
}

/// Cold nearby holds where no thermometer of the site speaks. Warmth nearby ends only what cold nearby began.
fn cold(state: &mut SiteState, celsius: f64, hour: Stamp, context: &mut Context<'_>) {
    let (now, settings) = (context.now.wall, &context.site.freeze);
    if !settings.enabled || now.since(hour) > LIVE || evidence::known(state, context).thermometer {
        return;
    }
    let held = state.freeze.since().is_some();
    if (held && !state.freeze_by_neighbors) || (!held && celsius > settings.hold_at_celsius) {
        return;
    }
    let text = words::temperature(context.site, celsius);
    match state.freeze.judge(celsius, now, LIVE, settings) {
        Some(FreezeChange::Began) => {
            state.freeze_by_neighbors = true;
            log(
                context,
                Level::Info,
                format!("freeze hold begins at {text} nearby: no thermometer of the site speaks"),
            );
        }
        Some(FreezeChange::Ended) => {
            state.freeze_by_neighbors = false;
            log(context, Level::Info, format!("freeze hold ends at {text} nearby, where it began"));
        }
        None => {}
    }
}

/// The hour is told this long after its end, so that what is on its way has come. Our choice.
const AFTER_THE_HOUR: i64 = 10 * MINUTE;

/// Of an hour, so much has to be well covered. Our choice.
const LEAST_MINUTES: u32 = 45;

/// A neighbor's last word is kept this long. Our choice.
const REMEMBERED: i64 = 6 * HOUR;

/// An hour nearby that began longer ago than this says nothing of now. Our choice.
const LIVE: i64 = 2 * HOUR;
