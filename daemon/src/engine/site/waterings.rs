//! When sprinklers ran, as bridges reported it: what they wet and cool is no weather.

use serde::{Deserialize, Serialize};

use crate::engine::stamp::{DAY, HOUR, MINUTE, Stamp};

/// Runs of sprinklers (not drip) of the last day, oldest first, bounded; runs that touch are one.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Waterings {
    runs: Vec<(Stamp, Stamp)>,
}

impl Waterings {
    /// A run from `start` to `end`, or to now where it still goes on.
    pub fn add(&mut self, start: Stamp, end: Stamp, now: Stamp) {
        let (mut start, mut end) = (start.min(end), end.max(start));
        self.runs.retain(|(_, before)| now.since(*before) < DAY);
        // One run after the other is one watering.
        self.runs.retain(|&(from, to)| {
            let apart = to.plus(TOGETHER) < start || end.plus(TOGETHER) < from;
            if !apart {
                (start, end) = (start.min(from), end.max(to));
            }
            apart
        });
        let place = self.runs.partition_point(|(from, _)| *from < start);
        self.runs.insert(place, (start, end));
        if self.runs.len() > MOST_RUNS {
            self.runs.remove(0);
        }
    }

    pub fn is_empty(&self) -> bool {
        self.runs.is_empty()
    }

    /// True where sprinklers ran at some time from `from` to `to`.
    pub fn overlap(&self, from: Stamp, to: Stamp) -> bool {
        self.runs.iter().any(|&(start, end)| start <= to && from <= end.plus(MINUTE))
    }

    /// True where wet air, leaves and soil or cooled air at some time from `from` to `to` can come from sprinklers: from the
    /// start of a run to two hours after its end.
    pub fn wet(&self, from: Stamp, to: Stamp) -> bool {
        self.runs.iter().any(|&(start, end)| start <= to && from <= end.plus(DRIES))
    }

    /// True where air that became cold at `since`, and is warm at `now`, was cooled by sprinklers: what still is cold an
    /// hour after a run is weather.
    pub fn cooled(&self, since: Stamp, now: Stamp) -> bool {
        self.runs.iter().any(|&(start, end)| start <= since && since <= end.plus(DRIES) && now <= end.plus(PERSISTS))
    }
}

/// Runs with a shorter pause are one watering. Our choice.
const TOGETHER: i64 = 5 * MINUTE;

/// Our choice, as is [`PERSISTS`].
const DRIES: i64 = 2 * HOUR;
const PERSISTS: i64 = HOUR;

/// Our choice.
const MOST_RUNS: usize = 8;

#[cfg(test)]
mod tests {
    use super::*;

    fn minute(minute: i64) -> Stamp {
        Stamp(minute * MINUTE)
    }

    #[test]
    fn runs_that_touch_are_one_and_a_report_that_comes_again_changes_nothing() {
        let mut waterings = Waterings::default();
        for (start, end) in [(60, 80), (80, 100), (60, 80), (103, 110), (300, 320)] {
            waterings.add(minute(start), minute(end), minute(400));
        }
        assert_eq!(waterings.runs, [(minute(60), minute(110)), (minute(300), minute(320))]);
        assert!(waterings.overlap(minute(100), minute(120)) && !waterings.overlap(minute(112), minute(299)));
        assert!(waterings.wet(minute(229), minute(229)) && !waterings.wet(minute(231), minute(240)));
    }

    #[test]
    fn a_fall_that_is_over_within_an_hour_of_the_run_came_from_it() {
        let mut waterings = Waterings::default();
        waterings.add(minute(60), minute(80), minute(80));
        for (since, now, cooled) in [(59, 90, false), (65, 139, true), (65, 141, false), (100, 130, true)] {
            assert_eq!(waterings.cooled(minute(since), minute(now)), cooled, "{since} {now}");
        }
    }

    #[test]
    fn what_is_remembered_is_bounded_and_a_day_old_at_most() {
        let mut waterings = Waterings::default();
        for turn in 0..1_000 {
            waterings.add(minute(turn * 30), minute(turn * 30 + 10), minute(turn * 30 + 10));
        }
        assert!(waterings.runs.len() <= MOST_RUNS);
        waterings.add(minute(100_000), minute(100_010), minute(100_010));
        assert_eq!(waterings.runs.len(), 1);
    }
}
