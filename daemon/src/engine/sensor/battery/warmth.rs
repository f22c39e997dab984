//! How much the volts of one sensor follow the temperature, learnt within days, so that running down does not leak in.

use serde::{Deserialize, Serialize};

/// Readings of one day against temperature.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Sums {
    #[serde(rename = "n")]
    pub count: u16,
    /// First volts: the sums are of differences from it, which single precision carries.
    #[serde(rename = "o")]
    from: f32,
    #[serde(rename = "t")]
    celsius: f32,
    #[serde(rename = "v")]
    volts: f32,
    #[serde(rename = "s")]
    squares: f32,
    #[serde(rename = "p")]
    products: f32,
    #[serde(rename = "c")]
    coldest: f32,
}

impl Sums {
    /// Takes in a reading with its air temperature.
    pub fn add(&mut self, celsius: f64, volts: f64) {
        if !(-60.0..=70.0).contains(&celsius) || self.count == u16::MAX {
            return;
        }
        if self.count == 0 {
            (self.from, self.coldest) = (volts as f32, celsius as f32);
        }
        let (celsius, volts) = (celsius as f32, volts as f32 - self.from);
        self.count += 1;
        self.celsius += celsius;
        self.volts += volts;
        self.squares += celsius * celsius;
        self.products += celsius * volts;
        self.coldest = self.coldest.min(celsius);
    }

    /// Mean temperature of the day's readings, °C.
    pub fn mean_celsius(&self) -> Option<f64> {
        (self.count > 0).then(|| f64::from(self.celsius) / f64::from(self.count))
    }

    /// How far the coldest reading lay below the mean, K.
    pub fn fall(&self) -> Option<f64> {
        self.mean_celsius().map(|mean| (mean - f64::from(self.coldest)).max(0.0))
    }

    /// Sum of squared differences of temperature from its mean, K², and of their products with the volts, V K.
    fn spread(&self) -> (f64, f64) {
        let count = f64::from(self.count).max(1.0);
        let (celsius, volts) = (f64::from(self.celsius), f64::from(self.volts));
        (
            (f64::from(self.squares) - celsius * celsius / count).max(0.0),
            f64::from(self.products) - celsius * volts / count,
        )
    }
}

/// What was learnt over days.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Warmth {
    #[serde(rename = "x")]
    squares: f32,
    #[serde(rename = "y")]
    products: f32,
    /// How far nights usually fall below their day's mean, K.
    #[serde(rename = "f")]
    fall: f32,
}

impl Warmth {
    pub fn learn(&mut self, day: &Sums) {
        let Some(fall) = day.fall() else { return };
        let fall = fall as f32;
        self.fall = if self.squares > 0.0 { self.fall + (fall - self.fall) / 8.0 } else { fall };
        let (squares, products) = day.spread();
        self.squares += squares as f32;
        self.products += products as f32;
        // Old days fade, so that it follows a battery that ages.
        if self.squares > FULL {
            self.squares /= 2.0;
            self.products /= 2.0;
        }
    }

    /// Volts per kelvin; 0 until the days had spread enough. Bounded by `most`.
    pub fn volts_per_kelvin(&self, most: f64) -> f64 {
        if self.squares < ENOUGH {
            return 0.0;
        }
        (f64::from(self.products) / f64::from(self.squares)).clamp(0.0, most)
    }

    pub fn fall(&self) -> f64 {
        f64::from(self.fall)
    }
}

/// Three days of hourly readings that swing by 8 K. Our choice.
const ENOUGH: f32 = 500.0;
/// About a month of them. Our choice.
const FULL: f32 = 20_000.0;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_corrected_until_days_have_spread_enough_and_never_beyond_the_bound() {
        let mut warmth = Warmth::default();
        let mut day = Sums::default();
        for step in 0..24 {
            day.add(15.0 + 0.1 * f64::from(step % 2), 2.9);
        }
        warmth.learn(&day);
        assert_eq!(warmth.volts_per_kelvin(0.01), 0.0);
        let mut day = Sums::default();
        for step in 0..200 {
            let celsius = f64::from(step % 25);
            day.add(celsius, 2.5 + 0.05 * celsius);
        }
        day.add(f64::NAN, 9.0);
        day.add(1e9, 9.0);
        warmth.learn(&day);
        assert_eq!(warmth.volts_per_kelvin(0.01), 0.01);
        assert!((warmth.volts_per_kelvin(1.0) - 0.05).abs() < 1e-5);
        assert!((day.fall().unwrap() - 12.0).abs() < 1e-5);
    }
}
