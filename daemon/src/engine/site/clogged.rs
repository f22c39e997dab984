//! A gauge that reports but never tips: what each rain nearby that it missed adds to the odds that it is clogged.

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
    /// It counts for the site, because the gauge here is in doubt.
    #[serde(rename = "s", skip_serializing_if = "std::ops::Not::not")]
    pub counts: bool,
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

    /// What two neighbors at least had of it: the rain of the second wettest, mm. None below 1 mm: that proves nothing.
    pub fn agreed_mm(&self) -> Option<f64> {
        let mut fell: Vec<i32> = self.fell.iter().map(|(_, um)| *um).collect();
        fell.sort_unstable_by(|one, other| other.cmp(one));
        fell.get(NEIGHBORS - 1).filter(|um| **um >= LEAST_UM).map(|um| f64::from(*um) / 1000.0)
    }
}

/// `caught_mm` is next to nothing of a rain that brought `agreed_mm` nearby: one tip of a gauge that lets a drop through.
pub fn is_nothing(caught_mm: f64, agreed_mm: f64) -> bool {
    caught_mm <= NOTHING_SHARE * agreed_mm
}

/// How well rain here and rain nearby have gone together: how many rains should have passed the site by, as
/// [`nothing_by_chance`] has it, and how many did. Older rains weigh less.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Alike {
    #[serde(rename = "e")]
    expected: f32,
    #[serde(rename = "n")]
    passed_by: f32,
}

impl Alike {
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// Rains of which `expected` should have passed the site by, and `passed_by` did.
    pub fn learn(&mut self, expected: f64, passed_by: f64) {
        self.expected = self.expected * KEPT_SHARE + expected.clamp(0.0, 1e3) as f32;
        self.passed_by = self.passed_by * KEPT_SHARE + passed_by.clamp(0.0, 1e3) as f32;
    }

    /// Odds, from 0 to 1, that a sound gauge here catches nothing of a rain of `agreed_mm` nearby.
    pub fn nothing_in_sound_gauge(&self, agreed_mm: f64) -> f64 {
        let here = (PRIOR_WEIGHT + f64::from(self.passed_by)) / (PRIOR_WEIGHT + f64::from(self.expected));
        (nothing_by_chance(agreed_mm) * here).clamp(LEAST_CHANCE, MOST_CHANCE)
    }
}

/// Share of rains of `agreed_mm` at two stations of which a third, 17 to 33 km away, had nothing: 5 of 86 from 1 to 10 mm and
/// none of 67 from 10 mm on (of which we make 1 in 67), by the three airports of `tests/vectors/new_york_2013_hourly.csv`.
pub fn nothing_by_chance(agreed_mm: f64) -> f64 {
    if agreed_mm < DEEP_MM { 0.06 } else { 0.015 }
}

/// Natural logarithm of the odds that a gauge is clogged which last proved to be sound `days` ago: by how often gauges clog.
pub fn log_odds_after(days: f64) -> f64 {
    let share = (days.clamp(1.0, 365.0) / CLOGS_ONCE_IN_DAYS).min(0.5);
    (share / (1.0 - share)).ln()
}

/// What is added to the logarithm of the odds by a rain of which a gauge had nothing, where a sound one has nothing with odds
/// `chance`.
pub fn weight(chance: f64) -> f64 {
    (CLOGGED_HAS_NOTHING / chance).ln()
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
    /// Natural logarithm of the odds that the gauge is clogged.
    #[serde(rename = "o")]
    log_odds: f32,
    /// How many of these rains a sound gauge would miss, as [`nothing_by_chance`] has it.
    #[serde(rename = "e")]
    expected: f32,
    /// The gauge is judged clogged since then.
    #[serde(rename = "c", skip_serializing_if = "Option::is_none")]
    pub clogged: Option<Stamp>,
}

impl Missed {
    /// Nothing missed yet; the odds at the beginning of the first rain that is.
    pub fn new(first: Stamp, log_odds: f64) -> Self {
        Self { first, log_odds: log_odds as f32, ..Self::default() }
    }

    /// One rain more, of `agreed_mm`. True where that makes the gauge clogged, now and not before.
    pub fn add(&mut self, agreed_mm: f64, chance: f64, now: Stamp) -> bool {
        self.rains = self.rains.saturating_add(1);
        self.mm += agreed_mm as f32;
        self.log_odds = (self.log_odds + weight(chance) as f32).min(MOST_LOG_ODDS);
        self.expected += nothing_by_chance(agreed_mm) as f32;
        let is_new = self.rains >= LEAST_RAINS && f64::from(self.log_odds) >= JUDGED_AT && self.clogged.is_none();
        if is_new {
            self.clogged = Some(now);
        }
        is_new
    }

    /// It is likelier that the gauge is clogged than that it is not, with one rain more of `further` weight.
    pub fn is_suspect_with(&self, further: f64) -> bool {
        f64::from(self.log_odds) + further >= SUSPECT_AT
    }

    pub fn is_suspect(&self) -> bool {
        self.is_suspect_with(0.0)
    }

    /// "4 to 1", at most "1000 to 1".
    pub fn odds_text(&self) -> String {
        match f64::from(self.log_odds).exp() {
            odds if odds < 1.5 => "1 to 1".to_owned(),
            odds => format!("{:.0} to 1", odds.min(1000.0)),
        }
    }

    pub fn odds(&self) -> f64 {
        f64::from(self.log_odds).exp()
    }

