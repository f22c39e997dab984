//! Which levels of a group of topics name the site and the sensor, or where else the names are.

use std::collections::{BTreeMap, BTreeSet};

use super::Sure;
use super::stream::Stream;
use super::together;
use super::topics::{Kind, PartGuess, Pattern, Usable, combined, pattern};
use super::words::{Tag, Words};
use crate::engine::decode::Part;

/// A level of the shape that topics share.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Level {
    /// A word that says a kind of message, or the first level.
    Literal(String),
    /// The name of the value.
    Field,
    /// Anything; differs between topics, or could.
    Open,
}

/// How the topics of a group name site and sensor.
#[derive(Clone, Debug)]
pub(super) struct Parts {
    /// What the template has at each level.
    levels: Vec<String>,
    pub site: PartGuess,
    pub sensor: PartGuess,
    site_level: Option<usize>,
    sensor_level: Option<usize>,
}

impl Parts {
    /// `has_twin`: other topics are the same but for the first level.
    pub fn of(topics: &[Usable<'_>], has_twin: bool) -> Self {
        let table = Table::of(topics);
        let by_payload = senders_in_payload(topics);
        let mut varied = table.varied();
        let mut steady = table.steady_names();
        let hinted = |at: usize, container: Tag, own: Tag| {
            table.before(at).is_some_and(|before| Words::of(before).has(container)) || table.all_have(at, own)
        };
        let mut site_level = None;
        let sensor_level;
        let sensor;
        if let Some((pointer, many)) = by_payload.filter(|(_, many)| *many || varied.is_empty() && steady.is_empty()) {
            sensor_level = None;
            let why = if many { "several senders on one topic" } else { "the topic names no sensor, the payload does" };
            sensor = PartGuess {
                part: Part::Pointer(pointer),
                sure: if many { Sure::High } else { Sure::Likely },
                why: why.into(),
            };
            site_level = varied.pop().or_else(|| steady.pop());
        } else if let Some(last) = varied.pop() {
            let site_word = table.before(last).is_some_and(|before| Words::of(before).has(Tag::SiteWord));
            let below = steady.iter().copied().find(|level| *level > last);
            if let Some(below) = below.filter(|_| site_word && varied.is_empty()) {
                (site_level, sensor_level) = (Some(last), Some(below));
                sensor = captured(below, Sure::Likely, "the only name below the site".to_owned());
            } else {
                sensor_level = Some(last);
                let values = table.values(last);
                let payload_agrees = table.payload_agrees(topics, last);
                let why = match () {
                    () if payload_agrees => "the payload says the same name".to_owned(),
                    () if hinted(last, Tag::Container, Tag::SensorWord) => {
                        format!("differs ({}), and its place says so", listed(&values))
                    }
                    () => format!("the last name that differs: {}", listed(&values)),
                };
                let sure = if payload_agrees || hinted(last, Tag::Container, Tag::SensorWord) || !varied.is_empty() {
                    Sure::High
                } else {
                    Sure::Likely
                };
                sensor = captured(last, sure, why);
                site_level = varied.pop().or_else(|| steady.iter().copied().rfind(|level| *level < last));
            }
        } else if let Some(last) = steady.pop() {
            sensor_level = Some(last);
            sensor = captured(
                last,
                Sure::Likely,
                format!("the last name of the topic; only {:?} was heard", table.values(last).join("")),
            );
            site_level = steady.pop();
        } else {
            sensor_level = None;
            let name = slug(table.first);
            sensor = PartGuess { part: Part::Fixed(name), sure: Sure::Guess, why: "nothing names a sensor".to_owned() };
        }
        let site = match site_level {
            Some(level) => {
                let values = table.values(level);
                let word = table.before(level).is_some_and(|before| Words::of(before).has(Tag::SiteWord));
                let (sure, why) = match values.len() {
                    0 | 1 if word => (Sure::High, "its place says so".to_owned()),
                    0 | 1 => (Sure::Likely, format!("above the sensor; only {} was heard", listed(&values))),
                    _ => (Sure::High, format!("above the sensor, and differs: {}", listed(&values))),
                };
                captured(level, sure, why)
            }
            None if has_twin => PartGuess {
                part: Part::Fixed(table.first.to_owned()),
                sure: Sure::Likely,
                why: "other topics differ by the first level alone".to_owned(),
            },
            None => PartGuess {
                part: Part::Fixed(SITE.to_owned()),
                sure: Sure::Guess,
                why: "nothing names a site".to_owned(),
            },
        };
        let levels = table.levels(site_level, sensor_level);
        Self { levels, site, sensor, site_level, sensor_level }
    }

    pub fn template(&self) -> String {
        self.levels.join("/")
    }

    /// The names of site and sensor for a topic and what the payload says.
    pub fn names(&self, topic: &str, id: &str) -> (String, String) {
        let level =
            |level: Option<usize>| level.and_then(|level| topic.split('/').nth(level)).unwrap_or_default().to_owned();
        let name = |guess: &PartGuess, at: Option<usize>| match &guess.part {
            Part::Captured => level(at),
            Part::Pointer(_) => id.to_owned(),
            Part::Fixed(name) => name.clone(),
        };
        (name(&self.site, self.site_level), name(&self.sensor, self.sensor_level))
    }

    /// Where the level of the value names the sensor too (`pond_temperature`, `shed_temperature`): one pattern a topic.
    pub fn split_by_prefix(&self, topics: &[Usable<'_>]) -> Option<Vec<Pattern>> {
        let named = |usable: &Usable<'_>| {
            let field = usable.level(Some(usable.field_level?));
            let words = Words::of(field);
            let unknown: Vec<&str> =
                words.unknown().into_iter().filter(|word| !word.chars().all(|c| c.is_ascii_digit())).collect();
            let tags: Vec<Tag> = words.tags.iter().copied().filter(|tag| tag.is_of_a_value()).collect();
            Some((unknown.join("-"), field.to_owned(), tags))
        };
        let names: Vec<_> = topics.iter().map(named).collect::<Option<_>>()?;
        if self.sensor_level.is_some() && names.iter().any(|(prefix, ..)| prefix.is_empty()) {
            return None;
        }
        let twice = names.iter().any(|(prefix, _, tags)| {
            names
                .iter()
                .any(|(other, _, others)| other != prefix && others == tags && !prefix.is_empty() && !other.is_empty())
        });
        if !twice {
            return None;
        }
        let mut senders: BTreeMap<(String, &str), Stream> = BTreeMap::new();
        for (usable, (prefix, field, _)) in topics.iter().zip(&names) {
            for (id, stream) in usable.streams() {
                let (site, _) = self.names(usable.topic, id);
                let whole = senders.entry((site, prefix)).or_default();
                whole.fields.extend(stream.fields.into_values().map(|seen| (field.clone(), seen)));
            }
        }
        let guessed = combined(senders.values().map(|stream| together::guesses(stream, false, None, str::to_owned)));
        let patterns = topics.iter().zip(&names).map(|(usable, (prefix, field, _))| {
            let sensor =
                if prefix.is_empty() { slug(usable.topic.split('/').next().unwrap_or(SITE)) } else { prefix.clone() };
            let why = format!("{field:?} names the sensor before the quantity");
            let site = match &self.site.part {
                Part::Captured => PartGuess { part: Part::Fixed(self.names(usable.topic, "").0), ..self.site.clone() },
                _ => self.site.clone(),
            };
            let parts = Self {
                sensor: PartGuess { part: Part::Fixed(sensor.clone()), sure: Sure::Likely, why },
                site,
                sensor_level: None,
                site_level: None,
                ..self.clone()
            };
            let fields = guessed.iter().filter(|guess| guess.key == *field).cloned().map(|mut guess| {
                guess.key.clear();
                guess
            });
            let streams = usable.streams().map(|(id, stream)| (parts.names(usable.topic, id), stream));
            pattern(usable.topic.to_owned(), Kind::Value, &parts, &[*usable], fields.collect(), streams.collect())
        });
        Some(patterns.collect())
    }
}

/// The levels of all topics of a group.
struct Table<'t> {
    first: &'t str,
    topics: Vec<Vec<&'t str>>,
    field_level: Option<usize>,
    fixed: Vec<bool>,
}

