//! Values as people read them, in the units of their site.

use super::Unit;
use crate::engine::reading::Quantity;

/// The units that texts for people are written in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum DisplayUnits {
    #[default]
    Metric,
    Us,
}

impl DisplayUnits {
    /// A value of `quantity` for people, with its unit.
    ///
    /// ```
    /// use thirstd::engine::{reading::Quantity, units::DisplayUnits};
    /// assert_eq!(DisplayUnits::Us.value(Quantity::AirTemperature, 100.0), (212.0, "°F"));
    /// assert_eq!(DisplayUnits::Us.change(Quantity::AirTemperature, 5.0), (9.0, "°F"));
    /// ```
    pub fn value(self, quantity: Quantity, value: f64) -> (f64, &'static str) {
        let (number, unit) = self.change(quantity, value);
        (if unit == "°F" { number + 32.0 } else { number }, unit)
    }

    /// A difference of two values of `quantity` for people, with its unit: 5 °C are 9 °F.
    pub fn change(self, quantity: Quantity, change: f64) -> (f64, &'static str) {
        match (self, quantity.unit()) {
            (Self::Us, "Cel") => (change * 1.8, "°F"),
            (Self::Us, "m/s") => (change / M_PER_S_PER_MPH, "mph"),
            (Self::Us, "mm") => (change / MM_PER_INCH, "in"),
            (Self::Us, "mm/h") => (change / MM_PER_INCH, "in/h"),
            (Self::Us, "hPa") => (change / HPA_PER_INCH_OF_MERCURY, "inHg"),
            (_, "Cel") => (change, "°C"),
            (_, "deg") => (change, "°"),
            (_, "W/m2") => (change, "W/m²"),
            (_, "dB[mW]") => (change, "dBm"),
            (_, "1") => (change, ""),
            (_, unit) => (change, unit),
        }
    }

    /// The same for a field of a feed: a rain counter in tips stays in tips.
    pub fn value_of_field(self, quantity: Quantity, field: Unit, value: f64) -> (f64, &'static str) {
        if quantity == Quantity::RainCounter && field == Unit::Tips {
            return (value, "tips");
        }
        self.value(quantity, value)
    }
}

/// By definition.
const MM_PER_INCH: f64 = 25.4;
const M_PER_S_PER_MPH: f64 = 0.44704;

/// Conventional inch of mercury (NIST SP 811, B.8).
const HPA_PER_INCH_OF_MERCURY: f64 = 33.863_89;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_and_changes_are_told_in_the_units_of_the_site() {
        for (quantity, value, us, metric) in [
            (Quantity::AirTemperature, -40.0, (-40.0, "°F"), (-40.0, "°C")),
            (Quantity::WindSpeed, 4.4704, (10.0, "mph"), (4.4704, "m/s")),
            (Quantity::RainfallAmount, 25.4, (1.0, "in"), (25.4, "mm")),
            (Quantity::RainfallRate, 50.8, (2.0, "in/h"), (50.8, "mm/h")),
            (Quantity::AirPressure, 1015.9167, (30.0, "inHg"), (1015.9167, "hPa")),
            (Quantity::RelativeHumidity, 55.0, (55.0, "%"), (55.0, "%")),
            (Quantity::SurfaceDownwellingShortwaveFlux, 800.0, (800.0, "W/m²"), (800.0, "W/m²")),
            (Quantity::BatteryOk, 1.0, (1.0, ""), (1.0, "")),
        ] {
            let (number, unit) = DisplayUnits::Us.value(quantity, value);
            assert!((number - us.0).abs() < 1e-6 && unit == us.1, "{number} {unit}");
            assert_eq!(DisplayUnits::Metric.value(quantity, value), metric);
        }
        assert_eq!(DisplayUnits::Us.value_of_field(Quantity::RainCounter, Unit::Tips, 7.0), (7.0, "tips"));
    }
}
