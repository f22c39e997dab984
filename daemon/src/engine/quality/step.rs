//! Can the value have changed so fast? And if many say so: it has.

use serde::{Deserialize, Serialize};

use super::{
    Finding, Test,
    curve::log_log,
    limits::{QuantityLimits, StepLimit},
};
use crate::engine::{
    reading::Flag,
    stamp::{HOUR, MINUTE, Stamp},
};

/// The reference that changes are measured from, and what speaks against it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct State {
    /// The last accepted value.
    #[serde(rename = "l")]
    last: Option<Point>,
    /// Rejected readings that agree among themselves. Boxed, because there are none nearly always.
    #[serde(rename = "c")]
    claim: Option<Box<Claim>>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Point {
    #[serde(rename = "v")]
    value: f64,
    #[serde(rename = "t")]
    at: Stamp,
}

/// A level that the sensor claims against the reference.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Claim {
    #[serde(rename = "n")]
    newest: Point,
    #[serde(rename = "s")]
    since: Stamp,
    #[serde(rename = "a")]
    min: f64,
    #[serde(rename = "z")]
    max: f64,
}

impl State {
    /// The last accepted value, and when it was observed.
    pub(super) fn last(&self) -> Option<(f64, Stamp)> {
        self.last.map(|last| (last.value, last.at))
    }

    /// True when `value` at `at` cannot follow the last accepted one.
    pub(super) fn is_impossible(&self, value: f64, at: Stamp, limits: &QuantityLimits) -> bool {
        self.last.is_some_and(|last| is_impossible_between((last.value, last.at), (value, at), limits))
    }

    /// Judges the change to `value` since the last accepted one; late readings by the way back to it. Does not yet take
    /// the value as the reference: see [`State::accept`].
    pub(super) fn judge(&mut self, value: f64, at: Stamp, limits: &QuantityLimits) -> Option<Finding> {
        let last = self.last?;
        let finding = compare(last, Point { value, at }, &limits.step);
        if at <= last.at {
            return finding;
        }
        if finding.is_none_or(|finding| finding.flag != Flag::Bad) {
            return finding;
        }
        let claim = self.claim(Point { value, at }, limits);
        let lasting = limits.reanchor_ms <= at.since(claim.since);
        if lasting && !claim.is_flat(limits) {
            return finding.map(|finding| Finding { flag: Flag::Suspect, test: Test::NewLevel, ..finding });
        }
        finding
    }

    /// `value` is the reference from now on; a late one changes nothing.
    pub(super) fn accept(&mut self, value: f64, at: Stamp) {
        if self.last.is_none_or(|last| last.at < at) {
            self.last = Some(Point { value, at });
            self.claim = None;
        }
    }

    pub(super) fn clock_stepped_back(&mut self, now: Stamp) {
        if let Some(last) = &mut self.last {
            last.at = last.at.min(now);
        }
        if let Some(claim) = &mut self.claim {
            claim.newest.at = claim.newest.at.min(now);
            claim.since = claim.since.min(now);
        }
    }

    /// The claim with one more rejected reading: it goes on if the reading agrees with it, and starts anew if not.
    fn claim(&mut self, point: Point, limits: &QuantityLimits) -> Claim {
        let agreeing = self.claim.as_deref().copied().filter(|claim| {
            let gap = point.at.since(claim.newest.at);
            // Two readings at the ends of a long silence say nothing about the time between.
            gap <= limits.reanchor_ms / 2
                && compare(claim.newest, point, &limits.step).is_none_or(|finding| finding.flag != Flag::Bad)
        });
        let claim = match agreeing {
            // A late one says nothing new.
            Some(claim) if point.at <= claim.newest.at => claim,
            Some(claim) => Claim {
                newest: point,
                since: claim.since,
                min: claim.min.min(point.value),
                max: claim.max.max(point.value),
            },
            None => Claim { newest: point, since: point.at, min: point.value, max: point.value },
        };
        self.claim = Some(Box::new(claim));
        claim
    }
}

impl Claim {
    /// True when the claim hardly moved: a lost probe often says one value and its nearest neighbors. Where a constant
    /// value is real, or none is tested for, it is no flat line.
    fn is_flat(&self, limits: &QuantityLimits) -> bool {
        limits.flat.is_some_and(|flat| {
            let exempt = flat.exempt_at_or_above.is_some_and(|exempt| exempt <= self.min);
            !exempt && self.max - self.min <= CLAIM_MOVES_TOLERANCES * flat.tolerance
        })
    }
}

/// True when one value cannot follow the other, each with its time.
pub(super) fn is_impossible_between(one: (f64, Stamp), other: (f64, Stamp), limits: &QuantityLimits) -> bool {
    let point = |(value, at)| Point { value, at };
    compare(point(one), point(other), &limits.step).is_some_and(|finding| finding.flag == Flag::Bad)
}

/// The finding on the change between two points, whichever is earlier.
fn compare(one: Point, other: Point, limits: &[StepLimit]) -> Option<Finding> {
    let seen = (other.value - one.value).abs();
    if limits.iter().all(|limit| seen <= limit.suspect) {
        return None;
    }
    let elapsed = other.at.since(one.at).saturating_abs();
    if TESTED_WITHIN < elapsed {
        return None;
    }
    let minutes = elapsed as f64 / MINUTE as f64;
    let fail = log_log(limits.iter().map(|limit| (limit.minutes, limit.fail)), minutes)?;
    if fail < seen {
        return Some(Finding { flag: Flag::Bad, test: Test::Step, limit: fail, seen });
    }
    let suspect = log_log(limits.iter().map(|limit| (limit.minutes, limit.suspect)), minutes)?;
    (suspect < seen).then_some(Finding { flag: Flag::Suspect, test: Test::Step, limit: suspect, seen })
}

/// The table of WMO-No. 488 (1993) ends at 12 h: after that any value can follow any other.
const TESTED_WITHIN: i64 = 12 * HOUR;

/// Our choice: in two hours outdoors a live value moves by more than four tolerances. Field case S05: a lost probe that
/// says 0 and -0.06 °C.
const CLAIM_MOVES_TOLERANCES: f64 = 4.0;
