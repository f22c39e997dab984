//! The order of keys in generated files, whatever order the map in memory has, and JSON in that order.

use serde::ser::{Serialize, SerializeMap, Serializer};
use serde_json::{Map, Value};

/// The fields of a map as they shall be written: those of [`FIRST`], then those that the map's neighbor `required`
/// names, in its order, then the rest by name.
pub(super) fn ordered<'a>(fields: &'a Map<String, Value>, required: &[&str]) -> Vec<(&'a String, &'a Value)> {
    let place = |list: &[&str], key: &str| list.iter().position(|name| *name == key).unwrap_or(list.len());
    let mut all: Vec<(&String, &Value)> = fields.iter().collect();
    if required.is_empty() {
        all.sort_by_key(|(key, _)| (place(FIRST, key), *key));
    } else {
        all.sort_by_key(|(key, _)| (place(required, key), *key));
    }
    all
}

/// The names in `required` beside `properties`, which give the properties their order.
pub(super) fn required_names(fields: &Map<String, Value>) -> Vec<&str> {
    fields.get("required").and_then(Value::as_array).into_iter().flatten().filter_map(Value::as_str).collect()
}

/// `value` as JSON for people, with a line feed at its end.
pub(super) fn json_text(value: &Value) -> String {
    let ordered = Ordered { value, required: &[] };
    // Writing a value to memory does not fail.
    let mut text = serde_json::to_string_pretty(&ordered).unwrap_or_default();
    text.push('\n');
    text
}

struct Ordered<'a> {
    value: &'a Value,
    required: &'a [&'a str],
}

impl Serialize for Ordered<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self.value {
            Value::Object(fields) => {
                let required = required_names(fields);
                let mut map = serializer.serialize_map(Some(fields.len()))?;
                for (key, value) in ordered(fields, self.required) {
                    let required: &[&str] = if key == "properties" { &required } else { &[] };
                    map.serialize_entry(key, &Ordered { value, required })?;
                }
                map.end()
            }
            Value::Array(list) => serializer.collect_seq(list.iter().map(|value| Ordered { value, required: &[] })),
            plain => plain.serialize(serializer),
        }
    }
}

/// What a reader wants to see first.
const FIRST: &[&str] = &[
    "asyncapi",
    "$schema",
    "$id",
    "info",
    "title",
    "name",
    "version",
    "action",
    "address",
    "channel",
    "summary",
    "description",
    "license",
    "defaultContentType",
    "servers",
    "channels",
    "operations",
    "components",
    "type",
    "const",
    "required",
    "properties",
    "minimum",
    "minItems",
    "minLength",
];

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn required_keys_give_the_properties_their_order() {
        let value = json!({"properties": {"a": {}, "b": {}, "type": {"type": "null"}}, "required": ["type", "b"], "x": 1, "type": "object"});
        let wanted = "{\n  \"type\": \"object\",\n  \"required\": [\n    \"type\",\n    \"b\"\n  ],\n  \"properties\": {\n    \"type\": {\n      \"type\": \"null\"\n    },\n    \"b\": {},\n    \"a\": {}\n  },\n  \"x\": 1\n}\n";
        assert_eq!(json_text(&value), wanted);
    }
}
