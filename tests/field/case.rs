//! A field case as the vectors file has it.

use serde_json::Value;
use thirstd::engine::stamp::Stamp;

use crate::world::World;

/// One line of a case's input: a message, or an event that the test plays by hand.
#[derive(Clone, Debug)]
pub enum Line {
    Message { at: Stamp, topic: String, payload: Vec<u8>, retain: bool },
    Event { at: Stamp, name: String, line: Value },
}

impl Line {
    pub fn at(&self) -> Stamp {
        match self {
            Self::Message { at, .. } | Self::Event { at, .. } => *at,
        }
    }
}

/// The lines of the case `id` in order of time; lines of one instant stay in the order of the file.
pub fn lines(id: &str) -> Vec<Line> {
    let all = include_str!("../vectors/field_cases.jsonl");
    let case = all
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap())
        .find(|case| case["id"] == id)
        .unwrap_or_else(|| panic!("no case {id}"));
    let mut lines: Vec<Line> = case["input"].as_array().unwrap().iter().map(line).collect();
    lines.sort_by_key(Line::at);
    lines
}

/// Plays every line of a case without events.
pub fn play(id: &str, world: &mut World) {
    play_events(id, world, |name, _, _| panic!("{id} has an event {name}"));
}

/// Plays the lines of a case; `act` plays its events.
pub fn play_events(id: &str, world: &mut World, mut act: impl FnMut(&str, &Value, &mut World)) {
    for line in lines(id) {
        match line {
            Line::Message { at, topic, payload, retain } => world.heard_bytes(at, &topic, payload, retain),
            Line::Event { name, line, .. } => act(&name, &line, world),
        }
    }
}

/// An instant written as RFC 3339.
pub fn at(text: &str) -> Stamp {
    Stamp::from(text.parse::<chrono::DateTime<chrono::Utc>>().unwrap_or_else(|error| panic!("{text}: {error}")))
}

fn line(line: &Value) -> Line {
    let at = at(line["at"].as_str().unwrap());
    if let Some(name) = line["event"].as_str() {
        return Line::Event { at, name: name.to_owned(), line: line.clone() };
    }
    let payload = match line["payload_hex"].as_str() {
        Some(hex) => bytes(hex),
        None => line["payload"].as_str().unwrap().as_bytes().to_vec(),
    };
    let topic = line["topic"].as_str().unwrap().to_owned();
    Line::Message { at, topic, payload, retain: line["retain"].as_bool().unwrap_or(false) }
}

fn bytes(hex: &str) -> Vec<u8> {
    let digit = |byte: u8| (byte as char).to_digit(16).unwrap() as u8;
    hex.as_bytes().chunks(2).map(|pair| digit(pair[0]) * 16 + digit(pair[1])).collect()
}
