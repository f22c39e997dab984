//! Shade on a sun sensor: on clear days the sun is gone at the same azimuth, day after day.
//!
//! Each closed day is looked at in hour means against a clear sky. A day is clear but for one dip where all hours outside
//! one block of at most three stand near the best of the day; the azimuths of the block are kept as sectors of 15 degrees.
//! Clouds wander; a tree, a chimney or a mast does not.

use std::collections::VecDeque;
use std::f64::consts::PI;

use serde::{Deserialize, Serialize};

use crate::engine::formula::solar;
use crate::engine::units::{Degrees, Hours};

/// The last clear days, oldest first: day since 1970, sectors in which the sun was seen or missed, sectors missed.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Shade {
    days: VecDeque<(u16, u32, u32)>,
}

/// What is missed again and again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shaded {
    /// Azimuth of the middle of the sector, degrees from north over east.
    pub azimuth_degrees: u16,
    /// Clear days with the dip there, of so many that saw the sun there or should have.
    pub dips: u8,
    pub days: u8,
}

/// One hour of a day in UTC: the middle of it, hours; measured sun, clear-sky sun, and the least clear-sky sun of this hour
/// and of those before and after it, W/m². A sensor that tells of the hour that has passed may be dated into the next one.
pub type SunHour = (f64, f64, f64, f64);

impl Shade {
    pub fn is_empty(&self) -> bool {
        self.days.is_empty()
    }

    /// Takes in a day; one that is not clear changes nothing.
    pub fn closed(&mut self, day: u16, day_of_year: u32, latitude: f64, longitude: f64, hours: &[SunHour]) {
        let Some(dips) = dips(hours) else { return };
        let (mut seen, mut missed) = (0, 0);
        for (index, (middle, _, clear, _)) in hours.iter().enumerate() {
            if *clear >= LEAST_CLEAR {
                let bit = 1 << sector(day_of_year, latitude, longitude, *middle);
                seen |= bit;
                missed |= if dips.contains(&index) { bit } else { 0 };
            }
        }
        self.days.retain(|(known, ..)| *known != day && day.abs_diff(*known) <= LONGEST_MEMORY_DAYS);
        self.days.push_back((day, seen, missed));
        while self.days.len() > DAYS {
            self.days.pop_front();
        }
    }

    /// The sector that is missed most, where that is on nearly all clear days.
    pub fn shaded(&self) -> Option<Shaded> {
        let own = |sector: u32| self.days.iter().filter(|(_, _, missed)| missed & (1 << sector) != 0).count();
        let (_, _, best) = (0..SECTORS)
            .map(|sector| (self.of(sector), own(sector)))
            .map(|(shaded, own)| (shaded.dips, own, shaded))
            .max_by_key(|(dips, own, _)| (*dips, *own))?;
        let enough = best.days >= LEAST_DAYS && u16::from(best.dips) * 6 >= u16::from(best.days) * 5;
        enough.then_some(best)
    }

    /// The last clear days had the sun everywhere.
    pub fn is_free(&self) -> bool {
        let last = self.days.iter().rev().take(FREE_DAYS);
        self.days.len() >= FREE_DAYS && last.fold(0, |all, (_, _, missed)| all | missed) == 0
    }

    /// A sector together with its neighbors: the sun goes on by less than that in weeks.
    fn of(&self, sector: u32) -> Shaded {
        let around = |mask: u32| mask & sectors_around(sector) != 0;
        let seen = self.days.iter().filter(|(_, seen, _)| seen & (1 << sector) != 0);
        let dips = seen.clone().filter(|(_, _, missed)| around(*missed)).count();
        Shaded {
            azimuth_degrees: (sector * 15 + 7) as u16,
            // At most `DAYS`.
            dips: dips as u8,
            days: seen.count() as u8,
        }
    }
}

fn sectors_around(sector: u32) -> u32 {
    (1 << sector) | (1 << ((sector + 1) % SECTORS)) | (1 << ((sector + SECTORS - 1) % SECTORS))
}

/// The hours of the one dip of an otherwise clear day, none for a wholly clear one; None for a day that is not clear.
fn dips(hours: &[SunHour]) -> Option<Vec<usize>> {
    let high: Vec<(usize, f64)> = hours
        .iter()
        .enumerate()
        .filter(|(_, (_, _, clear, _))| *clear >= LEAST_CLEAR)
        .map(|(index, (_, measured, _, least))| (index, measured / least.max(1.0)))
        .collect();
    if high.len() < LEAST_HOURS {
        return None;
    }
    let mut shares: Vec<f64> =
        hours.iter().filter(|hour| hour.2 >= LEAST_CLEAR).map(|(_, measured, clear, _)| measured / clear).collect();
    shares.sort_by(f64::total_cmp);
    // Of a clear day a quarter may be in shade: its middle hours still stand high.
    let best = shares[shares.len() * 3 / 4];
    if !(0.75..=1.2).contains(&best) {
        return None;
    }
    let dip: Vec<usize> = high.iter().filter(|(_, share)| *share < DIP * best).map(|(index, _)| *index).collect();
    let (Some(first), Some(last)) = (dip.first(), dip.last()) else {
        return high.iter().all(|(_, share)| *share >= CLEAR * best).then(Vec::new);
    };
    let one_block = last - first < 3;
    // The hour before and after may be partly in shade.
    let outside = |index: usize| index + 1 < *first || index > last + 1;
    let clear = high.iter().filter(|(index, _)| outside(*index)).all(|(_, share)| *share >= CLEAR * best);
    (one_block && clear).then_some(dip)
}

