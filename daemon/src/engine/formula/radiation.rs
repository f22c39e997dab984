//! Energy from sun and sky on a flat surface, and what a wet lawn keeps of it.
//!
//! Energies are MJ/m² over the step that the function names.

use std::f64::consts::PI;

use super::super::units::{Celsius, Hours, Kilopascals, MegajoulesPerM2, Meters, Radians};
use super::solar;

/// Extraterrestrial radiation of a day, symbol Ra, in MJ/m²; 0 in the polar night.
///
/// Source: FAO-56, Eq. 21; ASCE-EWRI (2005), Eq. 21 with the solar constant 4.92 MJ/m²/h.
///
/// ```
/// use thirstd::engine::{formula::radiation::extraterrestrial_daily, units::Degrees};
/// // FAO-56, Example 8: 20° S on 3 September (246) gives 32.2 MJ/m².
/// let r_a = extraterrestrial_daily(Degrees(-20.0).radians(), 246);
/// assert!((r_a.0 - 32.2).abs() < 0.06);
/// ```
pub fn extraterrestrial_daily(latitude: Radians, day_of_year: u32) -> MegajoulesPerM2 {
    let delta = solar::declination(day_of_year);
    let sunset = solar::sunset_hour_angle(latitude, delta);
    between(latitude, day_of_year, -sunset.0, sunset.0)
}

/// Extraterrestrial radiation of a span of `length` (more than 0, up to 24 h) around solar time angle `middle`, symbol
/// Ra, in MJ/m²; 0 at night.
///
/// Source: FAO-56, Eq. 28 to 30; ASCE-EWRI (2005), Eq. 48 to 56.
///
/// ```
/// use thirstd::engine::{formula::radiation::extraterrestrial_of_span, units::{Degrees, Hours, Radians}};
/// // FAO-56, Example 19: 16°13′ N on 1 October (274) from 14 to 15 h (0.682 rad) gives 3.543 MJ/m².
/// let r_a = extraterrestrial_of_span(Degrees(16.217).radians(), 274, Radians(0.682), Hours(1.0));
/// assert!((r_a.0 - 3.543).abs() < 0.002);
/// ```
pub fn extraterrestrial_of_span(
    latitude: Radians,
    day_of_year: u32,
    middle: Radians,
    length: Hours,
) -> MegajoulesPerM2 {
    let sunset = solar::sunset_hour_angle(latitude, solar::declination(day_of_year)).0;
    in_daylight(middle, length, sunset, |from, to| between(latitude, day_of_year, from, to).0)
}

/// The parts between sunrise and sunset of a span of `length` around `middle`, each by `between`, together.
pub(super) fn in_daylight(
    middle: Radians,
    length: Hours,
    sunset: f64,
    between: impl Fn(f64, f64) -> f64,
) -> MegajoulesPerM2 {
    let half = PI / 24.0 * length.0.clamp(0.0, 24.0);
    let middle = middle.0.clamp(-PI, PI);
    let part = |from: f64, to: f64| {
        let (from, to) = (from.clamp(-sunset, sunset), to.clamp(-sunset, sunset));
        if from < to { between(from, to) } else { 0.0 }
    };
    // A span across solar midnight has light on both sides under the midnight sun.
    let wrapped = part(middle - half + 2.0 * PI, middle + half + 2.0 * PI)
        + part(middle - half - 2.0 * PI, middle + half - 2.0 * PI);
    MegajoulesPerM2(part(middle - half, middle + half) + wrapped)
}

/// Clear-sky radiation, simple method, symbol Rso, of the step that `extraterrestrial` is for.
///
/// Source: FAO-56, Eq. 37; ASCE-EWRI (2005), Eq. 19: `(0.75 + 2e-5 z) Ra`. Elevation is kept within -500 m to 9000 m.
///
/// ```
/// use thirstd::engine::{formula::radiation::clear_sky_simple, units::{MegajoulesPerM2, Meters}};
/// // FAO-56, Example 18: 100 m and 41.09 MJ/m² give 30.90 MJ/m².
/// assert!((clear_sky_simple(Meters(100.0), MegajoulesPerM2(41.09)).0 - 30.90).abs() < 0.01);
/// ```
pub fn clear_sky_simple(elevation: Meters, extraterrestrial: MegajoulesPerM2) -> MegajoulesPerM2 {
    MegajoulesPerM2((0.75 + 2e-5 * elevation.0.clamp(-500.0, 9000.0)) * energy(extraterrestrial))
}

