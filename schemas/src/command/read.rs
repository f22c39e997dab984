//! Reading a command: every key checked, the first fault told in words that its sender can act on.

use std::fmt;

use chrono::{Datelike, NaiveDate};
use serde::de::{self, Deserialize, Deserializer};
use serde_json::Value;

use super::{
    AcknowledgeOrder, AdoptOrder, Command, HoldOrder, RainOrder, ReleaseOrder, SeasonOrder, SeasonState, ServiceOrder,
    Verb, VerbName,
};
use crate::head::CommandSchema;
use crate::inbound::{A_NOTE, A_TIME, AN_ID, IDS, Object, Strict, distinct, id, ids, named, note, number, time, words};

/// A command longer than this is not read, bytes.
pub const COMMAND_BYTES_MAX: usize = 4096;

/// Why a command was refused, and what could be read of it, so that its sender gets an answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CommandError {
    /// The command's `id`, if that is right.
    pub id: Option<String>,
    /// The command's `who`, if that is right.
    pub who: Option<String>,
    /// The command's verb, if that is right.
    pub verb: Option<VerbName>,
    /// Which key is wrong and what to write; less than 400 characters, fit for a [`super::CommandResult`].
    pub text: String,
}

impl fmt::Display for CommandError {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(&self.text)
    }
}

impl std::error::Error for CommandError {}

impl Command {
    /// Reads a command as it comes from the broker. Who may send it, whether it is late or a repetition, and whether
    /// its groups and sensors exist, is not judged here.
    ///
    /// # Errors
    /// With more than [`COMMAND_BYTES_MAX`] bytes, with anything but one JSON object, with a key given twice, unknown,
    /// missing or out of its range.
    ///
    /// ```
    /// use thirst_schemas::{Command, Verb};
    /// let command = Command::parse(br#"{"id": "c-17", "who": "Ines", "verb": "hold", "hours": 24}"#)?;
    /// assert!(matches!(command.verb, Verb::Hold(order) if order.hours == Some(24.0)));
    /// let error = Command::parse(br#"{"id": "c-18", "who": "Ines", "verb": "hold", "hours": 0}"#).unwrap_err();
    /// assert_eq!(error.text, "key \"hours\": 0 does not fit: write a number of hours from 0.1 to 8784");
    /// assert_eq!(error.id.as_deref(), Some("c-18"));
    /// # Ok::<(), thirst_schemas::CommandError>(())
    /// ```
    pub fn parse(bytes: &[u8]) -> Result<Self, CommandError> {
        let object = Object::read(bytes, COMMAND_BYTES_MAX, WHAT);
        let object = object.map_err(|text| CommandError { id: None, who: None, verb: None, text })?;
        Self::from_object(object)
    }

    fn from_object(mut object: Object) -> Result<Self, CommandError> {
        let known = (
            object.peek("id").and_then(command_id),
            object.peek("who").and_then(|value| words(value, 1, 64)),
            object.peek("verb").and_then(named::<VerbName>),
        );
        read(&mut object).map_err(|text| CommandError { id: known.0, who: known.1, verb: known.2, text })
    }
}

impl<'de> Deserialize<'de> for Command {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let Strict(value) = Strict::deserialize(deserializer)?;
        Self::from_object(Object::from_value(value, WHAT).map_err(de::Error::custom)?).map_err(de::Error::custom)
    }
}

fn read(object: &mut Object) -> Result<Command, String> {
    let verb_name = object.need("verb", VERBS, named::<VerbName>)?;
    let (of_verb, what) = keys_of(verb_name);
    let keys: Vec<&str> = ENVELOPE.iter().chain(of_verb).copied().collect();
    object.only(&keys, what)?;
    Ok(Command {
        schema: object.take("schema", "\"thirst/command/1\", or leave it out", named::<CommandSchema>)?,
        id: object.need("id", "1 to 64 of the characters A-Z, a-z, 0-9, _, . and -, never used twice", command_id)?,
        who: object.need("who", "who asks, 1 to 64 characters without control characters", |who| words(who, 1, 64))?,
        expires_at: object.take("expires_at", A_TIME, time)?,
        verb: read_verb(verb_name, object)?,
    })
}

