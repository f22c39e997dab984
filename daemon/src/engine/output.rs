//! What goes out of the engine. Nothing leaves the house before the event that caused it is durable.

use super::event::Digest;
use super::stamp::Stamp;

/// One thing for the shell to carry out, in order.
#[derive(Clone, Debug, PartialEq)]
pub enum Output {
    /// State of the site on its topic: the shell keeps the last payload per topic, publishes it retained with QoS 1, and
    /// sends it again, byte-identical, after a lost session. An empty payload clears the topic.
    State { topic: String, payload: Vec<u8> },
    /// An answer that is delivered once and not retained: command results.
    Answer { topic: String, payload: Vec<u8> },
    /// A point for the history database.
    Record(Record),
    /// Who did what: the last hundred thousand commands are kept.
    Audit { site: String, who: String, text: String },
    /// What happened at a site, kept a year and more for whoever asks why it did or did not water.
    Diary(DiaryLine),
    /// The hour's weather for the sites that list this one: [`take_digests`] takes it out, and it comes back as an event.
    Digest(Digest),
    /// One line for the log: a change of state, or a counted, rate-limited reject.
    Log { level: Level, site: String, text: String },
}

/// Takes the digests out of `outputs`, in order. Whoever drives the engine journals them and gives each back as
/// [`super::event::Event::NeighborDigest`] at the same time.
pub fn take_digests(outputs: &mut Vec<Output>) -> Vec<Digest> {
    let mut digests = Vec::new();
    // Nearly always there is none, and then nothing moves.
    if outputs.iter().any(|output| matches!(output, Output::Digest(_))) {
        outputs.retain_mut(|output| match output {
            Output::Digest(digest) => {
                digests.push(digest.clone());
                false
            }
            _ => true,
        });
    }
    digests
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Level {
    Info,
    Warn,
    Error,
}

/// One thing that happened at a site. `publish::diary` says what the payload of each kind is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DiaryLine {
    pub site: String,
    pub at: Stamp,
    pub kind: DiaryKind,
    /// Of a decision or a delivery the group, of a day its date, of an alert its kind and subject with a `/` between.
    pub subject: String,
    /// JSON.
    pub payload: Vec<u8>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum DiaryKind {
    Decision,
    Delivery,
    Day,
    Alert,
}

impl DiaryKind {
    pub const ALL: [Self; 4] = [Self::Decision, Self::Delivery, Self::Day, Self::Alert];

    pub fn name(self) -> &'static str {
        match self {
            Self::Decision => "decision",
            Self::Delivery => "delivery",
            Self::Day => "day",
            Self::Alert => "alert",
        }
    }
}

/// Which queue a record waits in: when space runs out, the oldest readings go first, the water account stays.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lane {
    Reading,
    Account,
}

/// A point of history: measurement, immutable tags, numbers and texts, and its own time.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    pub lane: Lane,
    pub measurement: &'static str,
    /// Tag name and value, in the order of the schema.
    pub tags: Vec<(&'static str, String)>,
    pub fields: Vec<(&'static str, Value)>,
    pub at: Stamp,
}

#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    Float(f64),
    Integer(i64),
    Boolean(bool),
    Text(String),
}
