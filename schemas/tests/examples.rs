//! The examples validate and survive reading and writing; what is wrong in them is refused.

#![allow(clippy::unwrap_used, clippy::panic, reason = "all of this file is a test")]

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use jsonschema::Validator;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use thirst_schemas::contract::PAYLOADS;
use thirst_schemas::{
    Alert, Command, CommandResult, DaemonStatus, Decision, Fallback, Instruction, Report, SensorStatus, Totals, Visits,
    encode,
};

#[test]
fn every_example_validates() {
    let mut with_example = BTreeSet::new();
    for (file, bytes) in examples() {
        let payload = payload_of(&file);
        let errors = faults(payload, &serde_json::from_slice(&bytes).unwrap());
        assert!(errors.is_empty(), "{file}: {errors:?}");
        with_example.insert(payload.to_owned());
    }
    assert_eq!(with_example.len(), PAYLOADS.len());
}

#[test]
fn every_example_survives_reading_and_writing() {
    for (file, bytes) in examples() {
        match payload_of(&file) {
            "decision" => round_trip::<Decision>(&file, &bytes),
            "instruction" => round_trip::<Instruction>(&file, &bytes),
            "fallback" => round_trip::<Fallback>(&file, &bytes),
            "totals" => round_trip::<Totals>(&file, &bytes),
            "sensor" => round_trip::<SensorStatus>(&file, &bytes),
            "alert" => round_trip::<Alert>(&file, &bytes),
            "command" => {
                round_trip::<Command>(&file, &bytes);
                assert_eq!(Command::parse(&bytes).unwrap(), serde_json::from_slice(&bytes).unwrap(), "{file}");
            }
            "result" => round_trip::<CommandResult>(&file, &bytes),
            "report" => {
                round_trip::<Report>(&file, &bytes);
                assert_eq!(Report::parse(&bytes).unwrap(), serde_json::from_slice(&bytes).unwrap(), "{file}");
            }
            "daemon" => round_trip::<DaemonStatus>(&file, &bytes),
            "visits" => round_trip::<Visits>(&file, &bytes),
            other => panic!("{other}"),
        }
    }
}

#[test]
fn the_examples_together_show_every_key_of_every_payload() {
    for payload in PAYLOADS {
        let schema = payload.json_schema();
        let own: Vec<Value> = examples()
            .into_iter()
            .filter(|(file, _)| payload_of(file) == payload.name)
            .map(|(_, bytes)| serde_json::from_slice(&bytes).unwrap())
            .collect();
        let mut keys: BTreeSet<&String> = BTreeSet::new();
        for part in std::iter::once(&schema).chain(schema["oneOf"].as_array().into_iter().flatten()) {
            keys.extend(part["properties"].as_object().into_iter().flatten().map(|(key, _)| key));
        }
        for key in keys {
            assert!(own.iter().any(|example| example.get(key).is_some()), "{}: no example of {key}", payload.name);
        }
    }
}

