//! What a link's missing messages teach: how many of them may be missing in a row before that means anything.
//!
//! Two estimates, of which the larger counts. For losses that come one by one, the fewest in a row that happen by chance
//! less often than wanted. For losses that come in bursts, the tail of the runs that were seen, taken as geometric: so long
//! are the runs of a channel that is now good, now bad (Gilbert, 1960; Elliott, 1963).

use serde::{Deserialize, Serialize};

use super::super::super::stamp::{DAY, HOUR};

/// Messages of a link that came and that did not, with older ones counting less.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Losses {
    #[serde(rename = "r", default)]
    received: f32,
    #[serde(rename = "l", default)]
    lost: f32,
    /// Runs of at least [`RUN`] missing messages.
    #[serde(rename = "n", default)]
    runs: f32,
    /// What they were longer than that, in sum.
    #[serde(rename = "b", default)]
    beyond: f32,
    /// What the longest of them was longer.
    #[serde(rename = "m", default)]
    longest: f32,
}

impl Losses {
    /// A message came after `missed` others did not. A run teaches at most twice what is `allowed` now, so that one
    /// outage of something else is not taken for the nature of the link; many of them are.
    pub fn note(&mut self, missed: u32, allowed: u16) {
        self.received += 1.0;
        if missed == 0 {
            return;
        }
        let length = missed.min(2 * u32::from(allowed.max(LEAST))) as f32;
        self.lost += length;
        if length >= RUN {
            let beyond = length - RUN;
            self.runs += 1.0;
            self.beyond += beyond;
            self.longest = self.longest.max(beyond);
        }
    }

    /// Lets `hours` pass.
    pub fn forget(&mut self, hours: i64) {
        let share = (-(hours.max(0) as f32) / MEMORY_HOURS).exp();
        for sum in [&mut self.received, &mut self.lost, &mut self.runs, &mut self.beyond, &mut self.longest] {
            *sum *= share;
        }
    }

    /// How many messages in a row may be missing at an `interval` in ms, for at most `per_year` false alarms: at least
    /// [`LEAST`].
    pub fn allowed(&self, interval: i64, per_year: f64) -> u16 {
        // One message more of each kind: little is known of a link that has said little.
        let share = f64::from((self.lost + 1.0) / (self.received + self.lost + 2.0));
        let alone = least_missing(interval, share, per_year, LEAST);
        alone.max(self.allowed_in_bursts(interval, per_year))
    }

    fn allowed_in_bursts(&self, interval: i64, per_year: f64) -> u16 {
        // The longest run may be anything; the others say what is usual.
        let (runs, beyond) = (f64::from(self.runs - 1.0), f64::from(self.beyond - self.longest).max(0.0));
        if runs < 0.5 {
            return 0;
        }
        let mean = (beyond + FIRST_RUNS * FIRST_BEYOND) / (runs + FIRST_RUNS) * (1.0 + CAUTION / runs.sqrt());
        let goes_on = mean / (1.0 + mean);
        let often = slots_per_year(interval) * (runs + 1.0) / f64::from((self.received + self.lost).max(1.0));
        let more = (often / per_year.max(LEAST_PER_YEAR)).ln() / -goes_on.ln();
        // Far inside u16 by the clamp.
        (f64::from(RUN) + more).ceil().clamp(0.0, f64::from(MOST)) as u16
    }
}

/// The fewest messages in a row, at least `least`, that are missing by chance at most `per_year` times a year, where each is
/// lost with the odds `share` (0 to 1) and one comes every `interval` ms. At most 1,000.
///
/// In a year of n messages a run of at least k missing ones begins n (1 − p) p^k times.
pub fn least_missing(interval: i64, share: f64, per_year: f64, least: u16) -> u16 {
    let share = share.clamp(1e-9, 0.999);
    let often = slots_per_year(interval) * (1.0 - share) / per_year.max(LEAST_PER_YEAR);
    // Less a hair: what is met exactly is met.
    let missing = (often.ln() / -share.ln() - 1e-9).ceil().clamp(0.0, f64::from(MOST));
    (missing as u16).max(least)
}

fn slots_per_year(interval: i64) -> f64 {
    365.25 * DAY as f64 / interval.max(1) as f64
}

/// Fewer in a row are no alarm however good the link is: tests/vectors/link_cases.json, `floor`.
pub const LEAST: u16 = 3;
/// Runs from here on say how long the longer ones are. Our choice.
const RUN: f32 = 3.0;
/// Bounds what odd settings and links can bring.
const MOST: u16 = 1_000;
const LEAST_PER_YEAR: f64 = 1e-3;
/// A month's losses count, older ones fade. Our choice, hours.
const MEMORY_HOURS: f32 = 30.0 * (DAY / HOUR) as f32;
/// What is supposed of the runs before many were seen: as if so many had been so much longer than [`RUN`]. Our choice.
const FIRST_RUNS: f64 = 2.0;
const FIRST_BEYOND: f64 = 2.0;
/// Few runs say little about how long they can be: their mean is taken for larger by this over the root of their number.
/// Our choice.
const CAUTION: f64 = 0.5;
