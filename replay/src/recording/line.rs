//! One line of a recording: between its JSON and what it tells.

use std::borrow::Cow;
use std::io::{self, Write};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use chrono::{DateTime, Datelike};
use serde::{Deserialize, Serialize};

use thirstd::engine::event::Digest;
use thirstd::engine::stamp::{SECOND, Stamp};

use super::{Entry, Line};

/// What is wrong with a line, and what to write instead.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Problem {
    #[error("the line is longer than 1 MiB: end every JSON object with a line end")]
    TooLong,
    #[error("the line is not UTF-8: write a payload that is not text as \"payload_base64\"")]
    NotUtf8,
    #[error("a recording has no comments: remove the line")]
    Comment,
    #[error("not one JSON object of a recording: {0}")]
    NotJson(String),
    #[error("\"at\" is missing: write when it arrived, for example \"at\":\"2027-04-03T06:00:00Z\"")]
    NoTime,
    #[error(
        "\"at\" is {0:?}: write RFC 3339 with an offset, between 1970 and 2199, for example \"2027-04-03T06:00:00Z\""
    )]
    BadTime(String),
    #[error("neither \"topic\" nor \"event\": write \"topic\" and \"payload\" for a message, or \"event\"")]
    NothingTold,
    #[error("both \"topic\" and \"event\": write them on two lines")]
    TwoThings,
    #[error("\"topic\" is {0:?}: write the topic of one message: 1 to 65535 bytes, without + # or NUL")]
    BadTopic(String),
    #[error("neither \"payload\" nor \"payload_base64\": write \"payload\":\"\" where it was empty")]
    NoPayload,
    #[error("both \"payload\" and \"payload_base64\": write one of them")]
    TwoPayloads,
    #[error("\"payload_base64\" is not padded base64 of RFC 4648: {0}")]
    BadBase64(String),
    #[error("\"event\" is {0:?}: write broker_up, broker_down, clock_step or neighbor_digest")]
    UnknownEvent(String),
    #[error("\"{key}\" does not belong to {to}: remove it")]
    OutOfPlace { key: &'static str, to: &'static str },
    #[error("\"{0}\" is missing: this event needs it")]
    Missing(&'static str),
    #[error("\"by_seconds\" is out of range: write the step in seconds, not 0 and less than 100 years")]
    BadStep,
}

/// Every key that a line can have. Absent keys are not written.
#[derive(Default, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
struct Keys<'a> {
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    at: Option<Cow<'a, str>>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    topic: Option<Cow<'a, str>>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    payload: Option<Cow<'a, str>>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    payload_base64: Option<Cow<'a, str>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    retain: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    dup: Option<bool>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    event: Option<Cow<'a, str>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    session_present: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    refused: Option<Vec<String>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    by_seconds: Option<f64>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    from: Option<Cow<'a, str>>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    hour: Option<Cow<'a, str>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    air_temperature_celsius: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    relative_humidity_percent: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    wind_speed_m_per_s: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    shortwave_w_per_m2: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    rain_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    latitude_degrees: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    longitude_degrees: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    elevation_m: Option<f64>,
}

/// Reads one line without its line end.
pub(super) fn parse(text: &[u8]) -> Result<Line, Problem> {
    if text.first() == Some(&b'#') {
        return Err(Problem::Comment);
    }
    let text = std::str::from_utf8(text).map_err(|_| Problem::NotUtf8)?;
    let keys: Keys<'_> = serde_json::from_str(text).map_err(|fault| Problem::NotJson(fault.to_string()))?;
    let at = stamp(keys.at.as_deref().ok_or(Problem::NoTime)?)?;
    let entry = match (&keys.topic, &keys.event) {
        (Some(_), Some(_)) => return Err(Problem::TwoThings),
        (None, None) => return Err(Problem::NothingTold),
        (Some(_), None) => message(keys)?,
        (None, Some(_)) => event(keys)?,
    };
    Ok(Line { at, entry })
}

