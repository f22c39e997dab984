//! Units: one type per unit inside the engine, and the unit texts of configuration and payloads.

mod display;

use super::reading::Quantity;
pub use display::DisplayUnits;

/// One tuple struct per unit; the field is the plain number.
macro_rules! units {
    ($($(#[$doc:meta])* $name:ident;)+) => {
        $($(#[$doc])* #[derive(Clone, Copy, Debug, PartialEq, PartialOrd)] pub struct $name(pub f64);)+
    };
}

units! {
    /// Temperature in °C.
    Celsius;
    /// Absolute temperature in K.
    Kelvin;
    /// Pressure in kPa.
    Kilopascals;
    /// Change of vapor pressure with temperature in kPa/°C.
    KilopascalsPerCelsius;
    /// Water depth in mm (1 mm on 1 m² is 1 L).
    Millimeters;
    /// Energy on a surface in MJ/m², over a step (day, hour) that the context names.
    MegajoulesPerM2;
    /// Energy flux in W/m².
    WattsPerM2;
    /// Speed in m/s.
    MetersPerSecond;
    /// Height in m.
    Meters;
    /// Share in percent.
    Percent;
    /// Angle in degrees.
    Degrees;
    /// Angle in radians.
    Radians;
    /// Span of time in hours.
    Hours;
    /// Electric tension in V.
    Volts;
}

impl Celsius {
    /// Absolute temperature with the standards' rounded offset of 273.16 (FAO-56, Eq. 39; ASCE-EWRI, Eq. 17).
    pub fn kelvin(self) -> Kelvin {
        Kelvin(self.0 + 273.16)
    }
}

impl Degrees {
    /// The same angle in radians.
    pub fn radians(self) -> Radians {
        Radians(self.0.to_radians())
    }
}

impl Radians {
    /// The same angle in degrees.
    pub fn degrees(self) -> Degrees {
        Degrees(self.0.to_degrees())
    }
}

impl WattsPerM2 {
    /// The energy that this mean flux brings in `span`: 1 W/m² for an hour is 0.0036 MJ/m².
    pub fn over(self, span: Hours) -> MegajoulesPerM2 {
        MegajoulesPerM2(self.0 * span.0 * 0.0036)
    }
}

impl MegajoulesPerM2 {
    /// The water that this energy evaporates: 0.408 mm for each MJ/m² (latent heat 2.45 MJ/kg; FAO-56, Eq. 20).
    pub fn water(self) -> Millimeters {
        Millimeters(self.0 * 0.408)
    }
}

/// A unit that text can name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Unit {
    Celsius,
    Fahrenheit,
    Kelvin,
    Millimeters,
    Centimeters,
    Inches,
    Tips,
    MetersPerSecond,
    KilometersPerHour,
    MilesPerHour,
    Knots,
    Hectopascals,
    Kilopascals,
    Pascals,
    InchesOfMercury,
    MillimetersOfMercury,
    WattsPerM2,
    MegajoulesPerM2Hour,
    Percent,
    One,
    Truth,
    Volts,
    Millivolts,
    DecibelMilliwatts,
    Decibels,
    Degrees,
    MillimetersPerHour,
    InchesPerHour,
}

/// What a unit measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Dimension {
    Temperature,
    Depth,
    Tips,
    Speed,
    Pressure,
    Irradiance,
    Ratio,
    Truth,
    Tension,
    PowerLevel,
    LevelDifference,
    Angle,
    DepthRate,
}

impl Unit {
    /// The unit that `text` names: a UCUM code or a usual spelling, upper and lower case as written (`K` is kelvin, `k`
    /// nothing; `mV` is not `MV`). Blanks around it do not matter.
    ///
    /// Lux is no unit here: there is no honest conversion to W/m².
    ///
    /// ```
    /// use thirstd::engine::units::Unit;
    /// assert_eq!(Unit::parse("[degF]"), Some(Unit::Fahrenheit));
    /// assert_eq!(Unit::parse("lx"), None);
    /// ```
    pub fn parse(text: &str) -> Option<Self> {
        let text = text.trim();
        SPELLINGS.iter().find(|(_, spellings)| spellings.contains(&text)).map(|(unit, _)| *unit)
    }

    /// What this unit measures.
    pub fn dimension(self) -> Dimension {
        match self {
            Self::Celsius | Self::Fahrenheit | Self::Kelvin => Dimension::Temperature,
            Self::Millimeters | Self::Centimeters | Self::Inches => Dimension::Depth,
            Self::Tips => Dimension::Tips,
            Self::MetersPerSecond | Self::KilometersPerHour | Self::MilesPerHour | Self::Knots => Dimension::Speed,
            Self::Hectopascals
            | Self::Kilopascals
            | Self::Pascals
            | Self::InchesOfMercury
            | Self::MillimetersOfMercury => Dimension::Pressure,
            Self::WattsPerM2 | Self::MegajoulesPerM2Hour => Dimension::Irradiance,
            Self::Percent | Self::One => Dimension::Ratio,
            Self::Truth => Dimension::Truth,
            Self::Volts | Self::Millivolts => Dimension::Tension,
            Self::DecibelMilliwatts => Dimension::PowerLevel,
            Self::Decibels => Dimension::LevelDifference,
            Self::Degrees => Dimension::Angle,
            Self::MillimetersPerHour | Self::InchesPerHour => Dimension::DepthRate,
        }
    }

    /// `value` of this unit in the engine's unit of `to` ([`Quantity::unit`]); `None` where the unit does not fit the
    /// quantity or the outcome is not finite.
    ///
    /// A rain counter in tips stays in tips: the depth of a tip is the gauge's own figure. A truth value (0 or 1) fits
    /// leaf wetness (dry 0 %, wet 100 %) and the battery's ok.
    ///
    /// ```
    /// use thirstd::engine::{reading::Quantity, units::Unit};
    /// assert_eq!(Unit::Inches.convert(0.25, Quantity::RainCounter), Some(6.35));
    /// assert_eq!(Unit::Inches.convert(0.25, Quantity::AirPressure), None);
    /// ```
    pub fn convert(self, value: f64, to: Quantity) -> Option<f64> {
        let converted = match (to, self) {
            (Quantity::BatteryOk | Quantity::SequenceNumber, Self::One) => value,
            (Quantity::BatteryOk, Self::Truth) if is_truth(value) => value,
            (Quantity::LeafWetness, Self::Truth) if is_truth(value) => value * 100.0,
            (Quantity::RainCounter, Self::Tips) => value,
            _ if dimension_of(to) == Some(self.dimension()) => self.in_engine_unit(value),
            _ => return None,
        };
        converted.is_finite().then_some(converted)
    }

    /// Spellings to offer in an error text about `quantity`, the engine's own unit first.
    pub fn spellings_for(quantity: Quantity) -> &'static [&'static str] {
        match quantity {
            Quantity::RainCounter => &["mm", "cm", "in", "[in_i]", "inch", "inches", "tips"],
            Quantity::BatteryOk => &["1", "bool"],
            Quantity::SequenceNumber => &["1"],
            Quantity::LeafWetness => &["%", "percent", "1", "bool"],
            _ => match dimension_of(quantity) {
                Some(Dimension::Temperature) => &["Cel", "degC", "°C", "C", "[degF]", "degF", "°F", "F", "K"],
                Some(Dimension::Depth) => &["mm", "cm", "in", "[in_i]", "inch", "inches"],
                Some(Dimension::Speed) => {
                    &["m/s", "mps", "km/h", "kmh", "kph", "mph", "[mi_i]/h", "kn", "[kn_i]", "kt"]
                }
                Some(Dimension::Pressure) => &["hPa", "mbar", "kPa", "Pa", "inHg", "[in_i'Hg]", "mmHg", "mm[Hg]"],
                Some(Dimension::Irradiance) => &["W/m2", "W/m^2", "W/m²", "MJ/m2/h"],
                Some(Dimension::Ratio) => &["%", "percent", "1"],
                Some(Dimension::Tension) => &["V", "volts", "mV"],
                Some(Dimension::PowerLevel) => &["dBm", "dB[mW]"],
                Some(Dimension::LevelDifference) => &["dB"],
                Some(Dimension::Angle) => &["deg", "°"],
                Some(Dimension::DepthRate) => &["mm/h", "in/h", "[in_i]/h"],
                Some(Dimension::Tips | Dimension::Truth) | None => &[],
            },
        }
    }

    /// Factors are exact by definition (inch 25.4 mm, mile 1609.344 m, nautical mile 1852 m) except mercury:
    /// NIST Special Publication 811, Appendix B.8 (conventional inch of mercury 3.386389 kPa, mmHg 133.3224 Pa).
    fn in_engine_unit(self, value: f64) -> f64 {
        match self {
            Self::Celsius
            | Self::Millimeters
            | Self::Tips
            | Self::MetersPerSecond
            | Self::Hectopascals
            | Self::WattsPerM2
            | Self::Percent
            | Self::Truth
            | Self::Volts
            | Self::DecibelMilliwatts
            | Self::Decibels
            | Self::Degrees
            | Self::MillimetersPerHour => value,
            Self::Fahrenheit => (value - 32.0) / 1.8,
            Self::Kelvin => value - 273.15,
            Self::Centimeters | Self::Kilopascals => value * 10.0,
            Self::Inches | Self::InchesPerHour => value * 25.4,
            Self::KilometersPerHour => value / 3.6,
            Self::MilesPerHour => value * 0.447_04,
            Self::Knots => value * 1852.0 / 3600.0,
            Self::Pascals => value / 100.0,
            Self::InchesOfMercury => value * 33.863_89,
            Self::MillimetersOfMercury => value * 1.333_224,
            Self::MegajoulesPerM2Hour => value / 0.0036,
            Self::One => value * 100.0,
            Self::Millivolts => value / 1000.0,
        }
    }
}

/// The value of a text such as `0.25 in`, `35 degF` or `6mm`, in the engine's unit of `quantity`.
///
/// # Errors
/// A text for people, when there is no finite number in front (with a decimal point), no unit behind it, or a unit that
/// does not fit the quantity.
///
/// ```
/// use thirstd::engine::{reading::Quantity, units::parse_quantity_text};
/// assert_eq!(parse_quantity_text("0.25 in", Quantity::RainfallAmount), Ok(6.35));
/// assert!(parse_quantity_text("6 apples", Quantity::RainfallAmount).is_err());
/// ```
pub fn parse_quantity_text(text: &str, quantity: Quantity) -> Result<f64, String> {
    let shown: String = text.chars().take(40).collect();
    let accepted = || Unit::spellings_for(quantity).join(", ");
    let Some((number, rest)) = split_number(text.trim()) else {
        return Err(format!("\"{shown}\" must start with a number, then a unit: one of {}", accepted()));
    };
    let unit_text = rest.trim();
    if unit_text.is_empty() {
        return Err(format!("\"{shown}\" needs a unit behind the number: one of {}", accepted()));
    }
    if unit_text.starts_with(',') {
        return Err(format!("\"{shown}\" must be written with a decimal point"));
    }
    Unit::parse(unit_text)
        .and_then(|unit| unit.convert(number, quantity))
        .ok_or_else(|| format!("\"{shown}\" has no unit of {}: use one of {}", quantity.name(), accepted()))
}

/// The longest leading number and what follows. `1e3` is a number, `1 e` is 1 and a unit.
fn split_number(text: &str) -> Option<(f64, &str)> {
    let end = text.find(|c: char| !(c.is_ascii_digit() || "+-.eE".contains(c))).unwrap_or(text.len());
    // Every byte before `end` is ASCII, so each position is a character boundary.
    (1..=end.min(40)).rev().find_map(|at| {
        let (number, rest) = text.split_at_checked(at)?;
        let number: f64 = number.parse().ok()?;
        number.is_finite().then_some((number, rest))
    })
}

fn is_truth(value: f64) -> bool {
    value == 0.0 || value == 1.0
}

/// What a quantity measures; `None` where no dimension with conversions applies.
fn dimension_of(quantity: Quantity) -> Option<Dimension> {
    Some(match quantity {
        Quantity::AirTemperature | Quantity::DewPointTemperature | Quantity::SoilTemperature => Dimension::Temperature,
        Quantity::RelativeHumidity | Quantity::SoilMoisture | Quantity::LeafWetness | Quantity::BatteryLevel => {
            Dimension::Ratio
        }
        Quantity::AirPressure => Dimension::Pressure,
        Quantity::WindSpeed | Quantity::WindSpeedOfGust => Dimension::Speed,
        Quantity::WindFromDirection => Dimension::Angle,
        Quantity::SurfaceDownwellingShortwaveFlux => Dimension::Irradiance,
        Quantity::RainfallAmount | Quantity::RainCounter => Dimension::Depth,
        Quantity::RainfallRate => Dimension::DepthRate,
        Quantity::BatteryVoltage => Dimension::Tension,
        Quantity::Rssi => Dimension::PowerLevel,
        Quantity::Snr => Dimension::LevelDifference,
        Quantity::BatteryOk | Quantity::SequenceNumber => return None,
    })
}

/// UCUM code first (ucum.org, case-sensitive codes), then the usual spellings.
const SPELLINGS: &[(Unit, &[&str])] = &[
    (Unit::Celsius, &["Cel", "degC", "°C", "℃", "C", "celsius"]),
    (Unit::Fahrenheit, &["[degF]", "degF", "°F", "℉", "F", "fahrenheit"]),
    (Unit::Kelvin, &["K", "kelvin"]),
    (Unit::Millimeters, &["mm"]),
    (Unit::Centimeters, &["cm"]),
    (Unit::Inches, &["[in_i]", "in", "inch", "inches"]),
    (Unit::Tips, &["tips", "{tips}"]),
    (Unit::MetersPerSecond, &["m/s", "mps", "m_s"]),
    (Unit::KilometersPerHour, &["km/h", "kmh", "kph"]),
    (Unit::MilesPerHour, &["[mi_i]/h", "mph", "mi/h"]),
    (Unit::Knots, &["[kn_i]", "kn", "kt", "knots"]),
    (Unit::Hectopascals, &["hPa", "mbar"]),
    (Unit::Kilopascals, &["kPa"]),
    (Unit::Pascals, &["Pa"]),
    (Unit::InchesOfMercury, &["[in_i'Hg]", "inHg"]),
    (Unit::MillimetersOfMercury, &["mm[Hg]", "mmHg"]),
    (Unit::WattsPerM2, &["W/m2", "W/m^2", "W/m²"]),
    (Unit::MegajoulesPerM2Hour, &["MJ/m2/h", "MJ/m^2/h", "MJ/m²/h"]),
    (Unit::Percent, &["%", "percent"]),
    (Unit::One, &["1", "m3/m3"]),
    (Unit::Truth, &["bool", "boolean"]),
    (Unit::Volts, &["V", "volt", "volts"]),
    (Unit::Millivolts, &["mV"]),
    (Unit::DecibelMilliwatts, &["dB[mW]", "dBm"]),
    (Unit::Decibels, &["dB"]),
    (Unit::Degrees, &["deg", "°", "degrees"]),
    (Unit::MillimetersPerHour, &["mm/h"]),
    (Unit::InchesPerHour, &["[in_i]/h", "in/h"]),
];

#[cfg(test)]
mod tests;