impl<'t> Table<'t> {
    fn of(topics: &[Usable<'t>]) -> Self {
        let rows: Vec<Vec<&str>> = topics.iter().map(|usable| usable.topic.split('/').collect()).collect();
        let head = rows.first().cloned().unwrap_or_default();
        let fixed = head.iter().enumerate().map(|(index, level)| {
            let words = Words::of(level);
            let told = words.tags.iter().any(|tag| matches!(tag, Tag::Channel | Tag::Container | Tag::Received));
            let beside = topics.first().filter(|usable| usable.beside.is_some());
            let spelled = beside.is_some_and(|usable| [usable.beside, usable.field_level].contains(&Some(index)));
            index == 0 || spelled || told && words.all_known()
        });
        Self {
            first: head.first().copied().unwrap_or_default(),
            fixed: fixed.collect(),
            field_level: topics.first().filter(|usable| usable.beside.is_none()).and_then(|usable| usable.field_level),
            topics: rows,
        }
    }

    fn values(&self, level: usize) -> Vec<&'t str> {
        let values: BTreeSet<&str> = self.topics.iter().filter_map(|levels| levels.get(level).copied()).collect();
        values.into_iter().collect()
    }

    fn open(&self) -> impl Iterator<Item = usize> + '_ {
        let is_open = |level: &usize| self.fixed.get(*level) == Some(&false) && self.field_level != Some(*level);
        (0..self.fixed.len()).filter(is_open)
    }

    /// Levels with more than one name.
    fn varied(&self) -> Vec<usize> {
        self.open().filter(|level| self.values(*level).len() > 1).collect()
    }

    /// Levels with one name that can be a name of something.
    fn steady_names(&self) -> Vec<usize> {
        let is_name = |level: &usize| match self.values(*level).as_slice() {
            [only] => {
                let words = Words::of(only);
                let is_version =
                    only.len() <= 3 && only.trim_start_matches('v').chars().all(|c| c.is_ascii_digit() || c == '.');
                let is_kind = words.all_known() && (words.tags.is_empty() || words.has(Tag::SiteWord));
                !only.is_empty() && !is_version && !is_kind
            }
            _ => false,
        };
        self.open().filter(is_name).collect()
    }

    fn before(&self, level: usize) -> Option<&'t str> {
        let before = level.checked_sub(1)?;
        match self.values(before).as_slice() {
            [only] => Some(*only),
            _ => None,
        }
    }

    fn all_have(&self, level: usize, tag: Tag) -> bool {
        self.values(level).iter().all(|value| Words::of(value).has(tag))
    }

    /// Whether the payloads say the name that stands at the level.
    fn payload_agrees(&self, topics: &[Usable<'_>], level: usize) -> bool {
        let agrees = |usable: &Usable<'_>, row: &Vec<&str>| {
            let said = usable.seen.streams.keys().next().filter(|id| !id.is_empty());
            said.is_some_and(|said| row.get(level).is_some_and(|name| name.eq_ignore_ascii_case(said)))
        };
        topics.iter().zip(&self.topics).all(|(usable, row)| agrees(usable, row))
    }

    fn levels(&self, site: Option<usize>, sensor: Option<usize>) -> Vec<String> {
        let level = |index: usize| match self.values(index).as_slice() {
            _ if site == Some(index) => "{site}".to_owned(),
            _ if sensor == Some(index) => "{sensor}".to_owned(),
            _ if self.field_level == Some(index) => "{field}".to_owned(),
            [only] => (*only).to_owned(),
            _ => "+".to_owned(),
        };
        (0..self.fixed.len()).map(level).collect()
    }
}

