//! Decoding: topic and bytes become readings; what cannot be read is counted with its cause.
//!
//! Two phases, because the zone of local times is known only once the site is: [`parse`] takes the message apart and
//! says which site and sensor it is of, [`Parsed::readings`] turns the fields into readings.

mod convert;
pub mod explain;
mod lenient;
pub mod loss;
pub mod payload;
pub mod settings;
pub mod time;
pub mod topic;

use std::borrow::Cow;

use chrono_tz::Tz;

pub use explain::{Explanation, explain, explain_in};
pub use loss::{Loss, LossCause, MessageLoss};
pub use settings::{FeedSettings, Field, Format, Part, Sentinel, TimeField, TimeFormat};
pub use time::TimeProblem;
pub use topic::{Capture, Captures, TemplateError, TopicTemplate};

use self::{
    payload::{Body, Raw},
    time::{Context, Timing},
};
use super::{
    reading::{Quantity, Reading},
    stamp::Stamp,
    units::Unit,
};

/// A message taken apart, before its fields are judged.
#[derive(Clone, Debug)]
pub struct Parsed<'a> {
    feed: &'a FeedSettings,
    captures: Captures<'a>,
    body: Body<'a>,
}

/// What a message gave.
#[derive(Clone, Debug, PartialEq)]
pub struct Decoded<'a> {
    /// In the order of the feed's fields, at most one per field; a sequence number is not among them.
    pub readings: Vec<Reading>,
    pub losses: Vec<Loss<'a>>,
    /// Fields that the message does not have, while it has others. No loss: many sensors take turns.
    pub absent: usize,
    pub sequence: Option<i64>,
    /// The message's own time, where believed. It can be arbitrarily old.
    pub own_time: Option<Stamp>,
    pub time_problem: Option<TimeProblem>,
    /// Own time less arrival, where that is a whole number of quarter hours (15 min to 14 h).
    pub offset_minutes: Option<i64>,
    /// Equal for copies of one message: covers quantities and values, not what describes the transmission, nor
    /// sequence and time.
    pub content_hash: u64,
}

/// What became of one field.
enum Outcome<'v> {
    Absent,
    Value(Raw<'v>, f64),
    Lost(Raw<'v>, LossCause),
}

/// Takes a message apart. `captures` is what the feed's template says about the topic.
///
/// # Errors
/// When the message as a whole cannot be read.
pub fn parse<'a>(
    feed: &'a FeedSettings,
    captures: &Captures<'a>,
    payload: &'a [u8],
) -> Result<Parsed<'a>, MessageLoss> {
    if let (Format::Value, Some(name)) = (feed.format, captures.field)
        && !feed.fields.iter().any(|field| field.key == name)
    {
        return Err(MessageLoss { cause: LossCause::UnlistedField, seen: loss::excerpt(name) });
    }
    let body = Body::parse(feed.format, payload, feed.max_payload_bytes)?;
    Ok(Parsed { feed, captures: *captures, body })
}

