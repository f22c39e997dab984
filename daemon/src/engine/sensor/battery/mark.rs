//! A change of battery that somebody noted: within a day the readings have to show it.

use serde::{Deserialize, Serialize};

use super::chemistry::{Chemistry, Course};
use super::replacement;
use super::{BatteryReading, BatterySettings};
use crate::engine::stamp::{DAY, Stamp};
use crate::engine::units::{Percent, Volts};

/// The change as noted, what the battery said before, and what it has said since.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Mark {
    #[serde(rename = "a")]
    at: Stamp,
    /// Volts or percent before.
    #[serde(rename = "b")]
    before: Option<f64>,
    #[serde(rename = "p")]
    percent: bool,
    /// It counted as low.
    #[serde(rename = "l")]
    low: bool,
    /// Readings since, and how many of them show another battery.
    #[serde(rename = "n")]
    heard: u8,
    #[serde(rename = "h")]
    higher: u8,
}

impl Mark {
    pub fn new(at: Stamp, before: Option<f64>, percent: bool, low: bool) -> Self {
        Self { at, before, percent, low, heard: 0, higher: 0 }
    }

    /// A reading `at`. Some(true): the change shows. Some(false): a day has passed, and it is the old battery. What comes
    /// from before the change says nothing, and neither does silence.
    pub fn hear(
        &mut self,
        at: Stamp,
        reading: BatteryReading,
        chemistry: Chemistry,
        settings: &BatterySettings,
    ) -> Option<bool> {
        if at <= self.at {
            return None;
        }
        let shows = match (reading, self.before) {
            (BatteryReading::Volts(Volts(volts)), Some(before)) if !self.percent => {
                let cells = f64::from(chemistry.cells());
                let step = if cells > 0.0 { STEP_VOLTS_PER_CELL * cells } else { before * STEP_SHARE };
                volts >= before + step || self.looks_new(volts, chemistry, settings)
            }
            (BatteryReading::Percent(Percent(percent)), Some(before)) if self.percent => {
                percent >= before + STEP_PERCENT || percent >= NEW_PERCENT
            }
            // Only the sensor's own word is known.
            (BatteryReading::Ok(fine), None) => fine || !self.low,
            _ => return None,
        };
        self.heard = self.heard.saturating_add(1);
        self.higher = if shows { self.higher.saturating_add(1) } else { 0 };
        if self.higher >= READINGS {
            return Some(true);
        }
        (at.since(self.at) >= DAY && self.heard >= READINGS && self.higher == 0).then_some(false)
    }

    /// Without a step: the volts of a new battery, because the old one was changed early; or of one about whose use they
    /// tell nothing.
    fn looks_new(&self, volts: f64, chemistry: Chemistry, settings: &BatterySettings) -> bool {
        let used = chemistry.depth_of_discharge(volts);
        match chemistry.course() {
            Course::Sloping => used.is_some_and(|used| used <= 0.15),
            Course::Flat => used.is_some_and(|used| used <= 0.5),
            Course::Sun => true,
            Course::Unknown => !self.low && settings.volts_threshold().is_none_or(|low| volts > low.0),
        }
    }
}

/// A third of the step that speaks for itself: somebody says that there was one. Our choice.
const STEP_VOLTS_PER_CELL: f64 = replacement::LEAST_VOLTS_PER_CELL / 3.0;
/// Our choice.
const STEP_SHARE: f64 = 0.03;
const STEP_PERCENT: f64 = 10.0;
const NEW_PERCENT: f64 = 90.0;
const READINGS: u8 = 3;
