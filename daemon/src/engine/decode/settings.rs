//! What a feed is told: topics, format, and how each field becomes a quantity. Plain data; reading it from a file is
//! the business of `config`.

use chrono_tz::Tz;

use super::topic::TopicTemplate;
use crate::engine::{reading::Quantity, units::Unit};

/// How the messages of some topics become readings.
#[derive(Clone, Debug, PartialEq)]
pub struct FeedSettings {
    pub name: String,
    pub template: TopicTemplate,
    pub format: Format,
    pub site: Part,
    pub sensor: Part,
    pub fields: Vec<Field>,
    /// Where the message says its own time; `None`: the time of arrival.
    pub time: Option<TimeField>,
    /// Numbers in text are written `1.013,2`.
    pub decimal_comma: bool,
    /// Longer payloads are lost as `too_large`.
    pub max_payload_bytes: usize,
}

/// The shape of a payload.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// A JSON document with a field for each quantity.
    Json,
    /// One scalar per topic.
    Value,
    /// A SenML pack in JSON (RFC 8428).
    Senml,
}

/// Where the name of the site or the sensor comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Part {
    /// From the topic, by the template's capture.
    Captured,
    /// From the payload, by JSON Pointer (RFC 6901).
    Pointer(String),
    /// Always the same.
    Fixed(String),
}

/// One value of a message, and what it means.
#[derive(Clone, Debug, PartialEq)]
pub struct Field {
    /// JSON: a JSON Pointer (RFC 6901). Value: the text of the `{field}` level, or empty when the template has none.
    /// SenML: a record's whole name, or its name without the base name; `name#sum` for its sum.
    pub key: String,
    pub quantity: Quantity,
    /// The unit after `scale` and `offset`. SenML: of records that carry none.
    pub unit: Unit,
    /// SenML: a record without a unit is lost, instead of being taken in `unit`.
    pub needs_unit: bool,
    /// The number in the payload times `scale` plus `offset` is the value in `unit`.
    pub scale: f64,
    pub offset: f64,
    /// What this sensor sends for "no reading"; compared with the payload before `scale` and `offset`.
    pub sentinels: Vec<Sentinel>,
    /// Also take the well-known fault codes of temperature probes for "no reading".
    pub default_sentinels: bool,
    /// `battery_ok` only: true, on, yes and 1 mean that the battery is low. `ok`, `good` and `low` keep their meaning.
    pub inverted: bool,
}

/// A value that stands for "no reading".
#[derive(Clone, Debug, PartialEq)]
pub enum Sentinel {
    /// Equal within 1e-9.
    Number(f64),
    /// Equal but for letter case (ASCII) and surrounding white space.
    Text(String),
}

/// Where and how a message says its own time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TimeField {
    /// JSON Pointer (RFC 6901).
    pub pointer: String,
    pub format: TimeFormat,
    /// The zone of `Local` times; `None`: the zone of the site.
    pub zone: Option<Tz>,
}

/// How a time is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeFormat {
    /// Since 1970 in seconds, milli-, micro- or nanoseconds, told apart by size.
    UnixAuto,
    UnixSeconds,
    UnixMillis,
    /// With an offset or `Z`.
    Rfc3339,
    /// `YYYY-MM-DD[ T]HH:MM[:SS]` on the wall clock of the zone.
    Local,
}

impl FeedSettings {
    /// A feed of `format` without fields; site and sensor from the topic, time of arrival.
    pub fn new(name: impl Into<String>, template: TopicTemplate, format: Format) -> Self {
        Self {
            name: name.into(),
            template,
            format,
            site: Part::Captured,
            sensor: Part::Captured,
            fields: Vec::new(),
            time: None,
            decimal_comma: false,
            max_payload_bytes: DEFAULT_MAX_PAYLOAD_BYTES,
        }
    }

    /// JSON of which only members are asked for, and never the document as a whole.
    pub(super) fn reads_members(&self) -> bool {
        let whole = |part: &Part| matches!(part, Part::Pointer(pointer) if pointer.is_empty());
        self.format == Format::Json
            && !self.fields.iter().any(|field| field.key.is_empty())
            && !self.time.as_ref().is_some_and(|time| time.pointer.is_empty())
            && ![&self.site, &self.sensor].into_iter().any(whole)
    }
}

impl Field {
    /// A field taken as it is: no scale, no offset, no sentinels but the well-known ones.
    pub fn new(key: impl Into<String>, quantity: Quantity, unit: Unit) -> Self {
        Self {
            key: key.into(),
            quantity,
            unit,
            needs_unit: false,
            scale: 1.0,
            offset: 0.0,
            sentinels: Vec::new(),
            default_sentinels: true,
            inverted: false,
        }
    }
}

/// Our choice: the message size limit of the broker configuration that we ship.
pub const DEFAULT_MAX_PAYLOAD_BYTES: usize = 65_536;