/// Where payloads say who sent them, and whether one topic has several senders.
fn senders_in_payload(topics: &[Usable<'_>]) -> Option<(String, bool)> {
    if topics.iter().any(|usable| usable.kind == Kind::Value) {
        return None;
    }
    let pointer =
        topics.iter().flat_map(|usable| usable.seen.streams.values()).find_map(|stream| stream.id_pointer.clone())?;
    let several = topics.iter().any(|usable| {
        let named = usable.seen.streams.values().filter(|stream| stream.id_pointer.is_some());
        // A number that is new in each message is no name.
        named.clone().count() > 1 && usable.seen.messages as usize >= named.count() * 3 / 2
    });
    Some((pointer, several))
}

fn captured(level: usize, sure: Sure, why: String) -> PartGuess {
    PartGuess { part: Part::Captured, sure, why: format!("level {}: {why}", level + 1) }
}

fn listed(values: &[&str]) -> String {
    let shown: Vec<&str> = values.iter().copied().take(3).collect();
    match values.len() - shown.len() {
        0 => shown.join(", "),
        more => format!("{} and {more} more", shown.join(", ")),
    }
}

/// Small letters, digits and single hyphens, as ids are.
pub(super) fn slug(name: &str) -> String {
    let mut slug = String::new();
    for c in name.chars().take(40) {
        match c.to_ascii_lowercase() {
            c @ ('a'..='z' | '0'..='9') => slug.push(c),
            _ if !slug.ends_with('-') && !slug.is_empty() => slug.push('-'),
            _ => {}
        }
    }
    let slug = slug.trim_end_matches('-').to_owned();
    if slug.is_empty() { "unnamed".to_owned() } else { slug }
}

/// The site that nothing names.
const SITE: &str = "home";
