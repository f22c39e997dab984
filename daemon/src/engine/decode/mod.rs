//! Decoding: topic and bytes become readings; what cannot be read is counted with its cause.
//!
//! Two phases, because the zone of local times is known only once the site is: [`parse`] takes the message apart and
//! says which site and sensor it is of, [`Parsed::readings`] turns the fields into readings.

mod convert;
pub mod explain;
mod flat;
mod lenient;
pub mod loss;
pub mod payload;
pub mod senml;
pub mod settings;
pub mod time;
pub mod topic;

use std::borrow::Cow;

use chrono_tz::Tz;

pub use explain::{Explanation, Local, explain, explain_in};
pub use loss::{Loss, LossCause, MessageLoss};
pub use settings::{FeedSettings, Field, Format, Part, Sentinel, TimeField, TimeFormat};
pub use time::TimeProblem;
pub use topic::{Capture, Captures, TemplateError, TopicTemplate};

use self::{
    convert::Measure,
    flat::Flat,
    payload::{Body, Raw},
    senml::{Held, Record, When},
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
    /// In the order of the feed's fields, at most one per field; SenML: by time, one per record. A sequence number is not
    /// among them.
    pub readings: Vec<Reading>,
    pub losses: Vec<Loss<'a>>,
    /// Fields that the message does not have, while it has others. No loss: many sensors take turns.
    pub absent: usize,
    pub sequence: Option<i64>,
    /// The message's own time, where believed; SenML: the latest of its records'. It can be arbitrarily old.
    pub own_time: Option<Stamp>,
    pub time_problem: Option<TimeProblem>,
    /// Own time less arrival, where that is a whole number of quarter hours (15 min to 14 h).
    pub offset_minutes: Option<i64>,
    /// Equal for copies of one message: covers quantities and values, not what describes the transmission, nor
    /// sequence and time.
    pub content_hash: u64,
}

/// What became of one field, or of one record of it.
struct Told<'f, 'v> {
    field: &'f Field,
    outcome: Outcome<'v>,
    /// SenML: the record's own time.
    when: Option<When>,
}

enum Outcome<'v> {
    Absent,
    /// The quantity that it turned out to be of, and the value in its unit.
    Value(Held<'v>, Quantity, f64),
    Lost(Held<'v>, LossCause),
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
    let flat = Some(payload).filter(|payload| feed.reads_members() && payload.len() <= feed.max_payload_bytes);
    let body = match flat.and_then(Flat::parse) {
        Some(members) => Body::Flat(members),
        None => Body::parse(feed.format, payload, feed.max_payload_bytes)?,
    };
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
        let mut timing = self.timing(arrival, zone, last_payload_time);
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
        for Told { field, outcome, when } in self.told() {
            let quantity = field.quantity;
            if let Some(when) = when {
                timing = Timing::of_record(when, arrival);
                decoded.note_time(&timing);
            }
            match outcome {
                Outcome::Absent => decoded.absent += 1,
                Outcome::Lost(held, cause) => {
                    decoded.losses.push(Loss { key: &field.key, quantity: Some(quantity), cause, seen: held.excerpt() })
                }
                // Conversion lets only whole numbers pass that an i64 holds exactly.
                Outcome::Value(_, _, value) if quantity == Quantity::SequenceNumber => {
                    decoded.sequence = Some(value as i64);
                }
                Outcome::Value(_, quantity, value) => {
                    if !quantity.describes_transmission() {
                        decoded.content_hash = hashed(decoded.content_hash, quantity, value);
                    }
                    let (observed_at, time_source) = (timing.observed_at, timing.source);
                    decoded.readings.push(Reading { quantity, value, observed_at, time_source });
                }
            }
        }
        // Section 4.6 of RFC 8428 has resolved records in the order of time. Else all times are equal.
        decoded.readings.sort_by_key(|reading| reading.observed_at);
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

    /// What became of every field; of a SenML field once per record, else once.
    fn told(&self) -> Vec<Told<'a, '_>> {
        let records = match &self.body {
            // A body was made of records that can be read.
            Body::Senml(pack) => senml::records(pack).unwrap_or_default(),
            Body::Json(_) | Body::Flat(_) | Body::Text(_) => Vec::new(),
        };
        let mut told = Vec::with_capacity(self.feed.fields.len());
        for field in self.fields() {
            let raw = match &self.body {
                Body::Json(_) | Body::Flat(_) => self.body.at(&field.key),
                Body::Text(_) => self.body.scalar(),
                Body::Senml(_) => {
                    let before = told.len();
                    told.extend(records.iter().filter_map(|record| self.record(field, record)));
                    if told.len() > before {
                        keep_fitting(&mut told, before);
                        continue;
                    }
                    None
                }
            };
            let outcome =
                raw.map_or(Outcome::Absent, |raw| self.outcome(field, Ok(Measure::of(field)), Held::Raw(raw)));
            told.push(Told { field, outcome, when: None });
        }
        told
    }

    /// What a record says about a field; `None` when it is of another name or has no value.
    fn record<'v>(&self, field: &'a Field, record: &Record<'v>) -> Option<Told<'a, 'v>> {
        let (name, is_sum) = senml::asked(&field.key);
        let held = if is_sum { record.sum } else { record.value };
        let held = held.filter(|_| record.is(name))?;
        let measure = match record.unit {
            None if field.needs_unit => Err(LossCause::UnitMissing),
            None => Ok(Measure::of(field)),
            // A counter counts tips or depth for all its life.
            Some(unit) => senml::measure(unit, field.quantity, is_sum)
                .filter(|measure| (measure.unit == Unit::Tips) == (field.unit == Unit::Tips))
                .ok_or(LossCause::UnitMismatch),
        };
        Some(Told { field, outcome: self.outcome(field, measure, held), when: Some(record.time) })
    }

    fn outcome<'v>(&self, field: &Field, measure: Result<Measure, LossCause>, held: Held<'v>) -> Outcome<'v> {
        let value = measure.and_then(|measure| match held {
            Held::Raw(raw) => convert::meaning(field, measure, raw, self.feed.decimal_comma),
            Held::Based(number) => {
                convert::convert_number(field, measure, number).map(|value| convert::told(field.quantity, value))
            }
        });
        match value {
            Ok((quantity, value)) => Outcome::Value(held, quantity, value),
            Err(cause) => Outcome::Lost(held, cause),
        }
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

impl Decoded<'_> {
    /// The latest own time counts for the message, and the first problem.
    fn note_time(&mut self, timing: &Timing) {
        if timing.own_time.is_some() && timing.own_time >= self.own_time {
            (self.own_time, self.offset_minutes) = (timing.own_time, timing.offset_minutes);
        }
        self.time_problem = self.time_problem.or(timing.problem);
    }
}

/// Of records with one name, those in units that measure something else are other fields (RFC 8428, section 5.1.3). Where
/// none fits, they stay, so that the loss is seen.
fn keep_fitting(told: &mut Vec<Told<'_, '_>>, from: usize) {
    let fits = |told: &Told<'_, '_>| !matches!(told.outcome, Outcome::Lost(_, LossCause::UnitMismatch));
    if told.iter().skip(from).any(fits) {
        let mut rest = told.split_off(from);
        rest.retain(fits);
        told.append(&mut rest);
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
