//! The contract as files, generated from the types: JSON Schemas, and an AsyncAPI document that refers to them.

mod asyncapi;
mod json_schema;
mod order;
mod yaml;

use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, Schema};
use serde_json::Value;

use crate::head;

pub use asyncapi::document as asyncapi_document;

/// One generated file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ContractFile {
    /// Where it belongs, from the folder of this crate.
    pub path: String,
    /// What stands in it.
    pub text: String,
}

/// One payload of the contract.
#[derive(Clone, Copy, Debug)]
pub struct Payload {
    /// Its short name: of its files, and of its message.
    pub name: &'static str,
    /// The constant in its key `schema`.
    pub schema_text: &'static str,
    /// True where others send it and the daemon reads it.
    pub inbound: bool,
    generate: fn(SchemaSettings) -> Schema,
}

impl Payload {
    /// The payload's JSON Schema, 2020-12, complete in itself.
    pub fn json_schema(&self) -> Value {
        json_schema::of(self)
    }
}

/// Every payload, in the order of the documentation.
pub const PAYLOADS: &[Payload] = &[
    outbound::<crate::Decision>("decision", head::DecisionSchema::TEXT),
    outbound::<crate::Instruction>("instruction", head::InstructionSchema::TEXT),
    outbound::<crate::Fallback>("fallback", head::FallbackSchema::TEXT),
    outbound::<crate::Totals>("totals", head::TotalsSchema::TEXT),
    outbound::<crate::SensorStatus>("sensor", head::SensorSchema::TEXT),
    outbound::<crate::Alert>("alert", head::AlertSchema::TEXT),
    inbound::<crate::Command>("command", head::CommandSchema::TEXT),
    outbound::<crate::CommandResult>("result", head::ResultSchema::TEXT),
    inbound::<crate::Report>("report", head::ReportSchema::TEXT),
    outbound::<crate::DaemonStatus>("daemon", head::DaemonSchema::TEXT),
    outbound::<crate::Visits>("visits", head::VisitsSchema::TEXT),
];

/// Every generated file, as it must stand in the tree.
pub fn files() -> Vec<ContractFile> {
    let mut files: Vec<ContractFile> = PAYLOADS
        .iter()
        .map(|payload| ContractFile {
            path: format!("json/{}.schema.json", payload.name),
            text: order::json_text(&payload.json_schema()),
        })
        .collect();
    files.push(ContractFile {
        path: "asyncapi.yaml".to_owned(),
        text: format!("{ASYNCAPI_HEAD}{}", yaml::text(&asyncapi_document())),
    });
    files
}

const fn outbound<Type: JsonSchema>(name: &'static str, schema_text: &'static str) -> Payload {
    Payload { name, schema_text, inbound: false, generate: json_schema::generate::<Type> }
}

const fn inbound<Type: JsonSchema>(name: &'static str, schema_text: &'static str) -> Payload {
    Payload { name, schema_text, inbound: true, generate: json_schema::generate::<Type> }
}

const ASYNCAPI_HEAD: &str =
    "# Generated from the types: cargo run -p thirst-schemas --bin thirst-schemas-write\n# Do not edit by hand.\n";
