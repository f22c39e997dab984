//! A gauge that catches too little, or gives it away too slowly: its rains against those nearby, and what trickles on after.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::engine::stamp::{HOUR, Stamp};

/// The rain that falls now or fell last, and the last rains.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Catching {
    #[serde(rename = "e", skip_serializing_if = "Option::is_none")]
    event: Option<Event>,
    /// µm here and nearby of the last rains to speak of, oldest first.
    #[serde(rename = "r")]
    rains: VecDeque<(i32, i32)>,
    /// Whether heavy rains trickled on, the newest in the lowest bit; and how many there were.
    #[serde(rename = "t")]
    trickled: u8,
    #[serde(rename = "n")]
    heavy: u8,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
struct Event {
    /// The last wet hour, here or there.
    #[serde(rename = "l")]
    last: Stamp,
    /// µm.
    #[serde(rename = "h")]
    here: i32,
    #[serde(rename = "n")]
    near: i32,
    /// Something in it cannot be compared.
    #[serde(rename = "b")]
    is_blurred: bool,
    /// Hours in a row with a little rain here and none outside, the least and the most of them, µm.
    #[serde(rename = "t")]
    tail: (u8, i32, i32),
    /// A tail was long and even enough.
    #[serde(rename = "d")]
    dripped: bool,
}

/// One hour here.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RainHour {
    pub start: Stamp,
    /// Caught here, µm.
    pub here_um: i32,
    /// As at least two sites nearby had it, µm; None: not known.
    pub near_um: Option<i32>,
    /// It did not rain outside, by the neighbors or the dryness of the air; None: not known.
    pub is_dry: Option<bool>,
    /// Snow, sprinklers, quarantine, silence: nothing to be compared.
    pub is_blurred: bool,
}

/// What is found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Little {
    pub rains: usize,
    pub here_mm: f64,
    pub near_mm: f64,
}

impl Catching {
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// Takes in an hour, each once, in their order. `tip_um`: rain of one tip.
    pub fn hour(&mut self, hour: RainHour, tip_um: i32) {
        if self.event.is_some_and(|event| hour.start.since(event.last) > DRY)
            && let Some(event) = self.event.take()
        {
            self.over(&event);
        }
        let near = hour.near_um.unwrap_or(0);
        if hour.here_um <= 0 && near <= 0 {
            if let Some(event) = &mut self.event {
                event.tail.0 = 0;
            }
            return;
        }
        let event = self.event.get_or_insert_default();
        event.last = event.last.max(hour.start);
        event.is_blurred |= hour.is_blurred;
        let (before, tail) = (event.here, &mut event.tail);
        event.here = event.here.saturating_add(hour.here_um);
        event.near = event.near.saturating_add(near);
        let little = (1..=MOST_TAIL_UM).contains(&hour.here_um) && before >= HEAVY_UM;
        if hour.is_dry == Some(true) && little && !hour.is_blurred {
            let (least, most) = if tail.0 == 0 { (i32::MAX, 0) } else { (tail.1, tail.2) };
            *tail = (tail.0.saturating_add(1), least.min(hour.here_um), most.max(hour.here_um));
            // Even to a tip: what drains does so more and more slowly, in twice as long half as fast.
            let even = tail.2 <= 2 * tail.1 + tip_um;
            event.dripped |= tail.0 >= TAIL_HOURS && even && tail.2 >= 2 * tip_um;
        } else {
            tail.0 = 0;
        }
    }

    fn over(&mut self, event: &Event) {
        if event.here >= HEAVY_UM && !event.is_blurred {
            self.trickled = (self.trickled << 1) | u8::from(event.dripped);
            self.heavy = self.heavy.saturating_add(1).min(TRICKLES);
        }
        // A gauge that caught nothing at all is another matter.
        if event.near >= LEAST_UM && event.here > 0 && !event.is_blurred {
            self.rains.push_back((event.here, event.near));
            while self.rains.len() > RAINS {
                self.rains.pop_front();
            }
        }
    }

    /// Five rains or more, together less than 70 % of those nearby, and nearly each of them.
    pub fn catches_little(&self) -> Option<Little> {
        let (here, near) = self.sums(self.rains.len());
        let short = self.rains.iter().filter(|(here, near)| share(*here, *near) < FULL).count();
        let little = self.rains.len() >= LEAST_RAINS && here < LITTLE * near && short + 1 >= self.rains.len();
        little.then_some(Little { rains: self.rains.len(), here_mm: here / 1000.0, near_mm: near / 1000.0 })
    }

