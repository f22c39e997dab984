//! Effective rain, and the water balance of the root zone (FAO-56, chapter 8).

use super::super::units::Millimeters;

/// Rain of a day that reaches the roots and can be stored there, in mm.
///
/// Rain below a fifth of the day's reference evapotranspiration never reaches the ground; what the root zone
/// has no room for drains.
///
/// Source: FAO-56, chapter 8, on Eq. 85: light rain of less than 0.2 ETo is normally entirely evaporated.
///
/// ```
/// use thirstd::engine::{formula::root_zone::effective_rain, units::Millimeters};
/// // FAO-56, chapter 8: with 5 mm of ETo, rain of 0.9 mm may be ignored.
/// assert_eq!(effective_rain(Millimeters(0.9), Millimeters(5.0), Millimeters(30.0)).0, 0.0);
/// assert_eq!(effective_rain(Millimeters(40.0), Millimeters(5.0), Millimeters(30.0)).0, 30.0);
/// ```
pub fn effective_rain(rain: Millimeters, eto: Millimeters, room: Millimeters) -> Millimeters {
    let rain = depth(rain);
    if rain < 0.2 * depth(eto) { Millimeters(0.0) } else { Millimeters(rain.min(depth(room))) }
}

/// Effective rain of a month from its total, in mm.
///
/// Source: USDA Soil Conservation Service method as in FAO's CROPWAT: P (125 - 0.2 P) / 125 up to 250 mm, then
/// 125 + 0.1 P.
///
/// ```
/// use thirstd::engine::{formula::root_zone::effective_rain_monthly_scs, units::Millimeters};
/// // By the rule itself: 100 mm give 84 mm; both branches meet at 250 mm with 150 mm.
/// assert_eq!(effective_rain_monthly_scs(Millimeters(100.0)).0, 84.0);
/// assert_eq!(effective_rain_monthly_scs(Millimeters(250.0)).0, 150.0);
/// ```
pub fn effective_rain_monthly_scs(rain: Millimeters) -> Millimeters {
    let p = depth(rain);
    Millimeters(if p <= 250.0 { p * (125.0 - 0.2 * p) / 125.0 } else { 125.0 + 0.1 * p })
}

/// Dependable rain of a month from its total, in mm, never below 0.
///
/// Source: FAO dependable rain formula (AGLW): 0.6 P - 10 up to 70 mm, then 0.8 P - 24.
///
/// ```
/// use thirstd::engine::{formula::root_zone::effective_rain_monthly_fao, units::Millimeters};
/// // By the rule itself: both branches meet at 70 mm with 32 mm.
/// assert_eq!(effective_rain_monthly_fao(Millimeters(70.0)).0, 32.0);
/// assert_eq!(effective_rain_monthly_fao(Millimeters(10.0)).0, 0.0);
/// ```
pub fn effective_rain_monthly_fao(rain: Millimeters) -> Millimeters {
    let p = depth(rain);
    Millimeters((if p <= 70.0 { 0.6 * p - 10.0 } else { 0.8 * p - 24.0 }).max(0.0))
}

/// Water that roots can take from field capacity to wilting point, symbol TAW, in mm.
///
/// `field_capacity` and `wilting_point` in m³/m³, `root_depth` in m (kept within 0 to 10).
///
/// Source: FAO-56, Eq. 82.
///
/// ```
/// use thirstd::engine::formula::root_zone::total_available_water;
/// // FAO-56, Example 36: onion on silt (0.32, 0.15), roots of 0.4 m: 68 mm.
/// assert!((total_available_water(0.32, 0.15, 0.4).0 - 68.0).abs() < 0.6);
/// ```
pub fn total_available_water(field_capacity: f64, wilting_point: f64, root_depth: f64) -> Millimeters {
    let held = (field_capacity.clamp(0.0, 1.0) - wilting_point.clamp(0.0, 1.0)).max(0.0);
    Millimeters(1000.0 * held * root_depth.clamp(0.0, 10.0))
}

/// Water that roots can take before the plant closes up, symbol RAW, in mm. `depletion_fraction` (p) within 0 to 1.
///
/// Source: FAO-56, Eq. 83.
///
/// ```
/// use thirstd::engine::{formula::root_zone::readily_available_water, units::Millimeters};
/// // FAO-56, Example 36: onion (p 0.30) on silt, 68 mm: about 20 mm.
/// assert!((readily_available_water(Millimeters(68.0), 0.3).0 - 20.4).abs() < 0.1);
/// ```
pub fn readily_available_water(total: Millimeters, depletion_fraction: f64) -> Millimeters {
    Millimeters(depth(total) * depletion_fraction.clamp(0.0, 1.0))
}

/// The depletion fraction p for the day's evaporative demand `crop_et`, within 0.1 to 0.8.
///
/// Source: FAO-56, Table 22, note 2: `p = p(table) + 0.04 (5 - ETc)`.
///
/// ```
/// use thirstd::engine::{formula::root_zone::depletion_fraction_for, units::Millimeters};
/// // FAO-56, Table 22: the table is for 5 mm a day.
/// assert_eq!(depletion_fraction_for(0.4, Millimeters(5.0)), 0.4);
/// ```
pub fn depletion_fraction_for(table: f64, crop_et: Millimeters) -> f64 {
    (table.clamp(0.0, 1.0) + 0.04 * (5.0 - depth(crop_et))).clamp(0.1, 0.8)
}