/// Writes one line with its line end.
pub(super) fn write(output: &mut impl Write, line: &Line) -> io::Result<()> {
    let mut keys = Keys { at: Some(line.at.text().into()), ..Keys::default() };
    match &line.entry {
        Entry::Message { topic, payload, retain, dup } => {
            keys.topic = Some(topic.as_str().into());
            match std::str::from_utf8(payload) {
                Ok(text) => keys.payload = Some(text.into()),
                Err(_) => keys.payload_base64 = Some(BASE64.encode(payload).into()),
            }
            keys.retain = retain.then_some(true);
            keys.dup = dup.then_some(true);
        }
        Entry::BrokerUp { session_present, refused } => {
            keys.event = Some(BROKER_UP.into());
            keys.session_present = Some(*session_present);
            keys.refused = (!refused.is_empty()).then(|| refused.clone());
        }
        Entry::BrokerDown => keys.event = Some(BROKER_DOWN.into()),
        Entry::ClockStep { by } => {
            keys.event = Some(CLOCK_STEP.into());
            keys.by_seconds = Some(*by as f64 / SECOND as f64);
        }
        Entry::NeighborDigest(digest) => {
            keys.event = Some(NEIGHBOR_DIGEST.into());
            keys.from = Some(digest.from.as_str().into());
            keys.hour = Some(digest.hour.text().into());
            keys.air_temperature_celsius = digest.air_temperature_celsius;
            keys.relative_humidity_percent = digest.relative_humidity_percent;
            keys.wind_speed_m_per_s = digest.wind_speed_m_per_s;
            keys.shortwave_w_per_m2 = digest.shortwave_w_per_m2;
            keys.rain_mm = digest.rain_mm;
            keys.latitude_degrees = Some(digest.latitude_degrees);
            keys.longitude_degrees = Some(digest.longitude_degrees);
            keys.elevation_m = Some(digest.elevation_m);
        }
    }
    serde_json::to_writer(&mut *output, &keys)?;
    output.write_all(b"\n")
}

/// An instant as a recording writes it: RFC 3339, from 1970 to 2199. A slip of the pen in the year would run centuries of
/// deadlines.
pub fn parse_time(text: &str) -> Option<Stamp> {
    let at = DateTime::parse_from_rfc3339(text).ok()?.to_utc();
    (1970..=2199).contains(&at.year()).then(|| at.into())
}

fn stamp(text: &str) -> Result<Stamp, Problem> {
    parse_time(text).ok_or_else(|| Problem::BadTime(shown(text)))
}

fn message(keys: Keys<'_>) -> Result<Entry, Problem> {
    keys.refuse_event_keys(&[], "a message")?;
    let topic = keys.topic.unwrap_or_default().into_owned();
    if topic.is_empty() || topic.len() > usize::from(u16::MAX) || topic.contains(['+', '#', '\0']) {
        return Err(Problem::BadTopic(shown(&topic)));
    }
    let payload = match (keys.payload, keys.payload_base64) {
        (Some(_), Some(_)) => return Err(Problem::TwoPayloads),
        (None, None) => return Err(Problem::NoPayload),
        (Some(text), None) => text.into_owned().into_bytes(),
        (None, Some(text)) => BASE64.decode(text.as_bytes()).map_err(|fault| Problem::BadBase64(fault.to_string()))?,
    };
    Ok(Entry::Message { topic, payload, retain: keys.retain.unwrap_or(false), dup: keys.dup.unwrap_or(false) })
}

