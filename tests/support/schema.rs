//! The published schemas, as a consumer uses them.

use std::path::Path;

use serde_json::Value as Json;

/// Holds `payload` against the JSON Schema that its own key `schema` names: `thirst/decision/1` is
/// `schemas/json/decision.schema.json`.
///
/// # Panics
/// Where it does not fit, with every fault.
pub fn assert_valid(payload: &Json) {
    let named = payload.get("schema").and_then(Json::as_str);
    let name = named.and_then(|text| text.strip_prefix("thirst/")?.split('/').next());
    let name = name.unwrap_or_else(|| panic!("no payload of ours, it names no schema: {payload}"));
    let top = Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the tests crate stands in the repository");
    let path = top.join("schemas/json").join(format!("{name}.schema.json"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|fault| panic!("{}: {fault}", path.display()));
    let schema: Json = serde_json::from_str(&text).unwrap_or_else(|fault| panic!("{}: {fault}", path.display()));
    let validator = jsonschema::validator_for(&schema).unwrap_or_else(|fault| panic!("{}: {fault}", path.display()));
    let faults: Vec<String> =
        validator.iter_errors(payload).map(|fault| format!("{}: {fault}", fault.instance_path())).collect();
    assert!(faults.is_empty(), "{name} does not fit its schema:\n{}\n{payload}", faults.join("\n"));
}