impl<'a> Parsed<'a> {
    /// The name of the site as the message has it; `None` when it says none.
    pub fn site(&self) -> Option<Cow<'_, str>> {
        self.part(&self.feed.site, self.captures.site)
    }

    /// The name of the sensor as the message has it; `None` when it says none.
    pub fn sensor(&self) -> Option<Cow<'_, str>> {
        self.part(&self.feed.sensor, self.captures.sensor)
    }

    /// True where the feed's rain counter counts tips of the bucket and not a depth.
    pub fn counts_tips(&self) -> bool {
        self.feed.fields.iter().any(|field| field.quantity == Quantity::RainCounter && field.unit == Unit::Tips)
    }

    /// The readings. `zone` is the site's, used where the feed names none; `last_payload_time` is the last
    /// [`Decoded::own_time`] of the sensor.
    pub fn readings(&self, arrival: Stamp, zone: Option<Tz>, last_payload_time: Option<Stamp>) -> Decoded<'a> {
        let timing = self.timing(arrival, zone, last_payload_time);
        let mut decoded = Decoded {
            readings: Vec::with_capacity(self.feed.fields.len()),
            losses: Vec::new(),
            absent: 0,
            sequence: None,
            own_time: timing.own_time,
            time_problem: timing.problem,
            offset_minutes: timing.offset_minutes,
            content_hash: FNV_OFFSET,
        };
        for (field, outcome) in self.outcomes() {
            let quantity = field.quantity;
            match outcome {
                Outcome::Absent => decoded.absent += 1,
                Outcome::Lost(raw, cause) => {
                    decoded.losses.push(Loss { key: &field.key, quantity: Some(quantity), cause, seen: raw.excerpt() })
                }
                // Conversion lets only whole numbers pass that an i64 holds exactly.
                Outcome::Value(_, value) if quantity == Quantity::SequenceNumber => {
                    decoded.sequence = Some(value as i64);
                }
                Outcome::Value(_, value) => {
                    if !quantity.describes_transmission() {
                        decoded.content_hash = hashed(decoded.content_hash, quantity, value);
                    }
                    let (observed_at, time_source) = (timing.observed_at, timing.source);
                    decoded.readings.push(Reading { quantity, value, observed_at, time_source });
                }
            }
        }
        if decoded.absent > 0 && decoded.absent == self.fields().count() {
            let seen = payload::outline(&self.body);
            decoded.losses.push(Loss { key: "", quantity: None, cause: LossCause::FieldMissing, seen });
        }
        decoded
    }

    fn timing(&self, arrival: Stamp, zone: Option<Tz>, last_own_time: Option<Stamp>) -> Timing {
        let said = self.feed.time.as_ref().and_then(|time| Some((time, self.body.at(&time.pointer)?)));
        match said {
            Some((time, raw)) => {
                Timing::of(raw, time.format, Context { arrival, zone: time.zone.or(zone), last_own_time })
            }
            None => Timing::arrival(arrival),
        }
    }

    /// The fields that a message on this topic can have.
    fn fields(&self) -> impl Iterator<Item = &'a Field> {
        let name = self.captures.field.filter(|_| self.feed.format == Format::Value);
        self.feed.fields.iter().filter(move |field| name.is_none_or(|name| field.key == name))
    }

    fn outcomes(&self) -> impl Iterator<Item = (&'a Field, Outcome<'_>)> {
        self.fields().map(|field| {
            let raw = match self.feed.format {
                Format::Json => self.body.at(&field.key),
                Format::Value => self.body.scalar(),
            };
            let outcome = match raw {
                None => Outcome::Absent,
                Some(raw) => match convert::convert(field, raw, self.feed.decimal_comma) {
                    Ok(value) => Outcome::Value(raw, value),
                    Err(cause) => Outcome::Lost(raw, cause),
                },
            };
            (field, outcome)
        })
    }

    fn part<'s>(&'s self, part: &'s Part, captured: Option<&'s str>) -> Option<Cow<'s, str>> {
        let name = match part {
            Part::Captured => Cow::Borrowed(captured?),
            Part::Fixed(name) => Cow::Borrowed(name.as_str()),
            Part::Pointer(pointer) => match self.body.at(pointer)? {
                Raw::Text(text) => Cow::Borrowed(text),
                Raw::Number(number) => Cow::Owned(number.to_string()),
                Raw::Null | Raw::Truth(_) | Raw::Compound(_) => return None,
            },
        };
        (!name.is_empty()).then_some(name)
    }
}

/// FNV-1a with 64 bits (draft-eastlake-fnv) over one quantity and the bits of its value.
fn hashed(hash: u64, quantity: Quantity, value: f64) -> u64 {
    let step = |hash: u64, byte: u8| (hash ^ u64::from(byte)).wrapping_mul(FNV_PRIME);
    let named = step(hash, quantity as u8);
    value.to_bits().to_le_bytes().into_iter().fold(named, step)
}

const FNV_OFFSET: u64 = 0xcbf2_9ce4_8422_2325;
const FNV_PRIME: u64 = 0x0000_0100_0000_01b3;

#[cfg(test)]
mod tests;
