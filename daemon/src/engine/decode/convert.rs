//! From a raw value to a number in the engine's unit; whatever is not clearly a number is refused with its cause.

use super::{
    loss::LossCause,
    payload::Raw,
    settings::{Field, Sentinel},
};
use crate::engine::{reading::Quantity, units::Unit};

/// What the number of a field measures once it is scaled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measure {
    /// Of number × factor + offset.
    pub unit: Unit,
    pub factor: f64,
    pub offset: f64,
}

impl Measure {
    /// The unit that the feed gives the field.
    pub fn of(field: &Field) -> Self {
        Self { unit: field.unit, factor: 1.0, offset: 0.0 }
    }

    fn convert(self, scaled: f64, to: Quantity) -> Option<f64> {
        self.unit.convert(scaled * self.factor + self.offset, to)
    }
}

/// What a field says: its own quantity, but for words and fractions about a battery. A level that is told as "low" is a
/// state, and a state that is told as a fraction is a level; neither is made a number that it is not.
///
/// # Errors
/// As [`convert`].
pub fn meaning(
    field: &Field,
    measure: Measure,
    raw: Raw<'_>,
    decimal_comma: bool,
) -> Result<(Quantity, f64), LossCause> {
    if let (Quantity::BatteryLevel, Raw::Text(text)) = (field.quantity, raw)
        && let Some(good) = state_word(text)
    {
        return Ok((Quantity::BatteryOk, state(good)));
    }
    convert(field, measure, raw, decimal_comma).map(|value| told(field.quantity, value))
}

/// The quantity of a converted number, and the number in its unit.
pub fn told(quantity: Quantity, value: f64) -> (Quantity, f64) {
    match quantity {
        Quantity::BatteryOk if value != 0.0 && value != 1.0 => (Quantity::BatteryLevel, 100.0 * value),
        _ => (quantity, value),
    }
}

/// The value of a field in the unit of its quantity; always finite, and never 0 for anything that is not a number.
///
/// # Errors
/// Why the raw value is no reading of that field.
pub fn convert(field: &Field, measure: Measure, raw: Raw<'_>, decimal_comma: bool) -> Result<f64, LossCause> {
    if let Raw::Text(text) = raw
        && field.sentinels.iter().any(|sentinel| matches!(sentinel, Sentinel::Text(code) if same_text(code, text)))
    {
        return Err(LossCause::Sentinel);
    }
    let number = match raw {
        Raw::Null => return Err(LossCause::Null),
        Raw::Compound(_) => return Err(LossCause::NotANumber),
        Raw::Truth(truth) if field.quantity == Quantity::BatteryOk => return Ok(state(truth != field.inverted)),
        Raw::Truth(_) => return Err(LossCause::NotANumber),
        Raw::Number(number) => number.as_f64().ok_or(LossCause::NotFinite)?,
        Raw::Text(text) => match battery_word(field, text) {
            Some(good) => return Ok(state(good)),
            None => number_with_unit(text, measure.unit, decimal_comma)?,
        },
    };
    convert_number(field, measure, number)
}

/// [`convert`] of a number that does not stand in the payload as it is.
///
/// # Errors
/// Why the number is no reading of that field.
pub fn convert_number(field: &Field, measure: Measure, number: f64) -> Result<f64, LossCause> {
    let is_code =
        |sentinel: &Sentinel| matches!(sentinel, Sentinel::Number(code) if (code - number).abs() <= CODE_TOLERANCE);
    let unknown_level = field.quantity == Quantity::BatteryLevel && number == UNKNOWN_LEVEL;
    if field.sentinels.iter().any(is_code)
        || field.default_sentinels && (unknown_level || is_fault_code(field, measure, number))
    {
        return Err(LossCause::Sentinel);
    }
    let scaled = number * field.scale + field.offset;
    if !scaled.is_finite() {
        return Err(LossCause::NotFinite);
    }
    // A unit that fits a small number fits any: what is refused then is too large.
    let misfit = || {
        if measure.unit.convert(1.0, field.quantity).is_some() { LossCause::NotFinite } else { LossCause::UnitUnfit }
    };
    let value = measure.convert(scaled, field.quantity).ok_or_else(misfit)?;
    match field.quantity {
        _ if !value.is_finite() => Err(LossCause::NotFinite),
        // A level as a fraction: [`meaning`] makes percent of it.
        Quantity::BatteryOk if value > 0.0 && value < 1.0 && !field.inverted => Ok(value),
        Quantity::BatteryLevel if !(0.0..=100.0).contains(&value) => Err(LossCause::NotPercent),
        Quantity::BatteryOk if value != 0.0 && value != 1.0 => Err(LossCause::NotZeroOrOne),
        Quantity::BatteryOk => Ok(state((value == 1.0) != field.inverted)),
        Quantity::SequenceNumber if value.fract() != 0.0 || value.abs() > LARGEST_EXACT => Err(LossCause::NotWhole),
        // Adding zero turns -0 into 0, which would look like another value to whoever compares bits.
        _ => Ok(value + 0.0),
    }
}

