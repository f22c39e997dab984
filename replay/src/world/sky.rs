//! Sun and vapor, computed apart from the formulas of the engine, so that the world cannot hide their faults.

use std::f64::consts::TAU;

/// Where the sun stands, as far as the weather minds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sky {
    /// Sine of the sun's height; 0 or below: night.
    pub height: f64,
    /// Sun on a level surface without a cloud, W/m².
    pub clear_w_per_m2: f64,
}

/// The sky at `at` (Unix milliseconds) over a place; east and north are positive.
pub fn sky(at: i64, latitude_degrees: f64, longitude_degrees: f64) -> Sky {
    let latitude = latitude_degrees.to_radians();
    let declination = 0.409 * (TAU * day_of_year(at) / 365.0 - 1.39).sin();
    let hour_angle = TAU * (solar_hour(at, longitude_degrees) - 12.0) / 24.0;
    let height = latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour_angle.cos();
    // Three quarters of what comes from the sun, less when it is low.
    let clear_w_per_m2 = if height <= 0.0 { 0.0 } else { 1361.0 * height * 0.76 * height.powf(0.08) };
    Sky { height, clear_w_per_m2 }
}

/// Local solar time, hours from 0 up to 24: four minutes a degree.
pub fn solar_hour(at: i64, longitude_degrees: f64) -> f64 {
    (at as f64 / HOUR + longitude_degrees / 15.0).rem_euclid(24.0)
}

/// Days since the beginning of the year, from 0.
pub fn day_of_year(at: i64) -> f64 {
    (at as f64 / (24.0 * HOUR)).rem_euclid(365.2425) // 1970 began on a 1 January
}

/// Relative humidity of air at `air` °C whose dew point is `dew` °C, percent. The constants are those of Magnus.
pub fn humidity(air: f64, dew: f64) -> f64 {
    let exponent = |celsius: f64| 17.62 * celsius / (243.12 + celsius);
    (100.0 * (exponent(dew.min(air)) - exponent(air)).exp()).clamp(4.0, 100.0)
}

const HOUR: f64 = 3_600_000.0;
