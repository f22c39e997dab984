//! The sun of one day at one place: what all its hours have in common is figured once, and each hour gives the very number
//! that [`super::solar`] and [`super::radiation`] give for it alone.

use std::f64::consts::PI;

use super::super::units::{Degrees, Hours, MegajoulesPerM2, Radians};
use super::{radiation, solar};

/// A day of the year at a latitude and longitude.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SunOfDay {
    /// Hours that local mean solar time is ahead of UTC, and the seasonal correction.
    offset: f64,
    correction: f64,
    /// Hour angle of sunset.
    sunset: f64,
    /// Sines of latitude and declination, and the product of their cosines: as radiation takes them, and as elevation does,
    /// which keeps away from the poles.
    radiation: Height,
    elevation: Height,
    /// Radiation of an hour angle of 1 with the sun in the zenith.
    strength: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Height {
    latitude: f64,
    declination: f64,
    cosines: f64,
}

impl Height {
    fn of(latitude: f64, declination: f64) -> Self {
        Self { latitude: latitude.sin(), declination: declination.sin(), cosines: latitude.cos() * declination.cos() }
    }
}

impl SunOfDay {
    /// `day_of_year` 1 to 366; longitude positive toward the east.
    ///
    /// ```
    /// use thirstd::engine::{formula::{radiation, solar, sun_of_day::SunOfDay}, units::{Degrees, Hours}};
    /// // FAO-56, Example 19: 16°13′ N, 16.25° W on 1 October (274) from 14:00 to 15:00 of 15° W: 0.682 rad, 3.543 MJ/m².
    /// let sun = SunOfDay::new(Degrees(16.217), Degrees(-16.25), 274);
    /// let middle = sun.time_angle(Hours(15.5));
    /// assert_eq!(middle, solar::solar_time_angle(Degrees(-16.25), 274, Hours(15.5)));
    /// assert!((sun.extraterrestrial_of_span(middle, Hours(1.0)).0 - 3.543).abs() < 0.002);
    /// ```
    pub fn new(latitude: Degrees, longitude: Degrees, day_of_year: u32) -> Self {
        let latitude = latitude.radians();
        let declination = solar::declination(day_of_year);
        Self {
            offset: longitude.0.clamp(-360.0, 360.0) / 15.0,
            correction: solar::seasonal_correction(day_of_year).0,
            sunset: solar::sunset_hour_angle(latitude, declination).0,
            radiation: Height::of(latitude.0.clamp(-PI / 2.0, PI / 2.0), declination.0),
            elevation: Height::of(solar::bounded_latitude(latitude), solar::bounded_declination(declination)),
            strength: radiation::HOUR_ANGLE_MJ_PER_M2 * solar::inverse_relative_distance(day_of_year),
        }
    }

    /// [`solar::solar_time_angle`].
    pub fn time_angle(&self, utc: Hours) -> Radians {
        solar::angle_of_solar_hours(utc.0.clamp(-48.0, 72.0) + self.offset + self.correction)
    }

    /// [`solar::sine_of_elevation`].
    pub fn sine_of_elevation(&self, hour_angle: Radians) -> f64 {
        let height = &self.elevation;
        height.latitude * height.declination + height.cosines * hour_angle.0.clamp(-2.0 * PI, 2.0 * PI).cos()
    }

    /// [`radiation::extraterrestrial_of_span`].
    pub fn extraterrestrial_of_span(&self, middle: Radians, length: Hours) -> MegajoulesPerM2 {
        radiation::in_daylight(middle, length, self.sunset, |from, to| self.between(from, to))
    }

    /// Radiation between two hour angles that are inside the day.
    fn between(&self, from: f64, to: f64) -> f64 {
        let height = &self.radiation;
        let swept = (to - from) * height.latitude * height.declination + height.cosines * (to.sin() - from.sin());
        (self.strength * swept).max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn every_hour_has_to_the_last_bit_what_it_has_alone(
            latitude in -90.0..90.0_f64,
            longitude in -180.0..180.0_f64,
            day in 1..=366_u32,
            // Days of 23 to 25 hours begin anywhere in UTC, and hours are cut in parts.
            utc in -24.0..48.0_f64,
            length in 0.0..1.0_f64,
        ) {
            let sun = SunOfDay::new(Degrees(latitude), Degrees(longitude), day);
            let middle = solar::solar_time_angle(Degrees(longitude), day, Hours(utc));
            prop_assert_eq!(sun.time_angle(Hours(utc)).0.to_bits(), middle.0.to_bits());
            let phi = Degrees(latitude).radians();
            let alone = solar::sine_of_elevation(phi, solar::declination(day), middle);
            prop_assert_eq!(sun.sine_of_elevation(middle).to_bits(), alone.to_bits());
            for length in [Hours(length), Hours(1.0)] {
                let alone = radiation::extraterrestrial_of_span(phi, day, middle, length).0;
                prop_assert_eq!(sun.extraterrestrial_of_span(middle, length).0.to_bits(), alone.to_bits());
            }
        }
    }

    #[test]
    fn midnight_sun_and_polar_night_are_those_of_the_hours_alone() {
        for (latitude, day) in [(78.2, 172), (78.2, 355), (-89.95, 355), (90.0, 1), (66.6, 172)] {
            let sun = SunOfDay::new(Degrees(latitude), Degrees(15.6), day);
            for hour in 0..25 {
                let middle = sun.time_angle(Hours(f64::from(hour) + 0.5));
                let alone = radiation::extraterrestrial_of_span(Degrees(latitude).radians(), day, middle, Hours(1.0));
                assert_eq!(sun.extraterrestrial_of_span(middle, Hours(1.0)).0.to_bits(), alone.0.to_bits());
            }
        }
    }
}
