//! What is known around tips under doubt: service, weather, neighbors, what came after.

use chrono::{Datelike, Timelike};

use crate::engine::civil;
use crate::engine::formula::{solar, vapor};
use crate::engine::reading::Quantity;
use crate::engine::sensor::service::ServiceKind;
use crate::engine::site::day_book::Averaged;
use crate::engine::site::knock::{After, Evidence};
use crate::engine::site::quarantine::{Cause, Doubt, TOGETHER};
use crate::engine::site::rain::Catch;
use crate::engine::stamp::{DAY, HOUR, MINUTE, Stamp};
use crate::engine::state::{Context, SiteState};
use crate::engine::units::{Celsius, Degrees, Hours};

/// A first tip: what is only known of its moment.
pub fn begun(state: &SiteState, index: usize, catch: &Catch, context: &Context<'_>) -> Doubt {
    let at = catch.to;
    let mut doubt = Doubt::new(Cause::Knock, at, at);
    let before = state.book.rain_mm(at.plus(-3 * HOUR), at.plus(1));
    let watched = state.sensors[index].doubts.iter().filter(|doubt| !doubt.quarantined).map(Doubt::mm).sum::<f64>();
    let hour = civil::local(context.site.zone, at).hour();
    let air = newest(state, Quantity::AirTemperature, at);
    let earlier = state.book.between(at.plus(-2 * HOUR), at.plus(-HOUR));
    let earlier = earlier.filter_map(|bin| bin.sum(Averaged::Temperature).mean()).last();
    doubt.evidence = Evidence {
        rain_before: before - watched > 0.1,
        night: !(6..21).contains(&hour),
        frozen: air.is_some_and(|air| air < -1.0),
        cooled: earlier.zip(air).is_some_and(|(earlier, air)| earlier - air >= 3.0),
        ..Evidence::default()
    };
    doubt.soil_percent = newest(state, Quantity::SoilMoisture, at).map(|percent| percent as f32);
    doubt
}

/// Brings the evidence up to now.
pub fn look(state: &SiteState, index: usize, doubt: &mut Doubt, context: &Context<'_>) {
    let now = context.now.wall;
    let (first, last, continues) = (doubt.first, doubt.last, doubt.continues());
    let evidence = &mut doubt.evidence;
    let within = i64::from(context.site.knock.service_within_minutes) * MINUTE;
    let near = |at: Stamp| first.since(at) <= within && at.since(last) <= within;
    let marks = || state.sensors.iter().flat_map(|entry| &entry.sensor.services);
    evidence.service |= marks().any(|mark| near(mark.at)) || state.sensors[index].reset_at.is_some_and(near);
    evidence.calibration |= state.sensors[index].sensor.services.iter().any(|mark| {
        let (before, after) = (mark.at.plus(-within), mark.at.plus(CALIBRATION_AFTER));
        mark.kind == ServiceKind::Calibration && before <= first && last <= after
    });
    evidence.neighbor_rain = evidence.neighbor_rain.max(neighbor_rain(state, first, last));
    evidence.sprinklers |= state.waterings.wet(first, last);
    if now.since(last) > WATCHED {
        return;
    }
    if let Some(percent) = humidity(state, now) {
        evidence.humidity_percent = Some(evidence.humidity_percent.map_or(percent, |known| known.max(percent)));
    }
    if let Some(share) = clear_share(state, context) {
        evidence.clear_share = Some(evidence.clear_share.map_or(share, |known| known.min(share)));
    }
    if let Some(percent) = newest(state, Quantity::LeafWetness, now) {
        let wet = (percent >= 50.0).then_some(true).or((percent <= 5.0).then_some(false));
        evidence.leaf_wet = if evidence.leaf_wet == Some(true) { Some(true) } else { wet.or(evidence.leaf_wet) };
    }
    let soil = newest(state, Quantity::SoilMoisture, now);
    let rise = soil.zip(doubt.soil_percent).map(|(soil, before)| soil - f64::from(before));
    evidence.soil_rises |= rise.is_some_and(|rise| rise >= SOIL_RISE_PERCENT);
    evidence.after = if continues {
        After::Continues
    } else if now.since(last) >= TOGETHER && spoke_since(state, index, last.plus(TOGETHER / 2)) {
        After::Dry
    } else {
        evidence.after
    };
    evidence.burst &= !continues;
}

