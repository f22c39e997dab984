//! Wind and warmth against what sites nearby, or normals, have for the same hours: sums of the last thirty days in three
//! parts of ten.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

/// Sums of up to ten days: when it began, and how much of each is in it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Part<const N: usize>
where
    [(f32, u16); N]: Default + Serialize + for<'a> Deserialize<'a>,
{
    #[serde(rename = "d")]
    day: u16,
    #[serde(rename = "s")]
    sums: [(f32, u16); N],
}

/// The last parts, oldest first.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
struct Parts<const N: usize>
where
    [(f32, u16); N]: Default + Serialize + for<'a> Deserialize<'a>,
{
    parts: VecDeque<Part<N>>,
}

impl<const N: usize> Parts<N>
where
    [(f32, u16); N]: Default + Serialize + for<'a> Deserialize<'a>,
{
    fn add(&mut self, day: u16, sum: usize, value: f64) {
        let is_new = self.parts.back().is_none_or(|part| day.saturating_sub(part.day) >= PART_DAYS);
        if is_new {
            self.parts.push_back(Part { day, ..Part::default() });
        }
        self.parts.retain(|part| day.saturating_sub(part.day) < PARTS * PART_DAYS);
        if let Some((total, count)) = self.parts.back_mut().and_then(|part| part.sums.get_mut(sum)) {
            (*total, *count) = (*total + value as f32, count.saturating_add(1));
        }
    }

    /// Sum and count over all parts.
    fn total(&self, sum: usize) -> (f64, u32) {
        self.parts.iter().fold((0.0, 0), |(total, count), part| {
            (total + f64::from(part.sums[sum].0), count + u32::from(part.sums[sum].1))
        })
    }

    /// Days from the first to the newest part's beginning, and ten.
    fn days(&self) -> u16 {
        let (first, last) = (self.parts.front(), self.parts.back());
        first.zip(last).map_or(0, |(first, last)| last.day - first.day + PART_DAYS)
    }
}

/// What a comparison comes to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Finding<T> {
    /// Too little is known, or it lies between right and doubtful.
    Unknown,
    Right,
    Doubtful(T),
}

/// An anemometer in the lee: its wind is a small share of that of neighbors or normals, all month.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Shelter {
    parts: Parts<2>,
}

/// Mean winds over the same hours, m/s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Calm {
    pub here: f64,
    pub there: f64,
}

impl Shelter {
    /// One hour (or one day, against normals) here and there, m/s.
    pub fn add(&mut self, day: u16, here: f64, there: f64) {
        self.parts.add(day, 0, here.max(0.0));
        self.parts.add(day, 1, there.max(0.0));
    }

    /// `least`: hours or days of the last thirty days that must have been compared.
    pub fn finding(&self, least: u32) -> Finding<Calm> {
        let ((here, count), (there, _)) = (self.parts.total(0), self.parts.total(1));
        if self.parts.days() < PARTS * PART_DAYS || count < least || there < LEAST_WIND * f64::from(count) {
            return Finding::Unknown;
        }
        let count = f64::from(count);
        match here / there {
            share if share < SHELTERED => Finding::Doubtful(Calm { here: here / count, there: there / count }),
            share if share >= FREE => Finding::Right,
            _ => Finding::Unknown,
        }
    }
}

/// A thermometer by a wall or a radiator: warmer than its neighbors when the sun shines and no wind blows, and only then.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Warmth {
    parts: Parts<2>,
}

/// Mean differences from the neighbors, K.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heated {
    pub in_sun: f64,
    pub else_: f64,
    pub hours: u32,
}

impl Warmth {
    /// One hour: °C here less °C nearby. `in_sun`: sunny and calm.
    pub fn add(&mut self, day: u16, difference: f64, in_sun: bool) {
        self.parts.add(day, usize::from(!in_sun), difference.clamp(-30.0, 30.0));
    }

