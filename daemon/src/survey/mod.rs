//! The survey of a broker that nobody documented: what is published, what it probably means, and a configuration to start
//! from.
//!
//! Pure: fed with messages and their times by [`Survey::take`], it gives a [`Report`]. One way:
//!
//! 1. `stream`: messages become fields of streams; a stream is a topic, or one sender on a topic.
//! 2. `words`, `guess`, `unit`, `together`, `behavior`, `times`: what each field probably is, with reason and confidence.
//! 3. `topics`: which levels of the topics name site, sensor and field.
//! 4. `page` says it to people; `write` makes the configuration.

mod behavior;
mod fields;
mod guess;
mod lexicon;
mod page;
mod parts;
mod stream;
mod times;
mod together;
mod topics;
mod unit;
mod words;
mod write;

use std::collections::BTreeMap;

pub use guess::{Guess, Meaning, Sense};
pub use page::page;
pub use topics::{Interval, Kind, LeftOut, PartGuess, Pattern};
pub use write::{Place, Written, write};

use crate::engine::stamp::Stamp;
use stream::TopicSeen;

/// How sure a guess is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sure {
    /// Stands as a comment in the configuration that is written.
    Guess,
    Likely,
    High,
}

impl Sure {
    pub fn name(self) -> &'static str {
        match self {
            Self::High => "high",
            Self::Likely => "likely",
            Self::Guess => "guess",
        }
    }
}

/// Messages under way to a report.
#[derive(Clone, Debug, Default)]
pub struct Survey {
    topics: BTreeMap<String, TopicSeen>,
    fields: usize,
    messages: u64,
    beyond: u64,
    first: Option<Stamp>,
    last: Stamp,
}

/// What was found.
#[derive(Clone, Debug)]
pub struct Report {
    pub messages: u64,
    pub topics: usize,
    /// Messages on topics that there was no more room to remember.
    pub beyond: u64,
    /// From the first to the last message, ms.
    pub span: i64,
    pub patterns: Vec<Pattern>,
    pub left_out: Vec<LeftOut>,
}

impl Survey {
    /// Takes in one message.
    pub fn take(&mut self, at: Stamp, topic: &str, payload: &[u8], retain: bool) {
        self.messages = self.messages.saturating_add(1);
        self.first.get_or_insert(at);
        self.last = self.last.max(at);
        if !self.topics.contains_key(topic) {
            if self.topics.len() >= MOST_TOPICS || topic.len() > LONGEST_TOPIC {
                self.beyond = self.beyond.saturating_add(1);
                return;
            }
            self.topics.insert(topic.to_owned(), TopicSeen::default());
        }
        if let Some(seen) = self.topics.get_mut(topic) {
            let room = MOST_FIELDS.saturating_sub(self.fields);
            self.fields += seen.take(at, payload, retain, room);
        }
    }

    /// Messages taken so far.
    pub fn messages(&self) -> u64 {
        self.messages
    }

    /// What all of it probably means.
    pub fn report(&self) -> Report {
        let (patterns, left_out) = topics::patterns(&self.topics);
        Report {
            messages: self.messages,
            topics: self.topics.len(),
            beyond: self.beyond,
            span: self.first.map_or(0, |first| self.last.since(first)),
            patterns,
            left_out,
        }
    }
}

/// Our choice: bounds that a property's broker does not reach.
const MOST_TOPICS: usize = 5_000;
const MOST_FIELDS: usize = 20_000;
const LONGEST_TOPIC: usize = 300;

#[cfg(test)]
mod tests;
