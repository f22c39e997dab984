//! Do the readings of weeks fit what a day can be? Drift of a pyranometer, a humidity sensor, a thermometer beside it.
//!
//! FAO-56, annex 5, looks at the envelope: on clear days the radiation reaches that of a clear sky, after rain the air comes
//! near saturation, and the dew point stays near the coldest of the day. One day proves nothing; an envelope over weeks
//! does. What drifts is suspect only: it goes on counting, and somebody is sent to look.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

/// When an envelope is off.
///
/// Defaults: our choice, beyond all that two good stations measured (De Bilt 1980–2019, Maricopa 2003–2020): the third
/// highest Rs/Rso of 30 days was never above 1.11 and of 120 days never below 0.77; at most three rainy days in a row stayed
/// below 85 %, the median of 30 days of Tmin less mean dew point was -3.3 °C at the lowest.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DriftSettings {
    /// Third highest share of clear-sky radiation in 30 days, %: above it the pyranometer reads too much.
    pub sun_high_percent: f64,
    /// The same in 120 days: below it the pyranometer reads too little.
    pub sun_low_percent: f64,
    /// A day above this share cannot be.
    pub sun_impossible_percent: f64,
    /// Highest humidity of a rainy day, %: always below it the sensor reads too little.
    pub wet_day_humidity_percent: f64,
    /// How far the dew point can lie above the coldest of the day for weeks, °C.
    pub dew_point_above_celsius: f64,
}

impl Default for DriftSettings {
    fn default() -> Self {
        Self {
            sun_high_percent: 112.0,
            sun_low_percent: 75.0,
            sun_impossible_percent: 125.0,
            wet_day_humidity_percent: 85.0,
            dew_point_above_celsius: 5.0,
        }
    }
}

/// What a closed day says, where it was measured well enough to say it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DayExtent {
    /// Radiation of the day as a share of clear-sky radiation, symbol Rs/Rso.
    pub sun_share: Option<f64>,
    /// Highest and lowest hour mean of relative humidity, %.
    pub humidity: Option<(f64, f64)>,
    /// Coldest and warmest, °C.
    pub temperature: Option<(f64, f64)>,
    /// Mean dew point, °C.
    pub dew_point: Option<f64>,
    /// Rain of the site's own gauge, mm.
    pub rain_mm: Option<f64>,
}

/// The days that envelopes are made of, bounded and a byte each.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Drift {
    /// Rs/Rso, %, newest last; 0 where it is not known.
    #[serde(rename = "s", skip_serializing_if = "VecDeque::is_empty")]
    sun: VecDeque<u8>,
    /// Highest humidity of the last rainy days, %.
    #[serde(rename = "w", skip_serializing_if = "VecDeque::is_empty")]
    wet: VecDeque<u8>,
    /// Days in a row on which the air stayed saturated though the sun warmed it.
    #[serde(rename = "h")]
    saturated: u8,
    /// Tmin less mean dew point, tenths of a degree.
    #[serde(rename = "d", skip_serializing_if = "VecDeque::is_empty")]
    depression: VecDeque<i16>,
}

/// An envelope that is off, with its figures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Finding {
    /// Envelope of Rs/Rso, 1 where it should be.
    SunHigh {
        envelope: f64,
    },
    SunLow {
        envelope: f64,
    },
    /// Highest humidity on the last rainy days, %.
    HumidityLow {
        highest_percent: f64,
        days: usize,
    },
    /// Days in a row.
    HumidityHigh {
        days: usize,
    },
    /// Median over so many days, °C.
    DewPointHigh {
        above_celsius: f64,
        days: usize,
    },
}

