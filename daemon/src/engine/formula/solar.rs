//! Where the sun stands: day-of-year geometry of the standards, and the instants of sunrise and sunset.

use std::f64::consts::PI;

use super::super::{
    stamp::{DAY, MINUTE, Stamp},
    units::{Degrees, Hours, Radians},
};

/// Inverse relative distance between Earth and sun on day `day_of_year` (1 to 366), symbol dr, without unit.
///
/// Source: FAO-56, Eq. 23; ASCE-EWRI (2005), Eq. 23.
///
/// ```
/// use thirstd::engine::formula::solar::inverse_relative_distance;
/// // FAO-56, Example 8: 3 September (246) gives 0.985.
/// assert!((inverse_relative_distance(246) - 0.985).abs() < 0.0005);
/// ```
pub fn inverse_relative_distance(day_of_year: u32) -> f64 {
    1.0 + 0.033 * (2.0 * PI * day(day_of_year) / 365.0).cos()
}

/// Declination of the sun on day `day_of_year` (1 to 366), symbol δ.
///
/// Source: FAO-56, Eq. 24; ASCE-EWRI (2005), Eq. 24.
///
/// ```
/// use thirstd::engine::formula::solar::declination;
/// // FAO-56, Example 8: 3 September (246) gives 0.120 rad.
/// assert!((declination(246).0 - 0.120).abs() < 0.0005);
/// ```
pub fn declination(day_of_year: u32) -> Radians {
    Radians(0.409 * (2.0 * PI * day(day_of_year) / 365.0 - 1.39).sin())
}

/// Hour angle of sunset, symbol ωs, 0 in the polar night and π under the midnight sun.
///
/// Source: FAO-56, Eq. 25. Latitude is kept within ±89.9°.
///
/// ```
/// use thirstd::engine::{formula::solar::{declination, sunset_hour_angle}, units::Degrees};
/// // FAO-56, Example 8: 20° S on 3 September gives 1.527 rad.
/// let angle = sunset_hour_angle(Degrees(-20.0).radians(), declination(246));
/// assert!((angle.0 - 1.527).abs() < 0.0006);
/// ```
pub fn sunset_hour_angle(latitude: Radians, declination: Radians) -> Radians {
    let tangents = bounded_latitude(latitude).tan() * bounded_declination(declination).tan();
    Radians((-tangents).clamp(-1.0, 1.0).acos())
}

/// Daylight hours of a day, symbol N, 0 to 24 h.
///
/// Source: FAO-56, Eq. 34.
///
/// ```
/// use thirstd::engine::{formula::solar::daylight_hours, units::Radians};
/// // FAO-56, Example 9: a sunset hour angle of 1.527 gives 11.7 h.
/// assert!((daylight_hours(Radians(1.527)).0 - 11.7).abs() < 0.05);
/// ```
pub fn daylight_hours(sunset_hour_angle: Radians) -> Hours {
    Hours(24.0 / PI * sunset_hour_angle.0.clamp(0.0, PI))
}

/// Seasonal correction of solar time, symbol Sc, in hours.
///
/// Source: FAO-56, Eq. 32 and 33; ASCE-EWRI (2005), Eq. 57 and 58.
///
/// ```
/// use thirstd::engine::formula::solar::seasonal_correction;
/// // FAO-56, Example 19: 1 October (274) gives 0.1889 h.
/// assert!((seasonal_correction(274).0 - 0.1889).abs() < 0.0005);
/// ```
pub fn seasonal_correction(day_of_year: u32) -> Hours {
    let b = 2.0 * PI * (day(day_of_year) - 81.0) / 364.0;
    Hours(0.1645 * (2.0 * b).sin() - 0.1255 * b.cos() - 0.025 * b.sin())
}

/// Solar time angle at `utc` hours of the day, symbol ω, -π to π, 0 at solar noon.
///
/// Source: FAO-56, Eq. 31, with the clock in UTC and longitude positive toward the east. `day_of_year` is that of the
/// seasonal correction.
///
/// ```
/// use thirstd::engine::{formula::solar::solar_time_angle, units::{Degrees, Hours}};
/// // FAO-56, Example 19: 16.25° W, zone of 15° W, 14:30 zone time is 15:30 UTC; gives 0.682 rad.
/// let angle = solar_time_angle(Degrees(-16.25), 274, Hours(15.5));
/// assert!((angle.0 - 0.682).abs() < 0.001);
/// ```
pub fn solar_time_angle(longitude: Degrees, day_of_year: u32, utc: Hours) -> Radians {
    let hours = utc.0.clamp(-48.0, 72.0) + longitude.0.clamp(-360.0, 360.0) / 15.0 + seasonal_correction(day_of_year).0;
    angle_of_solar_hours(hours)
}

