//! Points in time as the engine keeps them: whole milliseconds, small and exact.

use chrono::{DateTime, SecondsFormat, Utc};
use serde::{Deserialize, Serialize};

pub const SECOND: i64 = 1_000;
pub const MINUTE: i64 = 60 * SECOND;
pub const HOUR: i64 = 60 * MINUTE;
pub const DAY: i64 = 24 * HOUR;

/// Milliseconds since 1970-01-01T00:00:00Z, without leap seconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Stamp(pub i64);

impl Stamp {
    /// The same instant for chrono; instants outside chrono's years (about ±262,000) become 1970.
    pub fn utc(self) -> DateTime<Utc> {
        DateTime::from_timestamp_millis(self.0).unwrap_or_default()
    }

    /// RFC 3339 in UTC, with milliseconds only where there are any.
    pub fn text(self) -> String {
        self.utc().to_rfc3339_opts(SecondsFormat::AutoSi, true)
    }

    /// This instant plus `millis`, saturating.
    pub fn plus(self, millis: i64) -> Self {
        Self(self.0.saturating_add(millis))
    }

    /// Milliseconds from `earlier` to this instant (negative when `earlier` is later), saturating.
    pub fn since(self, earlier: Self) -> i64 {
        self.0.saturating_sub(earlier.0)
    }
}

impl From<DateTime<Utc>> for Stamp {
    fn from(at: DateTime<Utc>) -> Self {
        Self(at.timestamp_millis())
    }
}