/// Clear-sky radiation, full method (water vapor, air mass; clean air), symbol Rso, of the step that `extraterrestrial`
/// is for.
///
/// `sine_of_elevation` is sin β at the middle of an hour, or [`mean_sine_of_elevation`] for a day; 0.01 at least.
///
/// Source: ASCE-EWRI (2005), Appendix D, Eq. D.1 to D.4 with turbidity coefficient 1.
///
/// ```
/// use thirstd::engine::{formula::radiation::{clear_sky_full, mean_sine_of_elevation}, units::*};
/// // PyPI refet 0.5.0, tests/test_calcs.py: Fallon, Nevada, 1 July 2015, with its Ra and P: 31.5659 MJ/m².
/// let sine = mean_sine_of_elevation(Degrees(39.4575).radians(), 182);
/// let r_so = clear_sky_full(MegajoulesPerM2(41.67611), Kilopascals(1.220667), Kilopascals(87.81876), sine);
/// assert!((r_so.0 - 31.5659).abs() < 0.0001);
/// ```
pub fn clear_sky_full(
    extraterrestrial: MegajoulesPerM2,
    actual_vapor: Kilopascals,
    pressure: Kilopascals,
    sine_of_elevation: f64,
) -> MegajoulesPerM2 {
    let p = pressure.0.clamp(0.0, 120.0);
    let sine = sine_of_elevation.clamp(0.01, 1.0);
    let water = 0.14 * actual_vapor.0.clamp(0.0, 20.0) * p + 2.1;
    let direct = 0.98 * (-0.001_46 * p / sine - 0.075 * (water / sine).powf(0.4)).exp();
    let diffuse = (0.35 - 0.36 * direct).min(0.18 + 0.82 * direct);
    MegajoulesPerM2((direct + diffuse) * energy(extraterrestrial))
}

/// Sine of the sun's elevation averaged over a day, weighted by radiation, symbol sin φ24; at least 0.1.
///
/// Source: ASCE-EWRI (2005), Eq. D.5.
///
/// ```
/// use thirstd::engine::{formula::radiation::mean_sine_of_elevation, units::Degrees};
/// // Its highest value over the year at the equator is sin(0.85) (Eq. D.5 with latitude 0).
/// assert!((mean_sine_of_elevation(Degrees(0.0).radians(), 80) - 0.85_f64.sin()).abs() < 1e-12);
/// ```
pub fn mean_sine_of_elevation(latitude: Radians, day_of_year: u32) -> f64 {
    let phi = latitude.0.clamp(-PI / 2.0, PI / 2.0);
    let season = (2.0 * PI * f64::from(day_of_year.clamp(1, 366)) / 365.0 - 1.39).sin();
    (0.85 + 0.3 * phi * season - 0.42 * phi * phi).sin().max(0.1)
}

/// Shortwave radiation of a day from its hours of sunshine, symbol Rs, with the coefficients 0.25 and 0.50.
///
/// Source: FAO-56, Eq. 35 (Ångström). The share of sunshine is kept within 0 to 1.
///
/// ```
/// use thirstd::engine::{formula::radiation::shortwave_from_sunshine, units::{Hours, MegajoulesPerM2}};
/// // FAO-56, Example 10: 7.1 of 10.9 hours and 25.1 MJ/m² give 14.5 MJ/m².
/// let r_s = shortwave_from_sunshine(Hours(7.1), Hours(10.9), MegajoulesPerM2(25.1));
/// assert!((r_s.0 - 14.5).abs() < 0.06);
/// ```
pub fn shortwave_from_sunshine(sunshine: Hours, daylight: Hours, extraterrestrial: MegajoulesPerM2) -> MegajoulesPerM2 {
    let share = if daylight.0 > 0.0 { (sunshine.0 / daylight.0).clamp(0.0, 1.0) } else { 0.0 };
    MegajoulesPerM2((0.25 + 0.5 * share) * energy(extraterrestrial))
}

