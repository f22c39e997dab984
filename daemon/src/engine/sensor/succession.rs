//! Succession: a sensor that reports under a new id after a battery change. Nobody maps it but a person or a rule.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::engine::stamp::Stamp;

/// Who was heard but is not in the settings: the latest of them, bounded.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Strangers {
    heard: VecDeque<Stranger>,
}

/// A sender nobody listed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stranger {
    /// Site and sensor as the message names them, at most 64 bytes each.
    #[serde(rename = "p")]
    pub site: String,
    #[serde(rename = "s")]
    pub sensor: String,
    #[serde(rename = "f")]
    pub first: Stamp,
    #[serde(rename = "l")]
    pub last: Stamp,
    #[serde(rename = "n")]
    pub messages: u64,
}

impl Strangers {
    /// Notes a message. True the first time, as long as it is remembered.
    pub fn note(&mut self, site: &str, sensor: &str, now: Stamp) -> bool {
        let (site, sensor) = (shortened(site), shortened(sensor));
        if let Some(known) = self.heard.iter_mut().find(|known| known.site == site && known.sensor == sensor) {
            known.last = now;
            known.messages = known.messages.saturating_add(1);
            return false;
        }
        if self.heard.len() >= KEPT {
            self.heard.pop_front();
        }
        self.heard.push_back(Stranger {
            site: site.to_owned(),
            sensor: sensor.to_owned(),
            first: now,
            last: now,
            messages: 1,
        });
        true
    }

    pub fn iter(&self) -> impl Iterator<Item = &Stranger> {
        self.heard.iter()
    }

    pub fn len(&self) -> usize {
        self.heard.len()
    }

    pub fn is_empty(&self) -> bool {
        self.heard.is_empty()
    }
}

/// At most [`LONGEST_NAME`] bytes of `text`, cut at a character.
fn shortened(text: &str) -> &str {
    let mut end = text.len().min(LONGEST_NAME);
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    &text[..end]
}

const KEPT: usize = 100;
const LONGEST_NAME: usize = 64;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strangers_are_listed_once_and_the_list_is_bounded() {
        let mut strangers = Strangers::default();
        assert!(strangers.note("oak", "9027", Stamp(1)));
        assert!(!strangers.note("oak", "9027", Stamp(2)));
        for number in 0..10_000 {
            strangers.note(&"ä".repeat(100), &number.to_string(), Stamp(3));
        }
        assert_eq!(strangers.len(), KEPT);
        assert!(strangers.iter().all(|stranger| stranger.site.len() <= LONGEST_NAME));
    }
}
