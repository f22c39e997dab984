//! Operator holds and releases: what people said, and until when.

use serde::{Deserialize, Serialize};

use crate::engine::decision::reason::Reason;
use crate::engine::stamp::Stamp;

/// A person holds water.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OperatorHold {
    #[serde(rename = "s")]
    pub since: Stamp,
    /// None: until released.
    #[serde(rename = "u", default)]
    pub until: Option<Stamp>,
    #[serde(rename = "w")]
    pub who: String,
    #[serde(rename = "n", default)]
    pub note: String,
}

/// A person ended a hold of this reason.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Release {
    #[serde(rename = "r")]
    pub reason: Reason,
    #[serde(rename = "s")]
    pub since: Stamp,
    /// When the hold returns by itself if its reason still stands. None: not before its reason went away once.
    #[serde(rename = "u", default)]
    pub until: Option<Stamp>,
}

/// What people said about one group.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Operator {
    #[serde(rename = "h", default)]
    pub hold: Option<OperatorHold>,
    /// At most one per reason.
    #[serde(rename = "r", default)]
    pub releases: Vec<Release>,
}

impl Operator {
    /// Holds; takes back every release.
    pub fn set_hold(&mut self, hold: OperatorHold) {
        self.releases.clear();
        self.hold = Some(hold);
    }

    /// Releases holds of `reason`. An operator hold without a time of return is simply gone.
    pub fn release(&mut self, release: Release) {
        if release.reason == Reason::Operator && release.until.is_none() {
            self.hold = None;
            return;
        }
        self.releases.retain(|other| other.reason != release.reason);
        self.releases.push(release);
    }

    pub fn is_released(&self, reason: Reason) -> bool {
        self.releases.iter().any(|release| release.reason == reason)
    }

    /// Drops what has run out at `now`, and releases without an end whose reason no longer stands.
    pub fn lapse(&mut self, now: Stamp, stands: impl Fn(Reason) -> bool) {
        if self.hold.as_ref().is_some_and(|hold| hold.until.is_some_and(|until| until <= now)) {
            self.hold = None;
        }
        self.releases.retain(|release| match release.until {
            Some(until) => until > now,
            None => stands(release.reason),
        });
    }

    /// The next instant at which something said runs out.
    pub fn next_change(&self) -> Option<Stamp> {
        let hold = self.hold.as_ref().and_then(|hold| hold.until);
        self.releases.iter().filter_map(|release| release.until).chain(hold).min()
    }
}
