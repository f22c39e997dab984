//! The day book: hour bins of the last days. Every daily figure is a pure function of them, so that lateness, revision and
//! discard are one mechanism.
//!
//! A bin is a UTC hour, cut in two where a civil day begins inside it (zones with half hours), so that every bin lies in
//! exactly one civil day.

mod packed;

use std::collections::VecDeque;

use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

pub(super) use packed::Bytes;

use super::neighborhood::Neighborhood;
use crate::engine::civil;
use crate::engine::reading::Quantity;
use crate::engine::stamp::{HOUR, MINUTE, SECOND, Stamp};

/// How long bins are kept: a civil day of 25 h, 48 h of lateness and two hours for what crosses the edges.
pub const KEPT: i64 = 75 * HOUR;

/// Hour bins in order of time, at most [`KEPT`] deep.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct DayBook {
    #[serde(with = "packed")]
    bins: VecDeque<Bin>,
    /// What sites nearby measured where this one did not.
    #[serde(rename = "nh", default, skip_serializing_if = "Neighborhood::is_empty")]
    pub neighborhood: Neighborhood,
}

/// What the hour bins keep means of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Averaged {
    Temperature,
    Humidity,
    DewPoint,
    Wind,
    Sun,
}

impl Averaged {
    pub const COUNT: usize = 5;
    pub const ALL: [Self; Self::COUNT] = [Self::Temperature, Self::Humidity, Self::DewPoint, Self::Wind, Self::Sun];

    pub fn of(quantity: Quantity) -> Option<Self> {
        match quantity {
            Quantity::AirTemperature => Some(Self::Temperature),
            Quantity::RelativeHumidity => Some(Self::Humidity),
            Quantity::DewPointTemperature => Some(Self::DewPoint),
            Quantity::WindSpeed => Some(Self::Wind),
            Quantity::SurfaceDownwellingShortwaveFlux => Some(Self::Sun),
            _ => None,
        }
    }
}

/// Where rain in the book goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Move {
    IntoQuarantine,
    /// Out of quarantine, to count.
    IntoTotals,
    /// Out of quarantine, for good.
    Discard,
    /// Rain that counted, for good.
    OutOfTotals,
}

/// Sum and number of readings, and how many seconds of the bin they speak for.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sum {
    pub sum: f32,
    /// The highest bit says that one of them was suspect: memory counts, and no hour has so many readings.
    counted: u16,
    pub covered_seconds: u16,
}

impl Sum {
    pub fn count(self) -> u16 {
        self.counted & !SUSPECT
    }

    pub fn mean(self) -> Option<f64> {
        (self.count() > 0).then(|| f64::from(self.sum) / f64::from(self.count()))
    }

    /// One of the readings was suspect.
    pub fn is_suspect(self) -> bool {
        self.counted & SUSPECT != 0
    }

    fn add(&mut self, value: f32, seconds: u16) {
        self.sum += value;
        if self.count() < SUSPECT - 1 {
            self.counted += 1;
        }
        self.covered_seconds = self.covered_seconds.saturating_add(seconds);
    }
}

const SUSPECT: u16 = 1 << 15;

/// One hour, or the part of an hour that lies in one civil day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bin {
    pub start: Stamp,
    pub minutes: u8,
    pub sums: [Sum; Averaged::COUNT],
    pub coldest: f32,
    pub warmest: f32,
    /// Rain that counts and rain that waits for a judgment, in micrometers so that sums are exact.
    pub rain_um: i32,
    pub quarantined_um: i32,
    /// Rain fell at an unknown time within a gap and was spread.
    pub spread: bool,
    /// A gauge spoke for this bin, be it to say 0.
    pub gauge_heard: bool,
    /// The gauge caught something below 1 °C: it may be snow, or what melted in the funnel.
    pub frozen: bool,
}

impl Bin {
    pub fn end(&self) -> Stamp {
        self.start.plus(i64::from(self.minutes) * MINUTE)
    }

    pub fn sum(&self, averaged: Averaged) -> Sum {
        self.sums[averaged as usize]
    }

    /// Share of the bin that the readings speak for, 0–1.
    pub fn coverage(&self, averaged: Averaged) -> f64 {
        let length = f64::from(self.minutes) * 60.0;
        (f64::from(self.sum(averaged).covered_seconds) / length.max(1.0)).min(1.0)
    }

