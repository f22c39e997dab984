//! Mean wind direction: a mean of vectors, because the mean of 350° and 10° is north.

use serde::{Deserialize, Serialize};

use crate::engine::stamp::{HOUR, Stamp};

/// Direction of the hour so far: sums of unit vectors.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Direction {
    #[serde(rename = "h", default)]
    hour: i64,
    #[serde(rename = "s", default)]
    sine: f64,
    #[serde(rename = "c", default)]
    cosine: f64,
    #[serde(rename = "n", default)]
    count: u32,
}

impl Direction {
    /// Takes in a direction in degrees (0–360, north 0). A direction at calm says nothing and is not given here.
    pub fn add(&mut self, degrees: f64, at: Stamp) {
        let hour = at.0.div_euclid(HOUR);
        if hour != self.hour {
            *self = Self { hour, ..Self::default() };
        }
        self.sine += degrees.to_radians().sin();
        self.cosine += degrees.to_radians().cos();
        self.count = self.count.saturating_add(1);
    }

    /// Mean direction of the hour so far, 0 up to 360 degrees. None without readings, or where they cancel out.
    pub fn mean_degrees(&self) -> Option<f64> {
        let length = self.sine.hypot(self.cosine);
        if self.count == 0 || length < 1e-6 * f64::from(self.count) {
            return None;
        }
        let degrees = self.sine.atan2(self.cosine).to_degrees().rem_euclid(360.0);
        Some(if degrees >= 359.9995 { 0.0 } else { degrees })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn s30_the_mean_of_350_10_and_360_is_north() {
        let mut direction = Direction::default();
        for degrees in [350.0, 10.0, 0.0] {
            direction.add(degrees, Stamp(0));
        }
        let mean = direction.mean_degrees().unwrap();
        assert!(mean < 0.001, "{mean}");
    }

    #[test]
    fn opposite_winds_have_no_mean_and_an_hour_starts_anew() {
        let mut direction = Direction::default();
        assert_eq!(direction.mean_degrees(), None);
        direction.add(0.0, Stamp(0));
        direction.add(180.0, Stamp(0));
        assert_eq!(direction.mean_degrees(), None);
        direction.add(90.0, Stamp(HOUR));
        assert!((direction.mean_degrees().unwrap() - 90.0).abs() < 1e-9);
    }
}
