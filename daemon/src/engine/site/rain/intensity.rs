//! How hard it rains: the rain of ten minutes as mm/h, now and at the height of the event.

use serde::{Deserialize, Serialize};

use crate::engine::stamp::{HOUR, MINUTE, Stamp};

/// Rain in slots of ten minutes (our choice: one tip in a minute is no cloudburst). Of a catch over a longer time only the
/// mean is known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Intensity {
    /// The running slot, in ten minutes since 1970, and its rain, mm.
    #[serde(rename = "s", default)]
    slot: i64,
    #[serde(rename = "m", default)]
    slot_mm: f64,
    /// Of the last catch over more than a slot, mm/h, and its end.
    #[serde(rename = "g", default)]
    long: Option<(f64, Stamp)>,
    #[serde(rename = "p", default)]
    peak: f64,
}

impl Intensity {
    /// Nothing has rained yet.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// Adds `mm` that fell from `from` to `to`. `same_event`: the rain before belongs to it.
    pub fn add(&mut self, mm: f64, from: Stamp, to: Stamp, same_event: bool) {
        if !(mm > 0.0 && mm.is_finite()) {
            return;
        }
        if !same_event {
            *self = Self::default();
        }
        let span = to.since(from);
        if span > SLOT {
            let rate = mm * HOUR as f64 / span as f64;
            self.long = Some((rate, to));
            self.peak = self.peak.max(rate);
            return;
        }
        let slot = to.plus(-1).0.div_euclid(SLOT);
        if slot > self.slot {
            (self.slot, self.slot_mm) = (slot, 0.0);
        }
        if slot == self.slot {
            self.slot_mm += mm;
            self.peak = self.peak.max(self.slot_mm * (HOUR / SLOT) as f64);
        }
    }

    /// Of the last ten minutes for which something is known, mm/h; 0 when that is over.
    pub fn now(&self, now: Stamp) -> f64 {
        let slot = now.0.div_euclid(SLOT);
        let of_slot = if slot - self.slot <= 1 { self.slot_mm * (HOUR / SLOT) as f64 } else { 0.0 };
        let of_long = self.long.filter(|(_, to)| now.since(*to) < SLOT).map_or(0.0, |(rate, _)| rate);
        of_slot.max(of_long)
    }

    /// The highest of the last event, mm/h.
    pub fn peak(&self) -> f64 {
        self.peak
    }
}

const SLOT: i64 = 10 * MINUTE;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_minutes_of_tips_make_an_intensity_and_one_tip_alone_is_no_cloudburst() {
        let mut rain = Intensity::default();
        let at = |minute: i64| Stamp(minute * MINUTE);
        for minute in 1..=10 {
            rain.add(0.2, at(minute - 1), at(minute), minute > 1);
        }
        assert!((rain.now(at(10)) - 12.0).abs() < 1e-9);
        rain.add(0.2, at(10), at(11), true);
        assert!((rain.now(at(11)) - 1.2).abs() < 1e-9 && (rain.peak() - 12.0).abs() < 1e-9);
        assert_eq!(rain.now(at(31)), 0.0);
        // A night's total is known as a mean, and a new event has its own height.
        rain.add(6.0, at(1000), at(1180), false);
        assert!((rain.peak() - 2.0).abs() < 1e-9 && (rain.now(at(1181)) - 2.0).abs() < 1e-9);
    }
}
