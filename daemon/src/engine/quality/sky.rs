//! How much sun can there be? By the height of the sun, as the radiation networks test it.
//!
//! What the sun of the whole day cannot give is bad. What it hardly ever gives at its height of the moment is suspect only:
//! a clock that is wrong moves the sun of honest readings, and the sun is what tells of it (`site::sun_clock`).

use chrono::Datelike;

use super::{Finding, Test};
use crate::engine::formula::solar;
use crate::engine::reading::Flag;
use crate::engine::stamp::{DAY, HOUR, MINUTE, Stamp};
use crate::engine::units::{Degrees, Hours};

/// Where the sun stands around a reading, and what it can give.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sky {
    /// It stands so high (about 12°) that its radiation changes within hours even under clouds.
    pub daylight: bool,
    /// It is below the horizon for the whole time that a reading can speak for.
    pub night: bool,
    /// `None`: not tested.
    pub limits: Option<SunLimits>,
}

/// Limits of shortwave radiation, W/m².
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SunLimits {
    /// More cannot be at any time of the day.
    pub possible: f64,
    /// More hardly ever is at this time of the day.
    pub rare: f64,
}

impl From<bool> for Sky {
    /// Any day, or any night.
    fn from(daylight: bool) -> Self {
        Self { daylight, night: !daylight, limits: None }
    }
}

impl Sky {
    /// W/m² of the dark that no test doubts, whatever the settings say of the night. It saves the geometry.
    pub const ALWAYS_BELIEVED: f64 = 0.0;

    pub(super) fn impossible(&self, value: f64) -> Option<Finding> {
        let limit = self.limits.map(|limits| limits.possible).filter(|limit| *limit < value)?;
        Some(Finding { flag: Flag::Bad, test: Test::SunLimit, limit, seen: value })
    }

    pub(super) fn doubtful(&self, value: f64, night_max: Option<f64>) -> Option<Finding> {
        if let Some(limit) = night_max.filter(|most| self.night && *most < value) {
            return Some(Finding { flag: Flag::Suspect, test: Test::NightSun, limit, seen: value });
        }
        let limit = self.limits.map(|limits| limits.rare).filter(|limit| *limit < value)?;
        Some(Finding { flag: Flag::Suspect, test: Test::ClearSky, limit, seen: value })
    }
}

/// The sun over a place in one quarter of an hour: what a site keeps, so that not every reading figures it anew.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quarter {
    number: i64,
    possible: f32,
    rare: f32,
    night: bool,
}

impl Quarter {
    /// The quarter that holds `at`.
    pub fn of(at: Stamp, latitude: Degrees, longitude: Degrees) -> Self {
        let number = at.0.div_euclid(QUARTER);
        let begin = Stamp(number.saturating_mul(QUARTER));
        let (from, to) = (begin.plus(-MEAN_OVER), begin.plus(QUARTER + LENIENT));
        let day_of_year = begin.utc().ordinal();
        let (latitude, declination) = (latitude.radians(), solar::declination(day_of_year));
        let angle = |at: Stamp| {
            let utc = Hours(at.0.rem_euclid(DAY) as f64 / HOUR as f64);
            solar::solar_time_angle(longitude, day_of_year, utc)
        };
        let sine = |angle| solar::sine_of_elevation(latitude, declination, angle);
        let (first, last) = (angle(from), angle(to));
        let noon = sine(crate::engine::units::Radians(0.0));
        // Angles run from -π to π: between a morning and an afternoon lies noon.
        let is_over_noon = first.0 <= 0.0 && 0.0 <= last.0;
        let highest = if is_over_noon { noon } else { sine(first).max(sine(last)) };
        let sun = SOLAR_CONSTANT * solar::inverse_relative_distance(day_of_year);
        let given = |(factor, offset): (f64, f64), sine: f64| factor * sun * sine.max(0.0).powf(POWER) + offset;
        Self { number, possible: given(POSSIBLE, noon) as f32, rare: given(RARE, highest) as f32, night: highest < 0.0 }
    }

    pub fn holds(&self, at: Stamp) -> bool {
        at.0.div_euclid(QUARTER) == self.number
    }

    /// What readings are judged by. `daylight`: as in [`Sky`]. `tests_limits`: more than the sun gives is looked for.
    pub fn sky(&self, daylight: bool, tests_limits: bool) -> Sky {
        let limits = SunLimits { possible: f64::from(self.possible), rare: f64::from(self.rare) };
        Sky { daylight, night: self.night, limits: tests_limits.then_some(limits) }
    }
}

/// BSRN global network recommended QC tests V2.0 (Long and Dutton, 2002): global shortwave is at most factor × solar
/// constant at the day's distance × µ^1.2 + offset in W/m², physically possible and extremely rare; µ is the sine of the
/// sun's elevation.
const POSSIBLE: (f64, f64) = (1.5, 100.0);
const RARE: (f64, f64) = (1.2, 50.0);
const POWER: f64 = 1.2;

