//! Numbers with units as people write them in a configuration: `"0.25 in"`, `"35 degF"`, `"10 min"`, `"26 h"`.

use crate::engine::{reading::Quantity, units::parse_quantity_text};

/// What a setting measures: how it is written, and in which unit the program keeps it.
#[derive(Debug)]
pub(super) struct Measure {
    /// With its article, for texts: `a depth`.
    pub noun: &'static str,
    /// Behind the key where the value is a plain number: `_mm`.
    pub suffix: &'static str,
    /// Behind a number in texts.
    pub unit: &'static str,
    /// Two ways to write one.
    pub examples: &'static str,
    read: Read,
}

#[derive(Debug)]
enum Read {
    Quantity(Quantity),
    /// A difference of two values: 9 °F are 5 °C.
    Difference(Quantity),
    /// Spellings, and how many of the kept unit one of them is.
    Spellings(&'static [(&'static [&'static str], f64)]),
}

impl Measure {
    /// The value of `text` in the kept unit; `None` where it is no number with a unit that fits.
    pub(super) fn parse(&self, text: &str) -> Option<f64> {
        let value = match self.read {
            Read::Quantity(quantity) => parse_quantity_text(text, quantity).ok()?,
            Read::Difference(quantity) => {
                let (number, unit) = split_number(text.trim())?;
                let of = |number: f64| parse_quantity_text(&format!("{number} {unit}"), quantity).ok();
                of(number)? - of(0.0)?
            }
            Read::Spellings(spellings) => {
                let (number, unit) = split_number(text.trim())?;
                let factor = spellings.iter().find(|(names, _)| names.contains(&unit))?.1;
                number * factor
            }
        };
        // Adding zero turns -0 into 0; rounding takes back what the conversion of units added.
        value.is_finite().then_some(rounded(value) + 0.0)
    }

    /// A value of the kept unit as text: `6 mm`, `30 days`.
    pub(super) fn show(&self, value: f64) -> String {
        if let Read::Spellings(spellings) = self.read {
            // The largest unit of time that divides it.
            let larger =
                spellings.iter().rev().find(|(_, factor)| *factor > 1.0 && value > 0.0 && value % factor == 0.0);
            if let (true, Some((names, factor))) = (self.unit != "m", larger) {
                let name = if names.contains(&"days") { "days" } else { names[0] };
                return format!("{} {name}", value / factor);
            }
        }
        format!("{value} {}", self.unit)
    }
}

impl Measure {
    /// A value of that quantity; `None` for what has no unit.
    pub(super) fn of(quantity: Quantity) -> Option<Self> {
        let (noun, suffix, unit, examples) = match quantity {
            Quantity::AirTemperature | Quantity::DewPointTemperature | Quantity::SoilTemperature => {
                (TEMPERATURE.noun, TEMPERATURE.suffix, TEMPERATURE.unit, TEMPERATURE.examples)
            }
            Quantity::RelativeHumidity | Quantity::SoilMoisture | Quantity::LeafWetness | Quantity::BatteryLevel => {
                (SHARE.noun, SHARE.suffix, SHARE.unit, SHARE.examples)
            }
            Quantity::AirPressure => ("a pressure", "_hpa", "hPa", "\"1013 hPa\" or \"29.9 inHg\""),
            Quantity::WindSpeed | Quantity::WindSpeedOfGust => (SPEED.noun, SPEED.suffix, SPEED.unit, SPEED.examples),
            Quantity::WindFromDirection => ("an angle", "_degrees", "°", "\"90 °\""),
            Quantity::SurfaceDownwellingShortwaveFlux => ("an irradiance", "_w_per_m2", "W/m2", "\"10 W/m2\""),
            Quantity::RainfallAmount | Quantity::RainCounter => (DEPTH.noun, DEPTH.suffix, DEPTH.unit, DEPTH.examples),
            Quantity::RainfallRate => (RATE.noun, RATE.suffix, RATE.unit, RATE.examples),
            Quantity::BatteryVoltage => (TENSION.noun, TENSION.suffix, TENSION.unit, TENSION.examples),
            Quantity::Rssi => ("a level", "_dbm", "dBm", "\"-90 dBm\""),
            Quantity::Snr => ("a ratio", "_db", "dB", "\"5 dB\""),
            Quantity::BatteryOk | Quantity::SequenceNumber => return None,
        };
        Some(Self { noun, suffix, unit, examples, read: Read::Quantity(quantity) })
    }

    /// A change of that quantity; `None` for what has no unit.
    pub(super) fn change_of(quantity: Quantity) -> Option<Self> {
        Some(Self { noun: "a change", read: Read::Difference(quantity), ..Self::of(quantity)? })
    }
}

/// Nine decimals are finer than any setting.
fn rounded(value: f64) -> f64 {
    if value.abs() < 1e6 { (value * 1e9).round() / 1e9 } else { value }
}

/// A number in front and the rest without the blanks between.
fn split_number(text: &str) -> Option<(f64, &str)> {
    let end = text.find(|c: char| !(c.is_ascii_digit() || "+-.".contains(c))).unwrap_or(text.len());
    let (number, rest) = text.split_at_checked(end)?;
    let number: f64 = number.parse().ok()?;
    number.is_finite().then_some((number, rest.trim()))
}

pub(super) const DEPTH: Measure = Measure {
    noun: "a depth",
    suffix: "_mm",
    unit: "mm",
    examples: "\"6 mm\" or \"0.25 in\"",
    read: Read::Quantity(Quantity::RainfallAmount),
};
pub(super) const TEMPERATURE: Measure = Measure {
    noun: "a temperature",
    suffix: "_celsius",
    unit: "°C",
    examples: "\"3 °C\" or \"37 degF\"",
    read: Read::Quantity(Quantity::AirTemperature),
};
pub(super) const SPEED: Measure = Measure {
    noun: "a speed",
    suffix: "_m_per_s",
    unit: "m/s",
    examples: "\"5 m/s\" or \"11 mph\"",
    read: Read::Quantity(Quantity::WindSpeed),
};
pub(super) const TENSION: Measure = Measure {
    noun: "a voltage",
    suffix: "_volts",
    unit: "V",
    examples: "\"2.4 V\" or \"2400 mV\"",
    read: Read::Quantity(Quantity::BatteryVoltage),
};
pub(super) const RATE: Measure = Measure {
    noun: "a rate",
    suffix: "_mm_per_hour",
    unit: "mm/h",
    examples: "\"38 mm/h\" or \"1.5 in/h\"",
    read: Read::Quantity(Quantity::RainfallRate),
};
pub(super) const SHARE: Measure = Measure {
    noun: "a percentage",
    suffix: "_percent",
    unit: "%",
    examples: "\"60 %\"",
    read: Read::Spellings(&[(&["%", "percent"], 1.0)]),
};
pub(super) const HEIGHT: Measure = Measure {
    noun: "a height",
    suffix: "_m",
    unit: "m",
    examples: "\"120 m\" or \"400 ft\"",
    // One international foot is 0.3048 m (NIST SP 811, Appendix B.8).
    read: Read::Spellings(&[(&["m"], 1.0), (&["ft", "[ft_i]"], 0.3048)]),
};
pub(super) const AREA: Measure = Measure {
    noun: "an area",
    suffix: "_m2",
    unit: "m2",
    examples: "\"120 m2\" or \"1300 ft2\"",
    // One square foot is 0.09290304 m² (NIST SP 811, Appendix B.8).
    read: Read::Spellings(&[(&["m2", "m²"], 1.0), (&["ft2", "sq ft", "[sft_i]"], 0.092_903_04)]),
};
pub(super) const MILLIS: Measure = Measure {
    noun: "a span of time",
    suffix: "_ms",
    unit: "ms",
    examples: "\"50 ms\" or \"1 s\"",
    read: Read::Spellings(&[(MS, 1.0), (S, 1e3), (MIN, 60e3), (H, 3600e3)]),
};
pub(super) const SECONDS: Measure = Measure {
    noun: "a span of time",
    suffix: "_seconds",
    unit: "s",
    examples: "\"30 s\" or \"10 min\"",
    read: Read::Spellings(&[(S, 1.0), (MIN, 60.0), (H, 3600.0), (D, 86400.0)]),
};
pub(super) const MINUTES: Measure = Measure {
    noun: "a span of time",
    suffix: "_minutes",
    unit: "min",
    examples: "\"30 min\" or \"2 h\"",
    read: Read::Spellings(&[(S, 1.0 / 60.0), (MIN, 1.0), (H, 60.0), (D, 1440.0)]),
};
pub(super) const HOURS: Measure = Measure {
    noun: "a span of time",
    suffix: "_hours",
    unit: "h",
    examples: "\"6 h\" or \"2 days\"",
    read: Read::Spellings(&[(MIN, 1.0 / 60.0), (H, 1.0), (D, 24.0)]),
};
pub(super) const DAYS: Measure = Measure {
    noun: "a span of time",
    suffix: "_days",
    unit: "days",
    examples: "\"2 days\" or \"36 h\"",
    read: Read::Spellings(&[(H, 1.0 / 24.0), (D, 1.0)]),
};

const MS: &[&str] = &["ms"];
const S: &[&str] = &["s", "sec", "second", "seconds"];
const MIN: &[&str] = &["min", "minute", "minutes"];
const H: &[&str] = &["h", "hour", "hours"];
const D: &[&str] = &["d", "day", "days"];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_change_of_temperature_leaves_the_zero_of_its_scale_out() {
        let change = Measure::change_of(Quantity::AirTemperature).unwrap();
        assert_eq!(
            (change.parse("9 degF"), change.parse("5 K"), change.parse("5 °C")),
            (Some(5.0), Some(5.0), Some(5.0))
        );
        assert_eq!(change.parse("5 mm"), None);
    }

    #[test]
    fn texts_with_units_become_numbers_of_the_kept_unit() {
        for (measure, text, expected) in [
            (&DEPTH, "0.25 in", Some(6.35)),
            (&DEPTH, "6mm", Some(6.0)),
            (&DEPTH, "6", None),
            (&DEPTH, "6 bananas", None),
            (&DEPTH, "6 °C", None),
            (&TEMPERATURE, "41 degF", Some(5.0)),
            (&SPEED, "18 km/h", Some(5.0)),
            (&TENSION, "2400 mV", Some(2.4)),
            (&RATE, "1.5 in/h", Some(38.1)),
            (&SHARE, "60 %", Some(60.0)),
            (&HEIGHT, "100 ft", Some(30.48)),
            (&MILLIS, "1 s", Some(1000.0)),
            (&SECONDS, "10 min", Some(600.0)),
            (&MINUTES, "2 h", Some(120.0)),
            (&HOURS, "26 h", Some(26.0)),
            (&HOURS, "2 days", Some(48.0)),
            (&DAYS, "36 h", Some(1.5)),
            (&DAYS, "1e400 h", None),
            (&DAYS, "h", None),
            (&DAYS, "", None),
        ] {
            assert_eq!(measure.parse(text), expected, "{text} as {}", measure.noun);
        }
    }
}
