//! Can the value be at all?

use super::{Finding, Test, limits::QuantityLimits};
use crate::engine::reading::{Flag, Quantity};

/// The value to go on with, and the finding if it is not what was read, or not to be believed.
///
/// A full circle of wind direction is north (0), like an empty one.
pub(super) fn judge(quantity: Quantity, value: f64, limits: &QuantityLimits) -> (f64, Option<Finding>) {
    let bad = |limit| Some(Finding { flag: Flag::Bad, test: Test::Range, limit, seen: value });
    if value.is_nan() || value < limits.hard_min {
        return (value, bad(limits.hard_min));
    }
    if limits.hard_max < value {
        return (value, bad(limits.hard_max));
    }
    if let Some(clip_to) = limits.clip_to {
        let clipped = value.max(clip_to.min).min(clip_to.max);
        if clipped != value {
            return (clipped, Some(Finding { flag: Flag::Good, test: Test::Clip, limit: clipped, seen: value }));
        }
    }
    let north = quantity == Quantity::WindFromDirection && value == 360.0;
    (if north { 0.0 } else { value }, None)
}
