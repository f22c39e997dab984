//! Envelopes of the days that closed: what their hours say, and who is sent to look.

use chrono::Datelike;

use super::alert::{AlertKind, Wording};
use super::formula::{radiation, solar, vapor};
use super::publish::{alerts, words};
use super::quality::drift::{DayExtent, Finding};
use super::reading::Quantity;
use super::site::day_book::{Averaged, Bin};
use super::site::days::ClosedDay;
use super::site::normals::Basis;
use super::stamp::{DAY, HOUR, MINUTE};
use super::state::{Context, SiteState};
use super::units::{Celsius, Degrees, Hours, Kilopascals, Meters, Percent};

/// Takes in a day that has closed, and says what the envelopes are by now.
pub fn closed(state: &mut SiteState, day: &ClosedDay, context: &mut Context<'_>) {
    let Some(settings) = context.site.quality.drift else { return forget(state, context) };
    let extent = extent(state, day, context);
    if state.drift.is_none() && extent == DayExtent::default() {
        return;
    }
    let drift = state.drift.get_or_insert_default();
    drift.closed(&extent);
    let (sun, humidity) = (drift.of_sun(&settings), drift.of_humidity(&settings));
    tell(state, Quantity::SurfaceDownwellingShortwaveFlux, sun, context);
    tell(state, Quantity::RelativeHumidity, humidity, context);
}

/// Somebody has seen to the sensor at `index`: its envelopes begin anew.
pub fn seen_to(state: &mut SiteState, index: usize, context: &mut Context<'_>) {
    for quantity in [Quantity::SurfaceDownwellingShortwaveFlux, Quantity::RelativeHumidity] {
        if speaker(state, quantity) != Some(index) {
            continue;
        }
        if let Some(drift) = &mut state.drift {
            if quantity == Quantity::RelativeHumidity { drift.forget_humidity() } else { drift.forget_sun() }
        }
        tell(state, quantity, None, context);
    }
}

/// The test was switched off.
fn forget(state: &mut SiteState, context: &mut Context<'_>) {
    if state.drift.take().is_some() {
        tell(state, Quantity::SurfaceDownwellingShortwaveFlux, None, context);
        tell(state, Quantity::RelativeHumidity, None, context);
    }
}

/// The first sensor that has the quantity speaks for the site.
fn speaker(state: &SiteState, quantity: Quantity) -> Option<usize> {
    state.sensors.iter().position(|entry| entry.sensor.channel(quantity).is_some())
}

fn tell(state: &mut SiteState, quantity: Quantity, finding: Option<Finding>, context: &mut Context<'_>) {
    let Some(sensor) = speaker(state, quantity).and_then(|index| context.site.sensors.get(index)) else { return };
    let name = if quantity == Quantity::RelativeHumidity { "humidity" } else { "sun" };
    let subject = format!("{}-{name}-drift", sensor.id);
    match finding {
        Some(finding) => {
            let wording = wording(&sensor.id, &finding, context);
            alerts::raise(state, AlertKind::SitingDoubtful, &subject, wording, context);
        }
        None => alerts::clear(state, AlertKind::SitingDoubtful, &subject, context),
    }
}

fn wording(id: &str, finding: &Finding, context: &Context<'_>) -> Wording {
    let site = context.site;
    match *finding {
        Finding::SunHigh { envelope } => Wording::new(
            format!(
                "The pyranometer of sensor {id} reads too much: on its brightest days of the last month it read {:.0} % of the sun \
                 of a clear sky.",
                100.0 * envelope
            ),
            format!(
                "Look whether it stands level, whether a bright wall throws sun on it, and whether the unit and the factor of its \
                 feed are right. If all is in order, multiply its readings by {:.2} (the scale of the field). Until then \
                 evaporation is figured from what it reads.",
                1.0 / envelope
            ),
        )
        .with("clear_sky_share", envelope)
        .with("correction_factor", 1.0 / envelope),
        Finding::SunLow { envelope } => Wording::new(
            format!(
                "The pyranometer of sensor {id} reads too little: in four months it never got far beyond {:.0} % of the sun of a \
                 clear sky.",
                100.0 * envelope
            ),
            format!(
                "Clean it, and look whether it stands level and free of shade. If all is in order, multiply its readings by {:.2} \
                 (the scale of the field). Until then evaporation is figured from what it reads.",
                1.0 / envelope
            ),
        )
        .with("clear_sky_share", envelope)
        .with("correction_factor", 1.0 / envelope),
        Finding::HumidityLow { highest_percent, days } => Wording::new(
            format!(
                "Sensor {id} reads the air too dry: on the last {days} days with rain its humidity did not get beyond \
                 {highest_percent:.0} %, and after rain the air is nearly saturated."
            ),
            "Humidity sensors age by some percent a year: compare it with another one, clean it or replace it. Until then \
             evaporation is figured too high.",
        )
        .with("highest_percent", highest_percent)
        .bringing("a humidity sensor to compare with"),
        Finding::HumidityHigh { days } => Wording::new(
            format!(
                "Sensor {id} says for {days} days that the air stayed saturated, though it grew much warmer by day: a humidity \
                 sensor that is wet or worn out does so."
            ),
            "Look for water in its shield, let it dry, or replace it. Until then evaporation is figured too low.",
        )
        .with("days", days as f64)
        .bringing("a spare humidity sensor"),
        Finding::DewPointHigh { above_celsius, days } => Wording::new(
            format!(
                "Temperature and humidity of sensor {id} do not fit together: for {days} days the dew point lay {} above the coldest \
                 of the day, and air cannot be colder than its dew point for long.",
                words::temperature_change(site, above_celsius)
            ),
            "Compare thermometer and humidity sensor with others; the humidity is likely too high. Until then evaporation is \
             figured too low.",
        )
        .with("dew_point_above_celsius", above_celsius)
        .bringing("a thermometer and a humidity sensor to compare with"),
    }
}