impl Drift {
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// Takes in a day that has closed.
    pub fn closed(&mut self, day: &DayExtent) {
        // A site without a pyranometer has no days without radiation.
        if day.sun_share.is_some() || !self.sun.is_empty() {
            let percent = day.sun_share.filter(|share| share.is_finite()).map_or(0.0, |share| 100.0 * share);
            push(&mut self.sun, if percent > 0.0 { percent.round().clamp(1.0, 255.0) as u8 } else { 0 }, LONG);
        }
        if let (Some((highest, _)), Some(rain)) = (day.humidity, day.rain_mm)
            && rain >= WET_DAY_MM
        {
            push(&mut self.wet, highest.round().clamp(0.0, 100.0) as u8, WET_DAYS);
        }
        if let (Some((_, lowest)), Some((coldest, warmest))) = (day.humidity, day.temperature) {
            let stays = lowest >= SATURATED_PERCENT && warmest - coldest >= WARMS_BY;
            self.saturated = if stays { self.saturated.saturating_add(1) } else { 0 };
        }
        if let (Some((coldest, _)), Some(dew_point)) = (day.temperature, day.dew_point) {
            push(&mut self.depression, (10.0 * (coldest - dew_point)).round().clamp(-1e3, 1e3) as i16, DEW_DAYS);
        }
    }

    /// What the radiation of the last weeks says.
    pub fn of_sun(&self, settings: &DriftSettings) -> Option<Finding> {
        let high = self.envelope(SHORT, LEAST_SHORT);
        let impossible = self.sun.iter().rev().take(SHORT).copied().max().map_or(0.0, f64::from);
        if impossible > settings.sun_impossible_percent {
            return Some(Finding::SunHigh { envelope: impossible / 100.0 });
        }
        if let Some(percent) = high.filter(|percent| *percent > settings.sun_high_percent) {
            return Some(Finding::SunHigh { envelope: percent / 100.0 });
        }
        let percent = self.envelope(LONG, LEAST_LONG)?;
        (percent < settings.sun_low_percent).then_some(Finding::SunLow { envelope: percent / 100.0 })
    }

    /// What the humidity of the last days and weeks says.
    pub fn of_humidity(&self, settings: &DriftSettings) -> Option<Finding> {
        if usize::from(self.saturated) >= SATURATED_DAYS {
            return Some(Finding::HumidityHigh { days: usize::from(self.saturated) });
        }
        let highest = self.wet.iter().copied().max().map_or(100.0, f64::from);
        if self.wet.len() == WET_DAYS && highest < settings.wet_day_humidity_percent {
            return Some(Finding::HumidityLow { highest_percent: highest, days: WET_DAYS });
        }
        if self.depression.len() < DEW_DAYS {
            return None;
        }
        let mut sorted: Vec<i16> = self.depression.iter().copied().collect();
        sorted.sort_unstable();
        let above = -f64::from(sorted[sorted.len() / 2]) / 10.0;
        (above > settings.dew_point_above_celsius)
            .then_some(Finding::DewPointHigh { above_celsius: above, days: DEW_DAYS })
    }

    /// Somebody has seen to the sun sensor, or to the one of humidity: what it read before is past.
    pub fn forget_sun(&mut self) {
        self.sun.clear();
    }

    pub fn forget_humidity(&mut self) {
        self.wet.clear();
        self.depression.clear();
        self.saturated = 0;
    }

    /// The third highest share of the last `days`, %, of which `least` must be known.
    fn envelope(&self, days: usize, least: usize) -> Option<f64> {
        let mut known: Vec<u8> = self.sun.iter().rev().take(days).copied().filter(|percent| *percent > 0).collect();
        known.sort_unstable_by(|one, other| other.cmp(one));
        known.get(RANK).filter(|_| least <= known.len()).map(|percent| f64::from(*percent))
    }
}

fn push<T>(list: &mut VecDeque<T>, value: T, most: usize) {
    list.push_back(value);
    while list.len() > most {
        list.pop_front();
    }
}

/// Windows of the envelope, and how many of their days must be known. Our choice: a fault upward shows in weeks; a wet
/// season has no clear day, so that a fault downward needs months.
const SHORT: usize = 30;
const LEAST_SHORT: usize = 10;
const LONG: usize = 120;
const LEAST_LONG: usize = 90;

/// The third highest: one or two odd days are no envelope. Our choice.
const RANK: usize = 2;

/// Our choice: as much rain as extends a rain hold wets the air of its day.
const WET_DAY_MM: f64 = 2.5;
const WET_DAYS: usize = 5;

/// Our choice: air that stays saturated while it warms by this much does so on one day in forty years at De Bilt.
const SATURATED_PERCENT: f64 = 95.0;
const WARMS_BY: f64 = 8.0;
const SATURATED_DAYS: usize = 3;

const DEW_DAYS: usize = 30;

#[cfg(test)]
mod tests;