/// What the daily temperature range says about clouds depends on the air over the site.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Exposure {
    /// Land dominates: coefficient 0.16.
    #[default]
    Inland,
    /// On or near the coast of a large water: coefficient 0.19.
    Coast,
}

/// Shortwave radiation of a day from its temperature range, symbol Rs; never above `clear_sky`.
///
/// Source: FAO-56, Eq. 50 (Hargreaves). A range below 0 counts as 0.
///
/// ```
/// use thirstd::engine::{
///     formula::radiation::{Exposure, shortwave_from_temperature},
///     units::{Celsius, MegajoulesPerM2},
/// };
/// // FAO-56, Example 15: 26.6 °C, 14.8 °C and 40.6 MJ/m² inland give 22.3 MJ/m².
/// let (r_a, r_so) = (MegajoulesPerM2(40.6), MegajoulesPerM2(30.6));
/// let r_s = shortwave_from_temperature(Celsius(26.6), Celsius(14.8), Exposure::Inland, r_a, r_so);
/// assert!((r_s.0 - 22.3).abs() < 0.05);
/// ```
pub fn shortwave_from_temperature(
    highest: Celsius,
    lowest: Celsius,
    exposure: Exposure,
    extraterrestrial: MegajoulesPerM2,
    clear_sky: MegajoulesPerM2,
) -> MegajoulesPerM2 {
    let coefficient = match exposure {
        Exposure::Inland => 0.16,
        Exposure::Coast => 0.19,
    };
    let range = (air(highest) - air(lowest)).max(0.0);
    MegajoulesPerM2((coefficient * range.sqrt() * energy(extraterrestrial)).min(energy(clear_sky)))
}

/// Shortwave radiation that the reference surface keeps, symbol Rns, in MJ/m².
///
/// Source: FAO-56, Eq. 38; ASCE-EWRI (2005), Eq. 16: albedo 0.23.
///
/// ```
/// use thirstd::engine::{formula::radiation::net_shortwave, units::MegajoulesPerM2};
/// // FAO-56, Example 12: 14.5 MJ/m² leave 11.1 MJ/m².
/// assert!((net_shortwave(MegajoulesPerM2(14.5)).0 - 11.1).abs() < 0.07);
/// ```
pub fn net_shortwave(shortwave: MegajoulesPerM2) -> MegajoulesPerM2 {
    MegajoulesPerM2(0.77 * energy(shortwave))
}

/// How much of the clear sky's longwave loss remains under the clouds, symbol fcd, 0.055 to 1. None where the clear sky
/// gives nothing to compare with.
///
/// Source: ASCE-EWRI (2005), Eq. 18 and 45; FAO-56, Eq. 39, has the same factor. Rs/Rso is kept within 0.3 to 1.
///
/// ```
/// use thirstd::engine::{formula::radiation::cloudiness, units::MegajoulesPerM2};
/// // FAO-56, Example 11: 14.5 of 18.8 MJ/m²; 1.35 × 0.77 - 0.35 = 0.69.
/// let f = cloudiness(MegajoulesPerM2(14.5), MegajoulesPerM2(18.8)).unwrap();
/// assert!((f - 0.69).abs() < 0.005);
/// ```
pub fn cloudiness(shortwave: MegajoulesPerM2, clear_sky: MegajoulesPerM2) -> Option<f64> {
    let (r_s, r_so) = (energy(shortwave), energy(clear_sky));
    (r_so > 0.0).then(|| cloudiness_of_share(r_s / r_so))
}

/// [`cloudiness`] of a known share Rs/Rso, kept within 0.3 to 1.
///
/// Source: ASCE-EWRI (2005), Eq. 18.
///
/// ```
/// use thirstd::engine::formula::radiation::cloudiness_of_share;
/// // FAO-56, Example 19, night hour: Rs/Rso 0.8 from before sunset gives 1.35 × 0.8 - 0.35 = 0.73.
/// assert!((cloudiness_of_share(0.8) - 0.73).abs() < 1e-9);
/// ```
pub fn cloudiness_of_share(share: f64) -> f64 {
    1.35 * share.clamp(0.3, 1.0) - 0.35
}