/// A number in text, such as `12.5`, `+12,5`, `1e3`; a unit may follow if it is `unit`.
///
/// # Errors
/// Why the text is not one number, or not in that unit.
fn number_with_unit(text: &str, unit: Unit, decimal_comma: bool) -> Result<f64, LossCause> {
    if text.is_empty() {
        return Err(LossCause::Blank);
    }
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    let digits_end = unsigned.find(|c: char| !c.is_ascii_digit() && c != '.' && c != ',').unwrap_or(unsigned.len());
    let (digits, rest) = unsigned.split_at(digits_end);
    if !digits.contains(|c: char| c.is_ascii_digit()) {
        return Err(cause_of_words(unsigned));
    }
    let (exponent, rest) = rest.split_at(exponent_length(rest));
    // `1.#INF` and `1.#QNAN`: how one C library prints what is not finite.
    if rest.starts_with('#') {
        return Err(LossCause::NotFinite);
    }
    if matches!(digits, "0") && rest.starts_with(['x', 'X']) {
        return Err(LossCause::Hex);
    }
    let rest = rest.trim_start();
    if rest.starts_with(|c: char| c.is_ascii_digit()) {
        // `1 013`: grouped by spaces, or two numbers.
        return Err(LossCause::AmbiguousNumber);
    }
    if !rest.is_empty() {
        match Unit::parse(rest) {
            Some(other) if other == unit => {}
            Some(_) => return Err(LossCause::UnitMismatch),
            None => return Err(LossCause::NotANumber),
        }
    }
    let sign = if text.starts_with('-') { -1.0 } else { 1.0 };
    let magnitude = match separators(digits, decimal_comma)? {
        Separators::Plain if exponent.is_empty() => digits.parse(),
        Separators::Plain => [digits, exponent].concat().parse(),
        Separators::Comma => {
            let dotted = digits.chars().filter(|&c| c != '.').map(|c| if c == ',' { '.' } else { c });
            dotted.chain(exponent.chars()).collect::<String>().parse()
        }
        Separators::Groups => digits.chars().filter(|&c| c != '.').chain(exponent.chars()).collect::<String>().parse(),
    };
    let magnitude: f64 = magnitude.map_err(|_| LossCause::NotANumber)?;
    if magnitude.is_finite() { Ok(sign * magnitude) } else { Err(LossCause::NotFinite) }
}

/// How dots and commas in a run of digits are to be read.
enum Separators {
    /// As Rust reads it.
    Plain,
    /// The comma is the decimal sign, dots separate groups.
    Comma,
    /// Dots separate groups, no decimals.
    Groups,
}

fn separators(digits: &str, decimal_comma: bool) -> Result<Separators, LossCause> {
    let commas = digits.matches(',').count();
    let dots = digits.matches('.').count();
    let after_comma = digits.split(',').nth(1).unwrap_or_default();
    let whole = digits.split(',').next().unwrap_or_default();
    let after_dot = digits.split('.').nth(1).unwrap_or_default();
    match (commas, dots) {
        (0, 0) => Ok(Separators::Plain),
        (0, 1) if decimal_comma && after_dot.len() == GROUP_DIGITS => Err(LossCause::AmbiguousNumber),
        (0, 1) => Ok(Separators::Plain),
        (0, _) if decimal_comma && is_grouped(digits) => Ok(Separators::Groups),
        (0, _) => Err(LossCause::NotANumber),
        (1, _) if after_comma.is_empty() => Err(LossCause::NotANumber),
        (1, 0) if decimal_comma || after_comma.len() != GROUP_DIGITS => Ok(Separators::Comma),
        (1, _) if decimal_comma && !after_comma.contains('.') && is_grouped(whole) => Ok(Separators::Comma),
        _ => Err(LossCause::AmbiguousNumber),
    }
}

/// `1.013.250`: one to three digits, then groups of three.
fn is_grouped(digits: &str) -> bool {
    let mut groups = digits.split('.');
    let first = groups.next().unwrap_or_default();
    (1..=GROUP_DIGITS).contains(&first.len()) && groups.all(|group| group.len() == GROUP_DIGITS)
}

