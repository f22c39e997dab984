//! Which unit a field is in: as written, by the range of its values, by what stands beside it.

use super::fields::{FieldSeen, Numbers};
use super::words::{Tag, Words};
use crate::engine::decode::senml;
use crate::engine::reading::Quantity;
use crate::engine::units::Unit;

/// Whether the other fields are in metric or in imperial units.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Family {
    Metric,
    Imperial,
}

/// Where a unit comes from, the surest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    Written,
    /// No other fits the values.
    Range,
    /// The other fields, the steps or the usual values speak for it.
    Likely,
    Open,
}

/// A unit and how it was found.
pub struct FoundUnit {
    pub unit: Unit,
    pub scale: f64,
    /// The record brings it along.
    pub comes: bool,
    pub source: Source,
    pub why: String,
}

/// The unit that a field of `quantity` is in; `None` where its values fit none.
pub fn unit(
    quantity: Quantity,
    words: &Words,
    seen: &FieldSeen,
    in_pack: bool,
    family: Option<Family>,
) -> Option<FoundUnit> {
    let numbers = &seen.numbers;
    let found = |unit: Unit, scale: f64, source: Source, why: String| {
        Some(FoundUnit { unit, scale, comes: false, source, why })
    };
    let seen_range = range(numbers);
    if let Some(text) = &seen.unit {
        if in_pack && let Some(measure) = senml::measure(text, quantity, false) {
            let why = format!("{text:?} in the record");
            return Some(FoundUnit { unit: measure.unit, scale: 1.0, comes: true, source: Source::Written, why });
        }
        let known = Unit::parse(text);
        if !in_pack && known.is_some_and(|unit| unit.convert(1.0, quantity).is_none()) {
            return None;
        }
        let parsed = known.or_else(|| Unit::parse(text.trim_start_matches('°')));
        if let Some(unit) = parsed.filter(|unit| fits(quantity, *unit, 1.0, numbers)) {
            return found(unit, 1.0, Source::Written, format!("{text:?} beside it"));
        }
    }
    let written = words.units().find(|unit| unit.convert(1.0, quantity).is_some());
    if let Some(unit) = written {
        for scale in [1.0, 0.1, 0.01] {
            if fits(quantity, unit, scale, numbers) && (scale == 1.0 || numbers.whole) {
                let source = if scale == 1.0 { Source::Written } else { Source::Likely };
                let scaled = if scale == 1.0 { String::new() } else { format!(" in steps of {scale}") };
                return found(unit, scale, source, format!("{} by its name{scaled}, {seen_range}", shown(unit)));
            }
        }
    }
    let fitting: Vec<Unit> =
        candidates(quantity).iter().copied().filter(|unit| fits(quantity, *unit, 1.0, numbers)).collect();
    match fitting.as_slice() {
        [] => {
            let unit = *candidates(quantity).first()?;
            let scale = [0.1, 0.01].into_iter().find(|scale| numbers.whole && fits(quantity, unit, *scale, numbers))?;
            found(unit, scale, Source::Likely, format!("{seen_range} fits only in steps of {scale}"))
        }
        [only] => found(*only, 1.0, Source::Range, format!("{seen_range} fits {} alone", shown(*only))),
        several => {
            let (unit, source, why) = choose(quantity, several, words, numbers, family);
            found(unit, 1.0, source, format!("{seen_range}; {why}"))
        }
    }
}

/// One of several units that fit the values.
fn choose(
    quantity: Quantity,
    several: &[Unit],
    words: &Words,
    numbers: &Numbers,
    family: Option<Family>,
) -> (Unit, Source, String) {
    let first = several.first().copied().unwrap_or(Unit::One);
    let has = |unit: Unit| several.contains(&unit);
    if quantity == Quantity::RainCounter && words.has(Tag::Tips) && numbers.whole && has(Unit::Tips) {
        return (Unit::Tips, Source::Written, "whole numbers: tips of the bucket".to_owned());
    }
    if quantity == Quantity::RainCounter && numbers.whole && has(Unit::Tips) {
        return (
            Unit::Tips,
            Source::Open,
            "whole numbers: probably tips of the bucket, but nothing says so".to_owned(),
        );
    }
    if has(Unit::Millimeters) && has(Unit::Inches) && !numbers.whole {
        for (step, unit) in [
            (0.254, Unit::Millimeters),
            (0.2794, Unit::Millimeters),
            (0.2, Unit::Millimeters),
            (0.1, Unit::Millimeters),
            (0.25, Unit::Millimeters),
        ] {
            if numbers.steps_by(step) {
                return (unit, Source::Likely, format!("rises in steps of {step}, as buckets in mm do"));
            }
        }
        if numbers.steps_by(0.01) && family != Some(Family::Metric) {
            return (Unit::Inches, Source::Likely, "rises in steps of 0.01, as buckets in inches do".to_owned());
        }
    }
    let is_temperature = has(Unit::Celsius) && has(Unit::Fahrenheit);
    match family {
        Some(family) => {
            if let Some(unit) = several.iter().copied().find(|unit| family_of(*unit) == Some(family)) {
                let word = if family == Family::Metric { "metric" } else { "imperial" };
                let source = if matches!(first, Unit::MetersPerSecond) && family == Family::Metric {
                    Source::Open
                } else {
                    Source::Likely
                };
                return (unit, source, format!("the other fields are {word}"));
            }
        }
        None if is_temperature && numbers.most <= COLD_FAHRENHEIT => {
            return (Unit::Celsius, Source::Likely, "in °F it would be hard frost".to_owned());
        }
        None => {}
    }
    (first, Source::Open, format!("{} is the usual unit, but nothing says so", shown(first)))
}

