//! Freeze hold: on at once when a trustworthy thermometer is cold, off only after two warm hours, never by silence.

use serde::{Deserialize, Serialize};

use crate::engine::settings::FreezeHoldSettings;
use crate::engine::stamp::{MINUTE, Stamp};

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FreezeHold {
    #[serde(rename = "s", default)]
    since: Option<Stamp>,
    /// Start of the warm time that may end the hold, and its latest reading.
    #[serde(rename = "w", default)]
    warm: Option<(Stamp, Stamp)>,
    /// Coldest value since the hold began, °C.
    #[serde(rename = "c", default)]
    coldest_celsius: f64,
}

/// A freeze hold began or ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FreezeChange {
    Began,
    Ended,
}

impl FreezeHold {
    pub fn since(&self) -> Option<Stamp> {
        self.since
    }

    pub fn coldest_celsius(&self) -> f64 {
        self.coldest_celsius
    }

    /// Earliest instant at which warmth can end the hold, if it stays warm.
    pub fn may_end_at(&self, settings: &FreezeHoldSettings) -> Option<Stamp> {
        self.warm.filter(|_| self.since.is_some()).map(|(from, _)| from.plus(wait(settings)))
    }

    /// Takes in the coldest trustworthy value at `at`, °C.
    /// Two warm readings further apart than `longest_gap` milliseconds do not prove that it was warm between them.
    pub fn judge(
        &mut self,
        coldest: f64,
        at: Stamp,
        longest_gap: i64,
        settings: &FreezeHoldSettings,
    ) -> Option<FreezeChange> {
        if coldest <= settings.hold_at_celsius {
            self.warm = None;
            self.coldest_celsius = if self.since.is_some() { self.coldest_celsius.min(coldest) } else { coldest };
            if self.since.is_none() {
                self.since = Some(at);
                return Some(FreezeChange::Began);
            }
            return None;
        }
        self.since?;
        if coldest < settings.release_at_celsius {
            self.warm = None;
            return None;
        }
        self.warm = match self.warm {
            Some((from, last)) if at.since(last) <= longest_gap => Some((from, at.max(last))),
            _ => Some((at, at)),
        };
        let (from, last) = self.warm?;
        if last.since(from) >= wait(settings) {
            *self = Self::default();
            return Some(FreezeChange::Ended);
        }
        None
    }

    /// Cold that held since `since` before anybody could tell whether it was true: it was.
    pub fn confirm(&mut self, since: Stamp, celsius: f64) {
        self.warm = None;
        self.coldest_celsius = if self.since.is_some() { self.coldest_celsius.min(celsius) } else { celsius };
        self.since.get_or_insert(since);
    }

    /// Ends the hold because no frost was behind the cold.
    pub fn withdraw(&mut self) {
        *self = Self::default();
    }

    /// The wall clock went back to `now`: instants that lie ahead of it cannot be.
    pub fn clock_stepped(&mut self, now: Stamp) {
        self.since = self.since.map(|since| since.min(now));
        self.warm = None;
    }
}

fn wait(settings: &FreezeHoldSettings) -> i64 {
    i64::from(settings.release_after_minutes) * MINUTE
}

#[cfg(test)]
mod tests {
    use super::*;

    const SETTINGS: FreezeHoldSettings =
        FreezeHoldSettings { hold_at_celsius: 3.0, release_at_celsius: 5.0, release_after_minutes: 120, enabled: true };

    /// Minute, value → the minutes at which the hold began (+) and ended (-).
    fn check(readings: &[(i64, f64)], expected: &[i64]) {
        let mut hold = FreezeHold::default();
        let mut changes = Vec::new();
        for &(minute, value) in readings {
            match hold.judge(value, Stamp(minute * MINUTE), 60 * MINUTE, &SETTINGS) {
                Some(FreezeChange::Began) => changes.push(minute),
                Some(FreezeChange::Ended) => changes.push(-minute),
                None => {}
            }
        }
        assert_eq!(changes, expected, "{readings:?}");
    }

    #[test]
    fn cold_holds_at_once_and_two_warm_hours_release() {
        check(&[(10, 4.0), (20, 3.0), (30, 5.0), (90, 5.5), (150, 6.0)], &[20, -150]);
    }

    #[test]
    fn one_reading_below_the_release_level_starts_the_warm_time_anew() {
        check(&[(10, 2.0), (20, 5.0), (80, 4.9), (90, 5.0), (150, 5.0), (200, 5.0), (210, 5.0)], &[10, -210]);
    }

    #[test]
    fn silence_is_not_warmth() {
        check(&[(10, 2.0), (20, 6.0), (400, 6.0), (460, 6.0)], &[10]);
    }

    #[test]
    fn hovering_between_hold_and_release_changes_nothing() {
        check(&[(10, 3.0), (20, 3.2), (30, 2.9), (40, 4.9), (50, 3.1)], &[10]);
    }
}
