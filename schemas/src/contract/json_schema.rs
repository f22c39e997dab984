//! JSON Schema 2020-12 of a payload: what the derive gives, made plain for readers and strict validators.

use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, Schema};
use serde_json::{Value, json};

use super::Payload;

/// The schema of a type under `settings`.
pub(super) fn generate<Type: JsonSchema>(settings: SchemaSettings) -> Schema {
    settings.into_generator().into_root_schema_for::<Type>()
}

/// The schema of a payload as it is published.
pub(super) fn of(payload: &Payload) -> Value {
    // Every type is described as it is written: inbound types are read by hand and have no other description.
    let mut schema = (payload.generate)(SchemaSettings::draft2020_12().for_serialize()).to_value();
    tidy(&mut schema);
    if let Some(fields) = schema.as_object_mut() {
        fields.insert("$id".to_owned(), json!(format!("urn:{}", payload.schema_text.replace('/', ":"))));
    }
    schema
}

/// No null anywhere, since absent values are left out; no formats but those of the standard; texts in one line.
fn tidy(schema: &mut Value) {
    match schema {
        Value::Object(fields) => {
            if let Some(Value::Array(types)) = fields.get_mut("type") {
                types.retain(|name| name != "null");
                if let [only] = types.as_slice() {
                    let only = only.clone();
                    fields.insert("type".to_owned(), only);
                }
            }
            if let Some(Value::Array(values)) = fields.get_mut("enum") {
                values.retain(|value| !value.is_null());
                if let [only] = values.as_slice() {
                    let only = only.clone();
                    fields.remove("enum");
                    fields.insert("const".to_owned(), only);
                }
            }
            if let Some(Value::Array(choices)) = fields.get_mut("anyOf") {
                choices.retain(|choice| choice.get("type").is_none_or(|name| name != "null"));
                if let [Value::Object(only)] = choices.as_slice() {
                    let only = only.clone();
                    fields.remove("anyOf");
                    for (key, value) in only {
                        fields.entry(key).or_insert(value);
                    }
                }
            }
            if fields.get("format").and_then(Value::as_str).is_some_and(|format| !STANDARD_FORMATS.contains(&format)) {
                fields.remove("format");
            }
            if let Some(Value::String(text)) = fields.get_mut("description") {
                *text = text.replace('\n', " ");
            }
            fields.values_mut().for_each(tidy);
        }
        Value::Array(list) => list.iter_mut().for_each(tidy),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

/// Those of JSON Schema 2020-12 (validation, section 7.3) that the payloads use; the rest names types of Rust.
const STANDARD_FORMATS: &[&str] = &["date", "date-time"];
