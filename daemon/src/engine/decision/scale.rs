//! From water owed to a percentage of the run a controller was set up with.

use crate::engine::settings::GroupSettings;

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