    fn empty(start: Stamp, minutes: u8) -> Self {
        Self {
            start,
            minutes,
            sums: [Sum::default(); Averaged::COUNT],
            coldest: f32::INFINITY,
            warmest: f32::NEG_INFINITY,
            rain_um: 0,
            quarantined_um: 0,
            spread: false,
            gauge_heard: false,
            frozen: false,
        }
    }
}

impl DayBook {
    /// Counts a reading of `value` at `at`, which speaks for the `covered` milliseconds up to it. False when `at` is too
    /// old for the book.
    pub fn add(&mut self, zone: Tz, averaged: Averaged, value: f64, at: Stamp, covered: i64) -> bool {
        let Some(bin) = self.bin(zone, at) else { return false };
        let seconds = u16::try_from((covered / SECOND).clamp(0, 3600)).unwrap_or(3600);
        bin.sums[averaged as usize].add(value as f32, seconds);
        if averaged == Averaged::Temperature {
            bin.coldest = bin.coldest.min(value as f32);
            bin.warmest = bin.warmest.max(value as f32);
        }
        true
    }

    /// Spreads `mm` of rain over the time from `from` to `to` in proportion to the time in each bin; a fall within one
    /// reporting interval lands in the bin of `to`. False when `to` is too old for the book: nothing is counted.
    pub fn add_rain(&mut self, zone: Tz, mm: f64, quarantined: bool, from: Stamp, to: Stamp, interval: i64) -> bool {
        let total = micrometers(mm);
        if to.since(from) <= interval.max(SPREAD_FROM) {
            // What was measured up to a full hour fell in the hour that ends there.
            let Some(bin) = self.bin(zone, to.plus(-1)) else { return false };
            bin.pour(total, quarantined);
            return true;
        }
        // Oldest bin that can still be had: what fell before it is counted there, so that no rain is lost.
        let from = from.max(to.plus(-(KEPT - 2 * HOUR)));
        if self.bin(zone, to).is_none() {
            return false;
        }
        let mut starts = Vec::new();
        let mut at = from;
        while at < to {
            let Some(bin) = self.bin(zone, at) else { break };
            starts.push((at, bin.end().min(to)));
            at = bin.end();
        }
        let whole = to.since(from).max(1);
        let mut given = 0i64;
        for (index, &(start, end)) in starts.iter().enumerate() {
            // What is due up to here less what was given: rounding never adds up.
            let due =
                if index + 1 == starts.len() { i64::from(total) } else { i64::from(total) * end.since(from) / whole };
            let share = due - given;
            given = due;
            if let Some(bin) = self.bin(zone, start) {
                bin.pour(i32::try_from(share).unwrap_or(0), quarantined);
                bin.spread = true;
            }
        }
        true
    }

    /// A gauge spoke at `at`.
    pub fn gauge_heard(&mut self, zone: Tz, at: Stamp) {
        if let Some(bin) = self.bin(zone, at) {
            bin.gauge_heard = true;
        }
    }

    /// The gauge's word for the bins that start in [`from`, `to`) is not believed.
    pub fn gauge_unheard(&mut self, from: Stamp, to: Stamp) {
        let first = self.bins.partition_point(|bin| bin.start < from);
        let bins = self.bins.range_mut(first..);
        bins.take_while(|bin| bin.start < to).for_each(|bin| bin.gauge_heard = false);
    }

    /// The gauge's word for the bins that start in [`from`, `to`) is believed after all.
    pub fn gauge_spoke(&mut self, from: Stamp, to: Stamp) {
        let first = self.bins.partition_point(|bin| bin.start < from);
        let bins = self.bins.range_mut(first..);
        bins.take_while(|bin| bin.start < to).for_each(|bin| bin.gauge_heard = true);
    }

    /// A reading of the hour of `at` was suspect: it counts here, but others should not build on the hour.
    pub fn doubt(&mut self, zone: Tz, averaged: Averaged, at: Stamp) {
        if let Some(bin) = self.bin(zone, at) {
            bin.sums[averaged as usize].counted |= SUSPECT;
        }
    }

    /// What the gauge caught up to `at` fell below 1 °C.
    pub fn gauge_frozen(&mut self, zone: Tz, at: Stamp) {
        if let Some(bin) = self.bin(zone, at.plus(-1)) {
            bin.frozen = true;
        }
    }

