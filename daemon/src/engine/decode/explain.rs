//! Why a message becomes what it becomes, as plain text for people.

use std::{borrow::Cow, fmt};

use chrono_tz::Tz;

use super::{
    Outcome, Parsed, TimeProblem, Told,
    loss::{LossCause, MessageLoss, excerpt, excerpt_bytes},
    parse,
    settings::{FeedSettings, Part},
    time::Timing,
};
use crate::engine::{
    reading::{Quantity, TimeSource},
    stamp::Stamp,
    units::DisplayUnits,
};

/// What each feed makes of one message. `Display` gives it as text, without colors, ending in a line end.
#[derive(Clone, Debug, PartialEq)]
pub struct Explanation {
    pub topic: String,
    /// The payload, shortened.
    pub payload: String,
    pub payload_bytes: usize,
    pub matched: Matched,
}

/// Whether some feed listens to the topic.
#[derive(Clone, Debug, PartialEq)]
pub enum Matched {
    /// Every feed whose template matches; more than one is a fault of the configuration that `check` warns of.
    Feeds(Vec<FeedExplanation>),
    /// No feed matches; the one that comes nearest.
    Nearest {
        feed: String,
        template: String,
        level: usize,
        expected: Option<String>,
        found: Option<String>,
    },
    /// The topic has a wildcard or NUL, so no message can come on it.
    NoTopicName,
    NoFeeds,
}

/// What one feed makes of the message.
#[derive(Clone, Debug, PartialEq)]
pub struct FeedExplanation {
    pub feed: String,
    pub template: String,
    pub result: Result<MessageExplanation, MessageLoss>,
}

/// A message that could be taken apart.
#[derive(Clone, Debug, PartialEq)]
pub struct MessageExplanation {
    pub site: Named,
    pub sensor: Named,
    pub time: TimeExplanation,
    pub fields: Vec<FieldExplanation>,
}

/// A name and where it comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Named {
    /// `None` when the message says none: it belongs to nobody.
    pub name: Option<String>,
    pub origin: String,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TimeExplanation {
    pub observed_at: Stamp,
    pub source: TimeSource,
    /// The text in the payload, if the message says a time.
    pub seen: Option<String>,
    /// Where the feed looks for it; `None` when the feed names no time.
    pub pointer: Option<String>,
    /// SenML: the times are the records' own, and this is the latest.
    pub of_records: bool,
    pub problem: Option<TimeProblem>,
    /// The time is this far off arrival, as by a wrong zone.
    pub offset_minutes: Option<i64>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct FieldExplanation {
    pub key: String,
    pub quantity: Quantity,
    /// What the payload has there.
    pub seen: String,
    /// SenML: the record's own time.
    pub observed_at: Option<Stamp>,
    pub became: Became,
}

/// What became of a field.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Became {
    /// A value, in a unit for people.
    Reading {
        value: f64,
        unit: &'static str,
    },
    Lost(LossCause),
    Absent,
}

/// Where and how a site reads: its zone, and the units of its people.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Local {
    pub zone: Tz,
    pub units: DisplayUnits,
}

/// Explains a message with the zones that the feeds name, in metric units; for local times of a feed without a zone and
/// for the units of a site, use [`explain_in`].
pub fn explain(feeds: &[FeedSettings], topic: &str, payload: &[u8], arrival: Stamp) -> Explanation {
    explain_in(feeds, topic, payload, arrival, |_| None)
}

/// Explains a message; `local_of` tells of a site by the name in the message.
pub fn explain_in(
    feeds: &[FeedSettings],
    topic: &str,
    payload: &[u8],
    arrival: Stamp,
    local_of: impl Fn(&str) -> Option<Local>,
) -> Explanation {
    Explanation {
        topic: excerpt_topic(topic),
        payload: excerpt_bytes(payload),
        payload_bytes: payload.len(),
        matched: matched(feeds, topic, payload, arrival, &local_of),
    }
}

fn matched(
    feeds: &[FeedSettings],
    topic: &str,
    payload: &[u8],
    arrival: Stamp,
    local_of: &impl Fn(&str) -> Option<Local>,
) -> Matched {
    if topic.is_empty() || topic.contains(['+', '#', '\0']) {
        return Matched::NoTopicName;
    }
    let listening = feeds.iter().filter_map(|feed| Some((feed, feed.template.capture(topic)?)));
    let explained: Vec<FeedExplanation> = listening
        .map(|(feed, captures)| FeedExplanation {
            feed: feed.name.clone(),
            template: feed.template.text().to_owned(),
            result: parse(feed, &captures, payload).map(|parsed| message(&parsed, arrival, local_of)),
        })
        .collect();
    if !explained.is_empty() {
        return Matched::Feeds(explained);
    }
    // Of equally near ones the first, as the reader sees them in the configuration.
    let nearest = feeds.iter().rev().max_by_key(|feed| feed.template.likeness(topic));
    match nearest.and_then(|feed| Some((feed, feed.template.mismatch(topic)?))) {
        Some((feed, mismatch)) => Matched::Nearest {
            feed: feed.name.clone(),
            template: feed.template.text().to_owned(),
            level: mismatch.level,
            expected: mismatch.expected,
            found: mismatch.found.map(excerpt),
        },
        None => Matched::NoFeeds,
    }
}

