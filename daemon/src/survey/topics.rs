//! Topics become patterns: which levels name the site, the sensor and the field; and what is no sensor's topic at all.

use std::collections::{BTreeMap, BTreeSet};

use super::Sure;
use super::guess::{Guess, Meaning};
use super::parts::{Level, Parts};
use super::stream::{Stream, TopicSeen};
use super::together;
use super::words::{Tag, Words};
use crate::engine::decode::Part;
use crate::engine::reading::Quantity;

/// Topics of one shape.
#[derive(Clone, Debug)]
pub struct Pattern {
    /// As a feed writes it.
    pub template: String,
    pub kind: Kind,
    pub site: PartGuess,
    pub sensor: PartGuess,
    pub fields: Vec<Guess>,
    /// Site and sensor names that were heard.
    pub senders: BTreeSet<(String, String)>,
    pub topics: usize,
    pub messages: u32,
    /// All that came was retained: old news.
    pub only_retained: bool,
    pub interval: Option<Interval>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    Json,
    Senml,
    /// One value a topic.
    Value,
}

/// Where the name of the site or the sensor is.
#[derive(Clone, Debug, PartialEq)]
pub struct PartGuess {
    pub part: Part,
    pub sure: Sure,
    pub why: String,
}

/// How often a sender sends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Interval {
    pub millis: i64,
    pub sure: Sure,
}

/// Topics that no sensor speaks on, and why that seems so.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LeftOut {
    pub topic: String,
    pub why: String,
}

/// One topic that carries readings.
#[derive(Clone, Copy, Debug)]
pub(super) struct Usable<'t> {
    pub topic: &'t str,
    pub seen: &'t TopicSeen,
    pub kind: Kind,
    /// One value a topic: the level that names it.
    pub field_level: Option<usize>,
    /// A level beside it that says of what (`temperature/soil`): both together name the value.
    pub beside: Option<usize>,
}

impl<'t> Usable<'t> {
    /// The senders of the topic, with the fields that came in its kind of payload.
    pub fn streams(&self) -> impl Iterator<Item = (&'t str, Stream)> + use<'t> {
        let kind = self.kind;
        let streams = self.seen.streams.iter().map(move |(id, stream)| {
            let mut stream = stream.clone();
            stream.fields.retain(|key, seen| match kind {
                Kind::Senml => seen.in_pack && !key.is_empty(),
                Kind::Json => !seen.in_pack && !key.is_empty(),
                Kind::Value => key.is_empty(),
            });
            (id.as_str(), stream)
        });
        streams.filter(|(_, stream)| !stream.fields.is_empty())
    }

    pub fn level(&self, at: Option<usize>) -> &'t str {
        at.and_then(|at| self.topic.split('/').nth(at)).unwrap_or_default()
    }
}

impl Kind {
    pub fn name(self) -> &'static str {
        match self {
            Self::Json => "json",
            Self::Senml => "senml",
            Self::Value => "value",
        }
    }
}

/// Patterns in the order of their topics, and what is left out.
pub(super) fn patterns(topics: &BTreeMap<String, TopicSeen>) -> (Vec<Pattern>, Vec<LeftOut>) {
    let mut left_out = Vec::new();
    let mut groups: BTreeMap<(Kind, Vec<Level>), Vec<Usable<'_>>> = BTreeMap::new();
    for (topic, seen) in topics {
        match usable(topic, seen) {
            Ok(usable) => groups.entry((usable.kind, shape(&usable))).or_default().push(usable),
            Err(why) => left_out.push(LeftOut { topic: topic.clone(), why }),
        }
    }
    let shapes: Vec<(Kind, Vec<Level>)> = groups.keys().cloned().collect();
    let mut patterns = Vec::new();
    for ((kind, shape), topics) in &groups {
        let has_twin = shapes.iter().any(|(other_kind, other)| {
            other_kind == kind && other != shape && other.get(1..) == shape.get(1..) && shape.len() > 1
        });
        patterns.extend(of_group(*kind, topics, has_twin));
    }
    patterns.retain(|pattern: &Pattern| {
        let is_weather = pattern.fields.iter().filter_map(Guess::reading).any(|sense| is_of_weather(sense.quantity));
        if !is_weather {
            let topic = pattern.template.replace("{site}", "+").replace("{sensor}", "+").replace("{field}", "+");
            left_out.push(LeftOut { topic, why: why_not_weather(&pattern.fields) });
        }
        is_weather
    });
    (patterns, left_out)
}