/// Solar time angle, -π to π, at so many hours of solar time.
pub(super) fn angle_of_solar_hours(hours: f64) -> Radians {
    let angle = PI / 12.0 * (hours - 12.0);
    Radians((angle + PI).rem_euclid(2.0 * PI) - PI)
}

/// Sine of the sun's angle above the horizon, symbol sin β; negative below it.
///
/// Source: ASCE-EWRI (2005), Eq. 62. `hour_angle` as from [`solar_time_angle`].
///
/// ```
/// use thirstd::engine::{formula::solar::{declination, sine_of_elevation}, units::{Degrees, Radians}};
/// // At noon the sun stands 90° less latitude plus declination high (geometry of FAO-56, Fig. 13).
/// let noon = sine_of_elevation(Degrees(40.0).radians(), declination(172), Radians(0.0));
/// assert!((noon - (90.0_f64 - 40.0 + declination(172).degrees().0).to_radians().sin()).abs() < 1e-12);
/// ```
pub fn sine_of_elevation(latitude: Radians, declination: Radians, hour_angle: Radians) -> f64 {
    let (phi, delta) = (bounded_latitude(latitude), bounded_declination(declination));
    phi.sin() * delta.sin() + phi.cos() * delta.cos() * hour_angle.0.clamp(-2.0 * PI, 2.0 * PI).cos()
}

/// Sunrise, solar noon and sunset of one solar day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SunTimes {
    /// None in the polar night and under the midnight sun.
    pub sunrise: Option<Stamp>,
    pub noon: Stamp,
    /// None in the polar night and under the midnight sun.
    pub sunset: Option<Stamp>,
    /// Where there is no sunrise: whether the sun stays above the horizon.
    pub always_up: bool,
}

/// Sunrise, solar noon and sunset of the solar day whose noon is nearest to `near`.
///
/// For a civil day pass the middle of that day: this stays right where a time zone and the longitude disagree about the
/// date. The horizon is flat; the upper limb counts and refraction is 34′ (center at -0.833°), as almanacs do.
///
/// Source: Meeus, Astronomical Algorithms (2nd ed., 1998), chapters 25 (low accuracy), 28 and 15; good to a minute
/// or so below 65° latitude between 1900 and 2100. Instants further than 10,000 years away are brought to that edge.
///
/// ```
/// use thirstd::engine::{formula::solar::sun_times, stamp::Stamp, units::Degrees};
/// // Meeus, Example 28.a: equation of time +13 min 42.6 s at 0 h on 1992 October 13; so noon at Greenwich is about
/// // 11:46:10 that day.
/// let times = sun_times(Stamp(718_977_600_000), Degrees(51.48), Degrees(0.0));
/// assert!((times.noon.0 - 718_976_770_000).abs() < 15_000);
/// ```
pub fn sun_times(near: Stamp, latitude: Degrees, longitude: Degrees) -> SunTimes {
    let day = SolarDay::of(near, latitude, longitude);
    let always_up = day.half_at_noon.is_none() && latitude.0 * day.declination_at_noon > 0.0;
    SunTimes { sunrise: day.event(-1), noon: day.noon, sunset: day.event(1), always_up }
}

/// Sunset alone, as [`sun_times`] gives it.
pub fn sunset(near: Stamp, latitude: Degrees, longitude: Degrees) -> Option<Stamp> {
    SolarDay::of(near, latitude, longitude).event(1)
}

/// The solar day whose noon is nearest to an instant.
struct SolarDay {
    latitude: Degrees,
    mean_noon: Stamp,
    noon: Stamp,
    declination_at_noon: f64,
    /// Half the day's length by the declination at noon.
    half_at_noon: Option<i64>,
}

