//! A new battery seen from its daily levels: they step up and stay up.

use super::trend::median;

/// Daily levels of which `before` are compared with `after`.
pub const BEFORE: usize = 7;
pub const AFTER: usize = 2;

/// True where the last [`AFTER`] of `levels` stand above the median of the [`BEFORE`] before them by `least`, and by six
/// times their usual scatter. Both figures are our choice. A warm day or a single spike is no step, a part-used battery
/// is one. `levels` oldest first, all of one unit; shorter ones have no step.
pub fn stepped_up(levels: &[f64], least: f64) -> bool {
    let Some((before, after)) = levels.split_last_chunk::<AFTER>() else { return false };
    let Some((_, before)) = before.split_last_chunk::<BEFORE>() else { return false };
    let mut sorted = *before;
    let Some(usual) = median(&mut sorted) else { return false };
    let mut distances = before.map(|level| (level - usual).abs());
    let scatter = median(&mut distances).unwrap_or(0.0);
    let step = after.iter().copied().fold(f64::INFINITY, f64::min) - usual;
    step >= least.max(SCATTERS * TO_SIGMA * scatter)
}

const SCATTERS: f64 = 6.0;
/// From median absolute deviation to standard deviation, for normal scatter.
const TO_SIGMA: f64 = 1.4826;
/// V per cell. Our choice.
pub const LEAST_VOLTS_PER_CELL: f64 = 0.15;