/// Net longwave loss of a day, symbol Rnl, in MJ/m².
///
/// Source: FAO-56, Eq. 39; ASCE-EWRI (2005), Eq. 17.
///
/// ```
/// use thirstd::engine::{formula::radiation::net_longwave_daily, units::{Celsius, Kilopascals}};
/// // FAO-56, Example 11: 25.1 °C, 19.0 °C, 2.1 kPa, Rs/Rso 0.77 give 3.5 MJ/m².
/// let r_nl = net_longwave_daily(Celsius(25.1), Celsius(19.0), Kilopascals(2.1), 0.691);
/// assert!((r_nl.0 - 3.5).abs() < 0.05);
/// ```
pub fn net_longwave_daily(
    highest: Celsius,
    lowest: Celsius,
    actual_vapor: Kilopascals,
    cloudiness: f64,
) -> MegajoulesPerM2 {
    let fourth = (fourth_power(highest) + fourth_power(lowest)) / 2.0;
    MegajoulesPerM2(4.901e-9 * cloudiness.clamp(0.0, 1.0) * emissivity(actual_vapor) * fourth)
}

/// Net longwave loss of a span of `length`, symbol Rnl, in MJ/m².
///
/// Source: FAO-56, Eq. 39 with the hourly constant; ASCE-EWRI (2005), Eq. 44. Length is kept within 0 to 24 h.
///
/// ```
/// use thirstd::engine::{formula::radiation::net_longwave_of_span, units::{Celsius, Hours, Kilopascals}};
/// // FAO-56, Example 19: 38 °C, 3.445 kPa, Rs/Rso 0.922 (fcd 0.894) give 0.137 MJ/m² in an hour.
/// let r_nl = net_longwave_of_span(Celsius(38.0), Kilopascals(3.445), 0.894, Hours(1.0));
/// assert!((r_nl.0 - 0.137).abs() < 0.001);
/// ```
pub fn net_longwave_of_span(
    air: Celsius,
    actual_vapor: Kilopascals,
    cloudiness: f64,
    length: Hours,
) -> MegajoulesPerM2 {
    let per_hour = 2.042e-10 * cloudiness.clamp(0.0, 1.0) * emissivity(actual_vapor) * fourth_power(air);
    MegajoulesPerM2(per_hour * length.0.clamp(0.0, 24.0))
}

/// Soil heat flux of a month from the mean temperatures of the month before and the next, symbol G, in MJ/m² a day: what
/// monthly means need and single days do not.
///
/// Source: FAO-56, Eq. 43.
///
/// ```
/// use thirstd::engine::{formula::radiation::soil_heat_of_month, units::Celsius};
/// // FAO-56, Example 13: 14.1 °C in March and 18.8 °C in May give 0.33 MJ/m² a day in April.
/// assert!((soil_heat_of_month(Celsius(14.1), Celsius(18.8)).0 - 0.33).abs() < 0.005);
/// ```
pub fn soil_heat_of_month(before: Celsius, next: Celsius) -> MegajoulesPerM2 {
    MegajoulesPerM2(0.07 * (air(next) - air(before)))
}

/// [`soil_heat_of_month`] where the next month is not known yet, from the month itself and the one before.
///
/// Source: FAO-56, Eq. 44.
///
/// ```
/// use thirstd::engine::{formula::radiation::soil_heat_of_last_month, units::Celsius};
/// // FAO-56, Example 17: 29.2 °C in March and 30.2 °C in April give 0.14 MJ/m² a day.
/// assert!((soil_heat_of_last_month(Celsius(29.2), Celsius(30.2)).0 - 0.14).abs() < 0.001);
/// ```
pub fn soil_heat_of_last_month(before: Celsius, month: Celsius) -> MegajoulesPerM2 {
    MegajoulesPerM2(0.14 * (air(month) - air(before)))
}

/// Ra between two hour angles that are inside the day.
fn between(latitude: Radians, day_of_year: u32, from: f64, to: f64) -> MegajoulesPerM2 {
    let phi = latitude.0.clamp(-PI / 2.0, PI / 2.0);
    let delta = solar::declination(day_of_year).0;
    let swept = (to - from) * phi.sin() * delta.sin() + phi.cos() * delta.cos() * (to.sin() - from.sin());
    MegajoulesPerM2((HOUR_ANGLE_MJ_PER_M2 * solar::inverse_relative_distance(day_of_year) * swept).max(0.0))
}

