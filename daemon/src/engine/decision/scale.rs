//! From water owed to a percentage of the run a controller was set up with.

use crate::engine::formula::root_zone;
use crate::engine::settings::{GroupSettings, Method};
use crate::engine::site::soil::Cycles;
use crate::engine::units::Millimeters;

/// A run in minutes, for a controller that takes them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RunTime {
    /// All cycles together, 0–1440.
    pub minutes: f64,
    pub cycles: Cycles,
}

/// `owed / run_depth` in percent, rounded to `step`, at most the group's most; 0 below its least, so that the owed water
/// is carried to the next watering day instead of being sprinkled without reaching the roots.
pub fn percent(group: &GroupSettings, owed_mm: f64, step: u16) -> u16 {
    let step = f64::from(step.max(1));
    let rounded = (share_percent(group, owed_mm) / step).round() * step;
    let rounded = rounded.clamp(0.0, f64::from(group.most_percent)) as u16;
    if rounded < group.least_percent { 0 } else { rounded }
}

/// `owed / run_depth` in percent, at most the group's most, not rounded.
pub fn share_percent(group: &GroupSettings, owed_mm: f64) -> f64 {
    (100.0 * owed_mm.max(0.0) / group.run_depth_mm.max(0.1)).min(f64::from(group.most_percent))
}

/// Net depth due at an opportunity, mm: with the ledger all that is owed; with an account nothing until the plants would
/// feel it before the next opportunity, for which they need `need_mm` at `daily_need_mm` a day, and then all that is missing
/// in the root zone (FAO-56, chapter 8: water no later than when the readily available water is used up).
pub fn due_mm(group: &GroupSettings, owed_mm: f64, need_mm: f64, daily_need_mm: f64) -> f64 {
    let (Method::Account, Some(total)) = (group.method, group.ground.total_mm) else { return owed_mm };
    let p = root_zone::depletion_fraction_for(group.ground.depletion_fraction, Millimeters(daily_need_mm));
    let readily = root_zone::readily_available_water(Millimeters(total), p).0;
    if owed_mm + need_mm > readily { owed_mm } else { 0.0 }
}

/// Water owed at which a controller that can only water or not waters one whole run, mm: a run, or as much as the ledger
/// can hold where a run is more than that.
pub fn whole_run_mm(group: &GroupSettings) -> f64 {
    group.run_depth_mm.min(0.98 * group.ceiling_mm)
}

/// The least of water owed that is worth a run, mm.
pub fn least_run_mm(group: &GroupSettings) -> f64 {
    (group.run_depth_mm * f64::from(group.least_percent) / 100.0).min(whole_run_mm(group))
}

/// Net depth that a run of `percent` gives, mm.
pub fn depth_of_mm(group: &GroupSettings, percent: f64) -> f64 {
    group.run_depth_mm * percent.max(0.0) / 100.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::settings::{Ground, tests::group};

    #[test]
    fn an_account_waits_until_the_plants_would_feel_it_and_then_fills_up() {
        let ground = Ground { total_mm: Some(40.0), ..Ground::default() };
        let bed = GroupSettings { method: Method::Account, ground, ceiling_mm: 20.0, ..group() };
        // Half of 40 mm at 5 mm a day.
        assert_eq!(due_mm(&bed, 14.9, 5.0, 5.0), 0.0);
        assert_eq!(due_mm(&bed, 15.1, 5.0, 5.0), 15.1);
        assert_eq!(due_mm(&bed, 9.0, 15.0, 5.0), 9.0, "the next opportunity is three days away");
        assert_eq!(due_mm(&group(), 3.0, 5.0, 5.0), 3.0, "a ledger pays at once");
    }

    #[test]
    fn a_percentage_stays_in_its_range_whatever_is_owed() {
        for (owed_mm, expected) in [(-5.0, 0), (1.7, 0), (2.0, 20), (7.4, 75), (12.0, 120), (900.0, 120)] {
            assert_eq!(percent(&group(), owed_mm, 5), expected, "{owed_mm}");
        }
    }
}
