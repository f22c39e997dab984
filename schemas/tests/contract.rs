//! The checked-in contract is what the types generate, and holds together by itself.

#![allow(clippy::unwrap_used, clippy::panic, reason = "all of this file is a test")]

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use thirst_schemas::contract::{self, PAYLOADS};
use thirst_schemas::topics::{self, DEFAULT_PREFIX};
use thirst_schemas::{AlertKind, head};

const REWRITE: &str = "run: cargo run -p thirst-schemas --bin thirst-schemas-write";

#[test]
fn the_files_in_the_tree_are_what_the_types_generate() {
    let files = contract::files();
    for file in &files {
        let there = fs::read_to_string(folder().join(&file.path)).unwrap_or_default();
        assert!(there == file.text, "{} differs from the types; {REWRITE}", file.path);
    }
    let generated: BTreeSet<String> = files.into_iter().map(|file| file.path).collect();
    for entry in fs::read_dir(folder().join("json")).unwrap() {
        let path = format!("json/{}", entry.unwrap().file_name().to_string_lossy());
        assert!(generated.contains(&path), "{path} belongs to no payload: remove it");
    }
}

#[test]
fn every_schema_is_json_schema_2020_12_and_complete_in_itself() {
    for payload in PAYLOADS {
        let schema = payload.json_schema();
        assert_eq!(schema["$schema"], "https://json-schema.org/draft/2020-12/schema", "{}", payload.name);
        assert!(jsonschema::meta::is_valid(&schema), "{}", payload.name);
        for reference in references(&schema) {
            let pointer = reference.strip_prefix('#').unwrap_or_else(|| panic!("{reference} leaves the file"));
            assert!(schema.pointer(pointer).is_some(), "{}: {reference} leads nowhere", payload.name);
        }
    }
}

#[test]
fn every_key_of_every_payload_is_described_and_none_may_be_null() {
    for payload in PAYLOADS {
        let schema = payload.json_schema();
        assert!(!schema["description"].as_str().unwrap_or_default().is_empty(), "{}", payload.name);
        each(&schema, &mut |part| {
            assert_ne!(part.get("type"), Some(&json!("null")), "{}: {part}", payload.name);
            let types = part.get("type").and_then(Value::as_array);
            assert!(types.is_none_or(|types| !types.contains(&json!("null"))), "{}: {part}", payload.name);
            let choices = part.get("enum").and_then(Value::as_array);
            assert!(choices.is_none_or(|choices| !choices.contains(&Value::Null)), "{}: {part}", payload.name);
            // An object with a type describes keys; one without is a condition on them.
            let properties = part.get("properties").and_then(Value::as_object).filter(|_| part.get("type").is_some());
            for (key, property) in properties.into_iter().flatten() {
                let described = property.get("description").and_then(Value::as_str).is_some_and(|text| text.len() > 5);
                assert!(described, "{}: {key} has no description", payload.name);
            }
        });
    }
}

#[test]
fn every_inbound_object_is_closed() {
    for payload in PAYLOADS.iter().filter(|payload| payload.inbound) {
        each(&payload.json_schema(), &mut |part| {
            if part.get("properties").is_some() && part.get("type") == Some(&json!("object")) {
                assert_eq!(part.get("additionalProperties"), Some(&json!(false)), "{}: {part}", payload.name);
            }
        });
    }
}

#[test]
fn every_reference_of_the_asyncapi_document_resolves() {
    let document = contract::asyncapi_document();
    let references = references(&document);
    assert!(references.len() > 50, "{}", references.len());
    for reference in references {
        match reference.strip_prefix('#') {
            Some(pointer) => assert!(document.pointer(pointer).is_some(), "{reference} leads nowhere"),
            None => assert!(folder().join(&reference).is_file(), "{reference} is no file"),
        }
    }
}