/// Whether a topic can be a sensor's; else why not.
fn usable<'t>(topic: &'t str, seen: &'t TopicSeen) -> Result<Usable<'t>, String> {
    if topic.starts_with('$') {
        return Err("the broker's own".to_owned());
    }
    if topic.starts_with("thirst/") {
        return Err("thirstd's own, or its bridges'".to_owned());
    }
    if topic.contains(['{', '}', '\0']) {
        return Err("has braces in its name, which a template cannot hear".to_owned());
    }
    let spoken = seen.messages.saturating_sub(seen.empty);
    let said = || seen.said.iter().map(|text| format!("{text:?}")).collect::<Vec<_>>().join(", ");
    let most = [seen.objects, seen.packs, seen.numbers, seen.words, seen.binary, seen.other_json].into_iter().max();
    let kind = match most.unwrap_or(0) {
        _ if spoken == 0 => return Err("only empty messages".to_owned()),
        most if most == seen.packs => Kind::Senml,
        most if most == seen.objects => Kind::Json,
        most if most == seen.numbers => Kind::Value,
        most if most == seen.words => return Err(format!("words, no numbers: {}", said())),
        most if most == seen.binary => return Err("not text: a picture, or a binary code".to_owned()),
        _ => return Err("a JSON list that is no SenML".to_owned()),
    };
    if let Some(word) = status_level(topic) {
        return Err(format!("named {word:?}: about a device, or orders to it"));
    }
    let field_level = (kind == Kind::Value).then(|| field_level(topic)).flatten();
    let beside = field_level.and_then(|level| modifier_level(topic, level));
    if kind == Kind::Value && field_level.is_none() {
        return Err("a number, and no level says of what".to_owned());
    }
    Ok(Usable { topic, seen, kind, field_level, beside })
}

/// The last level, where it speaks of the state of a device or of orders.
fn status_level(topic: &str) -> Option<&str> {
    let last = topic.rsplit('/').next()?;
    let words = Words::of(last);
    (words.has(Tag::StatusWord) && words.all_known()).then_some(last)
}

/// The last level whose name says a quantity.
fn field_level(topic: &str) -> Option<usize> {
    let says = |level: &str| {
        let tags = Words::of(level).tags;
        tags.iter().any(|tag| tag.is_main())
    };
    let levels: Vec<&str> = topic.split('/').collect();
    levels.iter().rposition(|level| says(level))
}

/// A level beside that of the quantity which only says of what.
fn modifier_level(topic: &str, field: usize) -> Option<usize> {
    let levels: Vec<&str> = topic.split('/').collect();
    let says = |level: &usize| levels.get(*level).is_some_and(|name| ["air", "soil", "leaf", "ground"].contains(name));
    [Some(field + 1), field.checked_sub(1).filter(|level| *level > 0)].into_iter().flatten().find(says)
}

fn shape(usable: &Usable<'_>) -> Vec<Level> {
    let levels = usable.topic.split('/').enumerate();
    let shape = levels.map(|(index, level)| {
        let words = Words::of(level);
        let fixed = words.all_known()
            && words.tags.iter().any(|tag| matches!(tag, Tag::Channel | Tag::Container | Tag::Received));
        match () {
            () if usable.beside.is_some() && [usable.field_level, usable.beside].contains(&Some(index)) => {
                Level::Literal(level.to_owned())
            }
            () if usable.field_level == Some(index) => Level::Field,
            () if index == 0 || fixed => Level::Literal(level.to_owned()),
            () => Level::Open,
        }
    });
    shape.collect()
}

