//! What a humidity says at one site: rain at 80 % is the rule here and rare there. Learnt slowly, within bounds.

use serde::{Deserialize, Serialize};

use crate::engine::stamp::Stamp;

/// Onsets of rain and dry hours by day, by humidity, as far as this site saw them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct HumidityClimate {
    #[serde(rename = "r", default)]
    onsets: [u8; BINS],
    #[serde(rename = "d", default)]
    dry_hours: [u16; BINS],
    /// The hour last looked at, since 1970.
    #[serde(rename = "h", default)]
    pub hour: i64,
    /// When the rain began that is on now, and at which humidity, %, until that is learnt.
    #[serde(rename = "b", default)]
    pub began: Option<(Stamp, Option<u8>)>,
}

impl HumidityClimate {
    /// Decibels for a knock at a relative humidity of `percent`: the reference scores until the site taught otherwise,
    /// never further from them than 6.
    pub fn weight(&self, percent: f64) -> f64 {
        let bin = bin(percent);
        let share = |seen: f64, all: f64, prior: f64, worth: f64| (prior * worth + seen) / (worth + all);
        let onsets: f64 = self.onsets.iter().map(|count| f64::from(*count)).sum();
        let dry: f64 = self.dry_hours.iter().map(|count| f64::from(*count)).sum();
        let at_rain = share(f64::from(self.onsets[bin]), onsets, AT_RAIN[bin], WORTH_ONSETS);
        let in_dry = share(f64::from(self.dry_hours[bin]), dry, in_dry_hours(bin), WORTH_HOURS);
        let learnt = 10.0 * (in_dry / at_rain).log10();
        learnt.clamp(WEIGHTS[bin] - FURTHEST, WEIGHTS[bin] + FURTHEST)
    }

    /// Rain that was no question began at this humidity, %.
    pub fn onset(&mut self, percent: f64) {
        if self.onsets.iter().map(|count| u32::from(*count)).sum::<u32>() >= MOST_ONSETS {
            self.onsets = self.onsets.map(|count| count / 2);
        }
        self.onsets[bin(percent)] += 1;
    }

    /// An hour of the day passed without rain at this humidity, %.
    pub fn dry_hour(&mut self, percent: f64) {
        if self.dry_hours.iter().map(|count| u32::from(*count)).sum::<u32>() >= MOST_HOURS {
            self.dry_hours = self.dry_hours.map(|count| count / 2);
        }
        self.dry_hours[bin(percent)] += 1;
    }
}

fn bin(percent: f64) -> usize {
    match percent {
        percent if percent < 60.0 => 0,
        percent if percent < 70.0 => 1,
        percent if percent < 80.0 => 2,
        percent if percent < 90.0 => 3,
        _ => 4,
    }
}

/// How often the hours of a bin are dry ones, so that a site that learnt nothing has the reference scores.
fn in_dry_hours(bin: usize) -> f64 {
    AT_RAIN[bin] * 10f64.powf(WEIGHTS[bin] / 10.0)
}

const BINS: usize = 5;

/// Below 60, 70, 80, 90 % and above: the reference cases have 15, 7 (70–80 %) and -9 (90 % and more); 65 % with a bright
/// sky is 15 there, of which the sun is 4. 80–90 % is our choice.
const WEIGHTS: [f64; BINS] = [15.0, 11.0, 7.0, 0.0, -9.0];

/// Shares of the onsets of rain before anything is learnt. Our choice.
const AT_RAIN: [f64; BINS] = [0.01, 0.016, 0.04, 0.18, 0.754];

/// What the site sees weighs as much as this after so many onsets and dry hours. Our choice: about two years of
/// each.
const WORTH_ONSETS: f64 = 60.0;
const WORTH_HOURS: f64 = 6_000.0;

/// Older onsets and hours fade: counts are halved here. Our choice.
const MOST_ONSETS: u32 = 250;
const MOST_HOURS: u32 = 20_000;

/// Our choice.
const FURTHEST: f64 = 6.0;
