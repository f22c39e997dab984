//! SenML packs in JSON (RFC 8428): base fields are resolved, so that every record stands for itself.
//!
//! Section numbers and field names are the RFC's; versions are read by RFC 9100, secondary units are of RFC 8798.

use serde_json::{Map, Value};

use super::{
    convert::Measure,
    loss::{LossCause, excerpt},
    payload::Raw,
};
use crate::engine::{reading::Quantity, units::Unit};

/// One record with the base fields that were in force at its place (section 4.6).
#[derive(Clone, Debug, PartialEq)]
pub struct Record<'v> {
    base_name: &'v str,
    name: &'v str,
    /// The record's unit, else the base unit.
    pub unit: Option<&'v str>,
    pub time: When,
    pub value: Option<Held<'v>>,
    /// `s` and the base sum (section 4.5.4).
    pub sum: Option<Held<'v>>,
}

/// The time of a record: base time and time together (section 4.5.3).
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum When {
    /// Neither is given, or they are 0: now.
    Now,
    /// Seconds from now.
    Relative(f64),
    /// Seconds since 1970.
    Absolute(f64),
    Unreadable,
}

/// A value as it stands in the record, or the sum of it and a base.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Held<'v> {
    Raw(Raw<'v>),
    Based(f64),
}

impl Held<'_> {
    /// For logs and pages: at most 60 characters.
    pub fn excerpt(self) -> String {
        match self {
            Self::Raw(raw) => raw.excerpt(),
            Self::Based(number) => excerpt(&number.to_string()),
        }
    }
}

impl Record<'_> {
    /// True when `key` is the whole name (base name and name together), or the name without the base name.
    pub fn is(&self, key: &str) -> bool {
        !key.is_empty() && (key == self.name || key.strip_prefix(self.base_name) == Some(self.name))
    }

    /// The name that tells this record from others of its pack.
    pub fn own_name(&self) -> &str {
        if self.name.is_empty() { self.base_name } else { self.name }
    }
}

/// What a field asks for: the value of a name or, written `name#sum`, its sum. `#` stands in no name (section 4.5.1).
pub fn asked(key: &str) -> (&str, bool) {
    key.strip_suffix(SUM_MARK).map_or((key, false), |name| (name, true))
}

/// The records of a pack in their order, resolved.
///
/// # Errors
/// No array of objects; a version that we do not know (section 4.4); a label that must be understood (section 4.4).
pub fn records(pack: &Value) -> Result<Vec<Record<'_>>, LossCause> {
    let Value::Array(items) = pack else { return Err(LossCause::NotSenml) };
    let mut base = Base::default();
    let mut records = Vec::with_capacity(items.len());
    for item in items {
        let Value::Object(members) = item else { return Err(LossCause::NotSenml) };
        let known_version = members.get("bver").is_none_or(|version| version.as_i64().is_some_and(is_known_version));
        if !known_version || members.keys().any(|label| label.ends_with('_')) {
            return Err(LossCause::NewerSenml);
        }
        base.change(members);
        if REGULAR.iter().any(|label| members.contains_key(*label)) {
            records.push(base.resolve(members));
        }
    }
    Ok(records)
}

/// How a number in a unit of a record becomes `quantity`; `None` where the unit does not measure it. A sum is over
/// seconds (section 4.5.4), so that a rate of rain becomes a depth.
pub fn measure(unit: &str, quantity: Quantity, is_sum: bool) -> Option<Measure> {
    let of = |unit: Unit, factor: f64, offset: f64| Some(Measure { unit, factor, offset });
    let found = match (unit, is_sum) {
        ("m/s", true) => of(Unit::Millimeters, 1000.0, 0.0),
        ("mm/h", true) => of(Unit::Millimeters, 1.0 / 3600.0, 0.0),
        ("m/h", true) => of(Unit::Millimeters, 1000.0 / 3600.0, 0.0),
        (_, true) => None,
        ("count", _) if quantity == Quantity::RainCounter => of(Unit::Tips, 1.0, 0.0),
        ("/" | "count", _) => of(Unit::One, 1.0, 0.0),
        ("%EL", _) if quantity != Quantity::BatteryLevel => None,
        ("%RH", _) if quantity == Quantity::BatteryLevel => None,
        ("%RH" | "%EL" | "/100", _) => of(Unit::Percent, 1.0, 0.0),
        ("/1000", _) => of(Unit::Percent, 0.1, 0.0),
        ("dBW", _) => of(Unit::DecibelMilliwatts, 1.0, 30.0),
        ("rad", _) => of(Unit::Degrees, 180.0 / std::f64::consts::PI, 0.0),
        ("m", _) => of(Unit::Millimeters, 1000.0, 0.0),
        ("m/h", _) => of(Unit::MillimetersPerHour, 1000.0, 0.0),
        ("m/s", _) if quantity == Quantity::RainfallRate => of(Unit::MillimetersPerHour, 3_600_000.0, 0.0),
        // SenML's `C` is a coulomb and its `F` a farad (section 12.1).
        ("C" | "F", _) => None,
        // Cel K Pa m/s W/m2 V % dB deg; of RFC 8798 mV dBm mm/h hPa mm cm km/h; and what is sent without being registered.
        (other, _) => Unit::parse(other).and_then(|unit| of(unit, 1.0, 0.0)),
    };
    found.filter(|measure| measure.unit.convert(1.0, quantity).is_some())
}

