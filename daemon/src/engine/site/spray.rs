//! A sprinkler on the gauge: what fell when, and which showers come with the water or by the clock.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::engine::stamp::{HOUR, MINUTE, Stamp};

/// What one gauge tipped lately, and the showers of the last weeks that a sprinkler may have made.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Spray {
    /// Tips of the last hours: from, to, µm. Oldest first.
    #[serde(rename = "t")]
    tips: VecDeque<(Stamp, Stamp, i32)>,
    /// Oldest first, one a day and time.
    #[serde(rename = "s")]
    showers: Vec<Shower>,
    /// The gauge is known to be sprayed.
    #[serde(rename = "k")]
    pub known: bool,
    /// When the last fall that was looked at whole was over.
    #[serde(rename = "j")]
    pub judged: Option<Stamp>,
    /// Runs since then that left it dry.
    #[serde(rename = "d")]
    pub dry_runs: u8,
}

/// A short, steady fall of water on a gauge that was dry before and after.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shower {
    /// Days since 0001-01-01, local.
    #[serde(rename = "d")]
    pub day: i32,
    /// Local minute of the day at which it began, and how long it lasted, minutes.
    #[serde(rename = "m")]
    pub minute: u16,
    #[serde(rename = "l")]
    pub length: u16,
    /// Tenths of mm/h over its time.
    #[serde(rename = "i", default)]
    pub rate: u16,
    /// It fell within a reported run.
    #[serde(rename = "r")]
    pub in_run: bool,
}

/// Tips in one go.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fall {
    pub from: Stamp,
    pub to: Stamp,
    pub mm: f64,
}

impl Fall {
    /// As sprinklers water: 10 to 40 mm/h over no longer than three hours. A gauge that reports every few minutes spreads the
    /// edges, so that the bounds are taken with the reports' length `interval`.
    pub fn is_steady(&self, interval: i64) -> bool {
        let longest = self.to.since(self.from).max(MINUTE);
        let shortest = (longest - interval).max(MINUTE);
        let rate = |span: i64| self.mm * HOUR as f64 / span as f64;
        LEAST_MM <= self.mm && longest <= LONGEST && rate(longest) <= STEADY.1 && STEADY.0 <= rate(shortest)
    }
}

impl Spray {
    /// Notes tips that fell from `from` to `to`.
    pub fn tipped(&mut self, from: Stamp, to: Stamp, um: i32) {
        while self.tips.front().is_some_and(|(_, end, _)| to.since(*end) > KEPT) || self.tips.len() >= MOST_TIPS {
            self.tips.pop_front();
        }
        match self.tips.back_mut() {
            // Never across a quarter of an hour: what goes together lies in one bin of the day book.
            Some((start, end, sum)) if to.since(*start) <= TIPS_TOGETHER && quarter(*end) == quarter(to) => {
                (*end, *sum) = ((*end).max(to), sum.saturating_add(um));
            }
            _ => self.tips.push_back((from, to, um)),
        }
    }

    /// Tips as (time within, µm) that fell at some time for which `is` says so.
    pub fn pieces(&self, is: impl Fn(Stamp, Stamp) -> bool) -> Vec<(Stamp, i32)> {
        self.tips.iter().filter(|(from, to, _)| is(*from, *to)).map(|(_, to, um)| (to.plus(-1), *um)).collect()
    }

    /// Mm of the tips for which `is` says so.
    pub fn mm(&self, is: impl Fn(Stamp, Stamp) -> bool) -> f64 {
        self.pieces(is).iter().map(|(_, um)| i64::from(*um)).sum::<i64>() as f64 / 1000.0
    }

    /// The last tips with no dry time of half an hour in them, and dry for an hour before.
    pub fn last_fall(&self) -> Option<Fall> {
        let mut tips = self.tips.iter().rev();
        let &(mut from, to, um) = tips.next()?;
        let mut sum = i64::from(um);
        for &(start, end, um) in tips {
            match from.since(end) {
                gap if gap <= HOUR / 2 => (from, sum) = (start, sum + i64::from(um)),
                gap if gap < HOUR => return None,
                _ => break,
            }
        }
        Some(Fall { from, to, mm: sum as f64 / 1000.0 })
    }

    /// When the last fall has been over for an hour, and is known whole.
    pub fn over_at(&self) -> Option<Stamp> {
        self.tips.back().map(|(_, to, _)| to.plus(HOUR))
    }

    /// Takes out tips that were quarantined or discarded: they are no rain to compare with.
    pub fn forget(&mut self, is: impl Fn(Stamp, Stamp) -> bool) {
        self.tips.retain(|(from, to, _)| !is(*from, *to));
    }

    /// Notes a shower. Says on how many days within the last weeks a shower was like it (same time of day within 15
    /// minutes, or with `in_run` any within a run, and nearly the same rate), this one counted.
    pub fn shower(&mut self, shower: Shower) -> usize {
        self.showers.retain(|known| (0..WITHIN_DAYS).contains(&(shower.day - known.day)));
        if !self.showers.iter().any(|known| known.day == shower.day && near(known.minute, shower.minute)) {
            self.showers.push(shower);
        }
        if self.showers.len() > MOST_SHOWERS {
            self.showers.remove(0);
        }
        let when = |known: &Shower| if shower.in_run { known.in_run } else { near(known.minute, shower.minute) };
        let alike = self.showers.iter().filter(|known| when(known) && alike(known.rate, shower.rate));
        let mut days: Vec<i32> = alike.map(|known| known.day).collect();
        days.dedup();
        days.len()
    }