/// Total solar irradiance at the mean distance, W/m² (Kopp and Lean, 2011).
const SOLAR_CONSTANT: f64 = 1_361.0;

/// Our choice: readings can be means of the last hour, and a clock that is off by less than this is in order
/// (`site::sun_clock`).
const MEAN_OVER: i64 = HOUR;
const LENIENT: i64 = 25 * MINUTE;

const QUARTER: i64 = 15 * MINUTE;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::engine::quality::{QuantityLimits, Track};
    use crate::engine::reading::Quantity::SurfaceDownwellingShortwaveFlux;

    fn quarter(time: &str) -> Quarter {
        let at = Stamp::from(time.parse::<chrono::DateTime<chrono::Utc>>().unwrap());
        Quarter::of(at, Degrees(40.0), Degrees(0.0))
    }

    /// Value, time at 40° N on the meridian of Greenwich → flag and test.
    fn check(time: &str, value: f64, flag: Flag, test: Option<Test>) {
        let limits = QuantityLimits::default_for(SurfaceDownwellingShortwaveFlux);
        let at = Stamp::from(time.parse::<chrono::DateTime<chrono::Utc>>().unwrap());
        let sky = quarter(time).sky(true, true);
        let (_, judged) = Track::default().judge(SurfaceDownwellingShortwaveFlux, value, at, sky, &limits);
        assert_eq!((judged.flag, judged.test), (flag, test), "{value} at {time}: {judged:?}");
    }

    #[test]
    fn radiation_is_held_against_the_height_of_the_sun() {
        // Equinox, noon: µ = cos 40° = 0.766, distance factor 1.005; possible 1.5 × 1368 × 0.726 + 100 = 1590, rare 1242.
        check("2027-03-21T12:00:00Z", 1_200.0, Flag::Good, None);
        check("2027-03-21T12:00:00Z", 1_260.0, Flag::Suspect, Some(Test::ClearSky));
        check("2027-03-21T12:00:00Z", 1_610.0, Flag::Bad, Some(Test::SunLimit));
        // At half past eight the sun stands at µ = 0.45; the quarter before ten is still in the window of a slow clock.
        check("2027-03-21T08:30:00Z", 700.0, Flag::Good, None);
        check("2027-03-21T08:30:00Z", 1_000.0, Flag::Suspect, Some(Test::ClearSky));
        check("2027-03-21T08:30:00Z", 1_610.0, Flag::Bad, Some(Test::SunLimit));
        // At night there is none.
        check("2027-03-21T00:00:00Z", 8.0, Flag::Good, None);
        check("2027-03-21T00:00:00Z", 11.0, Flag::Suspect, Some(Test::NightSun));
        check("2027-03-21T00:00:00Z", 800.0, Flag::Suspect, Some(Test::NightSun));
        // A winter noon is no summer noon.
        check("2027-12-21T12:00:00Z", 500.0, Flag::Good, None);
        check("2027-12-21T12:00:00Z", 1_100.0, Flag::Bad, Some(Test::SunLimit));
    }

    #[test]
    fn dawn_and_dusk_are_no_night() {
        // Sunrise at about 06:03, sunset at about 18:12.
        for (time, night) in [
            ("2027-03-21T05:00:00Z", true),
            ("2027-03-21T06:00:00Z", false),
            ("2027-03-21T06:20:00Z", false),
            ("2027-03-21T18:00:00Z", false),
            ("2027-03-21T18:30:00Z", false),
            ("2027-03-21T20:00:00Z", true),
        ] {
            assert_eq!(quarter(time).night, night, "{time}");
        }
    }

    #[test]
    fn limits_that_are_switched_off_leave_the_night() {
        assert_eq!(quarter("2027-03-21T12:00:00Z").sky(true, false), Sky::from(true));
        let night = quarter("2027-03-21T00:00:00Z").sky(false, false);
        assert!(night.doubtful(11.0, Some(10.0)).is_some() && night.doubtful(11.0, None).is_none());
    }

    proptest! {
        #[test]
        fn everywhere_and_always_what_is_possible_is_more_than_what_is_rare(
            at in any::<i64>(), latitude in -90.0..=90.0, longitude in -180.0..=180.0,
        ) {
            let quarter = Quarter::of(Stamp(at), Degrees(latitude), Degrees(longitude));
            prop_assert!(quarter.holds(Stamp(at)));
            prop_assert!((50.0..2_000.0).contains(&quarter.rare), "{quarter:?}");
            prop_assert!(quarter.rare < quarter.possible && quarter.possible < 2_300.0, "{quarter:?}");
        }
    }
}
