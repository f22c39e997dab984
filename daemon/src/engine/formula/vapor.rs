//! Pressure and water vapor of air.

use super::super::units::{Celsius, Kilopascals, KilopascalsPerCelsius, Meters, Percent};

/// Saturation vapor pressure of air at `air` temperature, symbol e°(T), in kPa.
///
/// Source: FAO Irrigation and Drainage Paper 56 (Allen et al., 1998), Eq. 11; same form in ASCE-EWRI (2005), Eq. 7.
/// Range: -100 °C to 100 °C; beyond it the value at the edge.
///
/// ```
/// use thirstd::engine::{formula::vapor::saturation_vapor_pressure, units::Celsius};
/// // FAO-56, Example 3: 15.0 °C gives 1.705 kPa.
/// let e = saturation_vapor_pressure(Celsius(15.0));
/// assert!((e.0 - 1.705).abs() < 0.0005);
/// ```
pub fn saturation_vapor_pressure(air: Celsius) -> Kilopascals {
    let t = bounded(air);
    Kilopascals(0.6108 * (17.27 * t / (t + 237.3)).exp())
}

/// Mean saturation vapor pressure of a day, symbol es, in kPa: the mean of those at its highest and lowest temperature.
///
/// Source: FAO-56, Eq. 12. Range as [`saturation_vapor_pressure`]; the order of the two does not matter.
///
/// ```
/// use thirstd::engine::{formula::vapor::mean_saturation_vapor_pressure, units::Celsius};
/// // FAO-56, Example 3: 24.5 °C and 15.0 °C give 2.39 kPa.
/// let e_s = mean_saturation_vapor_pressure(Celsius(24.5), Celsius(15.0));
/// assert!((e_s.0 - 2.39).abs() < 0.005);
/// ```
pub fn mean_saturation_vapor_pressure(highest: Celsius, lowest: Celsius) -> Kilopascals {
    Kilopascals((saturation_vapor_pressure(highest).0 + saturation_vapor_pressure(lowest).0) / 2.0)
}

/// Slope of the saturation vapor pressure curve at `air` temperature, symbol Δ, in kPa/°C.
///
/// Source: ASCE-EWRI (2005), Eq. 5; FAO-56, Eq. 13, is the same within 0.003 %. Range -100 °C to 100 °C.
///
/// ```
/// use thirstd::engine::{formula::vapor::vapor_pressure_slope, units::Celsius};
/// // FAO-56, Example 17: 30.2 °C gives 0.246 kPa/°C.
/// assert!((vapor_pressure_slope(Celsius(30.2)).0 - 0.246).abs() < 0.0005);
/// ```
pub fn vapor_pressure_slope(air: Celsius) -> KilopascalsPerCelsius {
    let t = bounded(air);
    KilopascalsPerCelsius(2503.0 * (17.27 * t / (t + 237.3)).exp() / (t + 237.3).powi(2))
}

/// Mean air pressure at `elevation` above the sea, symbol P, in kPa.
///
/// Source: FAO-56, Eq. 7; ASCE-EWRI (2005), Eq. 3. Range -500 m to 9000 m.
///
/// ```
/// use thirstd::engine::{formula::vapor::pressure_at, units::Meters};
/// // FAO-56, Example 2: 1800 m gives 81.8 kPa.
/// assert!((pressure_at(Meters(1800.0)).0 - 81.8).abs() < 0.06);
/// ```
pub fn pressure_at(elevation: Meters) -> Kilopascals {
    let z = elevation.0.clamp(-500.0, 9000.0);
    Kilopascals(101.3 * ((293.0 - 0.0065 * z) / 293.0).powf(5.26))
}

/// Psychrometric constant at air pressure `pressure`, symbol γ, in kPa/°C.
///
/// Source: FAO-56, Eq. 8; ASCE-EWRI (2005), Eq. 4. Range 0 to 120 kPa.
///
/// ```
/// use thirstd::engine::{formula::vapor::psychrometric_constant, units::Kilopascals};
/// // FAO-56, Example 2: 81.8 kPa gives 0.054 kPa/°C.
/// assert!((psychrometric_constant(Kilopascals(81.8)).0 - 0.054).abs() < 0.0006);
/// ```
pub fn psychrometric_constant(pressure: Kilopascals) -> KilopascalsPerCelsius {
    KilopascalsPerCelsius(0.000_665 * pressure.0.clamp(0.0, 120.0))
}

/// Actual vapor pressure of air whose relative humidity is `humidity` at `air` temperature, symbol ea, in kPa.
///
/// Source: FAO-56, Eq. 10 and 54. Humidity is kept within 0 to 100 %.
///
/// ```
/// use thirstd::engine::{formula::vapor::vapor_pressure_of_humidity, units::{Celsius, Percent}};
/// // FAO-56, Example 19: 38 °C and 52 % give 3.445 kPa.
/// assert!((vapor_pressure_of_humidity(Celsius(38.0), Percent(52.0)).0 - 3.445).abs() < 0.001);
/// ```
pub fn vapor_pressure_of_humidity(air: Celsius, humidity: Percent) -> Kilopascals {
    Kilopascals(saturation_vapor_pressure(air).0 * share(humidity))
}

