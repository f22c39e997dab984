//! A clock or a zone that is wrong shows in the sun: on clear days the measured sun rises and sets too early or too late.
//!
//! Each closed day gives one shift, in minutes, from hour means: when the measured sun passes two fifths to three fifths of
//! its height, in the morning and in the afternoon, against the sun of a clear sky (ASCE-EWRI, Ra, simple clear sky). Shade
//! moves one flank, a clock moves both, so the flank that moved less speaks; where they moved apart, the day says nothing.

use std::collections::VecDeque;

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

use super::day_book::{Averaged, DayBook};
use super::evapotranspiration::Place;
use crate::engine::formula::{radiation, solar};
use crate::engine::stamp::{HOUR, Stamp};
use crate::engine::units::{Degrees, Hours, Meters};

/// Shifts of the last clear days, oldest first: days since 1970, minutes (positive: the readings' clock is ahead).
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SunClock {
    days: VecDeque<(u16, i16)>,
}

/// What clear days say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Finding {
    /// Too few clear days, or they do not agree.
    Unknown,
    Right,
    /// The readings are dated so many minutes late (negative: early).
    Off(i16),
}

impl SunClock {
    pub fn is_empty(&self) -> bool {
        self.days.is_empty()
    }

    /// Takes in a day that has closed. Unclear days change nothing.
    pub fn closed(&mut self, place: &Place, book: &DayBook, date: NaiveDate, start: Stamp, end: Stamp) {
        let mut means = [None; HOURS];
        for bin in book.between(start, end) {
            let hour = bin.start.0.div_euclid(HOUR).rem_euclid(HOURS as i64) as usize;
            if bin.coverage(Averaged::Sun) >= 0.5 && bin.minutes >= 30 {
                means[hour] = bin.sum(Averaged::Sun).mean();
            }
        }
        if let Some(shift) = shift_minutes(place, date.ordinal(), &means) {
            self.note(date, shift);
        }
    }

    /// Takes in the shift of a clear day.
    pub fn note(&mut self, date: NaiveDate, shift_minutes: f64) {
        let day = u16::try_from(date.num_days_from_ce() - DAYS_TO_1970).unwrap_or(0);
        self.days.retain(|(known, _)| *known != day && day.abs_diff(*known) <= LONGEST_MEMORY_DAYS);
        self.days.push_back((day, shift_minutes.round().clamp(-720.0, 720.0) as i16));
        while self.days.len() > DAYS {
            self.days.pop_front();
        }
    }

    /// The clock was set, or somebody said that it is in order: what was seen before is past.
    pub fn forget(&mut self) {
        self.days.clear();
    }

    /// The median of the last clear days, where most of them agree with it.
    pub fn finding(&self) -> Finding {
        if self.days.len() < DAYS {
            return Finding::Unknown;
        }
        let mut shifts: Vec<i16> = self.days.iter().map(|(_, shift)| *shift).collect();
        shifts.sort_unstable();
        let median = shifts[shifts.len() / 2];
        let agree = shifts.iter().filter(|shift| shift.abs_diff(median) <= AGREE_MINUTES).count();
        match median.unsigned_abs() {
            off if off < RIGHT_WITHIN_MINUTES => Finding::Right,
            off if off >= WRONG_FROM_MINUTES && agree + 1 >= DAYS => Finding::Off(median),
            _ => Finding::Unknown,
        }
    }
}