/// Azimuth of the sun, in sectors of 15 degrees from north over east.
fn sector(day_of_year: u32, latitude: f64, longitude: f64, utc: f64) -> u32 {
    let hour_angle = solar::solar_time_angle(Degrees(longitude), day_of_year, Hours(utc)).0;
    let (phi, delta) = (latitude.to_radians(), solar::declination(day_of_year).0);
    // From south over west (spherical trigonometry), turned to north over east.
    let from_south = hour_angle.sin().atan2(hour_angle.cos() * phi.sin() - delta.tan() * phi.cos());
    let degrees = (from_south + PI).to_degrees().rem_euclid(360.0);
    ((degrees / 15.0) as u32).min(SECTORS - 1)
}

const SECTORS: u32 = 24;
/// Lower, haze and horizon take too much of it. Our choice, W/m².
const LEAST_CLEAR: f64 = 250.0;
/// Hours of that in a day that can be judged: fewer are no day. Our choice.
const LEAST_HOURS: usize = 5;
/// Shares of the day's best. Our choice: without the beam of the sun a quarter is left of it (common practice), and half an
/// hour of shade leaves 0.6 of an hour.
const DIP: f64 = 0.65;
const CLEAR: f64 = 0.85;
/// Clear days kept, fewest to judge by, and how long they count: the sun moves on. Our choice.
const DAYS: usize = 10;
const LEAST_DAYS: u8 = 6;
const LONGEST_MEMORY_DAYS: u16 = 45;
/// Our choice.
const FREE_DAYS: usize = 5;

#[cfg(test)]
mod tests {
    use super::*;

    /// Hours 6 to 18 of a day whose clear sun is a half wave of 900 W/m²; `share` of it is measured.
    fn day(share: impl Fn(usize) -> f64) -> Vec<SunHour> {
        (0..24)
            .map(|hour| {
                let sky = |hour: f64| 900.0 * ((hour - 5.5) / 13.0 * PI).sin().max(0.0);
                let (middle, clear) = (hour as f64, sky(hour as f64));
                (middle + 0.5, clear * share(hour), clear, clear.min(sky(middle - 1.0)).min(sky(middle + 1.0)))
            })
            .collect()
    }

    fn play(days: impl Iterator<Item = (u16, Vec<SunHour>)>) -> Shade {
        let mut shade = Shade::default();
        days.for_each(|(day, hours)| shade.closed(day, 172, 45.0, 0.0, &hours));
        shade
    }

    #[test]
    fn azimuths_are_those_of_the_sun() {
        // At equinox the sun stands in the east at 6 h, in the south at noon; in the south of the earth in the north.
        assert_eq!(sector(81, 45.0, 0.0, 6.2), 6);
        assert_eq!(sector(81, 45.0, 0.0, 13.0), 13);
        assert!([0, 23].contains(&sector(81, -45.0, 0.0, 12.1)));
    }

    #[test]
    fn the_same_hour_in_shade_on_six_clear_days_is_seen_and_ends_with_the_tree() {
        let shaded = |hour: usize| if (13..15).contains(&hour) { 0.3 } else { 0.98 };
        assert_eq!(play((0..5).map(|number| (number, day(shaded)))).shaded(), None);
        let mut shade = play((0..6).map(|number| (number, day(shaded))));
        let found = shade.shaded().unwrap();
        assert_eq!((found.dips, found.days), (6, 6));
        assert!((200..260).contains(&found.azimuth_degrees), "{found:?}");
        for number in 6..11 {
            assert!(!shade.is_free());
            shade.closed(number, 172, 45.0, 0.0, &day(|_| 0.97));
        }
        assert!(shade.is_free() && shade.shaded().is_none());
    }

    #[test]
    fn clouds_that_wander_days_without_sun_and_silent_hours_are_no_shade() {
        let wander = |number: u16| move |hour: usize| if hour == 8 + usize::from(number) % 8 { 0.3 } else { 0.98 };
        assert_eq!(play((0..30).map(|number| (number, day(wander(number))))).shaded(), None);
        assert_eq!(play((0..30).map(|number| (number, day(|_| 0.3)))).shaded(), None);
        let broken = |hour: usize| if hour.is_multiple_of(3) { 0.3 } else { 0.98 };
        assert_eq!(play((0..30).map(|number| (number, day(broken)))).shaded(), None);
        assert_eq!(play((0..9).map(|number| (number, Vec::new()))), Shade::default());
        // Days of last winter say nothing of today's sun.
        let shaded = |hour: usize| if hour == 14 { 0.2 } else { 1.0 };
        assert_eq!(play((0..6).map(|number| (number * 30, day(shaded)))).shaded(), None);
    }
}
