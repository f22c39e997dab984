//! Did the value stand out from those before and after it? Known one reading late.
//!
//! A reading that moved by more than a spike from the last accepted one waits for the next. That makes no reading wait that
//! could not be a spike: the test of the QARTOD manuals, in its differential form, asks for a step of that size on both
//! sides, in opposite directions. Nobody waits for ever: a reading that none follows within the time of a spike stands.

use serde::{Deserialize, Serialize};

use super::{Finding, Judgment, Test, limits::SpikeLimits};
use crate::engine::{reading::Flag, stamp::Stamp};

/// A reading that may be a spike, as it is judged if it is none. Until then it counts for nothing, except that cold holds.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Waiting {
    /// When it was observed.
    #[serde(rename = "a")]
    pub at: Stamp,
    #[serde(rename = "j")]
    pub judgment: Judgment,
    /// Wall time of its arrival.
    #[serde(rename = "c", default)]
    pub came: Stamp,
    /// Listening time that its news is of, and until when the next reading can tell.
    #[serde(rename = "h", default)]
    pub heard: i64,
    #[serde(rename = "u", default)]
    pub until: i64,
    /// It was news of the hour when it came: only such a reading begins a hold.
    #[serde(rename = "l", default)]
    pub is_live: bool,
}

impl Waiting {
    pub(super) fn new(at: Stamp, judgment: Judgment) -> Self {
        Self { at, judgment, came: at, heard: 0, until: 0, is_live: false }
    }
}

/// What became of a reading that had to wait.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Outcome {
    /// The value came back: it was a spike.
    Spike(Finding),
    /// It stayed, went on, or nobody spoke in time to tell.
    Stands,
}

/// True when `value` at `at` must wait: it moved by more than a spike within the time of one.
pub(super) fn may_be_one(before: (f64, Stamp), value: f64, at: Stamp, limits: &SpikeLimits) -> bool {
    at.since(before.1) <= limits.within_ms && limits.suspect < (value - before.0).abs()
}

/// Judges a value between the accepted one before it and the next, which must be believable after the one before.
///
/// The height is the smaller of the two steps; steps that go the same way have none.
pub(super) fn judge(before: f64, middle: (f64, Stamp), after: (f64, Stamp), limits: &SpikeLimits) -> Outcome {
    if limits.within_ms < after.1.since(middle.1) {
        return Outcome::Stands;
    }
    let seen = height(before, middle.0, after.0);
    let (flag, limit) = match () {
        () if limits.fail < seen => (Flag::Bad, limits.fail),
        () if limits.suspect < seen => (Flag::Suspect, limits.suspect),
        () => return Outcome::Stands,
    };
    Outcome::Spike(Finding { flag, test: Test::Spike, limit, seen })
}

/// How far the middle value stands out, in its unit: 0 unless it lies beyond both others.
fn height(before: f64, middle: f64, after: f64) -> f64 {
    let (rise, fall) = (middle - before, middle - after);
    if rise * fall > 0.0 { rise.abs().min(fall.abs()) } else { 0.0 }
}