    /// The last three rains were whole again.
    pub fn catches_all(&self) -> bool {
        let (here, near) = self.sums(3);
        self.rains.len() >= 3 && here >= FULL * near
    }

    fn sums(&self, last: usize) -> (f64, f64) {
        let of = self.rains.iter().rev().take(last);
        of.fold((0.0, 0.0), |(here, near), rain| (here + f64::from(rain.0), near + f64::from(rain.1)))
    }

    /// Of the last five heavy rains so many trickled on, from three on.
    pub fn trickles(&self) -> Option<u32> {
        let count = (self.trickled & TRICKLE_MASK).count_ones();
        (count >= 3).then_some(count)
    }

    /// The last three heavy rains ended when they ended.
    pub fn drains(&self) -> bool {
        self.heavy >= 3 && self.trickled & 0b111 == 0
    }
}

fn share(here: i32, near: i32) -> f64 {
    f64::from(here) / f64::from(near.max(1))
}

/// A rain is over after so many dry hours, as for rain holds by default.
const DRY: i64 = 6 * HOUR;
/// Our choice, with the figures of the bar: five rains of 5 mm.
const LEAST_UM: i32 = 5_000;
const LEAST_RAINS: usize = 5;
const RAINS: usize = 8;
const LITTLE: f64 = 0.7;
const FULL: f64 = 0.85;
/// Three hours of even dripping after 5 mm, at most 2.5 mm an hour. Our choice.
const HEAVY_UM: i32 = 5_000;
const MOST_TAIL_UM: i32 = 2_500;
const TAIL_HOURS: u8 = 3;
const TRICKLES: u8 = 5;
const TRICKLE_MASK: u8 = 0b1_1111;

#[cfg(test)]
mod tests {
    use super::*;

    const TIP: i32 = 200;

    /// Rains of 2 mm an hour from 6 to 10 h on each day, of which `share` is caught; `tail` follows here.
    fn rains(catching: &mut Catching, days: std::ops::Range<i64>, share: f64, tail: &[i32]) {
        for hour in days.start * 24..days.end * 24 {
            let (start, of_day) = (Stamp(hour * HOUR), (hour % 24) as usize);
            let falls = (6..10).contains(&of_day);
            let near = if falls { 2_000 } else { 0 };
            let here = (f64::from(near) * share) as i32
                + of_day.checked_sub(10).map_or(0, |after| tail.get(after).copied().unwrap_or(0));
            let hour = RainHour { start, here_um: here, near_um: Some(near), is_dry: Some(!falls), is_blurred: false };
            catching.hour(hour, TIP);
        }
    }

    #[test]
    fn a_funnel_half_clogged_is_seen_after_five_rains_and_forgotten_after_three_whole_ones() {
        let mut catching = Catching::default();
        rains(&mut catching, 0..4, 0.5, &[]);
        assert_eq!(catching.catches_little(), None);
        rains(&mut catching, 4..5, 0.5, &[]);
        let found = catching.catches_little().unwrap();
        assert_eq!((found.rains, found.here_mm, found.near_mm), (5, 20.0, 40.0));
        rains(&mut catching, 6..10, 1.0, &[]);
        assert!(catching.catches_all());
    }

    #[test]
    fn showers_that_pass_by_are_no_clog() {
        let mut catching = Catching::default();
        for day in 0..16 {
            rains(&mut catching, day..day + 1, if day % 3 == 0 { 1.1 } else { 0.6 }, &[]);
            assert_eq!(catching.catches_little(), None, "{day}");
        }
        rains(&mut catching, 16..40, 0.8, &[]);
        assert_eq!(catching.catches_little(), None);
    }

    #[test]
    fn even_dripping_after_three_heavy_rains_is_a_slow_drain() {
        let check = |tail: &[i32], expected: Option<u32>| {
            let mut catching = Catching::default();
            rains(&mut catching, 0..3, 1.0, tail);
            assert_eq!(catching.trickles(), expected, "{tail:?}");
        };
        check(&[800, 800, 600, 600, 400], Some(3));
        check(&[600, 400], None);
        check(&[2_400, 200, 200], None);
        check(&[200, 200, 200, 200, 200], None);
        check(&[], None);
        let mut catching = Catching::default();
        rains(&mut catching, 0..4, 1.0, &[800, 800, 600]);
        rains(&mut catching, 4..8, 1.0, &[]);
        assert!(catching.drains() && catching.trickles().is_none());
    }

    #[test]
    fn what_is_kept_is_small() {
        let mut catching = Catching::default();
        rains(&mut catching, 0..100, 0.5, &[800, 800, 600]);
        assert!(rmp_serde::to_vec_named(&catching).unwrap().len() < 200);
    }
}
