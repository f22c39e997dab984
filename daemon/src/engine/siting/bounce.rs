//! A switch that bounces: every tip of the bucket counts twice, so that tips come in pairs and totals are double.

use serde::{Deserialize, Serialize};

use crate::engine::stamp::{SECOND, Stamp};

/// Tips that came together, as even and odd numbers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Bounce {
    /// The last groups, the newest in the lowest bit: 1 is even.
    #[serde(rename = "m")]
    even: u32,
    #[serde(rename = "n")]
    count: u8,
    /// Odd groups there ever were.
    #[serde(rename = "o")]
    odd: u8,
    /// The group that may still grow.
    #[serde(rename = "t")]
    tips: u16,
    #[serde(rename = "a")]
    last: Stamp,
    /// One tip is one step of what is reported.
    #[serde(rename = "s")]
    single: bool,
}

impl Bounce {
    /// `mm` were counted up to `at`, in whole tips where `single`. Two tips within two seconds are one group: no rain fills a bucket twice in that time.
    pub fn tipped(&mut self, mm: f64, tip_mm: f64, single: bool, at: Stamp) {
        let tips = mm / tip_mm;
        let whole = tips.round();
        if !(0.5..=200.0).contains(&tips) || (tips - whole).abs() > 0.1 * whole.sqrt().max(1.0) {
            return;
        }
        if self.tips > 0 && !(0..=TOGETHER).contains(&at.since(self.last)) {
            self.close();
        }
        // At most 200 at once.
        (self.tips, self.last, self.single) = (self.tips.saturating_add(whole as u16), at, single);
    }

    fn close(&mut self) {
        let is_even = self.tips.is_multiple_of(2);
        self.even = (self.even << 1) | u32::from(is_even);
        self.count = self.count.saturating_add(1).min(GROUPS);
        self.odd = self.odd.saturating_add(u8::from(!is_even));
        self.tips = 0;
    }

    fn evens(&self) -> u32 {
        (self.even & MASK).count_ones()
    }

    /// Of the last 20 groups 19 or more are even: by chance in one of 50,000 cases, where light rain tips once at a time in
    /// none. A gauge that reports a depth must have told single tips before, because its step may be two tips of the
    /// settings.
    pub fn doubles(&self) -> Option<u32> {
        let evens = self.evens();
        (self.count >= GROUPS && evens + 1 >= u32::from(GROUPS) && (self.single || self.odd >= SEEN)).then_some(evens)
    }

    /// Single tips are back.
    pub fn is_over(&self) -> bool {
        self.count >= GROUPS && self.evens() + 5 <= u32::from(GROUPS)
    }
}

/// 0.2 mm in two seconds are 360 mm an hour. Our choice.
const TOGETHER: i64 = 2 * SECOND;
const GROUPS: u8 = 20;
const MASK: u32 = (1 << GROUPS) - 1;
/// Our choice.
const SEEN: u8 = 5;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::stamp::MINUTE;

    /// `count` reports ten minutes apart, each of `tips` as one message a tip a `spacing` apart.
    fn rain(bounce: &mut Bounce, from: i64, count: i64, spacing: i64, tips: impl Fn(i64) -> i64) {
        for report in from..from + count {
            for tip in 0..tips(report) {
                bounce.tipped(0.2, 0.2, true, Stamp(report * 10 * MINUTE + tip * spacing));
            }
        }
    }

    #[test]
    fn pairs_closer_than_rain_can_be_are_a_bounce_after_twenty() {
        let mut bounce = Bounce::default();
        rain(&mut bounce, 0, 20, 300, |_| 2);
        assert_eq!(bounce.doubles(), None);
        rain(&mut bounce, 20, 1, 300, |_| 2);
        assert_eq!(bounce.doubles(), Some(20));
        rain(&mut bounce, 21, 7, 300, |_| 1);
        assert!(bounce.doubles().is_none() && bounce.is_over());
        // Reports of several tips at once, after it was heard to tip singly.
        for report in 100..122 {
            bounce.tipped(0.4 * (1 + report % 3) as f64, 0.2, false, Stamp(report * 10 * MINUTE));
        }
        assert!(bounce.doubles().is_some());
    }

    #[test]
    fn rain_and_rounded_depths_are_no_bounce() {
        let mut bounce = Bounce::default();
        rain(&mut bounce, 0, 200, 20_000, |report| 1 + report % 4);
        assert!(bounce.doubles().is_none());
        // A hundredth of an inch where the settings say 0.2 mm.
        let mut inches = Bounce::default();
        (0..100)
            .for_each(|report| inches.tipped(0.254 * (1 + report % 3) as f64, 0.2, false, Stamp(report * 10 * MINUTE)));
        assert!(inches.doubles().is_none());
    }
}