    /// True where a known shower would fall at this local minute of the day.
    pub fn expects(&self, minute: u16) -> bool {
        let since = |begun: u16| (i32::from(minute) - i32::from(begun) + CLOCK).rem_euclid(DAY_MINUTES);
        self.known && self.showers.iter().any(|shower| since(shower.minute) <= i32::from(shower.length) + 2 * CLOCK)
    }

    /// The sprinkler came again on local day `day`.
    pub fn seen(&mut self, day: i32) {
        if let Some(last) = self.showers.last_mut() {
            last.day = last.day.max(day);
        }
    }

    /// True where the sprinkler has not been seen for weeks before local day `day`.
    pub fn is_past(&self, day: i32) -> bool {
        self.known && self.showers.iter().all(|shower| day - shower.day >= WITHIN_DAYS)
    }

    /// Nothing is left to remember.
    pub fn is_empty(&self) -> bool {
        self.tips.is_empty() && self.showers.is_empty() && !self.known
    }

    /// The wall clock went back to `now`.
    pub fn clock_stepped(&mut self, now: Stamp) {
        self.tips.iter_mut().for_each(|(from, to, _)| (*from, *to) = ((*from).min(now), (*to).min(now)));
    }
}

fn quarter(at: Stamp) -> i64 {
    at.plus(-1).0.div_euclid(15 * MINUTE)
}

fn near(one: u16, other: u16) -> bool {
    let apart = (i32::from(one) - i32::from(other)).rem_euclid(DAY_MINUTES);
    apart.min(DAY_MINUTES - apart) <= CLOCK
}

/// A sprinkler has one rate; what differs comes from the edges of reports. Our choice.
fn alike(one: u16, other: u16) -> bool {
    let (less, more) = (u32::from(one.min(other)), u32::from(one.max(other)));
    2 * more <= 3 * less
}

const DAY_MINUTES: i32 = 24 * 60;

/// The same time of day, minutes. Our choice.
const CLOCK: i32 = 15;

/// mm/h of sprinklers: common practice is 10 for rotors to 40 for sprays.
const STEADY: (f64, f64) = (10.0, 40.0);

/// Our choice: five tips; three hours.
const LEAST_MM: f64 = 1.0;
const LONGEST: i64 = 3 * HOUR;

/// Tips are remembered this long: a bridge reports a run within it. Our choice.
const KEPT: i64 = 6 * HOUR;
const TIPS_TOGETHER: i64 = 5 * MINUTE;
const MOST_TIPS: usize = 48;

/// Showers are compared over three weeks. Our choice.
const WITHIN_DAYS: i32 = 22;
const MOST_SHOWERS: usize = 8;

#[cfg(test)]
mod tests {
    use super::*;

    fn minute(minute: i64) -> Stamp {
        Stamp(minute * MINUTE)
    }

    #[test]
    fn three_days_at_one_time_are_alike_and_other_times_are_not() {
        let mut spray = Spray::default();
        let at = |day, minute| Shower { day, minute, length: 23, rate: 170 + day as u16, in_run: false };
        for (shower, days) in [
            (at(1, 120), 1),
            (at(1, 121), 1),
            (at(2, 400), 1),
            (at(3, 131), 2),
            (at(5, 118), 3),
            (at(9, 1_435), 1),
            (at(10, 2), 2),
        ] {
            assert_eq!(spray.shower(shower), days, "{shower:?}");
        }
        let cloudburst = Shower { rate: 900, ..at(11, 120) };
        assert_eq!(spray.shower(cloudburst), 1, "at the same time, but no sprinkler's rate");
        assert_eq!(spray.shower(at(60, 120)), 1, "weeks later nothing is left");
    }

    #[test]
    fn a_steady_fall_is_neither_drizzle_nor_cloudburst() {
        for (minutes, mm, steady) in
            [(23, 6.8, true), (30, 6.8, true), (60, 3.0, false), (10, 20.0, false), (20, 0.6, false)]
        {
            let fall = Fall { from: minute(0), to: minute(minutes), mm };
            assert_eq!(fall.is_steady(5 * MINUTE), steady, "{mm} mm in {minutes} min");
        }
    }

    #[test]
    fn the_last_fall_is_only_known_where_it_was_dry_before() {
        let mut spray = Spray::default();
        for (from, to) in [(0, 10), (200, 210), (210, 220), (220, 230)] {
            spray.tipped(minute(from), minute(to), 1_000);
        }
        assert_eq!(spray.last_fall(), Some(Fall { from: minute(200), to: minute(230), mm: 3.0 }));
        spray.tipped(minute(270), minute(280), 1_000);
        assert_eq!(spray.last_fall(), None);
        assert!((spray.mm(|_, to| to <= minute(220)) - 3.0).abs() < 1e-9);
    }

    #[test]
    fn memory_is_bounded_in_any_weather() {
        let mut spray = Spray::default();
        for step in 0..10_000i32 {
            spray.tipped(minute(i64::from(step)), minute(i64::from(step) + 1), 200);
            spray.shower(Shower {
                day: step,
                minute: (step * 37 % 1_440) as u16,
                length: 10,
                rate: 99,
                in_run: step % 2 == 0,
            });
        }
        let bytes = rmp_serde::to_vec_named(&spray).unwrap();
        assert!(bytes.len() < 1_500, "{}", bytes.len());
        assert_eq!(rmp_serde::from_slice::<Spray>(&bytes).unwrap(), spray);
    }
}