fn event(keys: Keys<'_>) -> Result<Entry, Problem> {
    let message_keys = [
        ("payload", keys.payload.is_some()),
        ("payload_base64", keys.payload_base64.is_some()),
        ("retain", keys.retain.is_some()),
        ("dup", keys.dup.is_some()),
    ];
    if let Some((key, _)) = message_keys.into_iter().find(|(_, there)| *there) {
        return Err(Problem::OutOfPlace { key, to: "an event" });
    }
    match keys.event.as_deref().unwrap_or_default() {
        BROKER_UP => {
            keys.refuse_event_keys(&["session_present", "refused"], BROKER_UP)?;
            Ok(Entry::BrokerUp {
                session_present: keys.session_present.unwrap_or(false),
                refused: keys.refused.unwrap_or_default(),
            })
        }
        BROKER_DOWN => {
            keys.refuse_event_keys(&[], BROKER_DOWN)?;
            Ok(Entry::BrokerDown)
        }
        CLOCK_STEP => {
            keys.refuse_event_keys(&["by_seconds"], CLOCK_STEP)?;
            let seconds = keys.by_seconds.ok_or(Problem::Missing("by_seconds"))?;
            let by = (seconds * SECOND as f64).round();
            if by == 0.0 || by.is_nan() || by.abs() > LONGEST_STEP {
                return Err(Problem::BadStep);
            }
            Ok(Entry::ClockStep { by: by as i64 })
        }
        NEIGHBOR_DIGEST => digest(keys),
        other => Err(Problem::UnknownEvent(shown(other))),
    }
}

fn digest(keys: Keys<'_>) -> Result<Entry, Problem> {
    keys.refuse_event_keys(&DIGEST_KEYS, NEIGHBOR_DIGEST)?;
    Ok(Entry::NeighborDigest(Digest {
        from: keys.from.ok_or(Problem::Missing("from"))?.into_owned(),
        hour: stamp(keys.hour.as_deref().ok_or(Problem::Missing("hour"))?)?,
        air_temperature_celsius: keys.air_temperature_celsius,
        relative_humidity_percent: keys.relative_humidity_percent,
        wind_speed_m_per_s: keys.wind_speed_m_per_s,
        shortwave_w_per_m2: keys.shortwave_w_per_m2,
        rain_mm: keys.rain_mm,
        latitude_degrees: keys.latitude_degrees.ok_or(Problem::Missing("latitude_degrees"))?,
        longitude_degrees: keys.longitude_degrees.ok_or(Problem::Missing("longitude_degrees"))?,
        elevation_m: keys.elevation_m.ok_or(Problem::Missing("elevation_m"))?,
    }))
}

impl Keys<'_> {
    /// Refuses keys of events other than `allowed`, so that nobody believes that they had an effect.
    fn refuse_event_keys(&self, allowed: &[&str], to: &'static str) -> Result<(), Problem> {
        let present = [
            ("session_present", self.session_present.is_some()),
            ("refused", self.refused.is_some()),
            ("by_seconds", self.by_seconds.is_some()),
            ("from", self.from.is_some()),
            ("hour", self.hour.is_some()),
            ("air_temperature_celsius", self.air_temperature_celsius.is_some()),
            ("relative_humidity_percent", self.relative_humidity_percent.is_some()),
            ("wind_speed_m_per_s", self.wind_speed_m_per_s.is_some()),
            ("shortwave_w_per_m2", self.shortwave_w_per_m2.is_some()),
            ("rain_mm", self.rain_mm.is_some()),
            ("latitude_degrees", self.latitude_degrees.is_some()),
            ("longitude_degrees", self.longitude_degrees.is_some()),
            ("elevation_m", self.elevation_m.is_some()),
        ];
        match present.into_iter().find(|(key, there)| *there && !allowed.contains(key)) {
            Some((key, _)) => Err(Problem::OutOfPlace { key, to }),
            None => Ok(()),
        }
    }
}

/// The first characters of a text that came from outside.
fn shown(text: &str) -> String {
    text.chars().take(60).collect()
}

const BROKER_UP: &str = "broker_up";
const BROKER_DOWN: &str = "broker_down";
const CLOCK_STEP: &str = "clock_step";
const NEIGHBOR_DIGEST: &str = "neighbor_digest";

const DIGEST_KEYS: [&str; 10] = [
    "from",
    "hour",
    "air_temperature_celsius",
    "relative_humidity_percent",
    "wind_speed_m_per_s",
    "shortwave_w_per_m2",
    "rain_mm",
    "latitude_degrees",
    "longitude_degrees",
    "elevation_m",
];

/// A hundred years in milliseconds.
const LONGEST_STEP: f64 = 100.0 * 365.25 * 86_400_000.0;
