//! Sequence numbers: how many messages a sensor sent between two that came.

use serde::{Deserialize, Serialize};

use super::super::super::stamp::HOUR;

/// What a number says beside the one before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    First,
    /// The same number: a copy.
    Same,
    /// So many numbers on; 1 where nothing was lost.
    On(u32),
    /// The sensor began to count anew; so many messages were due since, by the clock.
    Restart(u32),
}

/// The last number of a sensor, and what was sent in the last 24 hours by its numbers.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Sequence {
    #[serde(rename = "l", default)]
    last: Option<u64>,
    /// Listening instant of the last number.
    #[serde(rename = "a", default)]
    at: i64,
    /// Messages sent, and those that came, by hour of listening modulo 24.
    #[serde(rename = "c", default)]
    counts: [(u16, u16); HOURS],
    /// The hour that was counted last.
    #[serde(rename = "h", default)]
    hour: i64,
}

const HOURS: usize = 24;

impl Sequence {
    /// Takes a number in. `interval`: usual time between two messages in ms, where it is known.
    pub fn note(&mut self, number: u64, listening: i64, interval: Option<i64>) -> Step {
        let step = self.step(number, listening, interval);
        let sent = match step {
            Step::First => {
                self.hour = listening.div_euclid(HOUR);
                1
            }
            Step::Same => return step,
            Step::On(sent) | Step::Restart(sent) => sent,
        };
        (self.last, self.at) = (Some(number), self.at.max(listening));
        self.count(sent, listening);
        step
    }

    /// Messages sent and come between the first and the last number of the last 24 hours of listening.
    pub fn delivered(&self, listening: i64) -> (u64, u64) {
        let hour = listening.div_euclid(HOUR);
        let oldest = hour.max(self.hour).saturating_sub(HOURS as i64 - 1);
        let counts = (oldest..=self.hour).filter_map(|hour| self.counts.get(place_of(hour)));
        counts.fold((0, 0), |(sent, came), (more, and)| (sent + u64::from(*more), came + u64::from(*and)))
    }

    fn step(&self, number: u64, listening: i64, interval: Option<i64>) -> Step {
        let Some(last) = self.last else { return Step::First };
        if number == last {
            return Step::Same;
        }
        let elapsed = listening.saturating_sub(self.at).max(0);
        let due = interval.map(|interval| elapsed as f64 / interval.max(1) as f64);
        // A sensor may be quicker than it is thought to be, and a message may have been on its way.
        let most = due.map_or(UNTIMED, |due| 1.5 * due + 3.0);
        let on = match number.checked_sub(last) {
            Some(on) => Some(on),
            // Counters are of 8, 16 or 32 bits: the shortest that holds both numbers.
            None => [8, 16, 32]
                .into_iter()
                .map(|bits| 1_u64 << bits)
                .find(|size| last < *size)
                .map(|size| size - last + number),
        };
        match on.filter(|on| *on as f64 <= most).and_then(|on| u32::try_from(on).ok()) {
            Some(on) => Step::On(on),
            // Rounded, far inside u32 by the minimum.
            None => Step::Restart(due.map_or(1.0, |due| due.round().clamp(1.0, 1e6)) as u32),
        }
    }

    fn count(&mut self, sent: u32, listening: i64) {
        let hour = listening.div_euclid(HOUR);
        let passed = hour.saturating_sub(self.hour).clamp(0, HOURS as i64);
        for skipped in 0..passed {
            if let Some(counts) = self.counts.get_mut(place_of(hour.saturating_sub(skipped))) {
                *counts = (0, 0);
            }
        }
        self.hour = self.hour.max(hour);
        if let Some((total, came)) = self.counts.get_mut(place_of(hour)) {
            *total = total.saturating_add(u16::try_from(sent).unwrap_or(u16::MAX));
            *came = came.saturating_add(1);
        }
    }
}

fn place_of(hour: i64) -> usize {
    // 0 to 23 fits.
    hour.rem_euclid(HOURS as i64) as usize
}

/// Before an interval is learnt, so large a step is believed. Our choice.
const UNTIMED: f64 = 8.0;
