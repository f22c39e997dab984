//! Units of incoming values and their conversion to the unit the engine works in (see `Quantity::unit`).

use super::reading::Quantity;

/// A unit that a field of a feed can be in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    Celsius,
    Fahrenheit,
    Millimeter,
    Inch,
    Tips,
    Percent,
    MeterPerSecond,
    MilePerHour,
    Hectopascal,
    WattPerSquareMeter,
    Volt,
    Millivolt,
    One,
    Degree,
    DecibelMilliwatt,
}

impl Unit {
    /// The unit of that UCUM code or usual spelling.
    pub fn parse(text: &str) -> Option<Self> {
        Some(match text {
            "Cel" | "°C" | "C" | "degC" => Self::Celsius,
            "[degF]" | "degF" | "°F" | "F" => Self::Fahrenheit,
            "mm" => Self::Millimeter,
            "[in_i]" | "in" => Self::Inch,
            "tips" => Self::Tips,
            "%" => Self::Percent,
            "m/s" => Self::MeterPerSecond,
            "[mi_i]/h" | "mph" => Self::MilePerHour,
            "hPa" => Self::Hectopascal,
            "W/m2" | "W/m²" => Self::WattPerSquareMeter,
            "V" => Self::Volt,
            "mV" => Self::Millivolt,
            "1" => Self::One,
            "deg" | "°" => Self::Degree,
            "dB[mW]" | "dBm" => Self::DecibelMilliwatt,
            _ => return None,
        })
    }

    /// `value` of this unit in the unit of `quantity`; `None` when the unit cannot measure it.
    pub fn convert(self, value: f64, quantity: Quantity) -> Option<f64> {
        Some(match (self, quantity.unit()) {
            (Self::Celsius, "Cel")
            | (Self::Millimeter, "mm")
            | (Self::Percent, "%")
            | (Self::MeterPerSecond, "m/s")
            | (Self::Hectopascal, "hPa")
            | (Self::WattPerSquareMeter, "W/m2")
            | (Self::Volt, "V")
            | (Self::One, "1" | "dB")
            | (Self::Degree, "deg")
            | (Self::DecibelMilliwatt, "dB[mW]") => value,
            (Self::Fahrenheit, "Cel") => (value - 32.0) / 1.8,
            (Self::Inch, "mm") => value * 25.4,
            (Self::MilePerHour, "m/s") => value * 0.44704,
            (Self::Millivolt, "V") => value / 1000.0,
            (Self::Tips, "mm") if quantity == Quantity::RainCounter => value,
            _ => return None,
        })
    }
}
