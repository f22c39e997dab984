//! From a day's figures to its hours: the lowest and highest temperature are hit, and sums and means are kept.
//!
//! Shapes, not weather: temperature in half waves between the lowest at sunrise and the highest in the early afternoon, even
//! vapor pressure, sun in proportion to the sky's own, wind that is strongest in the afternoon, rain in a few hours by lot.

use std::f64::consts::PI;

use chrono::Datelike;

use thirstd::engine::formula::{radiation, solar};
use thirstd::engine::units::{Degrees, Hours};

use super::weather::{Day, Hour, Series, saturation};
use crate::world::random::Random;

/// The hours of day `index`.
pub fn of_day(series: &Series, index: usize, seed: u64) -> [Hour; 24] {
    if let Some(measured) = series.hours.get(index) {
        return *measured;
    }
    let Some(day) = series.days.get(index) else { return [Hour::default(); 24] };
    let before = index.checked_sub(1).and_then(|index| series.days.get(index)).unwrap_or(day);
    let after = series.days.get(index + 1).unwrap_or(day);
    let sky = sky(series, day);
    let (sunrise, next_sunrise) = (sunrise(&sky), sunrise(&sky) + 24);
    let whole: f64 = sky.iter().sum();
    let rain = rain(day, seed);
    std::array::from_fn(|hour| {
        let celsius = temperature(day, before, after, hour, sunrise, next_sunrise);
        let sun_mj = if whole > 0.0 { day.sun_mj_per_m2 * sky[hour] / whole } else { 0.0 };
        Hour {
            celsius: Some(celsius),
            humidity_percent: Some((100.0 * day.vapor_kpa / saturation(celsius)).min(100.0)),
            wind_m_per_s: Some(day.wind_m_per_s * wind_share(hour)),
            sun_w_per_m2: Some(sun_mj / 0.0036),
            rain_mm: Some(rain[hour]),
        }
    })
}

/// Extraterrestrial radiation of each local hour, MJ/m².
fn sky(series: &Series, day: &Day) -> [f64; 24] {
    let spot = series.spot;
    let (latitude, ordinal) = (Degrees(spot.latitude_degrees).radians(), day.date.ordinal());
    let offset = spot.offset() as f64 / 3_600_000.0;
    std::array::from_fn(|hour| {
        let utc = (hour as f64 + 0.5 - offset).rem_euclid(24.0);
        let middle = solar::solar_time_angle(Degrees(spot.longitude_degrees), ordinal, Hours(utc));
        radiation::extraterrestrial_of_span(latitude, ordinal, middle, Hours(1.0)).0.max(0.0)
    })
}

/// The hour in which the sun comes up; between 3 and 9, whatever the latitude.
fn sunrise(sky: &[f64; 24]) -> usize {
    sky.iter().position(|mj| *mj > 0.0).unwrap_or(6).clamp(3, 9)
}

fn temperature(day: &Day, before: &Day, after: &Day, hour: usize, sunrise: usize, next_sunrise: usize) -> f64 {
    let (low, high) = (day.lowest_celsius, day.highest_celsius);
    // A half wave from one value to another.
    let wave = |from: f64, to: f64, passed: f64| from + (to - from) * (1.0 - (PI * passed).cos()) / 2.0;
    let celsius = if hour <= sunrise {
        let length = (sunrise + 24 - WARMEST) as f64;
        wave(before.highest_celsius, low, (hour + 24 - WARMEST) as f64 / length)
    } else if hour <= WARMEST {
        wave(low, high, (hour - sunrise) as f64 / (WARMEST - sunrise) as f64)
    } else {
        wave(high, after.lowest_celsius, (hour - WARMEST) as f64 / (next_sunrise - WARMEST) as f64)
    };
    // A front may bring a night warmer or colder than both: the day's own figures bind.
    celsius.clamp(low, high)
}

fn wind_share(hour: usize) -> f64 {
    1.0 + GUSTINESS * (2.0 * PI * (hour as f64 - WARMEST as f64) / 24.0).cos()
}

/// The day's rain in one run of one to six hours; never in the last hour, so that none of it is heard tomorrow.
fn rain(day: &Day, seed: u64) -> [f64; 24] {
    let mut hours = [0.0; 24];
    if day.rain_mm <= 0.0 {
        return hours;
    }
    let mut random = Random::new(seed.wrapping_add(day.date.num_days_from_ce() as u64), "rain");
    let length = 1 + random.index(2 + (day.rain_mm / 4.0).min(4.0) as usize);
    let first = random.index(24 - length);
    let shares: Vec<f64> = (0..length).map(|_| random.between(0.3, 1.0)).collect();
    let (whole, hundredths) = (shares.iter().sum::<f64>(), (day.rain_mm * 100.0).round());
    let mut left = hundredths;
    for (position, share) in shares.iter().enumerate() {
        let mm = if position + 1 == length { left } else { (hundredths * share / whole).floor().min(left) };
        left -= mm;
        hours[first + position] = mm / 100.0;
    }
    hours
}

/// The hour whose middle is the warmest, 14:30.
const WARMEST: usize = 14;

/// How far the wind of the afternoon stands above the day's mean. Our choice: inland days are windy by day, calm by night.
const GUSTINESS: f64 = 0.5;