/// What the sun in the zenith gives while it moves on by an hour angle of 1: the solar constant is 4.92 MJ/m²/h.
pub(super) const HOUR_ANGLE_MJ_PER_M2: f64 = 12.0 / PI * 4.92;

fn emissivity(actual_vapor: Kilopascals) -> f64 {
    0.34 - 0.14 * actual_vapor.0.clamp(0.0, 20.0).sqrt()
}

fn fourth_power(temperature: Celsius) -> f64 {
    Celsius(air(temperature)).kelvin().0.powi(4)
}

fn air(temperature: Celsius) -> f64 {
    temperature.0.clamp(-100.0, 100.0)
}

/// No day on Earth brings 100 MJ/m².
fn energy(radiation: MegajoulesPerM2) -> f64 {
    radiation.0.clamp(0.0, 100.0)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn the_hours_of_a_day_add_up_to_the_day(latitude in -89.0..89.0_f64, day in 1..366_u32) {
            let latitude = Radians(latitude.to_radians());
            let day_sum = extraterrestrial_daily(latitude, day).0;
            let hour_sum: f64 = (0..24)
                .map(|hour| Radians((f64::from(hour) + 0.5 - 12.0) * PI / 12.0))
                .map(|middle| extraterrestrial_of_span(latitude, day, middle, Hours(1.0)).0)
                .sum();
            prop_assert!((day_sum - hour_sum).abs() < 1e-9, "{day_sum} {hour_sum}");
        }

        #[test]
        fn hours_of_the_midnight_sun_add_up_however_they_are_cut(shift in 0.0..1.0_f64) {
            let latitude = Radians(75.0_f64.to_radians());
            let hour_sum: f64 = (0..24)
                .map(|hour| Radians((f64::from(hour) + shift - 12.0) * PI / 12.0))
                .map(|middle| extraterrestrial_of_span(latitude, 172, middle, Hours(1.0)).0)
                .sum();
            prop_assert!((extraterrestrial_daily(latitude, 172).0 - hour_sum).abs() < 1e-9);
        }

        #[test]
        fn any_finite_input_gives_a_finite_energy(
            a in proptest::num::f64::NORMAL | proptest::num::f64::ZERO,
            b in proptest::num::f64::NORMAL | proptest::num::f64::ZERO,
            c in proptest::num::f64::NORMAL | proptest::num::f64::ZERO,
            d in proptest::num::f64::NORMAL | proptest::num::f64::ZERO,
            day in any::<u32>(),
        ) {
            let out = [
                extraterrestrial_daily(Radians(a), day).0,
                extraterrestrial_of_span(Radians(a), day, Radians(b), Hours(c)).0,
                clear_sky_simple(Meters(a), MegajoulesPerM2(b)).0,
                clear_sky_full(MegajoulesPerM2(a), Kilopascals(b), Kilopascals(c), d).0,
                mean_sine_of_elevation(Radians(a), day),
                shortwave_from_sunshine(Hours(a), Hours(b), MegajoulesPerM2(c)).0,
                shortwave_from_temperature(
                    Celsius(a), Celsius(b), Exposure::Coast, MegajoulesPerM2(c), MegajoulesPerM2(d),
                ).0,
                net_shortwave(MegajoulesPerM2(a)).0,
                cloudiness(MegajoulesPerM2(a), MegajoulesPerM2(b)).unwrap_or(0.0),
                net_longwave_daily(Celsius(a), Celsius(b), Kilopascals(c), d).0,
                net_longwave_of_span(Celsius(a), Kilopascals(b), c, Hours(d)).0,
            ];
            prop_assert!(out.iter().all(|value| value.is_finite()), "{out:?}");
        }
    }

    #[test]
    fn polar_night_gives_nothing() {
        let north = Radians(80.0_f64.to_radians());
        assert_eq!(extraterrestrial_daily(north, 355).0, 0.0);
        assert_eq!(extraterrestrial_of_span(north, 355, Radians(0.0), Hours(1.0)).0, 0.0);
        assert_eq!(cloudiness(MegajoulesPerM2(0.0), MegajoulesPerM2(0.0)), None);
    }
}