/// Units that a quantity comes in, the usual one first.
fn candidates(quantity: Quantity) -> &'static [Unit] {
    match quantity {
        Quantity::AirTemperature | Quantity::DewPointTemperature | Quantity::SoilTemperature => {
            &[Unit::Celsius, Unit::Fahrenheit, Unit::Kelvin]
        }
        Quantity::RelativeHumidity | Quantity::SoilMoisture | Quantity::LeafWetness => &[Unit::Percent, Unit::One],
        Quantity::BatteryLevel => &[Unit::Percent],
        Quantity::AirPressure => {
            &[Unit::Hectopascals, Unit::Kilopascals, Unit::Pascals, Unit::InchesOfMercury, Unit::MillimetersOfMercury]
        }
        Quantity::WindSpeed | Quantity::WindSpeedOfGust => {
            &[Unit::MetersPerSecond, Unit::KilometersPerHour, Unit::MilesPerHour]
        }
        Quantity::WindFromDirection => &[Unit::Degrees],
        Quantity::SurfaceDownwellingShortwaveFlux => &[Unit::WattsPerM2],
        Quantity::RainCounter => &[Unit::Millimeters, Unit::Inches, Unit::Tips],
        Quantity::RainfallAmount => &[Unit::Millimeters, Unit::Inches],
        Quantity::RainfallRate => &[Unit::MillimetersPerHour, Unit::InchesPerHour],
        Quantity::BatteryVoltage => &[Unit::Volts, Unit::Millivolts],
        Quantity::Rssi => &[Unit::DecibelMilliwatts],
        Quantity::Snr => &[Unit::Decibels],
        Quantity::BatteryOk | Quantity::SequenceNumber => &[Unit::One],
    }
}

/// Whether all values, in that unit, are ones that the weather brings. Our choice, wide: the climate's extremes.
fn fits(quantity: Quantity, unit: Unit, scale: f64, numbers: &Numbers) -> bool {
    let (least, most) = match quantity {
        Quantity::AirTemperature => (-45.0, 55.0),
        Quantity::DewPointTemperature => (-55.0, 36.0),
        Quantity::SoilTemperature => (-25.0, 60.0),
        Quantity::RelativeHumidity | Quantity::LeafWetness | Quantity::BatteryLevel => (0.0, 105.0),
        Quantity::SoilMoisture => (0.0, 100.0),
        Quantity::AirPressure => (600.0, 1090.0),
        Quantity::WindSpeed => (0.0, 50.0),
        Quantity::WindSpeedOfGust => (0.0, 75.0),
        Quantity::WindFromDirection => (-1.0, 360.0),
        Quantity::SurfaceDownwellingShortwaveFlux => (-15.0, 1500.0),
        Quantity::RainfallAmount => (0.0, 150.0),
        Quantity::RainCounter => (0.0, 1e6),
        Quantity::RainfallRate => (0.0, 500.0),
        Quantity::BatteryVoltage => (0.7, 30.0),
        Quantity::Rssi => (-150.0, -5.0),
        Quantity::Snr => (-40.0, 60.0),
        Quantity::BatteryOk | Quantity::SequenceNumber => (0.0, 1e15),
    };
    let inside =
        |value: f64| unit.convert(value * scale, quantity).is_some_and(|value| (least..=most).contains(&value));
    // A share of 1 and a percentage of 1 are told apart by the decimals.
    let is_share = unit != Unit::One || numbers.most <= 1.0 && (!numbers.whole || numbers.most == 0.0);
    let is_percent = unit != Unit::Percent || numbers.most > 1.0 || numbers.whole;
    inside(numbers.least) && inside(numbers.most) && is_share && is_percent
}

pub fn family_of(unit: Unit) -> Option<Family> {
    match unit {
        Unit::Fahrenheit | Unit::InchesOfMercury | Unit::MilesPerHour | Unit::Inches | Unit::InchesPerHour => {
            Some(Family::Imperial)
        }
        Unit::Celsius
        | Unit::Millimeters
        | Unit::MillimetersPerHour
        | Unit::MetersPerSecond
        | Unit::KilometersPerHour => Some(Family::Metric),
        // Imperial stations send hPa and kPa too.
        _ => None,
    }
}

/// As a configuration writes it.
pub fn spelled(unit: Unit) -> &'static str {
    let all = Quantity::ALL.into_iter().flat_map(|quantity| Unit::spellings_for(quantity).iter());
    let mut spellings = all.copied().filter(|text| Unit::parse(text) == Some(unit));
    spellings.find(|text| !text.contains(['[', '°'])).unwrap_or("1")
}

/// As people write it.
pub fn shown(unit: Unit) -> &'static str {
    match unit {
        Unit::Celsius => "°C",
        Unit::Fahrenheit => "°F",
        Unit::WattsPerM2 => "W/m²",
        Unit::Degrees => "°",
        Unit::One => "share of 1",
        unit => spelled(unit),
    }
}

/// The values in words.
pub fn range(numbers: &Numbers) -> String {
    if numbers.least == numbers.most {
        return plain_number(numbers.least);
    }
    format!("{} to {}", plain_number(numbers.least), plain_number(numbers.most))
}

pub fn plain_number(value: f64) -> String {
    format!("{}", (value * 1e4).round() / 1e4)
}

/// Below this, values that are read as °F would be -2 °C and colder all the time.
const COLD_FAHRENHEIT: f64 = 28.0;
