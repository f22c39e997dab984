//! The journal's bytes: events as they came, with the time they came. Replaying them gives the engine's state again.
//!
//! A blob is one version byte and a postcard sequence of [`JournalEntry`]. Variants and fields are only ever added at the
//! end and with a new version byte: a golden test holds today's bytes.

use std::borrow::Cow;
use std::sync::Arc;

use serde::de::{Deserializer, Error as _, SeqAccess, Visitor};
use serde::{Deserialize, Serialize, Serializer};

use crate::engine::event::{Digest, Event, Now};
use crate::engine::settings::Settings;

/// One step of the engine as it is kept.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct JournalEntry<'a> {
    /// The number of the event; without an event, the number the next one gets.
    pub sequence: u64,
    pub now: Now,
    /// None: deadlines ran up to `now`.
    #[serde(bound(deserialize = ""))]
    pub event: Option<JournalEvent<'a>>,
}

/// An event of the engine as it is kept. A tick is no event of its own: the driver finds it again.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(bound(deserialize = ""))]
pub enum JournalEvent<'a> {
    Message {
        topic: Cow<'a, str>,
        #[serde(with = "bytes")]
        payload: Cow<'a, [u8]>,
        retain: bool,
        dup: bool,
    },
    Command {
        site: Cow<'a, str>,
        #[serde(with = "bytes")]
        payload: Cow<'a, [u8]>,
        retain: bool,
    },
    Report {
        site: Cow<'a, str>,
        controller: Cow<'a, str>,
        #[serde(with = "bytes")]
        payload: Cow<'a, [u8]>,
        retain: bool,
    },
    NeighborDigest(Cow<'a, Digest>),
    BrokerUp {
        session_present: bool,
        refused: Cow<'a, [String]>,
    },
    BrokerDown,
    ClockStep {
        by: i64,
    },
    /// The version of the settings; their text is in the table `settings`.
    Settings {
        version: u32,
    },
}

impl<'a> JournalEvent<'a> {
    /// How `event` is kept; None for a tick.
    pub fn of(event: &'a Event) -> Option<Self> {
        Some(match event {
            Event::Message { topic, payload, retain, dup } => Self::Message {
                topic: Cow::Borrowed(topic),
                payload: Cow::Borrowed(payload),
                retain: *retain,
                dup: *dup,
            },
            Event::Command { site, payload, retain } => {
                Self::Command { site: Cow::Borrowed(site), payload: Cow::Borrowed(payload), retain: *retain }
            }
            Event::Report { site, controller, payload, retain } => Self::Report {
                site: Cow::Borrowed(site),
                controller: Cow::Borrowed(controller),
                payload: Cow::Borrowed(payload),
                retain: *retain,
            },
            Event::NeighborDigest(digest) => Self::NeighborDigest(Cow::Borrowed(digest)),
            Event::BrokerUp { session_present, refused } => {
                Self::BrokerUp { session_present: *session_present, refused: Cow::Borrowed(refused) }
            }
            Event::BrokerDown => Self::BrokerDown,
            Event::ClockStep { by } => Self::ClockStep { by: *by },
            Event::Settings(settings) => Self::Settings { version: settings.version },
            Event::Tick => return None,
        })
    }

    /// The event for the engine; `settings` finds a version of the settings. None: that version is gone, and the event
    /// with it.
    pub fn into_event(self, settings: impl FnOnce(u32) -> Option<Arc<Settings>>) -> Option<Event> {
        Some(match self {
            Self::Message { topic, payload, retain, dup } => {
                Event::Message { topic: topic.into_owned(), payload: payload.into_owned(), retain, dup }
            }
            Self::Command { site, payload, retain } => {
                Event::Command { site: site.into_owned(), payload: payload.into_owned(), retain }
            }
            Self::Report { site, controller, payload, retain } => Event::Report {
                site: site.into_owned(),
                controller: controller.into_owned(),
                payload: payload.into_owned(),
                retain,
            },
            Self::NeighborDigest(digest) => Event::NeighborDigest(digest.into_owned()),
            Self::BrokerUp { session_present, refused } => {
                Event::BrokerUp { session_present, refused: refused.into_owned() }
            }
            Self::BrokerDown => Event::BrokerDown,
            Self::ClockStep { by } => Event::ClockStep { by },
            Self::Settings { version } => Event::Settings(settings(version)?),
        })
    }
}

/// A blob that grows entry by entry.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct JournalBlob {
    first: u64,
    last: u64,
    count: u64,
    entries: Vec<u8>,
}

impl JournalBlob {
    pub fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// Entries in it.
    pub fn count(&self) -> u64 {
        self.count
    }

    pub fn first(&self) -> u64 {
        self.first
    }

    pub fn last(&self) -> u64 {
        self.last
    }

    /// Appends one step.
    pub fn push(&mut self, sequence: u64, now: Now, event: Option<&Event>) {
        let entry = JournalEntry { sequence, now, event: event.and_then(JournalEvent::of) };
        let entries = std::mem::take(&mut self.entries);
        self.entries = postcard::to_extend(&entry, entries).expect("writing these types to memory cannot fail");
        if self.count == 0 {
            self.first = sequence;
        }
        self.last = sequence;
        self.count += 1;
    }

    /// The bytes for the store.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(self.entries.len() + 11);
        bytes.push(FORMAT);
        bytes = postcard::to_extend(&self.count, bytes).expect("writing a number to memory cannot fail");
        bytes.extend_from_slice(&self.entries);
        bytes
    }
}