    /// Bins that lie in [`from`, `to`): those that start in it.
    pub fn between(&self, from: Stamp, to: Stamp) -> impl Iterator<Item = &Bin> {
        let first = self.bins.partition_point(|bin| bin.start < from);
        self.bins.range(first..).take_while(move |bin| bin.start < to)
    }

    /// Rain that counts in bins that start in [`from`, `to`), mm.
    pub fn rain_mm(&self, from: Stamp, to: Stamp) -> f64 {
        self.between(from, to).map(|bin| i64::from(bin.rain_um)).sum::<i64>() as f64 / 1000.0
    }

    /// Moves all quarantined rain of the book out of quarantine: into the totals, or away. Returns mm and the
    /// starts of the bins touched.
    pub fn settle_quarantine(&mut self, into_totals: bool) -> (f64, Vec<Stamp>) {
        let (mut moved, mut touched) = (0i64, Vec::new());
        for bin in &mut self.bins {
            if bin.quarantined_um != 0 {
                moved += i64::from(bin.quarantined_um);
                touched.push(bin.start);
                if into_totals {
                    bin.rain_um = bin.rain_um.saturating_add(bin.quarantined_um);
                }
                bin.quarantined_um = 0;
            }
        }
        (moved as f64 / 1000.0, touched)
    }

    /// Moves up to `um` µm of rain in the bin that holds `at`. Returns how much there was to move.
    pub fn shift(&mut self, at: Stamp, um: i32, to: Move) -> i32 {
        let position = self.bins.partition_point(|bin| bin.start <= at);
        let Some(bin) = position.checked_sub(1).and_then(|last| self.bins.get_mut(last)) else { return 0 };
        if bin.end() <= at {
            return 0;
        }
        let from = match to {
            Move::IntoQuarantine | Move::OutOfTotals => &mut bin.rain_um,
            Move::IntoTotals | Move::Discard => &mut bin.quarantined_um,
        };
        let moved = um.clamp(0, (*from).max(0));
        *from -= moved;
        match to {
            Move::IntoQuarantine => bin.quarantined_um = bin.quarantined_um.saturating_add(moved),
            Move::IntoTotals => bin.rain_um = bin.rain_um.saturating_add(moved),
            Move::OutOfTotals | Move::Discard => {}
        }
        moved
    }

    /// Start of the oldest time that can still be written, given the newest bin.
    pub fn oldest(&self) -> Option<Stamp> {
        self.bins.back().map(|newest| newest.start.plus(-KEPT))
    }

    /// The bin of `at`, made if need be. None when `at` is more than [`KEPT`] before the newest bin.
    fn bin(&mut self, zone: Tz, at: Stamp) -> Option<&mut Bin> {
        let position = match self.bins.back() {
            Some(last) if last.start <= at => self.bins.len(),
            _ => self.bins.partition_point(|bin| bin.start <= at),
        };
        if position > 0 && self.bins.get(position - 1).is_some_and(|bin| at < bin.end()) {
            return self.bins.get_mut(position - 1);
        }
        if self.oldest().is_some_and(|oldest| at < oldest) {
            return None;
        }
        let (start, minutes) = bin_of(zone, at);
        if self.bins.len() == self.bins.capacity() {
            // Doubling would keep half of the memory of a full book idle, and bins are most of a site's.
            self.bins.reserve_exact(GROWS_BY);
        }
        self.bins.insert(position, Bin::empty(start, minutes));
        let oldest = self.oldest()?;
        let mut position = position;
        while self.bins.front().is_some_and(|first| first.start < oldest) && position > 0 {
            self.bins.pop_front();
            position -= 1;
        }
        self.bins.get_mut(position)
    }
}

impl Bin {
    fn pour(&mut self, um: i32, quarantined: bool) {
        let into = if quarantined { &mut self.quarantined_um } else { &mut self.rain_um };
        *into = into.saturating_add(um);
        self.gauge_heard = true;
    }
}

/// Bins that a full book makes room for at once: six times make 78, and a full book has 76 or 77.
const GROWS_BY: usize = 13;

/// Where a reading at `at` that speaks for the `covered` milliseconds before it is counted: a mean over a long time belongs
/// to its middle, not to the hour that begins when it ends.
pub fn counted_at(at: Stamp, covered: i64) -> Stamp {
    if covered > SPREAD_FROM { at.plus(-covered / 2) } else { at }
}