fn message(parsed: &Parsed<'_>, arrival: Stamp, local_of: &impl Fn(&str) -> Option<Local>) -> MessageExplanation {
    let local = parsed.site().and_then(|site| local_of(&site));
    let (zone, units) = (local.map(|local| local.zone), local.map_or(DisplayUnits::default(), |local| local.units));
    let told = parsed.told();
    let records: Vec<Timing> = told.iter().filter_map(|told| Some(Timing::of_record(told.when?, arrival))).collect();
    let latest = records
        .iter()
        .max_by_key(|timing| timing.observed_at)
        .map(|latest| Timing { problem: records.iter().find_map(|timing| timing.problem), ..*latest });
    let timing = latest.unwrap_or_else(|| parsed.timing(arrival, zone, None));
    MessageExplanation {
        site: named(parsed.site(), &parsed.feed.site, "{site}"),
        sensor: named(parsed.sensor(), &parsed.feed.sensor, "{sensor}"),
        time: TimeExplanation { of_records: latest.is_some(), ..time(parsed, timing) },
        fields: told.iter().map(|told| explained_field(told, arrival, units)).collect(),
    }
}

fn explained_field(told: &Told<'_, '_>, arrival: Stamp, units: DisplayUnits) -> FieldExplanation {
    let field = told.field;
    let (quantity, seen, became) = match told.outcome {
        Outcome::Absent => (field.quantity, String::new(), Became::Absent),
        Outcome::Lost(held, cause) => (field.quantity, held.excerpt(), Became::Lost(cause)),
        Outcome::Value(held, quantity, value) => {
            let (value, unit) = units.value_of_field(quantity, field.unit, value);
            (quantity, held.excerpt(), Became::Reading { value, unit })
        }
    };
    let observed_at = told.when.map(|when| Timing::of_record(when, arrival).observed_at);
    FieldExplanation { key: field.key.clone(), quantity, seen, observed_at, became }
}

fn named(name: Option<Cow<'_, str>>, part: &Part, capture: &str) -> Named {
    let origin = match part {
        Part::Captured => format!("{capture} of the topic"),
        Part::Pointer(pointer) => format!("{pointer} of the payload"),
        Part::Fixed(_) => "fixed in the feed".to_owned(),
    };
    Named { name: name.map(|name| excerpt(&name)), origin }
}

fn time(parsed: &Parsed<'_>, timing: Timing) -> TimeExplanation {
    let field = parsed.feed.time.as_ref();
    TimeExplanation {
        observed_at: timing.observed_at,
        source: timing.source,
        seen: field.and_then(|field| Some(parsed.body.at(&field.pointer)?.excerpt())),
        pointer: field.map(|field| field.pointer.clone()),
        of_records: false,
        problem: timing.problem,
        offset_minutes: timing.offset_minutes,
    }
}

/// A topic can be long, but its levels are what the reader compares: shown whole up to 200 characters.
fn excerpt_topic(topic: &str) -> String {
    let shown = topic.split('/').map(excerpt).collect::<Vec<_>>().join("/");
    shown.chars().take(200).collect()
}

impl fmt::Display for Explanation {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(out, "topic    {}", self.topic)?;
        match self.payload_bytes {
            0 => writeln!(out, "payload  (empty)")?,
            1 => writeln!(out, "payload  {}  (1 byte)", self.payload)?,
            bytes => writeln!(out, "payload  {}  ({bytes} bytes)", self.payload)?,
        }
        match &self.matched {
            Matched::Feeds(feeds) => {
                for feed in feeds {
                    write!(out, "\n{feed}")?;
                }
                if feeds.len() > 1 {
                    writeln!(out, "\n{} feeds listen to this topic. Make their templates differ.", feeds.len())?;
                }
                Ok(())
            }
            Matched::Nearest { feed, template, level, expected, found } => {
                writeln!(out, "\nNo feed listens to this topic. Nearest is feed {feed} with {template}:")?;
                match (expected, found) {
                    (Some(expected), Some(found)) => {
                        writeln!(out, "  level {level} must be `{expected}` and is `{found}`.")
                    }
                    (Some(expected), None) => writeln!(out, "  level {level} must be `{expected}` and is not there."),
                    (None, Some(found)) => writeln!(out, "  level {level} `{found}` is one too many."),
                    (None, None) => Ok(()),
                }
            }
            Matched::NoTopicName => {
                writeln!(out, "\nThis is no topic that a message can come on: it is empty or has +, # or a NUL in it.")
            }
            Matched::NoFeeds => writeln!(out, "\nNo feed is configured."),
        }
    }
}

