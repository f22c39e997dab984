//! Messages of one topic, taken apart into the fields of each sender.

use std::collections::BTreeMap;

use serde_json::{Map, Value};

use super::fields::FieldSeen;
use crate::engine::{
    decode::{Format, payload::Body, senml},
    stamp::Stamp,
};

/// All that came on one topic.
#[derive(Clone, Debug, Default)]
pub struct TopicSeen {
    pub messages: u32,
    pub retained: u32,
    pub empty: u32,
    /// Neither text nor empty.
    pub binary: u32,
    pub objects: u32,
    pub packs: u32,
    /// JSON that is neither object nor pack.
    pub other_json: u32,
    pub numbers: u32,
    /// Text that is no number, and a few of the texts.
    pub words: u32,
    pub said: Vec<String>,
    /// By what the payload says who sent it; one without where it does not say.
    pub streams: BTreeMap<String, Stream>,
}

/// What one sender said on one topic.
#[derive(Clone, Debug, Default)]
pub struct Stream {
    /// Where the payload says who sent it.
    pub id_pointer: Option<String>,
    /// Live messages.
    pub messages: u32,
    /// Between live messages, ms.
    pub gaps: Vec<i64>,
    last: Option<Stamp>,
    /// By JSON Pointer, name of a record, or "" for a plain value.
    pub fields: BTreeMap<String, FieldSeen>,
}

impl TopicSeen {
    /// Takes in a message and says how many fields are new; there are never more than `room`.
    pub fn take(&mut self, at: Stamp, payload: &[u8], retain: bool, room: usize) -> usize {
        self.messages = self.messages.saturating_add(1);
        self.retained = self.retained.saturating_add(u32::from(retain));
        if payload.is_empty() {
            self.empty += 1;
            return 0;
        }
        if let Ok(Body::Senml(pack)) = Body::parse(Format::Senml, payload, LARGEST_PAYLOAD)
            && pack.as_array().is_some_and(|records| !records.is_empty() && records.iter().all(is_record))
        {
            self.packs += 1;
            return self.take_pack(at, &pack, retain, room);
        }
        match Body::parse(Format::Json, payload, LARGEST_PAYLOAD) {
            Ok(Body::Json(Value::Object(members))) => {
                self.objects += 1;
                let id = sender(&members);
                let stream = self.stream(id, at, retain);
                let mut flat = Flat { at, fields: &mut stream.fields, added: 0, room };
                flat.object("", &members, 0);
                flat.added
            }
            Ok(Body::Json(Value::Array(_))) => {
                self.other_json += 1;
                0
            }
            _ => self.take_scalar(at, payload, retain, room),
        }
    }

    fn take_scalar(&mut self, at: Stamp, payload: &[u8], retain: bool, room: usize) -> usize {
        let Ok(Body::Text(text)) = Body::parse(Format::Value, payload, LARGEST_PAYLOAD) else {
            self.binary += 1;
            return 0;
        };
        let mut field = FieldSeen::default();
        field.text(at, text);
        if field.is_number() {
            self.numbers += 1;
        } else {
            self.words += 1;
            let text: String = text.chars().take(40).collect();
            if self.said.len() < MOST_SAID && !self.said.contains(&text) {
                self.said.push(text);
            }
        }
        let stream = self.stream(None, at, retain);
        let mut flat = Flat { at, fields: &mut stream.fields, added: 0, room };
        flat.value("", &Value::String(text.to_owned()), None, None);
        flat.added
    }

    fn take_pack(&mut self, at: Stamp, pack: &Value, retain: bool, room: usize) -> usize {
        let base = pack.pointer("/0/bn").and_then(Value::as_str).filter(|base| !base.is_empty());
        let id = base.map(|base| ("/0/bn".to_owned(), base.to_owned()));
        let stream = self.stream(id, at, retain);
        let mut flat = Flat { at, fields: &mut stream.fields, added: 0, room };
        for record in senml::records(pack).unwrap_or_default() {
            let value = match record.value {
                Some(senml::Held::Based(number)) => Value::from(number),
                Some(senml::Held::Raw(raw)) => raw.owned(),
                None => continue,
            };
            flat.value(record.own_name(), &value, record.unit, None);
            if let Some(seen) = flat.fields.get_mut(record.own_name()) {
                seen.in_pack = true;
            }
        }
        flat.added
    }

    fn stream(&mut self, id: Option<(String, String)>, at: Stamp, retain: bool) -> &mut Stream {
        let (pointer, name) = id.map_or((None, String::new()), |(pointer, name)| (Some(pointer), name));
        let name =
            if self.streams.len() < MOST_STREAMS || self.streams.contains_key(&name) { name } else { String::new() };
        let stream = self.streams.entry(name).or_default();
        stream.id_pointer = pointer.or(stream.id_pointer.take());
        if !retain {
            stream.messages = stream.messages.saturating_add(1);
            if let Some(last) = stream.last
                && stream.gaps.len() < MOST_GAPS
            {
                stream.gaps.push(at.since(last));
            }
            stream.last = Some(at);
        }
        stream
    }
}