/// The base fields in force (section 4.1).
#[derive(Clone, Copy, Debug, Default)]
struct Base<'v> {
    name: &'v str,
    time: Option<&'v Value>,
    unit: Option<&'v str>,
    value: Option<&'v Value>,
    sum: Option<&'v Value>,
}

impl<'v> Base<'v> {
    /// Base fields hold from their record on until they are given again.
    fn change(&mut self, members: &'v Map<String, Value>) {
        if let Some(name) = members.get("bn") {
            self.name = name.as_str().unwrap_or_default();
        }
        if let Some(unit) = members.get("bu") {
            self.unit = unit.as_str();
        }
        self.time = members.get("bt").or(self.time);
        self.value = members.get("bv").or(self.value);
        self.sum = members.get("bs").or(self.sum);
    }

    fn resolve(&self, members: &'v Map<String, Value>) -> Record<'v> {
        let text = |label: &str| members.get(label).and_then(Value::as_str);
        let other = ["vs", "vb", "vd"].iter().find_map(|label| members.get(*label));
        let value = match (members.get("v"), other) {
            (None, Some(other)) => Some(Held::Raw(Raw::of(other))),
            // A record that only has a sum gives no value, whatever base value another record left behind.
            (None, None) if members.contains_key("s") => None,
            (value, _) => based(self.value, value),
        };
        Record {
            base_name: self.name,
            name: text("n").unwrap_or_default(),
            unit: text("u").or(self.unit),
            time: when(self.time, members.get("t")),
            value,
            sum: based(self.sum, members.get("s")),
        }
    }
}

/// Base and value together; one that is missing counts as 0 (section 4.5.4).
fn based<'v>(base: Option<&'v Value>, value: Option<&'v Value>) -> Option<Held<'v>> {
    match (base, value) {
        (None, None) => None,
        (Some(only), None) | (None, Some(only)) => Some(Held::Raw(Raw::of(only))),
        (Some(base), Some(value)) => match (base.as_f64(), value.as_f64()) {
            (Some(base), Some(value)) => Some(Held::Based(base + value)),
            // Shown as it stands, so that it is lost with the cause of the one that is no number.
            (None, _) => Some(Held::Raw(Raw::of(base))),
            (_, None) => Some(Held::Raw(Raw::of(value))),
        },
    }
}

fn when(base: Option<&Value>, time: Option<&Value>) -> When {
    let seconds = |value: Option<&Value>| value.map_or(Some(0.0), Value::as_f64);
    match (seconds(base), seconds(time)) {
        (Some(base), Some(time)) if base + time == 0.0 => When::Now,
        (Some(base), Some(time)) if base + time < RELATIVE_BELOW_SECONDS => When::Relative(base + time),
        (Some(base), Some(time)) if (base + time).is_finite() => When::Absolute(base + time),
        _ => When::Unreadable,
    }
}

/// RFC 8428 is version 10; RFC 9100 adds one bit for each feature, of which 16 (secondary units) is ours too.
fn is_known_version(version: i64) -> bool {
    (0..=RFC_8428_VERSION).contains(&version) || version == RFC_8428_VERSION + SECONDARY_UNITS
}

const RFC_8428_VERSION: i64 = 10;
const SECONDARY_UNITS: i64 = 16;

/// 2^28 (section 4.5.3).
const RELATIVE_BELOW_SECONDS: f64 = 268_435_456.0;

/// A record with none of these only sets base fields.
const REGULAR: [&str; 9] = ["n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"];

const SUM_MARK: &str = "#sum";

#[cfg(test)]
mod tests;