#[test]
fn every_topic_is_a_channel_with_its_parameters_and_one_operation() {
    let document = contract::asyncapi_document();
    let channels = document["channels"].as_object().unwrap();
    let of_alert = topics::alert(DEFAULT_PREFIX, "{site}", AlertKind::DiskLow, "{subject}");
    let of_daemon_alert = topics::daemon_alert(DEFAULT_PREFIX, "{instance}", AlertKind::DiskLow, "{subject}");
    let any_kind = |topic: String| topic.replace(AlertKind::DiskLow.name(), "{kind}");
    let topics = [
        ("daemon", topics::daemon(DEFAULT_PREFIX, "{instance}"), "send", true),
        ("daemonAlert", any_kind(of_daemon_alert), "send", true),
        ("decision", topics::decision(DEFAULT_PREFIX, "{site}", "{group}"), "send", true),
        ("instruction", topics::instruction(DEFAULT_PREFIX, "{site}", "{controller}"), "send", true),
        ("fallback", topics::fallback(DEFAULT_PREFIX, "{site}"), "send", true),
        ("totals", topics::totals(DEFAULT_PREFIX, "{site}"), "send", true),
        ("sensor", topics::sensor(DEFAULT_PREFIX, "{site}", "{sensor}"), "send", true),
        ("alert", any_kind(of_alert), "send", true),
        ("command", topics::command(DEFAULT_PREFIX, "{site}"), "receive", false),
        ("result", topics::result(DEFAULT_PREFIX, "{site}"), "send", false),
        ("report", topics::report(DEFAULT_PREFIX, "{site}", "{controller}"), "receive", false),
        ("visits", topics::visits(DEFAULT_PREFIX), "send", true),
    ];
    assert_eq!(channels.len(), topics.len());
    for (name, address, action, retained) in topics {
        let channel = &channels[name];
        assert_eq!(channel["address"], json!(address));
        let wanted: BTreeSet<&str> =
            address.split('/').filter_map(|level| level.strip_prefix('{')?.strip_suffix('}')).collect();
        let given: BTreeSet<&str> =
            channel["parameters"].as_object().into_iter().flatten().map(|(key, _)| key.as_str()).collect();
        assert_eq!(given, wanted, "{name}");
        assert_eq!(channel["messages"].as_object().unwrap().len(), 1, "{name}");

        let to_channel = json!({ "$ref": format!("#/channels/{name}") });
        let operations: Vec<&Value> =
            document["operations"].as_object().unwrap().values().filter(|one| one["channel"] == to_channel).collect();
        assert_eq!(operations.len(), 1, "{name}");
        assert_eq!(operations[0]["action"], action, "{name}");
        assert_eq!(operations[0]["bindings"]["mqtt"]["qos"], 1, "{name}");
        assert_eq!(operations[0]["bindings"]["mqtt"]["retain"], retained, "{name}");
    }
}

#[test]
fn the_asyncapi_document_has_what_its_standard_requires_and_our_cautions() {
    // AsyncAPI 3.0.0: asyncapi, info.title and info.version; servers: host and protocol; operations: action and channel.
    let document = contract::asyncapi_document();
    assert_eq!(document["asyncapi"], "3.0.0");
    assert!(document["info"]["title"].is_string() && document["info"]["version"].is_string());
    for server in document["servers"].as_object().unwrap().values() {
        assert!(server["host"].is_string() && server["protocol"] == "mqtt");
    }
    for (name, message) in document["components"]["messages"].as_object().unwrap() {
        assert_eq!(message["contentType"], "application/json", "{name}");
        assert_eq!(message["payload"]["$ref"], json!(format!("./json/{name}.schema.json")));
    }
    let description = document["info"]["description"].as_str().unwrap();
    for caution in [
        "Not for life safety, fire protection or frost-protection sprinkling",
        "Local watering rules, codes and licensed practice come first",
        "Holding in frost is best effort",
    ] {
        assert!(description.contains(caution), "{caution}");
    }
}

#[test]
fn each_payload_is_named_by_its_constant() {
    for (name, text) in [
        ("decision", head::DecisionSchema::TEXT),
        ("instruction", head::InstructionSchema::TEXT),
        ("fallback", head::FallbackSchema::TEXT),
        ("totals", head::TotalsSchema::TEXT),
        ("sensor", head::SensorSchema::TEXT),
        ("alert", head::AlertSchema::TEXT),
        ("command", head::CommandSchema::TEXT),
        ("result", head::ResultSchema::TEXT),
        ("report", head::ReportSchema::TEXT),
        ("daemon", head::DaemonSchema::TEXT),
        ("visits", head::VisitsSchema::TEXT),
    ] {
        assert_eq!(text, format!("thirst/{name}/1"));
        let payload = PAYLOADS.iter().find(|payload| payload.name == name).unwrap();
        assert_eq!(payload.schema_text, text);
        assert_eq!(payload.json_schema()["$id"], json!(format!("urn:thirst:{name}:1")));
    }
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).to_owned()
}

/// Calls `look` with every object in `value`.
fn each(value: &Value, look: &mut impl FnMut(&Value)) {
    match value {
        Value::Object(fields) => {
            look(value);
            fields.values().for_each(|field| each(field, look));
        }
        Value::Array(list) => list.iter().for_each(|entry| each(entry, look)),
        _ => {}
    }
}

/// Every `$ref` in `value`.
fn references(value: &Value) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    each(value, &mut |part| {
        if let Some(reference) = part.get("$ref").and_then(Value::as_str) {
            found.insert(reference.to_owned());
        }
    });
    found
}