fn read_verb(name: VerbName, object: &mut Object) -> Result<Verb, String> {
    Ok(match name {
        VerbName::Hold => {
            one_end(object)?;
            Verb::Hold(HoldOrder {
                groups: object.take("groups", IDS, ids)?,
                until: object.take("until", A_TIME, time)?,
                hours: object.take("hours", HOURS, hours)?,
                note: object.take("note", A_NOTE, note)?,
            })
        }
        VerbName::Release => {
            one_end(object)?;
            Verb::Release(ReleaseOrder {
                groups: object.take("groups", IDS, ids)?,
                reasons: object.take("reasons", REASONS, |value| distinct(value, 9, named))?,
                until: object.take("until", A_TIME, time)?,
                hours: object.take("hours", HOURS, hours)?,
                confirm: object.take("confirm", "true or false", Value::as_bool)?,
                note: object.take("note", A_NOTE, note)?,
            })
        }
        VerbName::Service => Verb::Service(ServiceOrder {
            sensor: object.need("sensor", AN_ID, id)?,
            kind: object.need("kind", "battery, cleaned, calibration, moved, replaced or added", named)?,
            at: object.take("at", A_TIME, time)?,
            note: object.take("note", A_NOTE, note)?,
        }),
        VerbName::ConfirmRain => Verb::ConfirmRain(read_rain(object)?),
        VerbName::DiscardRain => Verb::DiscardRain(read_rain(object)?),
        VerbName::Adopt => {
            let sensor = object.need("sensor", AN_ID, id)?;
            let another = |value: &Value| id(value).filter(|successor| *successor != sensor);
            let successor = object.need("successor", "the new id, which is not that of the sensor itself", another)?;
            Verb::Adopt(AdoptOrder { sensor, successor, note: object.take("note", A_NOTE, note)? })
        }
        VerbName::Acknowledge => Verb::Acknowledge(AcknowledgeOrder {
            kind: object.need("kind", "the kind of an alert, as it stands in its topic", named)?,
            subject: object.need("subject", AN_ID, id)?,
            until: object.take("until", A_TIME, time)?,
            note: object.take("note", A_NOTE, note)?,
        }),
        VerbName::Season => Verb::Season(read_season(object)?),
    })
}

fn read_rain(object: &mut Object) -> Result<RainOrder, String> {
    Ok(RainOrder { sensor: object.need("sensor", AN_ID, id)?, note: object.take("note", A_NOTE, note)? })
}

fn read_season(object: &mut Object) -> Result<SeasonOrder, String> {
    let state = object.need("state", "running, drained or establishing", named)?;
    let order = SeasonOrder {
        state,
        groups: object.take("groups", IDS, ids)?,
        until: object.take("until", A_DAY, day)?,
        permit: object.take("permit", A_NOTE, note)?,
        note: object.take("note", A_NOTE, note)?,
    };
    if state != SeasonState::Establishing && order.permit.is_some() {
        return Err("key \"permit\" goes with the state establishing only: leave it out".to_owned());
    }
    match (state, &order.groups, order.until) {
        (SeasonState::Establishing, _, None) => Err(format!("key \"until\" is missing: write {A_DAY}")),
        (SeasonState::Establishing, _, Some(_)) | (_, None, None) => Ok(order),
        (_, Some(_), _) => Err("key \"groups\" goes with the state establishing only: leave it out".to_owned()),
        (_, None, Some(_)) => Err("key \"until\" goes with the state establishing only: leave it out".to_owned()),
    }
}

fn one_end(object: &Object) -> Result<(), String> {
    if object.has("until") && object.has("hours") {
        return Err("keys \"until\" and \"hours\" both say when it ends: write one of them".to_owned());
    }
    Ok(())
}

fn command_id(value: &Value) -> Option<String> {
    let fits = |byte: u8| byte.is_ascii_alphanumeric() || matches!(byte, b'_' | b'.' | b'-');
    value.as_str().filter(|text| (1..=64).contains(&text.len()) && text.bytes().all(fits)).map(str::to_owned)
}

fn hours(value: &Value) -> Option<f64> {
    number(value, 0.1, 8784.0)
}

fn day(value: &Value) -> Option<NaiveDate> {
    let text = value.as_str().filter(|text| text.len() == 10)?;
    NaiveDate::parse_from_str(text, "%Y-%m-%d").ok().filter(|day| (2000..2200).contains(&day.year()))
}

/// The keys of a verb besides [`ENVELOPE`], and how a text names the verb.
fn keys_of(verb: VerbName) -> (&'static [&'static str], &'static str) {
    match verb {
        VerbName::Hold => (&["groups", "until", "hours", "note"], "the verb hold"),
        VerbName::Release => (&["groups", "reasons", "until", "hours", "confirm", "note"], "the verb release"),
        VerbName::Service => (&["sensor", "kind", "at", "note"], "the verb service"),
        VerbName::ConfirmRain => (&["sensor", "note"], "the verb confirm_rain"),
        VerbName::DiscardRain => (&["sensor", "note"], "the verb discard_rain"),
        VerbName::Adopt => (&["sensor", "successor", "note"], "the verb adopt"),
        VerbName::Acknowledge => (&["kind", "subject", "until", "note"], "the verb acknowledge"),
        VerbName::Season => (&["state", "groups", "until", "permit", "note"], "the verb season"),
    }
}

const WHAT: &str = "command";
const ENVELOPE: &[&str] = &["schema", "id", "who", "expires_at", "verb"];
const VERBS: &str = "hold, release, service, confirm_rain, discard_rain, adopt, acknowledge or season";
const HOURS: &str = "a number of hours from 0.1 to 8784";
const A_DAY: &str = "the last day as a date such as \"2026-10-31\"";
const REASONS: &str = "a list of different reasons out of rain, freeze, wind, restriction, operator, root_zone_full, \
                       season, calendar and no_evidence";
