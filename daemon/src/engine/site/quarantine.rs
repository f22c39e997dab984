//! Rain under doubt, piece by piece: tips that count but are watched, and tips that wait in quarantine for a person or for
//! the end of their time.

use serde::{Deserialize, Serialize};

use super::knock::Evidence;
use crate::engine::stamp::{HOUR, MINUTE, SECOND, Stamp};

/// Why rain is doubted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Cause {
    /// Hands, an animal or the wind moved the gauge.
    #[serde(rename = "k")]
    Knock,
    /// A sprinkler reaches it.
    #[serde(rename = "s")]
    Spray,
    /// The counter jumped by more than can fall.
    #[serde(rename = "j")]
    Jump,
}

/// Tips that belong together, of one gauge.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Doubt {
    #[serde(rename = "c")]
    pub cause: Cause,
    /// False: it counts while it is watched. True: it waits outside the totals.
    #[serde(rename = "q", default)]
    pub quarantined: bool,
    /// First and last tip.
    #[serde(rename = "f")]
    pub first: Stamp,
    #[serde(rename = "l")]
    pub last: Stamp,
    /// Reports with tips.
    #[serde(rename = "n", default)]
    pub reports: u16,
    /// Reports in a row less than a second after the one before.
    #[serde(rename = "b", default)]
    pub in_a_breath: u16,
    #[serde(rename = "e", default)]
    pub evidence: Evidence,
    /// Soil moisture at the first tip, %.
    #[serde(rename = "s", default)]
    pub soil_percent: Option<f32>,
    /// What it put into the day book: a time within the bin, µm.
    #[serde(rename = "p", default)]
    pieces: Vec<(Stamp, i32)>,
}

impl Doubt {
    pub fn new(cause: Cause, first: Stamp, at: Stamp) -> Self {
        Self {
            cause,
            quarantined: false,
            first,
            last: at,
            reports: 0,
            in_a_breath: 0,
            evidence: Evidence::default(),
            soil_percent: None,
            pieces: Vec::new(),
        }
    }

    /// A report with tips at `at`.
    pub fn tipped(&mut self, at: Stamp) {
        let near = self.reports > 0 && at.since(self.last).abs() < SECOND;
        self.in_a_breath = if near { self.in_a_breath.saturating_add(1) } else { self.in_a_breath };
        self.last = self.last.max(at);
        self.reports = self.reports.saturating_add(1);
    }

    /// Notes what was put into the bin that holds `at`.
    pub fn add(&mut self, at: Stamp, um: i32) {
        let hour = |at: Stamp| at.0.div_euclid(HOUR / 4);
        match self.pieces.iter_mut().find(|(known, _)| hour(*known) == hour(at)) {
            Some((_, sum)) => *sum = sum.saturating_add(um),
            None => self.pieces.push((at, um)),
        }
        if self.pieces.len() > MOST_PIECES {
            self.pieces.remove(0);
        }
    }

    pub fn pieces(&self) -> &[(Stamp, i32)] {
        &self.pieces
    }

    pub fn mm(&self) -> f64 {
        self.pieces.iter().map(|(_, um)| i64::from(*um)).sum::<i64>() as f64 / 1000.0
    }

    /// True where a tip at `at` belongs to it.
    pub fn goes_on(&self, at: Stamp) -> bool {
        (-HOUR..=TOGETHER).contains(&at.since(self.last))
    }

    /// True where the tips went on as rain does.
    pub fn continues(&self) -> bool {
        self.reports >= 3 && self.last.since(self.first) >= 20 * MINUTE
    }

    /// The wall clock went back to `now`.
    pub fn clock_stepped(&mut self, now: Stamp) {
        (self.first, self.last) = (self.first.min(now), self.last.min(now));
    }
}

/// Tips further apart than this are two matters. Our choice.
pub const TOGETHER: i64 = HOUR;

/// Quarters of an hour that one doubt can span; what is older has left the day book.
const MOST_PIECES: usize = 320;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tips_of_a_minute_are_one_piece_and_nothing_is_lost() {
        let mut doubt = Doubt::new(Cause::Knock, Stamp(0), Stamp(0));
        for tip in 0..9 {
            let at = Stamp(tip * 400);
            doubt.tipped(at);
            doubt.add(at, 200);
        }
        assert_eq!((doubt.pieces().len(), doubt.reports, doubt.in_a_breath), (1, 9, 8));
        assert!((doubt.mm() - 1.8).abs() < 1e-9);
        assert!(!doubt.continues());
        assert!(doubt.goes_on(Stamp(HOUR)) && !doubt.goes_on(Stamp(2 * HOUR)));
    }

    #[test]
    fn rain_without_end_keeps_a_bounded_memory_and_an_old_state_is_read() {
        let mut doubt = Doubt::new(Cause::Jump, Stamp(0), Stamp(0));
        for step in 0..10_000 {
            doubt.add(Stamp(step * 5 * MINUTE), 200);
        }
        assert!(doubt.pieces().len() <= MOST_PIECES);
        let old = r#"{"c":"k","f":5,"l":6}"#;
        let read: Doubt = serde_json::from_str(old).unwrap();
        assert_eq!(read, Doubt { first: Stamp(5), last: Stamp(6), ..Doubt::new(Cause::Knock, Stamp(0), Stamp(0)) });
    }
}
