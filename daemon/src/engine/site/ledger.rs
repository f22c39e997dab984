//! The ledger: how much water a group's plants are owed.
//!
//! `owed = clamp(owed + plant factor × ETo − effective rain, −credit, ceiling)` per day, and owed falls by what was
//! delivered. A second implementation, scored over whole histories, is the reference in the tests.

use serde::{Deserialize, Serialize};

use crate::engine::settings::GroupSettings;

/// Water owed at the last closed day, and what was delivered since, mm. Positive: the plants need water.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Ledger {
    #[serde(rename = "o", default)]
    owed_mm: f64,
}

/// Reference evapotranspiration and rain of one day, or of a day so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct DayWater {
    #[serde(rename = "e", default)]
    pub eto_mm: f64,
    #[serde(rename = "r", default)]
    pub rain_mm: f64,
}

impl Ledger {
    /// Owed with the day so far, mm.
    pub fn owed_mm(self, group: &GroupSettings, month: usize, today: DayWater) -> f64 {
        clamp(self.owed_mm + balance_mm(group, month, today), group)
    }

    /// Owed without the day so far, mm.
    pub fn posted_mm(self) -> f64 {
        self.owed_mm
    }

    /// Books a day that has closed.
    pub fn post(&mut self, group: &GroupSettings, month: usize, day: DayWater) {
        self.owed_mm = clamp(self.owed_mm + balance_mm(group, month, day), group);
    }

    /// Books the difference after a closed day was figured anew.
    pub fn correct(&mut self, group: &GroupSettings, month: usize, before: DayWater, after: DayWater) {
        let difference = balance_mm(group, month, after) - balance_mm(group, month, before);
        self.owed_mm = clamp(self.owed_mm + difference, group);
    }

    /// Books water that was delivered, mm net.
    pub fn deliver(&mut self, group: &GroupSettings, mm: f64) {
        self.owed_mm = clamp(self.owed_mm - mm.max(0.0), group);
    }
}

/// Plant need less effective rain of one day, mm.
pub fn balance_mm(group: &GroupSettings, month: usize, day: DayWater) -> f64 {
    let factor = group.plant_factor.get(month).copied().unwrap_or(1.0);
    factor * day.eto_mm - effective_rain_mm(group, day)
}

/// Rain that reaches the roots: by exposure, and none of a rain below 0.2 ETo, which evaporates from the leaves
/// (FAO-56 chapter 8, from memory). What the root zone cannot hold is cut off by the credit limit of the ledger.
pub fn effective_rain_mm(group: &GroupSettings, day: DayWater) -> f64 {
    if day.rain_mm < 0.2 * day.eto_mm { 0.0 } else { group.rain_exposure * day.rain_mm }
}

fn clamp(owed_mm: f64, group: &GroupSettings) -> f64 {
    let floor = -group.credit_mm.max(0.0);
    owed_mm.clamp(floor, group.ceiling_mm.max(floor))
}
