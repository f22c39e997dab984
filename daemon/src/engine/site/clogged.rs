//! A gauge that reports but never tips: rain nearby that it missed, shower by shower.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::engine::stamp::{HOUR, Stamp};

/// The rain that sites nearby have now or had last, until it has been over for some hours.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct RainNearby {
    /// Starts of its first and last wet hour.
    #[serde(rename = "f")]
    pub first: Stamp,
    #[serde(rename = "l")]
    pub last: Stamp,
    /// µm of each neighbor, at most as many as a site can list.
    #[serde(rename = "m")]
    fell: Vec<(String, i32)>,
    /// As it would have been here, µm by hour since 1970, for a gauge that turns out to have missed it.
    #[serde(rename = "h")]
    here: VecDeque<(i32, i32)>,
}

impl RainNearby {
    /// It begins with the hour at `hour`.
    pub fn new(hour: Stamp) -> Self {
        Self { first: hour, last: hour, ..Self::default() }
    }

    /// A neighbor had `mm` in the hour that starts at `hour`.
    pub fn fell(&mut self, from: &str, hour: Stamp, mm: f64) {
        let um = (mm.clamp(0.0, MOST_MM) * 1000.0).round() as i32;
        (self.first, self.last) = (self.first.min(hour), self.last.max(hour));
        let is_full = self.fell.len() >= MOST_NEIGHBORS;
        match self.fell.iter_mut().find(|(name, _)| name == from) {
            Some((_, sum)) => *sum = sum.saturating_add(um),
            None if is_full => {}
            None => self.fell.push((from.to_owned(), um)),
        }
    }

    /// What the neighbors' rain of an hour comes to here; said again, it is the later word that counts.
    pub fn here(&mut self, hour: Stamp, mm: f64) {
        let (Ok(number), um) = (i32::try_from(hour.0.div_euclid(HOUR)), (mm.clamp(0.0, MOST_MM) * 1000.0) as i32)
        else {
            return;
        };
        match self.here.iter_mut().find(|(known, _)| *known == number) {
            Some((_, known)) => *known = um,
            None => self.here.push_back((number, um)),
        }
        while self.here.len() > MOST_HOURS {
            self.here.pop_front();
        }
    }

    /// Hour and mm, as it would have been here.
    pub fn hours(&self) -> impl Iterator<Item = (Stamp, f64)> {
        self.here.iter().map(|(hour, um)| (Stamp(i64::from(*hour) * HOUR), f64::from(*um) / 1000.0))
    }

    /// It has been dry for so long that it is over.
    pub fn is_over(&self, hour: Stamp) -> bool {
        hour.since(self.last) > DRY
    }

    /// It goes on for so long that what fell before the hours that a site remembers no longer proves anything.
    pub fn is_endless(&self) -> bool {
        self.last.since(self.first) > LONGEST
    }

    /// A gauge cannot have missed it by chance: two neighbors or more had rain to speak of. Then the least of them, mm.
    pub fn certain_mm(&self) -> Option<f64> {
        let mut wet: Vec<i32> = self.fell.iter().map(|(_, um)| *um).filter(|um| *um >= LEAST_UM).collect();
        wet.sort_unstable();
        (wet.len() >= LEAST_NEIGHBORS).then(|| f64::from(wet.first().copied().unwrap_or(0)) / 1000.0)
    }
}

/// Rain that one gauge missed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Missed {
    /// How many rains in a row, and what of them fell nearby at least, mm.
    #[serde(rename = "n")]
    pub rains: u8,
    #[serde(rename = "m")]
    pub mm: f32,
    /// When the first of them began.
    #[serde(rename = "f")]
    pub first: Stamp,
    /// The gauge is judged clogged since then.
    #[serde(rename = "c", skip_serializing_if = "Option::is_none")]
    pub clogged: Option<Stamp>,
}

impl Missed {
    /// One rain more. True where that makes the gauge clogged, now and not before.
    pub fn add(&mut self, nearby: &RainNearby, mm: f64, now: Stamp) -> bool {
        if self.rains == 0 {
            self.first = nearby.first;
        }
        self.rains = self.rains.saturating_add(1);
        self.mm += mm as f32;
        let is_new = self.rains >= RAINS && self.clogged.is_none();
        if is_new {
            self.clogged = Some(now);
        }
        is_new
    }
}

/// A stuck gauge: 3 mm or more at two neighbors and nothing here, three times in a row. Our choice: a shower alone can
/// pass a site by.
const LEAST_UM: i32 = 3_000;
const LEAST_NEIGHBORS: usize = 2;
const RAINS: u8 = 3;

/// A rain is over after so many dry hours, as for rain holds by default.
const DRY: i64 = 6 * HOUR;

/// Before and after it rained nearby it may have rained here. Our choice.
pub const AROUND: i64 = 6 * HOUR;

/// The day book reaches back no further than 75 h. Our choice, with what is looked at around it.
const LONGEST: i64 = 48 * HOUR;

/// Bounds of what is kept.
const MOST_HOURS: usize = 48;
const MOST_NEIGHBORS: usize = 8;
const MOST_MM: f64 = 500.0;

#[cfg(test)]
mod tests {
    use super::*;

    fn rain(falls: &[(&str, i64, f64)]) -> RainNearby {
        let mut rain = RainNearby::new(Stamp(falls[0].1 * HOUR));
        falls.iter().for_each(|(from, hour, mm)| rain.fell(from, Stamp(hour * HOUR), *mm));
        rain
    }

    #[test]
    fn it_takes_three_millimeters_at_two_neighbors() {
        let check = |falls: &[(&str, i64, f64)], expected: Option<f64>| {
            assert_eq!(rain(falls).certain_mm(), expected, "{falls:?}");
        };
        check(&[("elm", 1, 9.0)], None);
        check(&[("elm", 1, 9.0), ("ash", 2, 2.9)], None);
        check(&[("elm", 1, 9.0), ("ash", 2, 2.9), ("ash", 3, 0.2)], Some(3.1));
        check(&[("elm", 1, f64::MAX), ("ash", 2, f64::NAN)], None);
    }

    #[test]
    fn it_takes_three_rains_and_says_so_once() {
        let mut missed = Missed::default();
        let nearby = rain(&[("elm", 5, 4.0)]);
        let said: Vec<bool> = (0..5).map(|_| missed.add(&nearby, 4.0, Stamp(9 * HOUR))).collect();
        assert_eq!(said, [false, false, true, false, false]);
        assert_eq!((missed.first, missed.clogged), (Stamp(5 * HOUR), Some(Stamp(9 * HOUR))));
    }

    #[test]
    fn whatever_comes_the_memory_is_bounded_and_small() {
        let mut rain = RainNearby::new(Stamp(0));
        for hour in 0..500 {
            rain.fell(&format!("site-{hour}"), Stamp(hour * HOUR), 1.0);
            rain.here(Stamp(hour * HOUR), 1.0);
            rain.here(Stamp(hour * HOUR), 2.0);
        }
        assert_eq!((rain.fell.len(), rain.here.len()), (MOST_NEIGHBORS, MOST_HOURS));
        assert!(rain.hours().all(|(_, mm)| mm == 2.0) && rain.is_endless());
        let bytes = rmp_serde::to_vec_named(&rain).unwrap();
        assert!(bytes.len() < 600, "{}", bytes.len());
        assert_eq!(rmp_serde::from_slice::<RainNearby>(&bytes).unwrap(), rain);
    }
}