/// Did it rain at a neighbor in the hours from `first` to `last`? None: none has told yet.
pub fn neighbor_rain(state: &SiteState, first: Stamp, last: Stamp) -> Option<bool> {
    let (from, to) = (civil::hour_start(first.plus(-1)), civil::hour_start(last.plus(-1)));
    let digests = state.neighbors.iter().filter(|digest| (from..=to).contains(&digest.hour));
    digests.filter_map(|digest| digest.rain_mm).map(|mm| mm >= NEIGHBOR_WET_MM).max()
}

/// The newest value of a quantity that counts, of any sensor, not older than an hour at `at`.
fn newest(state: &SiteState, quantity: Quantity, at: Stamp) -> Option<f64> {
    let all = state.sensors.iter().filter_map(|entry| entry.sensor.channel(quantity)?.counted);
    let recent = all.filter(|counted| at.since(counted.observed_at) <= HOUR);
    recent.max_by_key(|counted| counted.observed_at).map(|counted| counted.value)
}

/// Relative humidity now, %, measured or from the dew point.
pub fn humidity(state: &SiteState, now: Stamp) -> Option<f32> {
    let measured = newest(state, Quantity::RelativeHumidity, now);
    let from_dew = || {
        let air = newest(state, Quantity::AirTemperature, now)?;
        let dew = newest(state, Quantity::DewPointTemperature, now)?;
        let pressure = |celsius| vapor::saturation_vapor_pressure(Celsius(celsius)).0;
        Some((100.0 * pressure(dew) / pressure(air)).clamp(0.0, 100.0))
    };
    measured.or_else(from_dew).map(|percent| percent as f32)
}

/// Sun now as a share of a clear sky's, while it stands above 10°.
fn clear_share(state: &SiteState, context: &Context<'_>) -> Option<f32> {
    let now = context.now.wall;
    let measured = newest(state, Quantity::SurfaceDownwellingShortwaveFlux, now)?;
    let place = &context.site.place;
    let day = now.utc().ordinal();
    let utc = Hours(now.0.rem_euclid(DAY) as f64 / HOUR as f64);
    let angle = solar::solar_time_angle(Degrees(place.longitude_degrees), day, utc);
    let sine = solar::sine_of_elevation(Degrees(place.latitude_degrees).radians(), solar::declination(day), angle);
    if sine < LOWEST_SUN_SINE {
        return None;
    }
    // The simple clear-sky method, FAO-56 Eq. 37, of an instant.
    let outside = SOLAR_CONSTANT_W_PER_M2 * solar::inverse_relative_distance(day) * sine;
    let clear = (0.75 + 2e-5 * place.elevation_m) * outside;
    Some((measured / clear).clamp(0.0, 2.0) as f32)
}

/// The gauge itself said something of a time after `since`.
fn spoke_since(state: &SiteState, index: usize, since: Stamp) -> bool {
    let gauges = [Quantity::RainCounter, Quantity::RainfallAmount, Quantity::RainfallRate];
    let channels = gauges.into_iter().filter_map(|quantity| state.sensors[index].sensor.channel(quantity));
    channels.filter_map(|channel| channel.counted).any(|counted| since <= counted.observed_at)
}

/// So long after the last tip the weather still speaks about it. Our choice: a shower wets the air within the hour, and
/// the digest of a neighbor comes at the full hour.
const WATCHED: i64 = TOGETHER + 15 * MINUTE;

/// Calibration water is poured before the mark is sent; a few tips drip on. Our choice.
const CALIBRATION_AFTER: i64 = 15 * MINUTE;

/// One tip of a common gauge. Our choice.
const NEIGHBOR_WET_MM: f64 = 0.2;

/// Percent by volume that rain adds at least. Our choice, above the noise of common probes.
const SOIL_RISE_PERCENT: f64 = 2.0;

/// sin 10°: below it a share of a clear sky says little. Our choice.
const LOWEST_SUN_SINE: f64 = 0.174;

/// FAO-56, Eq. 21: 0.0820 MJ/m²/min.
const SOLAR_CONSTANT_W_PER_M2: f64 = 1_367.0;
