//! Has the value stayed for longer than weather does?

use serde::{Deserialize, Serialize};

use super::{Finding, Test, limits::FlatLimits};
use crate::engine::{
    reading::Flag,
    stamp::{HOUR, Stamp},
};

/// A value that stays.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Run {
    /// The value at which it became flat.
    #[serde(rename = "v")]
    value: f64,
    #[serde(rename = "s")]
    since: Stamp,
    #[serde(rename = "n")]
    newest: Stamp,
}

impl Run {
    pub(super) fn clock_stepped_back(&mut self, now: Stamp) {
        self.since = self.since.min(now);
        self.newest = self.newest.min(now);
    }
}

/// Takes `value` into the run or begins a new one, and judges how long it has lasted. Late readings say nothing.
///
/// A silence of more than half the suspect time breaks the run: nobody knows what happened in it.
pub(super) fn judge(
    run: &mut Option<Run>,
    value: f64,
    at: Stamp,
    daylight: bool,
    limits: &FlatLimits,
) -> Option<Finding> {
    if run.is_some_and(|run| at <= run.newest) {
        return None;
    }
    let exempt = limits.exempt_at_or_above.is_some_and(|exempt| exempt <= value);
    if exempt || (limits.daylight_only && !daylight) {
        *run = None;
        return None;
    }
    let at_zero = limits.lasting_at_zero.filter(|_| value == 0.0);
    let lasting = at_zero.unwrap_or(limits.lasting);
    let since = run.filter(|run| {
        let same = (value - run.value).abs() <= limits.tolerance + ROUNDING;
        let same_kind = limits.lasting_at_zero.is_none() || (value == 0.0) == (run.value == 0.0);
        same && same_kind && at.since(run.newest) <= lasting.suspect_ms / 2
    });
    let Some(flat) = since else {
        *run = Some(Run { value, since: at, newest: at });
        return None;
    };
    *run = Some(Run { newest: at, ..flat });
    let lasted = at.since(flat.since);
    let (flag, limit) = match lasting.fail_ms {
        Some(fail) if fail <= lasted => (Flag::Bad, fail),
        _ if lasting.suspect_ms <= lasted => (Flag::Suspect, lasting.suspect_ms),
        _ => return None,
    };
    Some(Finding { flag, test: Test::FlatLine, limit: limit as f64 / HOUR as f64, seen: lasted as f64 / HOUR as f64 })
}

/// 20.95 + 0.05 is not 21.0 to the last bit.
const ROUNDING: f64 = 1e-9;
