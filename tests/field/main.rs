//! Failures from the field, as public issue threads tell them: each case is a test named by its id.
//!
//! The lines come from `tests/vectors/field_cases.jsonl`; what is not in the file is added by hand and said. The engine
//! runs through its driver, as in the daemon, and every payload is held against its JSON Schema.
#![cfg(test)]

mod alerts;
mod bad_sensors;
mod batteries;
mod bridge;
mod case;
mod complete;
mod configuration;
mod days;
mod derived;
mod duplicates;
mod gauges;
mod knocks;
mod links;
mod payload_format;
mod rain_counters;
mod restarts;
mod session;
mod stale;
mod time;
mod world;
