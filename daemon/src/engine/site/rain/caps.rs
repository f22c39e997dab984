//! How much rain can fall in how much time: what is suspect, and what is not believed.

use serde::{Deserialize, Serialize};

use crate::engine::quality::curve::log_log;

/// The most rain of one duration.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cap {
    pub minutes: f64,
    /// More than this counts, but is marked.
    pub suspect_mm: f64,
    /// More than this is quarantined.
    pub fail_mm: f64,
}

/// Caps by rising duration. Between two anchors a cap follows a power law (log-log), below the first one the first cap
/// holds, above the last one it grows in proportion to time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Caps(pub [Cap; 5]);

impl Caps {
    /// Above this the rain of `millis` is suspect, in mm.
    pub fn suspect_mm(&self, millis: i64) -> f64 {
        self.limit(millis, |cap| cap.suspect_mm)
    }

    /// Above this the rain of `millis` is not believed, in mm.
    pub fn fail_mm(&self, millis: i64) -> f64 {
        self.limit(millis, |cap| cap.fail_mm)
    }

    fn limit(&self, millis: i64, pick: impl Fn(&Cap) -> f64) -> f64 {
        let [.., longest] = &self.0;
        let minutes = millis.max(0) as f64 / 60_000.0;
        if longest.minutes < minutes && 0.0 < longest.minutes {
            return pick(longest) * minutes / longest.minutes;
        }
        log_log(self.0.iter().map(|cap| (cap.minutes, pick(cap))), minutes).unwrap_or(0.0)
    }
}

impl Default for Caps {
    /// Suspect: our choice; more than the greatest amounts that rainfallqc 1.1.2 expects of any month in Great Britain
    /// (2–5, 13–20, 30–40 mm in 1, 15, 60 min). Fail: 1 min just above the world record (38 mm, Barot, Guadeloupe, 1970);
    /// 15 min, 1 h and 24 h the world records in rainfallqc 1.1.2, `stats.py` (198, rounded up, 401 and 1,825 mm);
    /// 5 min 100 mm is our choice between its neighbors.
    fn default() -> Self {
        let cap = |minutes, suspect_mm, fail_mm| Cap { minutes, suspect_mm, fail_mm };
        Self([
            cap(1.0, 5.0, 40.0),
            cap(5.0, 15.0, 100.0),
            cap(15.0, 25.0, 200.0),
            cap(60.0, 60.0, 401.0),
            cap(1_440.0, 200.0, 1_825.0),
        ])
    }
}