/// How many minutes later than it should the measured sun stands, from hour means in W/m² by UTC hour. None for a day that
/// is not clear, not read, or shaded on one side by more than its clock is wrong.
pub fn shift_minutes(place: &Place, day_of_year: u32, means: &[Option<f64>; HOURS]) -> Option<f64> {
    let clear = clear_day(place, day_of_year);
    let (clear_peak, peak_hour) = peak(&clear);
    if clear_peak < LEAST_CLEAR_PEAK {
        return None;
    }
    let mut measured = [0.0; HOURS];
    for (hour, mean) in means.iter().enumerate() {
        // A sensor may be silent at night.
        measured[hour] = match mean {
            Some(mean) => mean.max(0.0),
            None if clear[hour] <= 0.0 => 0.0,
            None => return None,
        };
    }
    let (measured_peak, measured_hour) = peak(&measured);
    let height = measured_peak / clear_peak;
    if !(LEAST_HEIGHT..=MOST_HEIGHT).contains(&height) {
        return None;
    }
    let mut flanks = [Vec::new(), Vec::new()];
    for level in LEVELS {
        for (flank, step) in [(0, -1_i64), (1, 1)] {
            let expected = crossing(&clear, peak_hour, step, level * clear_peak)?;
            let seen = crossing(&measured, measured_hour, step, level * measured_peak)?;
            flanks[flank].push(wrapped(seen - expected));
        }
    }
    let [morning, evening] = flanks.map(|mut shifts| {
        shifts.sort_by(f64::total_cmp);
        60.0 * shifts[shifts.len() / 2]
    });
    // Shade makes the sun rise later or set earlier: one flank, or both toward noon. A clock moves both alike.
    if morning * evening < 0.0 && morning.abs().min(evening.abs()) > RIGHT_WITHIN {
        return None;
    }
    let shift = if morning.abs() < evening.abs() { morning } else { evening };
    is_smooth(&clear, &measured, height, (morning + evening) / 120.0).then_some(shift)
}

/// Clear-sky sun of each UTC hour, W/m².
pub fn clear_day(place: &Place, day_of_year: u32) -> [f64; HOURS] {
    let latitude = Degrees(place.latitude_degrees).radians();
    std::array::from_fn(|hour| {
        let middle = solar::solar_time_angle(Degrees(place.longitude_degrees), day_of_year, Hours(hour as f64 + 0.5));
        let ra = radiation::extraterrestrial_of_span(latitude, day_of_year, middle, Hours(1.0));
        radiation::clear_sky_simple(Meters(place.elevation_m), ra).0 / 0.0036
    })
}

/// The mean of the three highest hours beside each other, and the middle one.
fn peak(hours: &[f64; HOURS]) -> (f64, usize) {
    let three = |hour: usize| (hours[(hour + HOURS - 1) % HOURS] + hours[hour] + hours[(hour + 1) % HOURS]) / 3.0;
    let best = (0..HOURS).max_by(|one, other| three(*one).total_cmp(&three(*other))).unwrap_or(0);
    (three(best), best)
}

/// When the curve falls below `level` on the way from `peak` in the direction of `step`, in hours from 0 to 24 and beyond,
/// by a straight line between the middles of two hours.
fn crossing(hours: &[f64; HOURS], peak: usize, step: i64, level: f64) -> Option<f64> {
    let at = |offset: i64| hours[(peak as i64 + offset * step).rem_euclid(HOURS as i64) as usize];
    let below = (1..=12).find(|offset| at(*offset) < level)?;
    let (inside, outside) = (at(below - 1), at(below));
    let part = if inside > outside { (inside - level) / (inside - outside) } else { 0.5 };
    Some(peak as f64 + 0.5 + step as f64 * ((below - 1) as f64 + part.clamp(0.0, 1.0)))
}

/// Hours wrapped to half a day either way.
fn wrapped(hours: f64) -> f64 {
    (hours + 12.0).rem_euclid(24.0) - 12.0
}

/// No cloud in the middle of the day: the measured curve follows the clear one, moved and at its height.
fn is_smooth(clear: &[f64; HOURS], measured: &[f64; HOURS], height: f64, shift_hours: f64) -> bool {
    let (clear_peak, _) = peak(clear);
    let moved = |hour: usize| {
        let at = (hour as f64 - shift_hours).rem_euclid(HOURS as f64);
        let (before, part) = (at.floor(), at.fract());
        let before = before as usize % HOURS;
        clear[before] * (1.0 - part) + clear[(before + 1) % HOURS] * part
    };
    let day: Vec<usize> = (0..HOURS).filter(|hour| moved(*hour) > 0.3 * clear_peak).collect();
    let off: f64 = day.iter().map(|hour| (measured[*hour] - height * moved(*hour)).abs()).sum();
    !day.is_empty() && off / day.len() as f64 <= SMOOTH_WITHIN * height * clear_peak
}

const HOURS: usize = 24;
const LEVELS: [f64; 3] = [0.4, 0.5, 0.6];

/// Clear days that have to agree, all but one of them, within so many minutes. Our choice.
const DAYS: usize = 5;
const AGREE_MINUTES: u16 = 20;