/// A document on its way into fields.
struct Flat<'f> {
    at: Stamp,
    fields: &'f mut BTreeMap<String, FieldSeen>,
    added: usize,
    room: usize,
}

impl Flat<'_> {
    fn object(&mut self, pointer: &str, members: &Map<String, Value>, depth: usize) {
        if depth >= DEEPEST {
            return;
        }
        let text = |keys: &[&str]| keys.iter().find_map(|key| members.get(*key)?.as_str());
        let hint = text(&["name", "type", "quantity", "label", "measurement", "kind"]);
        let unit = text(&["unit", "units", "uom", "u"]);
        for (key, value) in members {
            let below = format!("{pointer}/{}", key.replace('~', "~0").replace('/', "~1"));
            let is_value = ["value", "val", "v", "reading"].contains(&key.as_str());
            let (hint, unit) = if is_value { (hint, unit) } else { (None, None) };
            match value {
                Value::Object(members) => self.object(&below, members, depth + 1),
                Value::Array(items) => {
                    for (index, item) in items.iter().take(MOST_ITEMS).enumerate() {
                        let below = format!("{below}/{index}");
                        match item {
                            Value::Object(members) => self.object(&below, members, depth + 1),
                            Value::Array(_) => {}
                            value => self.value(&below, value, None, None),
                        }
                    }
                }
                value => self.value(&below, value, unit, hint),
            }
        }
    }

    fn value(&mut self, key: &str, value: &Value, unit: Option<&str>, hint: Option<&str>) {
        if !self.fields.contains_key(key) {
            if self.added >= self.room || self.fields.len() >= MOST_FIELDS || key.len() > LONGEST_KEY {
                return;
            }
            self.fields.insert(key.to_owned(), FieldSeen::default());
            self.added += 1;
        }
        let Some(seen) = self.fields.get_mut(key) else { return };
        if let Some(hint) = hint {
            seen.hint = Some(hint.chars().take(LONGEST_KEY).collect());
        }
        if let Some(unit) = unit {
            seen.unit = Some(unit.chars().take(LONGEST_KEY).collect());
        }
        match value {
            Value::Null => seen.nulls += 1,
            Value::Bool(_) => seen.truths += 1,
            Value::Number(number) => {
                if let Some(number) = number.as_f64() {
                    seen.number(self.at, number);
                }
            }
            Value::String(text) => seen.text(self.at, text),
            Value::Array(_) | Value::Object(_) => {}
        }
    }
}

/// Where the payload says who sent it, and what it says.
fn sender(members: &Map<String, Value>) -> Option<(String, String)> {
    let name = |value: &Value| match value {
        Value::String(text) if !text.is_empty() && text.len() <= LONGEST_NAME => Some(text.clone()),
        Value::Number(number) if number.is_u64() => Some(number.to_string()),
        _ => None,
    };
    let in_object = |members: &Map<String, Value>, prefix: &str| {
        members.iter().find_map(|(key, value)| {
            let plain: String = key.chars().filter(char::is_ascii_alphanumeric).collect();
            let is_id = SENDER_KEYS.contains(&plain.to_ascii_lowercase().as_str());
            // Such a key needs no escapes in a pointer.
            (is_id && !key.contains(['~', '/'])).then(|| Some((format!("{prefix}/{key}"), name(value)?))).flatten()
        })
    };
    in_object(members, "").or_else(|| {
        members.iter().find_map(|(key, value)| {
            let plain = !key.contains(['~', '/']);
            value.as_object().filter(|_| plain).and_then(|inner| in_object(inner, &format!("/{key}")))
        })
    })
}

fn is_record(value: &Value) -> bool {
    let has = |label: &str| value.get(label).is_some();
    (has("n") || has("bn")) && (["v", "vs", "vb", "vd", "s", "bv", "bn"].iter().any(|label| has(label)))
}

/// Keys in small letters, without separators.
const SENDER_KEYS: [&str; 18] = [
    "id",
    "sensor",
    "sensorid",
    "sensorname",
    "device",
    "deviceid",
    "devicename",
    "dev",
    "devid",
    "deveui",
    "node",
    "nodeid",
    "stationid",
    "station",
    "mac",
    "serial",
    "serialnumber",
    "sn",
];

const LARGEST_PAYLOAD: usize = 65_536;
const MOST_STREAMS: usize = 64;
const MOST_FIELDS: usize = 200;
const MOST_GAPS: usize = 64;
const MOST_ITEMS: usize = 8;
const MOST_SAID: usize = 4;
const DEEPEST: usize = 6;
const LONGEST_KEY: usize = 120;
const LONGEST_NAME: usize = 64;