    pub fn finding(&self) -> Finding<Heated> {
        let ((sunny, hours), (other, others)) = (self.parts.total(0), self.parts.total(1));
        if hours < LEAST_SUNNY_HOURS || others < LEAST_OTHER_HOURS {
            return Finding::Unknown;
        }
        let (in_sun, else_) = (sunny / f64::from(hours), other / f64::from(others));
        match in_sun - else_ {
            warmer if warmer >= HEATED_KELVIN => Finding::Doubtful(Heated { in_sun, else_, hours }),
            warmer if warmer < SHADED_KELVIN => Finding::Right,
            _ => Finding::Unknown,
        }
    }
}

const PART_DAYS: u16 = 10;
const PARTS: u16 = 3;
/// Less than 40 % of what it is elsewhere is no free wind; half of it is. Our choice: hedges and houses take a third to a
/// half (common practice), and a web or a worn bearing more.
const SHELTERED: f64 = 0.4;
const FREE: f64 = 0.5;
/// Where the air hardly moves, cups do not start. Our choice, m/s.
const LEAST_WIND: f64 = 1.0;
/// Two kelvins more, in the mean of 24 hours or more of calm sun. Our choice: shields that are not ventilated read up to
/// about as much too high in calm sun (common practice), so that less is no fault of the place.
const HEATED_KELVIN: f64 = 2.0;
const SHADED_KELVIN: f64 = 1.0;
const LEAST_SUNNY_HOURS: u32 = 24;
const LEAST_OTHER_HOURS: u32 = 96;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_month_at_a_third_of_the_wind_is_shelter_and_a_month_at_half_of_it_is_not() {
        let month = |share: f64, days: u16| {
            let mut shelter = Shelter::default();
            for hour in 0..days * 24 {
                let there = 2.0 + f64::from(hour % 7) * 0.5;
                shelter.add(100 + hour / 24, share * there, there);
            }
            shelter.finding(480)
        };
        assert!(matches!(month(0.33, 30), Finding::Doubtful(Calm { here, there }) if here < 1.3 && there > 3.0));
        assert_eq!(month(0.33, 20), Finding::Unknown);
        assert_eq!(month(0.45, 30), Finding::Unknown);
        assert_eq!(month(0.6, 30), Finding::Right);
        let mut calm = Shelter::default();
        (0..720).for_each(|hour| calm.add(100 + hour / 24, 0.1, 0.9));
        assert_eq!(calm.finding(480), Finding::Unknown, "where nothing blows, nothing is sheltered");
    }

    #[test]
    fn a_web_in_the_cups_is_seen_within_the_month_and_gone_a_month_after_it() {
        let mut shelter = Shelter::default();
        let mut seen = None;
        let mut gone = None;
        for day in 0..150_u16 {
            let share = if (40..80).contains(&day) { 0.1 } else { 0.9 };
            (0..24).for_each(|_| shelter.add(day, 3.0 * share, 3.0));
            match shelter.finding(480) {
                Finding::Doubtful(_) => seen = seen.or(Some(day)),
                Finding::Right if seen.is_some() => gone = gone.or(Some(day)),
                _ => {}
            }
        }
        assert!((50..=65).contains(&seen.unwrap()) && (80..110).contains(&gone.unwrap()), "{seen:?} {gone:?}");
    }

    #[test]
    fn warmth_in_calm_sun_alone_is_a_wall_and_warmth_at_all_hours_is_not() {
        let ten_days = |in_sun: f64, else_: f64| {
            let mut warmth = Warmth::default();
            for hour in 0..240_u16 {
                let sunny = (10..15).contains(&(hour % 24));
                warmth.add(hour / 24, if sunny { in_sun } else { else_ }, sunny);
            }
            warmth.finding()
        };
        assert!(matches!(ten_days(3.0, 0.2), Finding::Doubtful(Heated { hours: 50, .. })));
        assert_eq!(ten_days(3.0, 2.9), Finding::Right, "a warmer place is no fault");
        assert_eq!(ten_days(0.2, 3.0), Finding::Right);
        assert_eq!(ten_days(1.6, 0.2), Finding::Unknown);
    }
}