impl fmt::Display for FeedExplanation {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(out, "feed     {} with {}", self.feed, self.template)?;
        match &self.result {
            Ok(message) => message.fmt(out),
            Err(loss) => {
                writeln!(out, "\nThe message is lost ({}): {}.", loss.cause.name(), loss.cause.text())?;
                if !loss.seen.is_empty() {
                    writeln!(out, "  seen   {}", loss.seen)?;
                }
                writeln!(out, "  to do  {}", loss.cause.advice())
            }
        }
    }
}

impl fmt::Display for MessageExplanation {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(out, "site     {}", self.site)?;
        writeln!(out, "sensor   {}", self.sensor)?;
        write!(out, "{}", self.time)?;
        if self.fields.is_empty() {
            return writeln!(out, "\nThe feed has no fields.");
        }
        writeln!(out)?;
        let width = |text: fn(&FieldExplanation) -> &str| {
            let widths = self.fields.iter().map(|field| text(field).chars().count());
            widths.max().unwrap_or_default().min(WIDEST_COLUMN)
        };
        let (key_width, seen_width) = (width(|field| &field.key), width(|field| &field.seen));
        let mut times = self.fields.iter().filter_map(|field| field.observed_at);
        let first = times.next();
        let times_differ = times.any(|time| Some(time) != first);
        for field in &self.fields {
            let mut line = String::new();
            if key_width > 0 {
                line = format!("{:key_width$}  ", field.key);
            }
            let name = field.quantity.name();
            let outcome = match field.became {
                Became::Absent => format!("{name}: not in this message"),
                Became::Lost(cause) => format!("{name}: lost ({}), {}", cause.name(), cause.text()),
                Became::Reading { value, unit } => {
                    let gap = if matches!(unit, "" | "°") { "" } else { " " };
                    format!("{name} = {}{gap}{unit}", rounded(value))
                }
            };
            let at =
                field.observed_at.filter(|_| times_differ).map_or(String::new(), |at| format!(", at {}", at.text()));
            writeln!(out, "  {line}{:seen_width$}  {outcome}{at}", field.seen)?;
            if let Became::Lost(cause) = field.became {
                let indent = line.chars().count() + seen_width.max(field.seen.chars().count()) + 2;
                writeln!(out, "  {:indent$}to do: {}", "", cause.advice())?;
            }
        }
        let absent = self.fields.iter().filter(|field| field.became == Became::Absent).count();
        if absent == self.fields.len() {
            let cause = LossCause::FieldMissing;
            writeln!(out, "\nNothing is read ({}): {}.\n  to do  {}", cause.name(), cause.text(), cause.advice())?;
        }
        Ok(())
    }
}

impl fmt::Display for Named {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.name {
            Some(name) => write!(out, "{name}  (from {})", self.origin),
            None => write!(out, "unknown: nothing at {}, so the message belongs to nobody", self.origin),
        }
    }
}

impl fmt::Display for TimeExplanation {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let time = self.observed_at.text();
        let pointer = self.pointer.as_deref().unwrap_or_default();
        let seen = self.seen.as_deref().unwrap_or_default();
        match (self.source, self.problem) {
            (_, Some(problem)) if self.of_records => {
                writeln!(out, "time     {time}  (arrival, where a record's time is not believed)")?;
                writeln!(out, "         {problem}; to do: {}", problem.advice())?;
            }
            (TimeSource::Payload, _) if self.of_records => {
                writeln!(out, "time     {time}  (the latest of the records')")?
            }
            (_, None) if self.of_records => writeln!(out, "time     {time}  (arrival; the records say no time)")?,
            (TimeSource::Payload, _) => writeln!(out, "time     {time}  (from {pointer} of the payload: {seen})")?,
            (_, Some(problem)) => {
                writeln!(out, "time     {time}  (arrival; {pointer} of the payload is not believed: {seen})")?;
                writeln!(out, "         {problem}; to do: {}", problem.advice())?;
            }
            (_, None) if self.pointer.is_none() => writeln!(out, "time     {time}  (arrival; the feed names no time)")?,
            (_, None) => writeln!(out, "time     {time}  (arrival; there is no {pointer} in the payload)")?,
        }
        match (self.problem, self.offset_minutes) {
            // Own times that are believed can lie after arrival by minutes only, so an offset is before it.
            (None, Some(minutes)) => writeln!(
                out,
                "         {} min before arrival: sent late, or, if it stays so, a clock in another zone",
                minutes.saturating_abs()
            ),
            _ => Ok(()),
        }
    }
}

/// A number for people: six decimals at most, so that converted values do not end in a row of nines.
fn rounded(value: f64) -> String {
    let size = value.abs();
    if size != 0.0 && !(1e-6..1e15).contains(&size) {
        return format!("{value:e}");
    }
    format!("{}", (value * 1e6).round() / 1e6)
}

const WIDEST_COLUMN: usize = 40;

#[cfg(test)]
mod tests;
