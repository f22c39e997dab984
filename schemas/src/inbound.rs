//! Reading what others send: bounded, strict, and with an error text that names the key and says what to write.

use std::fmt;

use chrono::{DateTime, Datelike, Utc};
use serde::de::{self, Deserialize, Deserializer, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};

use crate::head::is_id;

/// What to write where a time is wanted.
pub(crate) const A_TIME: &str = "an RFC 3339 time from 2000 to 2199, such as \"2026-07-01T18:00:00Z\"";
/// What to write where an id is wanted.
pub(crate) const AN_ID: &str = "an id: 1 to 64 of the characters a-z, 0-9 and -";
/// What to write where ids are wanted.
pub(crate) const IDS: &str = "a list of 1 to 64 different ids, each 1 to 64 of the characters a-z, 0-9 and -";
/// What to write where a note is wanted.
pub(crate) const A_NOTE: &str = "a text of at most 500 characters without control characters";

/// One JSON object that is being taken apart, and what the texts of errors call it.
pub(crate) struct Object {
    fields: Map<String, Value>,
    path: String,
}

impl Object {
    /// Reads the object in `bytes`. `what` is its name in texts.
    ///
    /// # Errors
    /// With more than `most` bytes, with anything but one JSON object, and with a key given twice.
    pub(crate) fn read(bytes: &[u8], most: usize, what: &str) -> Result<Self, String> {
        if bytes.len() > most {
            return Err(format!("the {what} has {} bytes: send at most {most}", bytes.len()));
        }
        let value: Strict = serde_json::from_slice(bytes).map_err(|error| {
            format!("the {what} is not JSON as it should be: {}; send one object", printable(&error.to_string(), 160))
        })?;
        Self::from_value(value.0, what)
    }

    /// The object in `value`.
    pub(crate) fn from_value(value: Value, what: &str) -> Result<Self, String> {
        match value {
            Value::Object(fields) => Ok(Self { fields, path: String::new() }),
            other => Err(format!("the {what} is {}: send one JSON object", shown(&other))),
        }
    }

    /// Refuses every key that is not among `known`.
    pub(crate) fn only(&self, known: &[&str], what: &str) -> Result<(), String> {
        match self.fields.keys().find(|key| !known.contains(&key.as_str())) {
            None => Ok(()),
            Some(key) => Err(format!(
                "key \"{}{}\" is not known: {what} takes {}",
                self.path,
                printable(key, 40),
                known.join(", ")
            )),
        }
    }

    /// Takes the value of `key` if there is one. `read` says what it means, or nothing if it does not fit `wanted`.
    pub(crate) fn take<T>(
        &mut self,
        key: &str,
        wanted: &str,
        read: impl FnOnce(&Value) -> Option<T>,
    ) -> Result<Option<T>, String> {
        let Some(value) = self.fields.remove(key) else { return Ok(None) };
        match read(&value) {
            Some(meaning) => Ok(Some(meaning)),
            None => Err(format!("key \"{}{key}\": {} does not fit: write {wanted}", self.path, shown(&value))),
        }
    }

    /// Like [`Self::take`], and an error where the key is not given.
    pub(crate) fn need<T>(
        &mut self,
        key: &str,
        wanted: &str,
        read: impl FnOnce(&Value) -> Option<T>,
    ) -> Result<T, String> {
        self.take(key, wanted, read)?.ok_or_else(|| format!("key \"{}{key}\" is missing: write {wanted}", self.path))
    }

    /// Takes the object at `key`, if there is one.
    pub(crate) fn take_object(&mut self, key: &str, wanted: &str) -> Result<Option<Self>, String> {
        let path = format!("{}{key}.", self.path);
        let fields = self.take(key, wanted, |value| value.as_object().cloned())?;
        Ok(fields.map(|fields| Self { fields, path }))
    }

    /// Takes the list of at most `most` objects at `key`, if there is one.
    pub(crate) fn take_objects(&mut self, key: &str, most: usize, wanted: &str) -> Result<Option<Vec<Self>>, String> {
        let Some(list) = self.take(key, wanted, |value| value.as_array().filter(|list| list.len() <= most).cloned())?
        else {
            return Ok(None);
        };
        let objects = list.into_iter().enumerate().map(|(index, value)| match value {
            Value::Object(fields) => Ok(Self { fields, path: format!("{}{key}.{index}.", self.path) }),
            other => Err(format!("key \"{}{key}.{index}\": {} does not fit: write {wanted}", self.path, shown(&other))),
        });
        objects.collect::<Result<Vec<_>, _>>().map(Some)
    }