/// Millimeters as whole micrometers, saturating at ±2 km.
pub fn micrometers(mm: f64) -> i32 {
    (mm * 1000.0).round().clamp(f64::from(i32::MIN), f64::from(i32::MAX)) as i32
}

/// Start and length in minutes of the bin that holds `at`.
fn bin_of(zone: Tz, at: Stamp) -> (Stamp, u8) {
    let hour = civil::hour_start(at);
    let last_date = civil::date(zone, hour.plus(HOUR - 1));
    if civil::date(zone, hour) == last_date {
        return (hour, 60);
    }
    let midnight = civil::day_start(zone, last_date);
    let before = u8::try_from(midnight.since(hour) / MINUTE).unwrap_or(30).clamp(1, 59);
    if at < midnight { (hour, before) } else { (midnight, 60 - before) }
}

/// Rain between two reports closer together than this is not spread, and a reading that speaks for no longer stands where
/// it was taken. Our choice.
pub const SPREAD_FROM: i64 = 30 * MINUTE;

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Stamp {
        Stamp::from(text.parse::<chrono::DateTime<chrono::Utc>>().unwrap())
    }

    #[test]
    fn a_bin_is_cut_where_a_civil_day_begins_inside_an_hour() {
        let kathmandu: Tz = "Asia/Kathmandu".parse().unwrap(); // UTC+05:45, midnight at 18:15Z
        assert_eq!(bin_of(kathmandu, at("2027-06-01T18:10:00Z")), (at("2027-06-01T18:00:00Z"), 15));
        assert_eq!(bin_of(kathmandu, at("2027-06-01T18:15:00Z")), (at("2027-06-01T18:15:00Z"), 45));
        assert_eq!(bin_of(kathmandu, at("2027-06-01T19:59:59Z")), (at("2027-06-01T19:00:00Z"), 60));
    }

    #[test]
    fn rain_over_a_gap_is_spread_by_time_and_nothing_is_lost() {
        let mut book = DayBook::default();
        let (from, to) = (at("2027-05-06T20:50:00Z"), at("2027-05-07T04:10:40Z"));
        assert!(book.add_rain(Tz::Europe__Berlin, 2.4, false, from, to, 16 * MINUTE));
        let midnight = at("2027-05-06T22:00:00Z");
        let before = book.rain_mm(at("2027-05-06T00:00:00Z"), midnight);
        let after = book.rain_mm(midnight, at("2027-05-08T00:00:00Z"));
        assert!((before + after - 2.4).abs() < 1e-9);
        assert!((before - 2.4 * 70.0 / 440.67).abs() < 0.01, "{before}");
    }

    #[test]
    fn what_is_older_than_the_book_is_refused_and_the_book_stays_bounded() {
        let mut book = DayBook::default();
        let start = at("2027-05-06T20:50:00Z");
        for hour in 0..1000 {
            assert!(book.add(Tz::UTC, Averaged::Temperature, 10.0, start.plus(hour * HOUR), 600_000));
        }
        assert!(book.bins.len() <= 77, "{}", book.bins.len());
        assert!(!book.add(Tz::UTC, Averaged::Temperature, 10.0, start, 600_000));
        let late = start.plus(960 * HOUR);
        assert!(book.add(Tz::UTC, Averaged::Temperature, 4.0, late, 600_000));
        assert_eq!(book.between(late.plus(-HOUR), late.plus(HOUR)).map(|bin| bin.coldest).fold(99.0, f32::min), 4.0);
    }

    #[test]
    fn a_saved_book_is_the_same_book() {
        let mut book = DayBook::default();
        let start = at("2027-05-06T20:50:00Z");
        for step in 0..200 {
            let now = start.plus(step * 7 * MINUTE);
            book.add(Tz::Asia__Kathmandu, Averaged::Temperature, 10.0 + step as f64 / 7.0, now, 420_000);
            if step % 3 == 0 {
                book.add(Tz::Asia__Kathmandu, Averaged::Sun, 3.3 * step as f64, now, 420_000);
                book.add_rain(Tz::Asia__Kathmandu, 0.254, step % 2 == 0, now, now, 0);
            }
        }
        let bytes = rmp_serde::to_vec_named(&book).unwrap();
        assert_eq!(rmp_serde::from_slice::<DayBook>(&bytes).unwrap(), book);
        assert!(rmp_serde::from_slice::<DayBook>(&bytes[..bytes.len() / 2]).is_err());
    }
}
