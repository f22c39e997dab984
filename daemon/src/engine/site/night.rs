//! Nights of a site: how far it cools down, and the low that is expected for the morning.
//!
//! Two estimates, both learnt at the site: the fall from sunset that four nights of five stay within, by quarter of the year;
//! and where the dew point is read, a regression on temperature and dew point two hours after sunset, less its own error.

use serde::{Deserialize, Serialize};

use crate::engine::stamp::Stamp;

/// What a site has learnt of its nights, and the one that is on.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Nights {
    /// When to look next: at sunset, two hours later, or in the morning.
    #[serde(rename = "n", default)]
    pub next: Option<Stamp>,
    #[serde(rename = "e", default, skip_serializing_if = "Option::is_none")]
    pub tonight: Option<Tonight>,
    /// Since when cold is held for because it is expected.
    #[serde(rename = "h", default, skip_serializing_if = "Option::is_none")]
    pub held_since: Option<Stamp>,
    /// By quarter of the year, winter (December to February) first.
    #[serde(rename = "f", default)]
    falls: [Falls; 4],
    #[serde(rename = "r", default)]
    fit: Fit,
}

/// The night that is on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tonight {
    /// Of the year, 0–3.
    #[serde(rename = "q")]
    pub quarter: u8,
    #[serde(rename = "s")]
    pub sunset: Stamp,
    /// An hour after sunrise.
    #[serde(rename = "m")]
    pub morning: Stamp,
    /// Temperature at sunset, °C.
    #[serde(rename = "t")]
    pub at_sunset_celsius: f32,
    /// Temperature and dew point two hours later, °C.
    #[serde(rename = "l", default)]
    pub later_celsius: Option<(f32, f32)>,
    /// The low that is expected, °C.
    #[serde(rename = "x", default)]
    pub expected_celsius: Option<f32>,
}

impl Nights {
    /// The sun set: the first estimate.
    pub fn begin(&mut self, quarter: u8, sunset: Stamp, morning: Stamp, celsius: f64) {
        let fall = self.falls.get(usize::from(quarter)).and_then(Falls::usual);
        self.tonight = Some(Tonight {
            quarter,
            sunset,
            morning,
            at_sunset_celsius: celsius as f32,
            later_celsius: None,
            expected_celsius: fall.map(|fall| (celsius - fall) as f32),
        });
    }

    /// Two hours after sunset: the better estimate, where there is one.
    pub fn look(&mut self, celsius: f64, dew_point_celsius: f64) {
        let Some(tonight) = &mut self.tonight else { return };
        tonight.later_celsius = Some((celsius as f32, dew_point_celsius as f32));
        if let Some(low) = self.fit.low(celsius, dew_point_celsius) {
            tonight.expected_celsius = Some(low as f32);
        }
    }

    /// Morning: the night is learnt from, where its low is known.
    pub fn end(&mut self, low_celsius: Option<f64>) {
        let (Some(tonight), Some(low)) = (self.tonight.take(), low_celsius) else { return };
        if let Some(falls) = self.falls.get_mut(usize::from(tonight.quarter)) {
            falls.add(f64::from(tonight.at_sunset_celsius) - low);
        }
        if let Some((celsius, dew_point)) = tonight.later_celsius {
            self.fit.add(f64::from(celsius), f64::from(dew_point), low);
        }
    }

    /// The low that is expected for the morning, °C.
    pub fn expected_celsius(&self) -> Option<f64> {
        self.tonight.and_then(|tonight| tonight.expected_celsius).map(f64::from)
    }

    /// The wall clock was set: the night is looked at anew.
    pub fn clock_stepped(&mut self, now: Stamp) {
        (self.next, self.tonight) = (None, None);
        self.held_since = self.held_since.map(|since| since.min(now));
    }
}

/// The quarter of the year of a month (January 0): winter 0, spring 1, summer 2, autumn 3, as in the north.
pub fn quarter(month: usize) -> u8 {
    // Twelve months, so the cast is exact.
    ((month + 1) % 12 / 3) as u8
}

/// How often the temperature fell so far between sunset and the morning, in classes of a degree, old nights fading.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Falls {
    #[serde(rename = "c", default)]
    counts: [u8; CLASSES],
}

impl Falls {
    fn add(&mut self, fall: f64) {
        // A night that warmed up counts with those that did not cool.
        let class = fall.clamp(0.0, (CLASSES - 1) as f64) as usize;
        if self.counts[class] >= FULL {
            self.counts.iter_mut().for_each(|count| *count /= 2);
        }
        self.counts[class] += 1;
    }

    /// The fall that four nights of five stay within, °C. None before enough nights.
    fn usual(&self) -> Option<f64> {
        let all: u32 = self.counts.iter().map(|count| u32::from(*count)).sum();
        if all < LEAST_NIGHTS {
            return None;
        }
        let wanted = 0.8 * f64::from(all);
        let mut below = 0.0;
        for (class, count) in self.counts.iter().enumerate() {
            let within = f64::from(*count);
            if below + within >= wanted {
                return Some(class as f64 + (wanted - below) / within.max(1.0));
            }
            below += within;
        }
        None
    }
}