/// Off by this much is wrong, and by less than this in order. Our choice: whole and half hours are what zones are wrong by;
/// a sensor that is out of level or stands in some shade is off by less.
const WRONG_FROM_MINUTES: u16 = 40;
const RIGHT_WITHIN_MINUTES: u16 = 25;
const RIGHT_WITHIN: f64 = RIGHT_WITHIN_MINUTES as f64;

/// Clear days longer ago than this say nothing of today's clock. Our choice: half a season.
const LONGEST_MEMORY_DAYS: u16 = 45;

/// A day whose height is outside these shares of the clear sky's is no clear day, or its sensor is not in order. W/m² of a
/// clear noon below which the sun is too low. Our choice.
const LEAST_HEIGHT: f64 = 0.7;
const MOST_HEIGHT: f64 = 1.2;
const LEAST_CLEAR_PEAK: f64 = 200.0;

/// Mean distance from the clear curve as a share of its height. Our choice.
const SMOOTH_WITHIN: f64 = 0.08;

const DAYS_TO_1970: i32 = 719_163;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::settings::tests::site;

    /// A clear day whose readings are dated `minutes` late, times `shade` by UTC hour.
    fn day(minutes: f64, shade: impl Fn(usize) -> f64) -> [Option<f64>; HOURS] {
        let place = site().place;
        let latitude = Degrees(place.latitude_degrees).radians();
        std::array::from_fn(|hour| {
            let utc = Hours((hour as f64 + 0.5 - minutes / 60.0).rem_euclid(24.0));
            let middle = solar::solar_time_angle(Degrees(place.longitude_degrees), 172, utc);
            let ra = radiation::extraterrestrial_of_span(latitude, 172, middle, Hours(1.0));
            Some(0.95 * shade(hour) * radiation::clear_sky_simple(Meters(60.0), ra).0 / 0.0036)
        })
    }

    fn check(minutes: f64, shade: impl Fn(usize) -> f64, expected: Option<f64>) {
        let shift = shift_minutes(&site().place, 172, &day(minutes, shade));
        match (shift, expected) {
            (Some(shift), Some(expected)) => assert!((shift - expected).abs() < 6.0, "{minutes}: {shift}"),
            (None, None) => {}
            other => panic!("{minutes}: {other:?}"),
        }
    }

    #[test]
    fn the_sun_of_a_clear_day_tells_how_far_off_the_clock_is() {
        for minutes in [-540.0, -120.0, -60.0, -30.0, 0.0, 20.0, 60.0, 120.0, 330.0] {
            check(minutes, |_| 1.0, Some(minutes));
        }
    }

    #[test]
    fn shade_on_one_side_or_both_is_no_wrong_clock() {
        // The site is at 10° E: noon is at about 11:20 UTC. Such a day speaks for the clock or says nothing.
        let right = |shade: &dyn Fn(usize) -> f64| {
            let shift = shift_minutes(&site().place, 172, &day(0.0, shade));
            assert!(shift.is_none_or(|shift| shift.abs() < 6.0), "{shift:?}");
        };
        for edge in 4..11 {
            right(&|hour| if hour < edge { 0.15 } else { 1.0 });
            right(&|hour| if hour > 22 - edge { 0.15 } else { 1.0 });
            // Flanks that moved apart say nothing.
            right(&|hour| if !(edge..=22 - edge).contains(&hour) { 0.15 } else { 1.0 });
        }
        check(0.0, |hour| if hour % 2 == 0 { 0.4 } else { 1.0 }, None);
    }

    #[test]
    fn five_clear_days_that_agree_make_a_finding_and_five_that_are_right_end_it() {
        let date = |day: u32| NaiveDate::from_ymd_opt(2027, 6, day).unwrap();
        let mut clock = SunClock::default();
        for day in 1..5 {
            clock.note(date(day), 62.0);
        }
        assert_eq!(clock.finding(), Finding::Unknown);
        clock.note(date(5), -10.0);
        assert_eq!(clock.finding(), Finding::Off(62), "one day that disagrees is outvoted");
        for day in 6..9 {
            clock.note(date(day), 3.0);
        }
        assert_eq!(clock.finding(), Finding::Right);
        clock.note(date(30), 61.0);
        assert_eq!(clock.finding(), Finding::Right);
        let late = NaiveDate::from_ymd_opt(2027, 9, 1).unwrap();
        clock.note(late, 61.0);
        assert_eq!(clock.finding(), Finding::Unknown, "what was seen in spring is past");
    }
}