/// Actual vapor pressure of a day from its extremes, symbol ea, in kPa.
///
/// Source: FAO-56, Eq. 17. The highest humidity belongs to the lowest temperature. Humidity is kept within 0 to 100 %.
///
/// ```
/// use thirstd::engine::{formula::vapor::vapor_pressure_of_extremes, units::{Celsius, Percent}};
/// // FAO-56, Example 5: 18 °C to 25 °C with 82 % and 54 % give 1.70 kPa.
/// let e_a = vapor_pressure_of_extremes(Celsius(25.0), Celsius(18.0), Percent(82.0), Percent(54.0));
/// assert!((e_a.0 - 1.70).abs() < 0.005);
/// ```
pub fn vapor_pressure_of_extremes(
    highest: Celsius,
    lowest: Celsius,
    highest_humidity: Percent,
    lowest_humidity: Percent,
) -> Kilopascals {
    let at_lowest = vapor_pressure_of_humidity(lowest, highest_humidity).0;
    let at_highest = vapor_pressure_of_humidity(highest, lowest_humidity).0;
    Kilopascals((at_lowest + at_highest) / 2.0)
}

/// Actual vapor pressure of a day from its mean humidity, symbol ea, in kPa.
///
/// Source: FAO-56, Eq. 19. Humidity is kept within 0 to 100 %.
///
/// ```
/// use thirstd::engine::{formula::vapor::vapor_pressure_of_mean_humidity, units::{Celsius, Percent}};
/// // FAO-56, Example 5: 18 °C to 25 °C with a mean of 68 % give 1.78 kPa.
/// let e_a = vapor_pressure_of_mean_humidity(Celsius(25.0), Celsius(18.0), Percent(68.0));
/// assert!((e_a.0 - 1.78).abs() < 0.005);
/// ```
pub fn vapor_pressure_of_mean_humidity(highest: Celsius, lowest: Celsius, humidity: Percent) -> Kilopascals {
    Kilopascals(mean_saturation_vapor_pressure(highest, lowest).0 * share(humidity))
}

/// Actual vapor pressure from a ventilated psychrometer's two bulbs, symbol ea, in kPa; never below 0.
///
/// Source: FAO-56, Eq. 15 and 16, coefficient 0.000662 for ventilated bulbs.
///
/// ```
/// use thirstd::engine::{formula::vapor::vapor_pressure_of_bulbs, units::{Celsius, Kilopascals}};
/// // FAO-56, Example 4: 25.6 °C dry, 19.5 °C wet, 87.9 kPa give 1.91 kPa.
/// let e_a = vapor_pressure_of_bulbs(Celsius(25.6), Celsius(19.5), Kilopascals(87.9));
/// assert!((e_a.0 - 1.91).abs() < 0.006);
/// ```
pub fn vapor_pressure_of_bulbs(dry: Celsius, wet: Celsius, pressure: Kilopascals) -> Kilopascals {
    let gap = bounded(dry) - bounded(wet);
    let e_a = saturation_vapor_pressure(wet).0 - 0.000_662 * pressure.0.clamp(0.0, 120.0) * gap;
    Kilopascals(e_a.max(0.0))
}

/// Temperature at which air of vapor pressure `actual` is saturated, in °C: [`saturation_vapor_pressure`] inverted.
///
/// Source: FAO-56, Eq. 11 and 14, solved for temperature. Range -100 °C to 100 °C; beyond it the edge.
///
/// ```
/// use thirstd::engine::{formula::vapor::dew_point, units::Kilopascals};
/// // FAO-56, Example 3, turned around: 1.705 kPa is saturated at 15.0 °C.
/// assert!((dew_point(Kilopascals(1.705)).0 - 15.0).abs() < 0.01);
/// ```
pub fn dew_point(actual: Kilopascals) -> Celsius {
    let lowest = saturation_vapor_pressure(Celsius(-100.0)).0;
    let highest = saturation_vapor_pressure(Celsius(100.0)).0;
    let log = (actual.0.clamp(lowest, highest) / 0.6108).ln();
    Celsius(237.3 * log / (17.27 - log))
}

fn bounded(air: Celsius) -> f64 {
    air.0.clamp(-100.0, 100.0)
}

fn share(humidity: Percent) -> f64 {
    humidity.0.clamp(0.0, 100.0) / 100.0
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn dew_point_turns_saturation_around(t in -60.0..60.0_f64) {
            prop_assert!((dew_point(saturation_vapor_pressure(Celsius(t))).0 - t).abs() < 1e-9);
        }

        #[test]
        fn any_finite_input_gives_a_finite_pressure(
            a in proptest::num::f64::NORMAL | proptest::num::f64::ZERO,
            b in proptest::num::f64::NORMAL,
            c in proptest::num::f64::NORMAL,
            d in proptest::num::f64::NORMAL,
        ) {
            let out = [
                saturation_vapor_pressure(Celsius(a)).0,
                mean_saturation_vapor_pressure(Celsius(a), Celsius(b)).0,
                vapor_pressure_slope(Celsius(a)).0,
                pressure_at(Meters(a)).0,
                psychrometric_constant(Kilopascals(a)).0,
                vapor_pressure_of_humidity(Celsius(a), Percent(b)).0,
                vapor_pressure_of_extremes(Celsius(a), Celsius(b), Percent(c), Percent(d)).0,
                vapor_pressure_of_mean_humidity(Celsius(a), Celsius(b), Percent(c)).0,
                vapor_pressure_of_bulbs(Celsius(a), Celsius(b), Kilopascals(c)).0,
                dew_point(Kilopascals(a)).0,
            ];
            prop_assert!(out.iter().all(|value| value.is_finite()), "{out:?}");
        }
    }
}