#[test]
fn what_is_wrong_does_not_validate() {
    // Each: an example, where to change it, the wrong value (none: the key is taken out).
    let cases: &[(&str, &str, Option<Value>)] = &[
        ("decision", "/schema", Some(json!("thirst/decision/2"))),
        ("decision", "/schema", None),
        ("decision", "/site", Some(json!("Mill Terrace"))),
        ("decision", "/epoch", Some(json!(-1))),
        ("decision", "/sequence", Some(json!("418"))),
        ("decision", "/issued_at", Some(json!("yesterday"))),
        ("decision", "/issued_at", Some(json!(1_781_725_330))),
        ("decision", "/action", Some(json!("water"))),
        ("decision", "/action", Some(json!("scale"))),
        ("decision", "/scale_percent", Some(json!(201))),
        ("decision", "/scale_percent", Some(json!(64.5))),
        ("decision", "/holds", Some(json!([]))),
        ("decision", "/holds/0/reason", Some(json!("fog"))),
        ("decision", "/holds/0/since", None),
        ("decision", "/next_change_at", Some(Value::Null)),
        ("decision", "/valid_until", None),
        ("decision", "/confidence", Some(json!("high"))),
        ("decision", "/basis/wind_speed", Some(json!("guessed"))),
        ("decision", "/figures/owed_mm", None),
        ("decision", "/figures/owed_mm", Some(Value::Null)),
        ("decision", "/figures/rain_today_mm", Some(json!(-0.2))),
        ("decision", "/allowed_intervals/0/end", None),
        ("decision", "/clock_trusted", Some(json!("yes"))),
        ("instruction", "/capability", Some(json!("valves"))),
        ("instruction", "/minutes", None),
        ("instruction", "/minutes/lawn/cycles", Some(json!(0))),
        ("instruction", "/minutes/lawn/minutes", Some(json!(1441))),
        ("instruction", "/water_allowed", None),
        ("instruction-percent", "/percent", None),
        ("instruction-percent", "/percent", Some(json!(250))),
        ("instruction-groups", "/percents", None),
        ("instruction-groups", "/percents/trees", Some(json!(201))),
        ("instruction-groups", "/percents", Some(json!({ "Old Trees": 100 }))),
        ("instruction-months", "/months", Some(json!([100, 100]))),
        ("instruction-months", "/months/3", Some(json!(201))),
        ("fallback", "/percents", Some(json!([100]))),
        ("fallback", "/frost_months/0", Some(json!(0))),
        ("fallback", "/frost_months/0", Some(json!(13))),
        ("totals", "/day", Some(json!("17.06.2026"))),
        ("totals", "/final", None),
        ("totals", "/eto_method", Some(json!("magic"))),
        ("totals", "/coverage_percent", Some(json!(100.1))),
        ("totals", "/rain/event_mm", None),
        ("totals", "/marks/0", Some(json!("odd"))),
        ("totals", "/previous_day/method", None),
        ("sensor", "/last_values/rain_counter/flag", Some(json!(5))),
        ("sensor", "/link/state", Some(json!("asleep"))),
        ("sensor", "/link/delivery_ratio", Some(json!(1.01))),
        ("sensor", "/link/silence_limit_seconds", Some(json!(0))),
        ("sensor", "/battery/state", None),
        ("sensor", "/forecast/silent_by", Some(json!("soon"))),
        ("sensor", "/rejects/bad_time", Some(json!(-1))),
        ("alert", "/kind", Some(json!("gauge_bent"))),
        ("alert", "/subject", Some(json!("a/b"))),
        ("alert", "/urgency", Some(json!("tomorrow"))),
        ("alert", "/state", Some(json!("closed"))),
        ("alert", "/acknowledged_by", Some(json!(""))),
        ("alert-closed", "/closed_at", None),
        ("alert-closed", "/state", Some(json!("open"))),
        ("result", "/outcome", Some(json!("maybe"))),
        ("result", "/verb", Some(json!("water"))),
        ("result", "/id", Some(json!("a b"))),
        ("daemon", "/state", Some(json!("up"))),
        ("daemon", "/epoch", None),
        ("visits", "/visits/0/reasons", Some(json!([]))),
        ("visits", "/visits/0/by", Some(json!("Wednesday"))),
        ("visits", "/visits/0/confidence", None),
    ];
    for (file, at, value) in cases {
        let wrong = changed(file, at, value.clone());
        assert!(!faults(payload_of(file), &wrong).is_empty(), "{file} {at} {value:?}");
    }
}

#[test]
fn what_others_send_is_judged_alike_by_the_schema_and_by_the_reader() {
    let cases: &[(&str, &str, Option<Value>)] = &[
        ("command", "/id", None),
        ("command", "/id", Some(json!("a b"))),
        ("command", "/who", Some(json!(""))),
        ("command", "/who", Some(json!(" "))),
        ("command", "/who", Some(json!("a\nb"))),
        ("command", "/who", Some(json!("ü".repeat(65)))),
        ("command", "/verb", Some(json!("water"))),
        ("command", "/verb", Some(json!("hold"))),
        ("command", "/verb", None),
        ("command", "/schema", Some(json!("thirst/report/1"))),
        ("command", "/expires_at", Some(json!("soon"))),
        ("command", "/expires_at", Some(Value::Null)),
        ("command", "/hours", Some(json!(3))),
        ("command", "/groups", Some(json!([]))),
        ("command", "/groups", Some(json!(["lawn", "lawn"]))),
        ("command", "/groups", Some(json!(vec!["lawn"; 65]))),
        ("command", "/groups/0", Some(json!("Lawn"))),
        ("command", "/reasons/0", Some(json!("fog"))),
        ("command", "/confirm", Some(json!("yes"))),
        ("command", "/note", Some(json!("x".repeat(501)))),
        ("command", "/note", Some(json!("a\u{7f}b"))),
        ("command", "/extra", Some(json!(1))),
        ("command-hold", "/hours", Some(json!(0))),
        ("command-hold", "/hours", Some(json!(8785))),
        ("command-hold", "/until", Some(json!("2026-07-01T00:00:00Z"))),
        ("command-service", "/kind", None),
        ("command-service", "/kind", Some(json!("shaken"))),
        ("command-service", "/sensor", Some(json!("+"))),
        ("command-confirm-rain", "/sensor", None),
        ("command-discard-rain", "/kind", Some(json!("cleaned"))),
        ("command-adopt", "/successor", None),
        ("command-acknowledge", "/kind", Some(json!("gauge_bent"))),
        ("command-season", "/until", None),
        ("command-season", "/until", Some(json!("2026-13-01"))),
        ("command-season", "/state", Some(json!("drained"))),
        ("command-season", "/state", Some(json!("drain_due"))),
        ("report", "/controller", Some(json!("Shed 1"))),
        ("report", "/in_force/epoch", None),
        ("report", "/in_force/more", Some(json!(1))),
        ("report", "/percent", Some(json!(1001))),
        ("report", "/water_allowed", Some(json!(1))),
        ("report", "/runs/0/group", None),
        ("report", "/runs/0/minutes", Some(json!(-1))),
        ("report", "/runs/1/depth_mm", Some(json!(201))),
        ("report", "/runs/1/valve", Some(json!(3))),
        ("report", "/flow_liters_per_minute", Some(json!("21"))),
        ("report", "/extra", Some(json!(true))),
        // These are right: the two must agree on them too.
        ("command", "/groups", None),
        ("command", "/until", None),
        ("command", "/note", None),
        ("command", "/confirm", Some(json!(false))),
        ("command", "/expires_at", Some(json!("2026-06-18T00:00:00.5+02:00"))),
        ("command-hold", "/hours", Some(json!(8784))),
        ("command-hold", "/hours", None),
        ("command-season", "/groups", None),
        ("report", "/runs", Some(json!([]))),
        ("report", "/in_force", None),
        ("report", "/percent", Some(json!(0))),
    ];
    let right = cases.iter().filter(|(file, at, value)| {
        let payload = payload_of(file);
        let sent = changed(file, at, value.clone());
        let bytes = serde_json::to_vec(&sent).unwrap();
        let read = match payload {
            "command" => Command::parse(&bytes).map(drop).map_err(|error| error.text),
            _ => Report::parse(&bytes).map(drop).map_err(|error| error.text),
        };
        let faults = faults(payload, &sent);
        assert_eq!(read.is_ok(), faults.is_empty(), "{file} {at} {value:?}: {read:?} and {faults:?}");
        read.is_ok()
    });
    assert_eq!(right.count(), 11);
}