impl SolarDay {
    fn of(near: Stamp, latitude: Degrees, longitude: Degrees) -> Self {
        let edge = 10_000 * 365 * DAY;
        let near = Stamp(near.0.clamp(-edge, edge));
        let longitude = (longitude.0.clamp(-360.0, 360.0) + 180.0).rem_euclid(360.0) - 180.0;
        // Mean noon at the longitude first; the equation of time moves it by a quarter of an hour at most.
        let offset = (longitude / 360.0 * DAY as f64) as i64;
        let days = (near.0 + offset).div_euclid(DAY);
        let mean_noon = Stamp(days * DAY + DAY / 2 - offset);
        let noon = mean_noon.plus(-sun_at(mean_noon).equation_of_time_millis());
        let latitude = Degrees(latitude.0.clamp(-89.9, 89.9));
        let declination_at_noon = sun_at(noon).declination;
        let half_at_noon = half_day_millis(latitude, declination_at_noon);
        Self { latitude, mean_noon, noon, declination_at_noon, half_at_noon }
    }

    /// Sunrise with `sign` -1, sunset with 1. The declination changes during the day: the second pass takes it at the event
    /// itself.
    fn event(&self, sign: i64) -> Option<Stamp> {
        let first = self.half_at_noon?;
        let there = sun_at(self.noon.plus(sign * first)).declination;
        let second = half_day_millis(self.latitude, there).unwrap_or(first);
        let at = self.noon.plus(sign * second);
        Some(self.mean_noon.plus(sign * second - sun_at(at).equation_of_time_millis()))
    }
}

/// Apparent place of the sun.
struct Sun {
    /// Radians.
    declination: f64,
    /// Apparent less mean solar time, in degrees.
    equation_of_time: f64,
}

impl Sun {
    /// One degree is four minutes.
    fn equation_of_time_millis(&self) -> i64 {
        (self.equation_of_time * 4.0 * MINUTE as f64) as i64
    }
}

/// Meeus, chapter 25, Eq. 25.2 to 25.8, and chapter 28, Eq. 28.1.
fn sun_at(at: Stamp) -> Sun {
    // Julian centuries from J2000.0, which is 2000-01-01T12:00Z; the minute from UTC to dynamical time is neglected.
    let t = (at.0 - 946_728_000_000) as f64 / (36_525.0 * DAY as f64);
    let mean_longitude = 280.466_46 + t * (36_000.769_83 + t * 0.000_303_2);
    let anomaly = (357.529_11 + t * (35_999.050_29 - t * 0.000_153_7)).to_radians();
    let center = (1.914_602 - t * (0.004_817 + t * 0.000_014)) * anomaly.sin()
        + (0.019_993 - t * 0.000_101) * (2.0 * anomaly).sin()
        + 0.000_289 * (3.0 * anomaly).sin();
    let node = (125.04 - 1934.136 * t).to_radians();
    let longitude = (mean_longitude + center - 0.005_69 - 0.004_78 * node.sin()).to_radians();
    let obliquity = (23.439_291 - t * 0.013_004_2 + 0.002_56 * node.cos()).to_radians();
    let right_ascension = (obliquity.cos() * longitude.sin()).atan2(longitude.cos()).to_degrees();
    let nutation = -0.004_78 * node.sin();
    let difference = mean_longitude - 0.005_718_3 - right_ascension + nutation * obliquity.cos();
    Sun {
        declination: (obliquity.sin() * longitude.sin()).clamp(-1.0, 1.0).asin(),
        equation_of_time: (difference + 180.0).rem_euclid(360.0) - 180.0,
    }
}

/// Time between noon and the sun's center at -0.833°; None where it does not cross that angle.
fn half_day_millis(latitude: Degrees, declination: f64) -> Option<i64> {
    let phi = latitude.radians().0;
    let cosine =
        ((-0.833_f64).to_radians().sin() - phi.sin() * declination.sin()) / (phi.cos() * declination.cos()).max(1e-9);
    (cosine.abs() <= 1.0).then(|| (cosine.acos() / (2.0 * PI) * DAY as f64) as i64)
}

fn day(day_of_year: u32) -> f64 {
    f64::from(day_of_year.clamp(1, 366))
}

/// The tangent has no value at the poles.
pub(super) fn bounded_latitude(latitude: Radians) -> f64 {
    let edge = 89.9_f64.to_radians();
    latitude.0.clamp(-edge, edge)
}

pub(super) fn bounded_declination(declination: Radians) -> f64 {
    let edge = 24.0_f64.to_radians();
    declination.0.clamp(-edge, edge)
}

#[cfg(test)]
mod tests;