/// Water stress coefficient, symbol Ks, 0 to 1: the share of its evapotranspiration that a plant keeps up.
///
/// Source: FAO-56, Eq. 84.
///
/// ```
/// use thirstd::engine::{formula::root_zone::stress_coefficient, units::Millimeters};
/// // FAO-56, Example 37: tomato (p 0.40) on silt, 136 mm, depletion 60 mm: 0.93.
/// assert!((stress_coefficient(Millimeters(60.0), Millimeters(136.0), 0.4) - 0.93).abs() < 0.006);
/// ```
pub fn stress_coefficient(depletion: Millimeters, total: Millimeters, depletion_fraction: f64) -> f64 {
    let (d_r, taw, p) = (depth(depletion), depth(total), depletion_fraction.clamp(0.0, 1.0));
    if d_r <= p * taw {
        return 1.0;
    }
    // Here p < 1 or the depletion is beyond the total.
    let span = (1.0 - p) * taw;
    if span > 0.0 { ((taw - d_r) / span).clamp(0.0, 1.0) } else { 0.0 }
}

/// What one day brings to the root zone and takes from it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DayWater {
    /// Rain less runoff, already free of what never reached the ground.
    pub rain: Millimeters,
    /// Net irrigation that soaked in.
    pub irrigation: Millimeters,
    /// Plant factor × ETo, before stress.
    pub crop_et: Millimeters,
}

/// The root zone after one day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DayOutcome {
    /// Depletion at the end, 0 (field capacity) to the total available water.
    pub depletion: Millimeters,
    /// What the plant really used.
    pub actual_et: Millimeters,
    /// What went below the roots.
    pub drained: Millimeters,
    /// Ks during the day, from the depletion at its start.
    pub stress: f64,
}

/// One day of the root-zone balance.
///
/// Source: FAO-56, Eq. 85 to 88, without capillary rise; Ks from the depletion at the day's start as in Example 37.
///
/// ```
/// use thirstd::engine::{formula::root_zone::{DayWater, balance_day}, units::Millimeters};
/// // FAO-56, Example 37: 60.0 mm depleted, 5 mm demand, no water: 64.6 or 64.7 mm the next morning.
/// let day = DayWater { rain: Millimeters(0.0), irrigation: Millimeters(0.0), crop_et: Millimeters(5.0) };
/// let outcome = balance_day(Millimeters(60.0), Millimeters(136.0), 0.4, &day);
/// assert!((outcome.depletion.0 - 64.66).abs() < 0.01);
/// ```
pub fn balance_day(start: Millimeters, total: Millimeters, depletion_fraction: f64, day: &DayWater) -> DayOutcome {
    let taw = depth(total);
    let start = depth(start).min(taw);
    let stress = stress_coefficient(Millimeters(start), total, depletion_fraction);
    let wanted = stress * depth(day.crop_et);
    let gained = depth(day.rain) + depth(day.irrigation);
    let left = start - gained + wanted;
    let depletion = left.clamp(0.0, taw);
    // Beyond the total there is nothing to take: the plant used less.
    let actual_et = wanted - (left - taw).max(0.0);
    DayOutcome {
        depletion: Millimeters(depletion),
        actual_et: Millimeters(actual_et.max(0.0)),
        drained: Millimeters((-left).max(0.0)),
        stress,
    }
}

/// A depth is never below 0; 100 m of water is no weather.
fn depth(amount: Millimeters) -> f64 {
    amount.0.clamp(0.0, 100_000.0)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn water_is_neither_made_nor_lost(
            start in 0.0..150.0_f64,
            total in 1.0..150.0_f64,
            p in 0.0..1.0_f64,
            rain in 0.0..80.0_f64,
            irrigation in 0.0..40.0_f64,
            crop_et in 0.0..12.0_f64,
        ) {
            let day = DayWater {
                rain: Millimeters(rain),
                irrigation: Millimeters(irrigation),
                crop_et: Millimeters(crop_et),
            };
            let outcome = balance_day(Millimeters(start), Millimeters(total), p, &day);
            let change = start.min(total) - outcome.depletion.0;
            let net = rain + irrigation - outcome.actual_et.0 - outcome.drained.0;
            prop_assert!((change - net).abs() < 1e-9, "{outcome:?}");
            prop_assert!((0.0..=1.0).contains(&outcome.stress));
        }

        #[test]
        fn any_finite_input_gives_a_finite_depth(
            a in proptest::num::f64::NORMAL | proptest::num::f64::ZERO,
            b in proptest::num::f64::NORMAL | proptest::num::f64::ZERO,
            c in proptest::num::f64::NORMAL | proptest::num::f64::ZERO,
        ) {
            let day = DayWater { rain: Millimeters(c), irrigation: Millimeters(a), crop_et: Millimeters(b) };
            let outcome = balance_day(Millimeters(a), Millimeters(b), c, &day);
            let out = [
                effective_rain(Millimeters(a), Millimeters(b), Millimeters(c)).0,
                effective_rain_monthly_scs(Millimeters(a)).0,
                effective_rain_monthly_fao(Millimeters(a)).0,
                total_available_water(a, b, c).0,
                readily_available_water(Millimeters(a), b).0,
                depletion_fraction_for(a, Millimeters(b)),
                outcome.depletion.0, outcome.actual_et.0, outcome.drained.0, outcome.stress,
            ];
            prop_assert!(out.iter().all(|value| value.is_finite()), "{out:?}");
        }
    }

    #[test]
    fn a_soil_without_storage_gives_no_stress_number_out_of_range() {
        assert_eq!(stress_coefficient(Millimeters(0.0), Millimeters(0.0), 0.5), 1.0);
        assert_eq!(stress_coefficient(Millimeters(5.0), Millimeters(0.0), 0.5), 0.0);
        assert_eq!(stress_coefficient(Millimeters(5.0), Millimeters(5.0), 1.0), 1.0);
    }
}