#[test]
fn damaged_commands_and_reports_are_read_or_refused_but_harm_nothing() {
    for (file, bytes) in examples().iter().filter(|(file, _)| matches!(payload_of(file), "command" | "report")) {
        let cut = (0..bytes.len()).map(|length| bytes[..length].to_vec());
        let hurt = (0..bytes.len()).flat_map(|at| {
            b"\0\"\\{}[],:-9e\xff".iter().map(move |byte| {
                let mut copy = bytes.clone();
                copy[at] = *byte;
                copy
            })
        });
        for sent in cut.chain(hurt) {
            if let Err(error) = Command::parse(&sent) {
                assert!((10..400).contains(&error.text.chars().count()), "{file}: {error}");
            }
            match Report::parse(&sent) {
                Ok(report) => assert!(encode(&report).is_ok(), "{file}"),
                Err(error) => assert!((10..400).contains(&error.text.chars().count()), "{file}: {error}"),
            }
        }
    }
}

/// Reads `bytes`, writes them again, and expects nothing lost, nothing added, and the keys in the same order.
fn round_trip<Payload: Serialize + DeserializeOwned + PartialEq + std::fmt::Debug>(file: &str, bytes: &[u8]) {
    let payload: Payload = serde_json::from_slice(bytes).unwrap_or_else(|error| panic!("{file}: {error}"));
    let written = encode(&payload).unwrap();
    assert_eq!(serde_json::from_slice::<Payload>(&written).unwrap(), payload, "{file}");
    let without_space = |bytes: &[u8]| -> String {
        let text = std::str::from_utf8(bytes).unwrap();
        text.chars().filter(|c| !c.is_ascii_whitespace()).collect()
    };
    assert_eq!(without_space(&written), without_space(bytes), "{file}");
}

/// The example `file` with the value at the pointer `at` replaced, added or taken out.
fn changed(file: &str, at: &str, value: Option<Value>) -> Value {
    let bytes = fs::read(folder().join(format!("{file}.json"))).unwrap();
    let mut example: Value = serde_json::from_slice(&bytes).unwrap();
    let (parent, key) = at.rsplit_once('/').unwrap();
    match (example.pointer_mut(parent).unwrap(), value) {
        (Value::Object(fields), Some(value)) => {
            fields.insert(key.to_owned(), value);
        }
        (Value::Object(fields), None) => {
            fields.remove(key).unwrap_or_else(|| panic!("{file} has no {at}"));
        }
        (Value::Array(list), Some(value)) => list[key.parse::<usize>().unwrap()] = value,
        _ => panic!("{file} {at}"),
    }
    example
}

fn faults(payload: &str, value: &Value) -> Vec<String> {
    validator(payload).iter_errors(value).map(|error| error.to_string()).collect()
}

fn validator(payload: &str) -> Validator {
    let bytes = fs::read(folder().join(format!("../json/{payload}.schema.json"))).unwrap();
    let schema = serde_json::from_slice(&bytes).unwrap();
    jsonschema::options().should_validate_formats(true).build(&schema).unwrap()
}

/// `alert-closed` and `alert-closed.json` are examples of `alert`.
fn payload_of(file: &str) -> &str {
    file.split(['-', '.']).next().unwrap_or(file)
}

fn examples() -> Vec<(String, Vec<u8>)> {
    let mut examples: Vec<(String, Vec<u8>)> = fs::read_dir(folder())
        .unwrap()
        .map(|entry| {
            let entry = entry.unwrap();
            (entry.file_name().to_string_lossy().into_owned(), fs::read(entry.path()).unwrap())
        })
        .collect();
    examples.sort();
    examples
}

fn folder() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("examples")
}