/// Least squares of low = b1 × temperature + b2 × dew point + b0, by sums, old nights fading.
///
/// Source: Snyder and de Melo-Abreu (2005), Frost Protection: fundamentals, practice and economics, volume 1 (FAO): the
/// minimum from temperature and dew point two hours after sunset, fitted to a site's own nights. There it is fitted to clear,
/// calm nights; here to all of them, because in the evening nobody knows which it will be.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Fit {
    /// Weight of nights, and sums of t, d, tt, dd, td, l, tl, dl.
    #[serde(rename = "s", default)]
    sums: [f64; 9],
    /// Weight and sum of squares of what the fit missed by.
    #[serde(rename = "e", default)]
    errors: (f64, f64),
}

impl Fit {
    fn add(&mut self, t: f64, d: f64, low: f64) {
        if let Some(fitted) = self.fitted(t, d) {
            let error = fitted - low;
            self.errors = (FADE * self.errors.0 + 1.0, FADE * self.errors.1 + error * error);
        }
        for (sum, value) in self.sums.iter_mut().zip([1.0, t, d, t * t, d * d, t * d, low, t * low, d * low]) {
            *sum = FADE * *sum + value;
        }
    }

    /// The low that four mornings of five are not colder than, °C.
    fn low(&self, t: f64, d: f64) -> Option<f64> {
        let (weight, squares) = self.errors;
        let fitted = self.fitted(t, d).filter(|_| weight >= f64::from(LEAST_NIGHTS) / 2.0)?;
        // 0.84 standard deviations below the mean lie four fifths of a normal distribution.
        let low = fitted - 0.84 * (squares / weight.max(1.0)).sqrt();
        (low.is_finite() && low <= t + 5.0).then_some(low)
    }

    fn fitted(&self, t: f64, d: f64) -> Option<f64> {
        let [n, st, sd, stt, sdd, std, sl, stl, sdl] = self.sums;
        if n < f64::from(LEAST_NIGHTS) {
            return None;
        }
        // Sums of products around the means; a little on the diagonal, where dew point and temperature say the same.
        let (mt, md, ml) = (st / n, sd / n, sl / n);
        let (tt, dd, td) = (stt - n * mt * mt + RIDGE, sdd - n * md * md + RIDGE, std - n * mt * md);
        let (tl, dl) = (stl - n * mt * ml, sdl - n * md * ml);
        let determinant = tt * dd - td * td;
        if determinant <= 0.0 {
            return None;
        }
        let (b1, b2) = ((tl * dd - dl * td) / determinant, (dl * tt - tl * td) / determinant);
        let low = ml + b1 * (t - mt) + b2 * (d - md);
        low.is_finite().then_some(low)
    }
}

const CLASSES: usize = 32;
/// A class that is full halves all of them: about a year of nights is remembered.
const FULL: u8 = 60;
/// Before so many nights nothing is expected. Our choice.
const LEAST_NIGHTS: u32 = 20;
/// Weight that a night keeps per further night: a year ago counts half. Our choice.
const FADE: f64 = 0.998;
const RIDGE: f64 = 1.0;

#[cfg(test)]
mod tests {
    use super::*;

    fn night(nights: &mut Nights, sunset: f64, later: Option<(f64, f64)>, low: f64) -> Option<f64> {
        nights.begin(0, Stamp(0), Stamp(1), sunset);
        if let Some((celsius, dew_point)) = later {
            nights.look(celsius, dew_point);
        }
        let expected = nights.expected_celsius();
        nights.end(Some(low));
        expected
    }

    #[test]
    fn four_nights_of_five_stay_within_the_fall_that_is_expected() {
        let mut nights = Nights::default();
        for number in 0..200 {
            // Falls of 2, 4, 6, 8 and 10 degrees in turn.
            night(&mut nights, 10.0, None, 10.0 - 2.0 * f64::from(number % 5 + 1));
        }
        let expected = night(&mut nights, 10.0, None, 5.0).unwrap();
        assert!((1.0..=2.0).contains(&expected), "{expected}");
        let mut young = Nights::default();
        assert_eq!(night(&mut young, 10.0, None, 5.0), None, "nothing is learnt yet");
    }

    #[test]
    fn a_dry_evening_expects_a_colder_morning_than_a_damp_one() {
        let mut nights = Nights::default();
        for number in 0..60 {
            let (t, d) = (f64::from(number % 13), f64::from(number % 7) - 6.0);
            night(&mut nights, t + 4.0, Some((t, d)), 0.7 * t + 0.3 * d - 3.0);
        }
        let dry = night(&mut nights, 12.0, Some((8.0, -6.0)), 0.8).unwrap();
        let damp = night(&mut nights, 12.0, Some((8.0, 0.0)), 2.6).unwrap();
        assert!((dry - 0.8).abs() < 0.3 && (damp - 2.6).abs() < 0.3, "{dry} {damp}");
    }

    #[test]
    fn equal_nights_and_wild_ones_give_finite_lows() {
        let mut nights = Nights::default();
        for number in 0..100 {
            let wild = if number % 9 == 0 { 1e6 } else { 5.0 };
            night(&mut nights, 5.0, Some((wild, 5.0)), -wild);
        }
        assert!(night(&mut nights, 5.0, Some((5.0, 5.0)), 5.0).unwrap().is_finite());
    }
}