/// Reads a blob back.
///
/// # Errors
/// What is wrong with the bytes, in words.
pub fn decode(blob: &[u8]) -> Result<Vec<JournalEntry<'static>>, String> {
    match blob.split_first() {
        Some((&FORMAT, entries)) => postcard::from_bytes(entries).map_err(|error| error.to_string()),
        Some((other, _)) => Err(format!("unknown format {other}")),
        None => Err("empty".to_owned()),
    }
}

/// Version byte of the blob.
const FORMAT: u8 = 1;

/// Bytes in one piece instead of one by one; the encoding is the same.
mod bytes {
    use super::{Cow, Deserializer, Serializer};

    #[expect(clippy::ptr_arg, reason = "serde hands over the field as it is")]
    pub(super) fn serialize<S: Serializer>(bytes: &Cow<'_, [u8]>, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_bytes(bytes)
    }

    pub(super) fn deserialize<'de, 'a, D: Deserializer<'de>>(deserializer: D) -> Result<Cow<'a, [u8]>, D::Error> {
        deserializer.deserialize_byte_buf(super::BytesVisitor).map(Cow::Owned)
    }
}

struct BytesVisitor;

impl<'de> Visitor<'de> for BytesVisitor {
    type Value = Vec<u8>;

    fn expecting(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str("bytes")
    }

    fn visit_bytes<E: serde::de::Error>(self, bytes: &[u8]) -> Result<Vec<u8>, E> {
        Ok(bytes.to_vec())
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut sequence: A) -> Result<Vec<u8>, A::Error> {
        let mut bytes = Vec::new();
        while let Some(byte) = sequence.next_element()? {
            if bytes.len() >= LARGEST {
                return Err(A::Error::custom("more bytes than a message can have"));
            }
            bytes.push(byte);
        }
        Ok(bytes)
    }
}

/// MQTT's largest packet (3.1.1, section 2.2.3), bytes.
const LARGEST: usize = 268_435_455;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::stamp::Stamp;

    fn now(wall: i64) -> Now {
        Now { wall: Stamp(wall), uptime: 70, listening: 60, trusted: true }
    }

    fn every_event() -> Vec<Event> {
        vec![
            Event::Message { topic: "yard/a".into(), payload: vec![0, 255], retain: true, dup: false },
            Event::Command { site: "oak".into(), payload: b"{}".to_vec(), retain: false },
            Event::Report { site: "oak".into(), controller: "valves".into(), payload: vec![], retain: false },
            Event::NeighborDigest(Digest {
                from: "elm".into(),
                hour: Stamp(3_600_000),
                air_temperature_celsius: Some(1.5),
                relative_humidity_percent: None,
                wind_speed_m_per_s: None,
                shortwave_w_per_m2: None,
                rain_mm: Some(0.0),
                latitude_degrees: 52.0,
                longitude_degrees: 5.0,
                elevation_m: 2.0,
            }),
            Event::BrokerUp { session_present: true, refused: vec!["yard/#".into()] },
            Event::BrokerDown,
            Event::ClockStep { by: -7_000 },
        ]
    }

    fn blob() -> JournalBlob {
        let mut blob = JournalBlob::default();
        for (index, event) in every_event().iter().enumerate() {
            blob.push(300 + index as u64, now(1_000), Some(event));
        }
        blob.push(307, now(2_000), None);
        blob
    }

    #[test]
    fn every_event_comes_back_as_it_went_in() {
        let blob = blob();
        assert_eq!((blob.first(), blob.last(), blob.count()), (300, 307, 8));
        let entries = decode(&blob.to_bytes()).unwrap();
        assert_eq!(entries.len(), 8);
        assert_eq!(entries[7], JournalEntry { sequence: 307, now: now(2_000), event: None });
        for (entry, sent) in entries.into_iter().zip(every_event()) {
            let event = entry.event.unwrap().into_event(|_| None).unwrap();
            assert_eq!(format!("{event:?}"), format!("{sent:?}"));
        }
    }

    #[test]
    fn bytes_of_format_1_stay_readable() {
        // The bytes of the first release. A change here needs a new format byte and a reader for this one.
        let golden = concat!(
            "0108",                                                         // format, entries
            "ac02d00f8c01780101",                                           // 300, times, an event
            "0006796172642f610200ff0100",                                   // message
            "ad02d00f8c01780101",                                           //
            "01036f616b027b7d00",                                           // command
            "ae02d00f8c01780101",                                           //
            "02036f616b0676616c7665730000",                                 // report
            "af02d00f8c01780101",                                           //
            "0303656c6d80bab70301000000000000f83f000000010000000000000000", // digest
            "0000000000004a4000000000000014400000000000000040",             // its position
            "b002d00f8c01780101",                                           //
            "04010106796172642f23",                                         // broker up
            "b102d00f8c0178010105",                                         // broker down
            "b202d00f8c0178010106af6d",                                     // clock step
            "b302a01f8c01780100",                                           // deadlines
        );
        let bytes: String = blob().to_bytes().iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(bytes, golden);
    }

    #[test]
    fn what_is_no_blob_is_refused_with_the_cause_and_never_panics() {
        assert_eq!(decode(&[]).unwrap_err(), "empty");
        assert_eq!(decode(&[9, 0]).unwrap_err(), "unknown format 9");
        let whole = blob().to_bytes();
        for end in 1..whole.len() {
            assert!(decode(&whole[..end]).is_err(), "cut at {end}");
        }
        // A length far beyond the bytes there are.
        assert!(decode(&[1, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x01]).is_err());
    }
}
