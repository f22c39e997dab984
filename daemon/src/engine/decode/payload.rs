//! The payload taken apart: the scalar or JSON document, and the raw value of each field in it.

use serde_json::Value;

use super::{
    flat::Flat,
    lenient,
    loss::{LossCause, MessageLoss, excerpt, excerpt_bytes},
    senml,
    settings::Format,
};

/// A payload that could be read.
#[derive(Clone, Debug, PartialEq)]
pub enum Body<'p> {
    Json(Value),
    /// A JSON object of scalars; [`Body::parse`] gives a tree instead.
    Flat(Flat<'p>),
    /// An array whose records [`senml::records`] takes.
    Senml(Value),
    /// A scalar, without surrounding white space and quotation marks.
    Text(&'p str),
}

/// One value as it stands in the payload.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Raw<'p> {
    Null,
    Truth(bool),
    Number(&'p serde_json::Number),
    /// Without surrounding white space.
    Text(&'p str),
    /// An array or object.
    Compound(&'p Value),
}

impl<'p> Body<'p> {
    /// Reads a payload of that format.
    ///
    /// # Errors
    /// Empty, too large, not UTF-8, or (for `Json` and `Senml`) not JSON or no pack: the whole message is lost.
    pub fn parse(format: Format, payload: &'p [u8], max_bytes: usize) -> Result<Self, MessageLoss> {
        let lost = |cause| Err(MessageLoss { cause, seen: excerpt_bytes(payload) });
        if payload.is_empty() {
            return lost(LossCause::Empty);
        }
        if payload.len() > max_bytes {
            return lost(LossCause::TooLarge);
        }
        let Ok(text) = std::str::from_utf8(payload) else {
            return lost(LossCause::NotText);
        };
        let body = lenient::trimmed(text);
        if body.is_empty() {
            return lost(LossCause::Blank);
        }
        match format {
            Format::Value => Ok(Self::Text(unquoted(body))),
            Format::Json | Format::Senml => match lenient::parse(body) {
                Ok(document) if format == Format::Json => Ok(Self::Json(document)),
                Ok(document) => match senml::records(&document).map(drop) {
                    Ok(()) => Ok(Self::Senml(document)),
                    Err(cause) => lost(cause),
                },
                Err(readable) => Err(MessageLoss { cause: LossCause::NotJson, seen: tail(readable) }),
            },
        }
    }

    /// The value at a JSON Pointer; `None` when there is none, or when the payload is no JSON.
    pub fn at(&self, pointer: &str) -> Option<Raw<'_>> {
        match self {
            Self::Json(document) | Self::Senml(document) => lookup(document, pointer).map(Raw::of),
            Self::Flat(members) => members.at(pointer),
            Self::Text(_) => None,
        }
    }

    /// The scalar of a `Value` payload.
    pub fn scalar(&self) -> Option<Raw<'_>> {
        match self {
            Self::Json(_) | Self::Flat(_) | Self::Senml(_) => None,
            Self::Text(text) => Some(Raw::Text(text)),
        }
    }
}

impl<'p> Raw<'p> {
    pub(super) fn of(value: &'p Value) -> Self {
        match value {
            Value::Null => Self::Null,
            Value::Bool(truth) => Self::Truth(*truth),
            Value::Number(number) => Self::Number(number),
            Value::String(text) => Self::Text(lenient::trimmed(text)),
            Value::Array(_) | Value::Object(_) => Self::Compound(value),
        }
    }

    /// The value on its own.
    pub fn owned(self) -> Value {
        match self {
            Self::Null => Value::Null,
            Self::Truth(truth) => Value::Bool(truth),
            Self::Number(number) => Value::Number(number.clone()),
            Self::Text(text) => Value::String(text.to_owned()),
            Self::Compound(value) => value.clone(),
        }
    }

    /// For logs and pages: at most 60 characters.
    pub fn excerpt(self) -> String {
        match self {
            Self::Null => "null".to_owned(),
            Self::Truth(truth) => truth.to_string(),
            Self::Number(number) => excerpt(&number.to_string()),
            Self::Text(text) => excerpt(text),
            Self::Compound(Value::Array(items)) => format!("an array of {}", items.len()),
            Self::Compound(Value::Object(members)) => format!("an object of {}", members.len()),
            Self::Compound(_) => String::new(),
        }
    }
}

/// True for a text that RFC 6901 section 3 allows as a JSON Pointer.
pub fn is_pointer(text: &str) -> bool {
    (text.is_empty() || text.starts_with('/')) && text.split('~').skip(1).all(|after| after.starts_with(['0', '1']))
}

/// The names at the top of a JSON object or of a pack's records, for a message that has none of the fields asked for.
pub fn outline(body: &Body<'_>) -> String {
    match body {
        Body::Json(Value::Object(members)) => {
            // More names than this cannot be shown, and a hostile document can have thousands.
            let names: Vec<&str> = members.keys().take(30).map(String::as_str).collect();
            excerpt(&names.join(" "))
        }
        Body::Flat(members) => excerpt(&members.names().into_iter().take(30).collect::<Vec<_>>().join(" ")),
        Body::Json(document) => Raw::of(document).excerpt(),
        Body::Senml(pack) => {
            let records = senml::records(pack).unwrap_or_default();
            let names: Vec<&str> = records.iter().take(30).map(senml::Record::own_name).collect();
            excerpt(&names.join(" "))
        }
        Body::Text(text) => excerpt(text),
    }
}

/// The value at a JSON Pointer (RFC 6901 section 4). serde_json's own lookup allocates for each level.
fn lookup<'v>(document: &'v Value, pointer: &str) -> Option<&'v Value> {
    if pointer.is_empty() {
        return Some(document);
    }
    let path = pointer.strip_prefix('/')?;
    path.split('/').try_fold(document, |value, token| match value {
        Value::Object(members) if token.contains('~') => members.get(&token.replace("~1", "/").replace("~0", "~")),
        Value::Object(members) => members.get(token),
        Value::Array(items) => items.get(array_index(token)?),
        _ => None,
    })
}

/// RFC 6901 section 4: decimal digits without a leading zero.
fn array_index(token: &str) -> Option<usize> {
    let canonical = token == "0" || !token.starts_with('0');
    (canonical && token.bytes().all(|byte| byte.is_ascii_digit())).then(|| token.parse().ok()).flatten()
}

fn unquoted(text: &str) -> &str {
    let inner = text.strip_prefix('"').and_then(|rest| rest.strip_suffix('"'));
    inner.map_or(text, lenient::trimmed)
}

/// The end of a text, where a cut or broken message shows its fault.
fn tail(text: &str) -> String {
    let count = text.chars().count();
    match text.char_indices().nth(count.saturating_sub(TAIL_CHARACTERS)) {
        Some((start, _)) if start > 0 => excerpt(&format!("…{}", text.get(start..).unwrap_or_default())),
        _ => excerpt(text),
    }
}

/// One less than an excerpt, for the mark that something was left out.
const TAIL_CHARACTERS: usize = 59;