/// What a closed day says, where its hours are measured well enough.
fn extent(state: &SiteState, day: &ClosedDay, context: &Context<'_>) -> DayExtent {
    let bins: Vec<&Bin> = state.book.between(day.start, day.end).collect();
    let mean = |bin: &Bin, averaged| bin.sum(averaged).mean().filter(|_| bin.coverage(averaged) >= COVERED);
    let humidities: Vec<f64> = bins.iter().filter_map(|bin| mean(bin, Averaged::Humidity)).collect();
    let temperatures = bins.iter().filter(|bin| mean(bin, Averaged::Temperature).is_some()).count();
    let dew_points: Vec<f64> = bins
        .iter()
        .filter_map(|bin| {
            let (air, humidity) = (mean(bin, Averaged::Temperature)?, mean(bin, Averaged::Humidity)?);
            let vapor = vapor::vapor_pressure_of_humidity(Celsius(air), Percent(humidity));
            Some(vapor::dew_point(Kilopascals(vapor.0.max(LEAST_VAPOR_KPA))).0)
        })
        .collect();
    let highest = humidities.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let lowest = humidities.iter().copied().fold(f64::INFINITY, f64::min);
    let figures = &day.figures;
    DayExtent {
        sun_share: sun_share(&bins, day, context),
        humidity: (humidities.len() >= MOST_HOURS).then_some((highest, lowest)),
        temperature: figures.coldest_celsius.zip(figures.warmest_celsius).filter(|_| temperatures >= MOST_HOURS),
        dew_point: (dew_points.len() >= MOST_HOURS).then(|| dew_points.iter().sum::<f64>() / dew_points.len() as f64),
        rain_mm: (figures.rain_basis == Basis::Measured).then_some(figures.water.rain_mm - figures.dew_mm),
    }
}

/// Radiation of the day over that of a clear sky (FAO-56, Eq. 37), where every hour of the sun was measured.
fn sun_share(bins: &[&Bin], day: &ClosedDay, context: &Context<'_>) -> Option<f64> {
    let place = &context.site.place;
    let (latitude, day_of_year) = (Degrees(place.latitude_degrees).radians(), day.date.ordinal());
    let clear = radiation::clear_sky_simple(
        Meters(place.elevation_m),
        radiation::extraterrestrial_daily(latitude, day_of_year),
    );
    if clear.0 < LEAST_CLEAR_MJ || day.begun.is_some() {
        return None;
    }
    let mut measured = 0.0;
    let mut known = bins.iter().filter(|bin| bin.sum(Averaged::Sun).count() > 0).peekable();
    known.peek()?;
    let mut at = day.start;
    let mut bins = bins.iter().peekable();
    while at < day.end {
        let bin = bins.next_if(|bin| bin.start == at);
        let minutes =
            bin.map_or((at.plus(HOUR).0.div_euclid(HOUR) * HOUR - at.0) / MINUTE, |bin| i64::from(bin.minutes));
        let minutes = minutes.clamp(1, 60);
        let middle = at.plus(minutes * MINUTE / 2);
        let utc = Hours(middle.0.rem_euclid(DAY) as f64 / HOUR as f64);
        let angle = solar::solar_time_angle(Degrees(place.longitude_degrees), day_of_year, utc);
        let is_up = solar::sine_of_elevation(latitude, solar::declination(day_of_year), angle) > LOW_SUN;
        match bin.filter(|bin| bin.coverage(Averaged::Sun) >= COVERED).and_then(|bin| bin.sum(Averaged::Sun).mean()) {
            Some(w_per_m2) => measured += w_per_m2 * minutes as f64 * 60.0 / 1e6,
            None if is_up => return None,
            None => {}
        }
        at = at.plus(minutes * MINUTE);
    }
    Some(measured / clear.0)
}

/// Share of an hour that makes it measured, and how many hours of a day must be. Our choice.
const COVERED: f64 = 0.5;
const MOST_HOURS: usize = 20;

/// A polar night has no envelope, and low sun no share worth missing. Our choice.
const LEAST_CLEAR_MJ: f64 = 5.0;
const LOW_SUN: f64 = 0.05;

/// A dew point of -55 °C: there is no logarithm of nothing.
const LEAST_VAPOR_KPA: f64 = 0.002;