fn of_group(kind: Kind, topics: &[Usable<'_>], has_twin: bool) -> Vec<Pattern> {
    let parts = Parts::of(topics, has_twin);
    if kind != Kind::Value {
        let mut senders = Vec::new();
        for usable in topics {
            senders.extend(usable.streams().map(|(id, stream)| (parts.names(usable.topic, id), stream)));
        }
        let fields = combined(
            senders.iter().map(|(_, stream)| together::guesses(stream, kind == Kind::Senml, None, str::to_owned)),
        );
        return vec![pattern(parts.template(), kind, &parts, topics, fields, senders)];
    }
    if let Some(first) = topics.first().filter(|usable| usable.beside.is_some()) {
        let name = format!("{}/{}", first.level(first.beside), first.level(first.field_level));
        let mut senders = Vec::new();
        for usable in topics {
            senders.extend(usable.streams().map(|(id, stream)| (parts.names(usable.topic, id), stream)));
        }
        let named = |stream| together::guesses(stream, false, None, |_| name.clone());
        let fields = combined(senders.iter().map(|(_, stream)| named(stream)));
        return vec![pattern(parts.template(), kind, &parts, topics, fields, senders)];
    }
    if let Some(split) = parts.split_by_prefix(topics) {
        return split;
    }
    // All topics of one sender are its fields.
    let mut streams: BTreeMap<(String, String), Stream> = BTreeMap::new();
    for usable in topics {
        let field = usable.level(usable.field_level);
        for (id, stream) in usable.streams() {
            let whole = streams.entry(parts.names(usable.topic, id)).or_default();
            whole.messages = whole.messages.saturating_add(stream.messages);
            whole.gaps.extend(&stream.gaps);
            whole.fields.extend(stream.fields.into_values().map(|seen| (field.to_owned(), seen)));
        }
    }
    let fields = combined(streams.values().map(|stream| together::guesses(stream, false, None, str::to_owned)));
    vec![pattern(parts.template(), kind, &parts, topics, fields, streams.into_iter().collect())]
}

pub(super) fn pattern(
    template: String,
    kind: Kind,
    parts: &Parts,
    topics: &[Usable<'_>],
    fields: Vec<Guess>,
    streams: Vec<((String, String), Stream)>,
) -> Pattern {
    let gaps = streams.iter().flat_map(|(_, stream)| stream.gaps.iter().copied()).collect();
    Pattern {
        template,
        kind,
        site: parts.site.clone(),
        sensor: parts.sensor.clone(),
        fields,
        topics: topics.len(),
        messages: topics.iter().map(|usable| usable.seen.messages).sum(),
        only_retained: topics.iter().all(|usable| usable.seen.messages == usable.seen.retained),
        interval: interval(gaps),
        senders: streams.into_iter().map(|(names, _)| names).collect(),
    }
}

/// One guess for each field, of what the senders of a pattern say: the surest; a remark that another field says the same
/// stays.
pub(super) fn combined(all: impl Iterator<Item = Vec<Guess>>) -> Vec<Guess> {
    let mut best: BTreeMap<String, Guess> = BTreeMap::new();
    for guess in all.flatten() {
        let rank = |guess: &Guess| {
            let is_remark = guess.why.starts_with("the same as");
            (is_remark, guess.meaning != Meaning::Nothing, guess.sure)
        };
        match best.get_mut(&guess.key) {
            Some(known) if rank(&guess) <= rank(known) => known.decimal_comma |= guess.decimal_comma,
            Some(known) => {
                let comma = known.decimal_comma;
                *known = guess;
                known.decimal_comma |= comma;
            }
            None => {
                best.insert(guess.key.clone(), guess);
            }
        }
    }
    best.into_values().collect()
}

/// The middle of the pauses between live messages of a sender.
fn interval(mut gaps: Vec<i64>) -> Option<Interval> {
    gaps.retain(|gap| *gap > 0);
    gaps.sort_unstable();
    let millis = *gaps.get(gaps.len() / 2)?;
    let near = gaps.iter().filter(|gap| (**gap - millis).abs() * 5 <= millis).count();
    let steady = near * 5 >= gaps.len() * 4;
    let sure = match gaps.len() {
        4.. if steady => Sure::High,
        2.. if steady => Sure::Likely,
        _ => Sure::Guess,
    };
    Some(Interval { millis, sure })
}

fn is_of_weather(quantity: Quantity) -> bool {
    use Quantity as Q;
    !matches!(quantity, Q::BatteryVoltage | Q::BatteryLevel | Q::BatteryOk | Q::Rssi | Q::Snr | Q::SequenceNumber)
}

fn why_not_weather(fields: &[Guess]) -> String {
    let about = fields.iter().any(|guess| guess.reading().is_some());
    match (fields.len(), about) {
        (_, true) => "battery and radio alone, no weather".to_owned(),
        (0, false) => "no fields".to_owned(),
        (1, false) => format!("one field, of no use: {}", fields.first().map_or("", |guess| guess.why.as_str())),
        (count, false) => format!("{count} fields, none of weather"),
    }
}