    /// The value of `key` as it stands, without taking it.
    pub(crate) fn peek(&self, key: &str) -> Option<&Value> {
        self.fields.get(key)
    }

    /// True where `key` is given.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.fields.contains_key(key)
    }
}

/// A text that is an id.
pub(crate) fn id(value: &Value) -> Option<String> {
    value.as_str().filter(|text| is_id(text)).map(str::to_owned)
}

/// A list of 1 to 64 different ids.
pub(crate) fn ids(value: &Value) -> Option<Vec<String>> {
    distinct(value, 64, id)
}

/// A list of 1 to `most` different things.
pub(crate) fn distinct<T: PartialEq>(value: &Value, most: usize, read: impl Fn(&Value) -> Option<T>) -> Option<Vec<T>> {
    let list = value.as_array().filter(|list| (1..=most).contains(&list.len()))?;
    let mut things = Vec::with_capacity(list.len());
    for value in list {
        let thing = read(value)?;
        if things.contains(&thing) {
            return None;
        }
        things.push(thing);
    }
    Some(things)
}

/// A text of `least` to `most` characters without control characters; not only white space where one is wanted.
pub(crate) fn words(value: &Value, least: usize, most: usize) -> Option<String> {
    let text = value.as_str()?;
    let count = text.chars().count();
    let fits = (least..=most).contains(&count) && !text.chars().any(char::is_control);
    (fits && (least == 0 || !text.trim().is_empty())).then(|| text.to_owned())
}

/// A note of up to 500 characters.
pub(crate) fn note(value: &Value) -> Option<String> {
    words(value, 0, 500)
}

/// A time in the years 2000 to 2199: others are slips, and would not survive being written again.
pub(crate) fn time(value: &Value) -> Option<DateTime<Utc>> {
    let time = DateTime::parse_from_rfc3339(value.as_str()?).ok()?.with_timezone(&Utc);
    (2000..2200).contains(&time.year()).then_some(time)
}

/// A number from `least` to `most`.
pub(crate) fn number(value: &Value, least: f64, most: f64) -> Option<f64> {
    value.as_f64().filter(|number| (least..=most).contains(number)).map(|number| number + 0.0)
}

/// One of a closed set of names.
pub(crate) fn named<T: for<'de> Deserialize<'de>>(value: &Value) -> Option<T> {
    value.as_str()?;
    T::deserialize(value).ok()
}

/// A value as it may stand in the text of an error: short and harmless.
fn shown(value: &Value) -> String {
    match value {
        Value::Object(_) => "an object".to_owned(),
        Value::Array(list) => format!("a list of {}", list.len()),
        Value::String(text) => format!("\"{}\"", printable(text, 40)),
        other => other.to_string(),
    }
}

/// At most `most` characters of `text`, without those that control a terminal or the direction of writing.
pub(crate) fn printable(text: &str, most: usize) -> String {
    let turns = |c: char| matches!(c, '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let mut short: String = text.chars().take(most).map(|c| if c.is_control() || turns(c) { '?' } else { c }).collect();
    if text.chars().nth(most).is_some() {
        short.push('…');
    }
    short
}

/// A JSON value in which no object gives a key twice: which of two would count is not for us to guess.
pub(crate) struct Strict(pub(crate) Value);

impl<'de> Deserialize<'de> for Strict {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(StrictVisitor).map(Self)
    }
}

struct StrictVisitor;

impl<'de> Visitor<'de> for StrictVisitor {
    type Value = Value;

    fn expecting(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str("a JSON value")
    }

    fn visit_bool<E>(self, value: bool) -> Result<Value, E> {
        Ok(Value::Bool(value))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_u64<E>(self, value: u64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_f64<E: de::Error>(self, value: f64) -> Result<Value, E> {
        Number::from_f64(value).map(Value::Number).ok_or_else(|| E::custom("a number is not finite"))
    }

    fn visit_str<E>(self, value: &str) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<Value, A::Error> {
        let mut values = Vec::new();
        while let Some(Strict(value)) = list.next_element()? {
            values.push(value);
        }
        Ok(Value::Array(values))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut fields: A) -> Result<Value, A::Error> {
        let mut map = Map::new();
        while let Some(key) = fields.next_key::<String>()? {
            if map.contains_key(&key) {
                return Err(de::Error::custom(format!("the key \"{}\" is given twice", printable(&key, 40))));
            }
            let Strict(value) = fields.next_value()?;
            map.insert(key, value);
        }
        Ok(Value::Object(map))
    }
}