/// Length in bytes of an exponent such as `e3` or `E-05` at the start; 0 when there is none.
fn exponent_length(text: &str) -> usize {
    let Some(after) = text.strip_prefix(['e', 'E']) else { return 0 };
    let digits = after.strip_prefix(['+', '-']).unwrap_or(after);
    let count = digits.bytes().take_while(u8::is_ascii_digit).count();
    if count == 0 { 0 } else { text.len() - digits.len() + count }
}

/// Why a text that has no number in front is none. A sign in front is already gone.
fn cause_of_words(text: &str) -> LossCause {
    let is_one_of = |words: &[&str]| words.iter().any(|word| text.eq_ignore_ascii_case(word));
    let starts_nan = text.get(..4).is_some_and(|head| head.eq_ignore_ascii_case("nan("));
    if starts_nan || is_one_of(&["nan", "inf", "infinity"]) {
        LossCause::NotFinite
    } else if is_one_of(&["null", "none", "nil", "undefined"]) {
        LossCause::Null
    } else if text.contains(char::is_alphabetic) {
        LossCause::Word
    } else {
        LossCause::NotANumber
    }
}

/// Whether the word says that the battery is good; `None` for other quantities and other words.
fn battery_word(field: &Field, text: &str) -> Option<bool> {
    if field.quantity != Quantity::BatteryOk {
        return None;
    }
    let is_one_of = |words: &[&str]| words.iter().any(|word| text.eq_ignore_ascii_case(word));
    if let Some(good) = state_word(text) {
        Some(good)
    } else if is_one_of(&["true", "on", "yes"]) {
        Some(!field.inverted)
    } else if is_one_of(&["false", "off", "no"]) {
        Some(field.inverted)
    } else {
        None
    }
}

/// Words that mean the same whatever the field is set to.
fn state_word(text: &str) -> Option<bool> {
    let is_one_of = |words: &[&str]| words.iter().any(|word| text.eq_ignore_ascii_case(word));
    if is_one_of(&["ok", "good"]) { Some(true) } else { is_one_of(&["low"]).then_some(false) }
}

fn state(good: bool) -> f64 {
    if good { 1.0 } else { 0.0 }
}

fn same_text(code: &str, text: &str) -> bool {
    code.trim().eq_ignore_ascii_case(text)
}

/// True for the well-known codes by which temperature probes and their drivers say that they have no reading.
///
/// They are codes of the probe, so they are looked for in its own degrees: after the scale (85 in tenths is 8.5 °C,
/// a true reading), and without an offset that only calibrates.
fn is_fault_code(field: &Field, measure: Measure, number: f64) -> bool {
    let temperature =
        matches!(field.quantity, Quantity::AirTemperature | Quantity::SoilTemperature | Quantity::DewPointTemperature);
    if !temperature {
        return false;
    }
    let is_code = |degrees: f64| {
        let celsius = measure.convert(degrees, field.quantity);
        let equals = |value: f64| move |code: &f64| (code - value).abs() <= CODE_TOLERANCE;
        celsius.is_some_and(|celsius| PROBE_CODES_CELSIUS.iter().any(equals(celsius)))
            || INTEGER_CODES.iter().any(equals(degrees))
    };
    let degrees = number * field.scale;
    is_code(degrees + field.offset) || field.offset.abs() < LARGEST_CALIBRATION_DEGREES && is_code(degrees)
}

/// One-wire probes report 85 °C after power-on, their drivers -127 °C when the probe is gone (field case S04); some
/// bridges convert them to another unit first.
const PROBE_CODES_CELSIUS: [f64; 2] = [85.0, -127.0];

/// 16-bit "invalid" codes, and -2 and -1 read without their sign, whole or in tenths or hundredths (field case S06).
const INTEGER_CODES: [f64; 13] =
    [327.67, 327.7, 3276.7, 32767.0, -327.68, -3276.8, -32768.0, 655.34, 655.35, 6553.4, 6553.5, 65534.0, 65535.0];

/// The largest number of a byte: "not known" where a level is sent as one (field case S22).
const UNKNOWN_LEVEL: f64 = 255.0;

const CODE_TOLERANCE: f64 = 1e-9;

/// Our choice: an offset up to this many degrees corrects a probe; a larger one belongs to the encoding.
const LARGEST_CALIBRATION_DEGREES: f64 = 10.0;

/// Digits between two group separators.
const GROUP_DIGITS: usize = 3;

/// 2^53: whole numbers up to here are exact in a 64-bit float.
const LARGEST_EXACT: f64 = 9_007_199_254_740_992.0;

#[cfg(test)]
mod tests;
