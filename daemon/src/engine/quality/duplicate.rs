//! The same message heard again: repeats of a radio, several gateways, a re-delivery after a reconnect.

#[cfg(test)]
mod tests;

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::engine::stamp::{HOUR, SECOND, Stamp};

/// How repeats are told apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct RepeatSettings {
    /// Equal contents without number and time are one message within this, in ms.
    pub window_ms: i64,
    /// A sequence number means the same message within this, in ms; later it is a new round of the numbers.
    pub sequence_window_ms: i64,
    /// How many messages are remembered: 1 to 1,024. A sensor with interval rain wants [`INTERVAL_RAIN_DEPTH`].
    pub depth: usize,
}

/// Our choice for sensors whose rain is of an interval: there each repeat would count.
pub const INTERVAL_RAIN_DEPTH: usize = 64;

impl Default for RepeatSettings {
    fn default() -> Self {
        // Our choice, all three; field case S10 has repeats over 4.8 s.
        Self { window_ms: 5 * SECOND, sequence_window_ms: HOUR, depth: 8 }
    }
}

/// Whether a message was heard before.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Repeat {
    New,
    Repeat { by: RepeatBy },
}

/// What told the repeat.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RepeatBy {
    Sequence,
    OwnTime,
    Content,
}

/// The last messages of one sensor.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct RepeatMemory {
    #[serde(rename = "h")]
    heard: VecDeque<Heard>,
}

impl RepeatMemory {
    /// Judges one message and remembers it when it is new.
    ///
    /// `content_hash` covers what the message says, without what describes its transmission (RSSI, SNR, gateway). The
    /// first of these that the message has decides alone:
    /// 1. its sequence number: a repeat when the same number was heard with the same content, or within the window with
    ///    any content; another number is new whatever it says. (The same number with other content later is a sensor
    ///    that started again or always says the same number.)
    /// 2. its own time: a repeat when the same content had the same time.
    /// 3. its content: a repeat when the same was heard within the window.
    pub fn judge(
        &mut self,
        sequence: Option<i64>,
        own_time: Option<Stamp>,
        content_hash: u64,
        arrival: Stamp,
        settings: &RepeatSettings,
    ) -> Repeat {
        let key = match (sequence, own_time) {
            (Some(number), _) => Key::Sequence(number),
            (None, Some(time)) => Key::OwnTime(time),
            (None, None) => Key::Content,
        };
        // Half of the hash is enough among a handful of messages, and saves a quarter of the memory.
        let content = (content_hash ^ (content_hash >> 32)) as u32;
        let near = |heard: &Heard, window: i64| arrival.since(heard.arrival).unsigned_abs() <= window.unsigned_abs();
        let known = self.heard.iter().filter(|heard| heard.key == key).any(|heard| match key {
            Key::Sequence(_) if heard.content == content => near(heard, settings.sequence_window_ms),
            Key::Sequence(_) => near(heard, settings.window_ms),
            Key::OwnTime(_) => heard.content == content,
            Key::Content => heard.content == content && near(heard, settings.window_ms),
        });
        if known {
            let by = match key {
                Key::Sequence(_) => RepeatBy::Sequence,
                Key::OwnTime(_) => RepeatBy::OwnTime,
                Key::Content => RepeatBy::Content,
            };
            return Repeat::Repeat { by };
        }
        while settings.depth.clamp(1, MOST_DEPTH) <= self.heard.len() {
            self.heard.pop_front();
        }
        self.heard.push_back(Heard { key, content, arrival });
        Repeat::New
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Heard {
    #[serde(rename = "k")]
    key: Key,
    #[serde(rename = "c")]
    content: u32,
    #[serde(rename = "a")]
    arrival: Stamp,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
enum Key {
    #[serde(rename = "s")]
    Sequence(i64),
    #[serde(rename = "t")]
    OwnTime(Stamp),
    #[serde(rename = "c")]
    Content,
}

/// Bounds the memory whatever the settings say.
const MOST_DEPTH: usize = 1_024;