    /// The gauge is sound after all: what that says of rain here and nearby, as [`Alike::learn`] takes it. The likelier it was
    /// clogged meanwhile, the less.
    pub fn passed_by(&self) -> (f64, f64) {
        let sound = 1.0 / (1.0 + self.odds());
        (sound * f64::from(self.expected), sound * f64::from(self.rains))
    }
}

/// Rain that speaks of a gauge: 1 mm or more at two neighbors. Our choice.
const LEAST_UM: i32 = 1_000;
const NEIGHBORS: usize = 2;

/// Rain so deep is next to never missed by a gauge in the same weather, mm. Our choice of the limit between two classes.
const DEEP_MM: f64 = 10.0;

/// Of a rain nearby, at most so much is as good as nothing. Our choice.
const NOTHING_SHARE: f64 = 0.04;

/// A gauge without care clogs about once in two years; a clogged one lets nothing through in most rains. Our choice.
const CLOGS_ONCE_IN_DAYS: f64 = 730.0;
const CLOGGED_HAS_NOTHING: f64 = 0.97;

/// The general figures weigh as much as the rains of which one would pass by; a rain of long ago weighs half after 69 others;
/// and no rain is a proof by itself. Our choice.
const PRIOR_WEIGHT: f64 = 1.0;
const KEPT_SHARE: f32 = 0.99;
const LEAST_CHANCE: f64 = 0.003;
const MOST_CHANCE: f64 = 0.5;

/// In doubt from odds of 1 to 1 on; judged clogged from 99 to 1 on, and by two rains at least. Our choice.
const SUSPECT_AT: f64 = 0.0;
const JUDGED_AT: f64 = 4.595;
const LEAST_RAINS: u8 = 2;
const MOST_LOG_ODDS: f32 = 20.0;

/// A rain is over after so many dry hours, as for rain holds by default.
const DRY: i64 = 6 * HOUR;

/// Before and after it rained nearby it may have rained here. Our choice.
pub const AROUND: i64 = 6 * HOUR;

/// While it rains nearby a gauge that is in doubt is given so much time to catch some of it. Our choice.
pub const PATIENCE: i64 = 2 * HOUR;

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
    fn it_is_the_second_wettest_neighbor_that_counts() {
        let check = |falls: &[(&str, i64, f64)], expected: Option<f64>| {
            assert_eq!(rain(falls).agreed_mm(), expected, "{falls:?}");
        };
        check(&[("elm", 1, 9.0)], None);
        check(&[("elm", 1, 9.0), ("ash", 2, 0.9)], None);
        check(&[("elm", 1, 9.0), ("ash", 2, 0.9), ("ash", 3, 0.2)], Some(1.1));
        check(&[("elm", 1, 9.0), ("ash", 2, 4.0), ("fir", 3, 6.0)], Some(6.0));
        check(&[("elm", 1, f64::MAX), ("ash", 2, f64::NAN)], None);
    }

    /// After how many rains of `mm` a gauge that was sound `days` before is in doubt, and after how many it is judged.
    fn course(alike: Alike, days: f64, mm: f64) -> (usize, usize) {
        let mut missed = Missed::new(Stamp(5 * HOUR), log_odds_after(days));
        let mut suspect = None;
        for rain in 1..20 {
            let judged = missed.add(mm, alike.nothing_in_sound_gauge(mm), Stamp(9 * HOUR));
            suspect = suspect.or(missed.is_suspect().then_some(rain));
            if judged {
                assert!(!missed.add(mm, 0.01, Stamp(10 * HOUR)), "said once");
                assert_eq!(missed.clogged, Some(Stamp(9 * HOUR)));
                return (suspect.unwrap(), rain);
            }
        }
        panic!("never judged");
    }

    #[test]
    fn the_deeper_the_rain_and_the_longer_the_gauge_has_been_dry_the_sooner_it_is_judged() {
        let mut known = Alike::default();
        (0..200).for_each(|_| known.learn(nothing_by_chance(3.0), 0.0));
        let mut patchy = Alike::default();
        (0..200).for_each(|_| patchy.learn(nothing_by_chance(3.0), 0.3));
        // ln(1/729) = −6.59; a rain of 3 mm adds ln(0.97/0.06) = 2.78, one of 12 mm ln(0.97/0.015) = 4.17; 4.6 to judge.
        for (alike, days, mm, expected) in [
            (Alike::default(), 1.0, 3.0, (3, 5)),
            (Alike::default(), 1.0, 12.0, (2, 3)),
            (Alike::default(), 60.0, 3.0, (1, 3)),
            (Alike::default(), 60.0, 12.0, (1, 2)),
            (known, 1.0, 3.0, (2, 3)),
            (known, 60.0, 12.0, (1, 2)),
            // Chance 0.06 × (1 + 25.98)/(1 + 5.20) = 0.26: a rain adds 1.31.
            (patchy, 1.0, 3.0, (6, 9)),
        ] {
            assert_eq!(course(alike, days, mm), expected, "{alike:?}, {days} days, {mm} mm");
        }
    }

    #[test]
    fn what_a_gauge_missed_says_the_less_of_the_place_the_likelier_it_was_clogged() {
        let mut missed = Missed::new(Stamp(0), log_odds_after(1.0));
        missed.add(3.0, 0.06, Stamp(HOUR));
        let (_, passed_by) = missed.passed_by();
        assert!(passed_by > 0.97, "{passed_by}");
        while !missed.add(3.0, 0.06, Stamp(HOUR)) {}
        let (_, passed_by) = missed.passed_by();
        assert!(passed_by < 0.1, "{passed_by}");
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
