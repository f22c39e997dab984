//! Typed reading of tables: every method takes a key, checks its value, and notes a fault instead of giving up.
//!
//! A table remembers the keys it was asked for; when it is dropped, every other key is a fault.

use std::cell::{Cell, RefCell};
use std::collections::BTreeMap;
#[cfg(test)]
use std::collections::BTreeSet;
use std::ops::RangeInclusive;

use super::fault::{Fault, Faults, Seen};
use super::measure::Measure;
use super::nearest::nearest;
use super::tree::{ENVIRONMENT, Kind, Node, Origin, quoted};

/// What is found while all files are read.
#[derive(Default)]
pub(super) struct Findings {
    faults: RefCell<Vec<Fault>>,
    total: Cell<usize>,
    /// Every key asked for, indices left out: `sites[].rain.threshold`.
    #[cfg(test)]
    keys: RefCell<BTreeSet<String>>,
}

/// A table of the configuration.
pub(super) struct Table<'n> {
    here: Spot<'n>,
    entries: &'n BTreeMap<String, Node>,
    asked: RefCell<Vec<&'static str>>,
    /// Asked for under a unit's suffix.
    suffixed: RefCell<Vec<String>>,
}

/// A value of a list, or under a key that the operator chose.
#[derive(Clone)]
pub(super) struct Spot<'n> {
    findings: &'n Findings,
    file: &'n str,
    pub node: &'n Node,
    pub path: String,
}

impl Findings {
    pub(super) fn note(&self, fault: Fault) {
        self.total.set(self.total.get() + 1);
        let mut faults = self.faults.borrow_mut();
        if faults.len() < MOST_KEPT {
            faults.push(fault);
        }
    }

    /// The faults, if any.
    pub(super) fn into_faults(self) -> Option<Faults> {
        let faults = self.faults.into_inner();
        (!faults.is_empty()).then(|| Faults::new(faults, self.total.get()))
    }

    #[cfg(test)]
    pub(super) fn keys(&self) -> BTreeSet<String> {
        self.keys.borrow().clone()
    }
}

impl<'n> Table<'n> {
    /// The whole of a file.
    pub(super) fn root(findings: &'n Findings, file: &'n str, node: &'n Node) -> Option<Self> {
        Spot { findings, file, node, path: String::new() }.table()
    }

    pub(super) fn has(&self, key: &str) -> bool {
        self.entries.contains_key(key)
    }

    /// True where `key` is given as text with a unit, or with a unit's suffix as a number.
    pub(super) fn has_either(&self, key: &str) -> bool {
        self.entries
            .keys()
            .any(|own| own.strip_prefix(key).is_some_and(|rest| rest.is_empty() || rest.starts_with('_')))
    }

    /// True where there is no list under `key`, or an empty one.
    pub(super) fn is_without(&self, key: &str) -> bool {
        self.entries.get(key).is_none_or(|node| matches!(&node.kind, Kind::Array(nodes) if nodes.is_empty()))
    }

    /// The table as a value, to come back to.
    pub(super) fn here(&self) -> Spot<'n> {
        self.here.clone()
    }

    /// Notes that the value under `key` is wrong, or where there is none that it is missing.
    pub(super) fn fault(&self, key: &str, text: impl Into<String>) {
        match self.entries.get(key) {
            Some(node) => self.spot(key, node).fault(text),
            None => self.missing(key, text),
        }
    }

    /// Notes that `key` is missing.
    pub(super) fn missing(&self, key: &str, text: impl Into<String>) {
        self.here.note_at(self.path_of(key), Seen::Missing, text.into());
    }

    /// The value under `key`.
    pub(super) fn spot_of(&self, key: &'static str) -> Option<Spot<'n>> {
        self.ask(key);
        self.entries.get(key).map(|node| self.spot(key, node))
    }

    /// Values under keys that the operator chose; nothing is unknown here.
    pub(super) fn every(&self) -> impl Iterator<Item = (&'n str, Spot<'n>)> + '_ {
        self.entries.iter().map(|(key, node)| {
            self.suffixed.borrow_mut().push(key.clone());
            (key.as_str(), self.spot(key, node))
        })
    }

    pub(super) fn text(&self, key: &'static str, example: &str) -> Option<&'n str> {
        self.spot_of(key)?.text(example)
    }

    /// `[a-z0-9-]{1,64}`.
    pub(super) fn id(&self, key: &'static str, example: &str) -> Option<&'n str> {
        let Some(spot) = self.spot_of(key) else {
            self.missing(key, format!("write an id of small letters, digits and -, for example {}", quoted(example)));
            return None;
        };
        spot.id(example)
    }

    pub(super) fn truth(&self, key: &'static str) -> Option<bool> {
        let spot = self.spot_of(key)?;
        match (&spot.node.kind, &spot.node.origin) {
            (Kind::Truth(truth), _) => return Some(*truth),
            (Kind::Text(text), Origin::Variable(_)) => {
                if let Ok(truth) = text.trim().parse() {
                    return Some(truth);
                }
            }
            _ => {}
        }
        spot.fault("write true or false, without quotes");
        None
    }

    /// A number without a unit.
    pub(super) fn number(&self, key: &'static str, range: RangeInclusive<f64>) -> Option<f64> {
        self.spot_of(key)?.number(range)
    }

    /// A whole number without a unit.
    pub(super) fn whole<T: TryFrom<i64>>(&self, key: &'static str, range: RangeInclusive<i64>) -> Option<T> {
        let spot = self.spot_of(key)?;
        let value = spot.plain().filter(|value| value.fract() == 0.0 && value.abs() < 1e15).map(|value| value as i64);
        match value.filter(|value| range.contains(value)).and_then(|value| T::try_from(value).ok()) {
            Some(value) => Some(value),
            None => {
                spot.fault(format!("write a whole number from {} to {}", range.start(), range.end()));
                None
            }
        }
    }

    /// One word of a closed list.
    pub(super) fn word<T: Copy>(&self, key: &'static str, words: &[(&'static str, T)]) -> Option<T> {
        self.spot_of(key)?.word(words)
    }

    /// A value with a unit: text under `key`, or a plain number under `key` with the unit's suffix; never both.
    pub(super) fn measured(&self, key: &'static str, measure: &Measure, range: RangeInclusive<f64>) -> Option<f64> {
        let plain_key = format!("{key}{}", measure.suffix);
        self.ask(key);
        self.suffixed.borrow_mut().push(plain_key.clone());
        match (self.entries.get(key), self.entries.get(&plain_key)) {
            (None, None) => None,
            (Some(node), None) => self.spot(key, node).measured(measure, range, Some(&plain_key)),
            (None, Some(node)) => self.spot(&plain_key, node).plain_measured(measure, range),
            (Some(_), Some(node)) => {
                self.spot(&plain_key, node).fault(format!("{key} is given too; keep one of them"));
                None
            }
        }
    }

    /// [`Self::measured`], to a whole number of the kept unit.
    pub(super) fn measured_whole<T: TryFrom<i64>>(
        &self,
        key: &'static str,
        measure: &Measure,
        range: RangeInclusive<i64>,
    ) -> Option<T> {
        let value = self.measured(key, measure, *range.start() as f64..=*range.end() as f64)?;
        // The range bounds the value, so the cast is exact but for the fraction.
        match T::try_from(value.round() as i64) {
            Ok(whole) if (value - value.round()).abs() < 1e-6 => Some(whole),
            _ => {
                let plain_key = format!("{key}{}", measure.suffix);
                let key = if self.has(key) { key } else { &plain_key };
                self.fault(key, format!("write whole {}", plural(measure.unit)));
                None
            }
        }
    }

    /// A table below; `None` where there is none.
    pub(super) fn table(&self, key: &'static str) -> Option<Table<'n>> {
        self.spot_of(key)?.table()
    }

    /// The tables of a list.
    pub(super) fn tables(&self, key: &'static str) -> Vec<Table<'n>> {
        self.list(key, "tables").unwrap_or_default().into_iter().filter_map(|spot| spot.table()).collect()
    }

    /// The values of a list; `of` names them for the fault text.
    pub(super) fn list(&self, key: &'static str, of: &str) -> Option<Vec<Spot<'n>>> {
        let spot = self.spot_of(key)?;
        let list = spot.list();
        if list.is_none() {
            spot.fault(format!("write a list of {of}"));
        }
        list
    }

    /// Twelve numbers, January first, or one for every month.
    pub(super) fn monthly(&self, key: &'static str, range: RangeInclusive<f64>) -> Option<[f64; 12]> {
        let spot = self.spot_of(key)?;
        let text =
            || format!("write a number from {} to {}, or twelve of them, January first", range.start(), range.end());
        let Some(list) = spot.list() else {
            let value = spot.plain().filter(|value| range.contains(value));
            if value.is_none() {
                spot.fault(text());
            }
            return value.map(|value| [value; 12]);
        };
        let Ok(list) = <[Spot<'_>; 12]>::try_from(list) else {
            spot.fault(text());
            return None;
        };
        each(list, |spot| spot.number(range.clone()))
    }

    /// Twelve values with a unit, January first, as texts under `key` or plain numbers under `key` with the suffix.
    pub(super) fn monthly_measured(
        &self,
        key: &'static str,
        measure: &Measure,
        range: RangeInclusive<f64>,
    ) -> Option<[f64; 12]> {
        let plain_key = format!("{key}{}", measure.suffix);
        self.ask(key);
        self.suffixed.borrow_mut().push(plain_key.clone());
        let (spot, plain) = match (self.entries.get(key), self.entries.get(&plain_key)) {
            (None, None) => return None,
            (Some(node), None) => (self.spot(key, node), false),
            (None, Some(node)) => (self.spot(&plain_key, node), true),
            (Some(_), Some(node)) => {
                self.spot(&plain_key, node).fault(format!("{key} is given too; keep one of them"));
                return None;
            }
        };
        let Some(Ok(list)) = spot.list().map(<[Spot<'_>; 12]>::try_from) else {
            spot.fault(format!("write twelve values, January first; each {}", measure.noun));
            return None;
        };
        each(list, |spot| {
            if plain {
                spot.plain_measured(measure, range.clone())
            } else {
                spot.measured(measure, range.clone(), Some(&plain_key))
            }
        })
    }

    fn ask(&self, key: &'static str) {
        #[cfg(test)]
        self.here.findings.keys.borrow_mut().insert(without_indices(&self.path_of(key)));
        let mut asked = self.asked.borrow_mut();
        if !asked.contains(&key) {
            asked.push(key);
        }
    }

    fn path_of(&self, key: &str) -> String {
        let bare = !key.is_empty() && key.chars().all(|c| c.is_ascii_alphanumeric() || c == '_' || c == '-');
        let key = if bare { key.to_owned() } else { quoted(key) };
        if self.here.path.is_empty() { key } else { format!("{}.{key}", self.here.path) }
    }

    fn spot(&self, key: &str, node: &'n Node) -> Spot<'n> {
        Spot { findings: self.here.findings, file: self.here.file, node, path: self.path_of(key) }
    }
}

impl Drop for Table<'_> {
    fn drop(&mut self) {
        let asked = self.asked.borrow();
        let suffixed = self.suffixed.borrow();
        for (key, node) in self.entries {
            if asked.contains(&key.as_str()) || suffixed.contains(key) {
                continue;
            }
            let known = asked.iter().copied().chain(suffixed.iter().map(String::as_str));
            let text = match nearest(key, known) {
                Some(near) => format!("no such key; did you mean {near}?"),
                None => {
                    let mut known = asked.clone();
                    known.sort_unstable();
                    format!("no such key; known here: {}", known.join(", "))
                }
            };
            // Without the value: it may be a secret in the wrong place.
            self.spot(key, node).note(text);
        }
    }
}

impl<'n> Spot<'n> {
    pub(super) fn fault(&self, text: impl Into<String>) {
        self.note_at(self.path.clone(), Seen::Value(self.node.kind.shown()), text.into());
    }

    /// `thirstd.toml:12`, for texts.
    pub(super) fn place(&self) -> String {
        match &self.node.origin {
            Origin::Line(line) => format!("{}:{line}", self.file),
            Origin::Variable(name) => name.clone(),
        }
    }

    /// True where the value is exactly that text.
    pub(super) fn says(&self, text: &str) -> bool {
        matches!(&self.node.kind, Kind::Text(own) if own == text)
    }

    /// The value where it is a text with a unit of that measure; no fault where it is not.
    pub(super) fn measures(&self, measure: &Measure) -> Option<f64> {
        match &self.node.kind {
            Kind::Text(text) => measure.parse(text),
            _ => None,
        }
    }

    /// Notes a fault without showing the value.
    pub(super) fn note(&self, text: impl Into<String>) {
        self.note_at(self.path.clone(), Seen::Unsaid, text.into());
    }

    fn note_at(&self, path: String, seen: Seen, text: String) {
        self.findings.note(match &self.node.origin {
            Origin::Line(line) => Fault { file: self.file.to_owned(), line: Some(*line), key: path, seen, text },
            Origin::Variable(name) => Fault { file: ENVIRONMENT.to_owned(), line: None, key: name.clone(), seen, text },
        });
    }

    pub(super) fn text(&self, example: &str) -> Option<&'n str> {
        match &self.node.kind {
            Kind::Text(text) if !text.trim().is_empty() => Some(text),
            _ => {
                self.fault(format!("write a text, for example {}", quoted(example)));
                None
            }
        }
    }

    pub(super) fn id(&self, example: &str) -> Option<&'n str> {
        match &self.node.kind {
            Kind::Text(text)
                if (1..=LONGEST_ID).contains(&text.len())
                    && text.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-') =>
            {
                Some(text)
            }
            _ => {
                self.fault(format!(
                    "write 1 to {LONGEST_ID} small letters, digits and -, for example {}",
                    quoted(example)
                ));
                None
            }
        }
    }

    pub(super) fn number(&self, range: RangeInclusive<f64>) -> Option<f64> {
        let value = self.plain().filter(|value| range.contains(value));
        if value.is_none() {
            self.fault(format!("write a number from {} to {}", range.start(), range.end()));
        }
        value
    }

    pub(super) fn word<T: Copy>(&self, words: &[(&'static str, T)]) -> Option<T> {
        let known = || words.iter().map(|(word, _)| *word);
        let text = match &self.node.kind {
            Kind::Text(text) => text.as_str(),
            _ => "",
        };
        if let Some((_, value)) = words.iter().find(|(word, _)| *word == text) {
            return Some(*value);
        }
        let list = known().map(quoted).collect::<Vec<_>>().join(", ");
        self.fault(match nearest(text, known()) {
            Some(near) => format!("did you mean {}? One of {list}", quoted(near)),
            None => format!("write one of {list}"),
        });
        None
    }

    /// Text with a unit. `plain_key` is where a number without one may stand.
    pub(super) fn measured(
        &self,
        measure: &Measure,
        range: RangeInclusive<f64>,
        plain_key: Option<&str>,
    ) -> Option<f64> {
        let plain = || plain_key.map_or(String::new(), |key| format!(", or {key} with a number"));
        match self.measures(measure) {
            Some(value) if range.contains(&value) => Some(value),
            Some(_) => self.out_of_range(measure, &range),
            None => {
                let (noun, examples) = (measure.noun, measure.examples);
                self.fault(if self.plain().is_some() {
                    format!("write {noun} with its unit, for example {examples}{}", plain())
                } else {
                    format!("write {noun}, for example {examples}")
                });
                None
            }
        }
    }

    /// A plain number in the kept unit.
    fn plain_measured(&self, measure: &Measure, range: RangeInclusive<f64>) -> Option<f64> {
        match self.plain() {
            Some(value) if range.contains(&value) => Some(value),
            Some(_) => self.out_of_range(measure, &range),
            None => {
                self.fault(format!("write a number; the unit ({}) is in the key", measure.unit));
                None
            }
        }
    }

    fn out_of_range(&self, measure: &Measure, range: &RangeInclusive<f64>) -> Option<f64> {
        self.fault(format!(
            "write {} from {} to {}",
            measure.noun,
            measure.show(*range.start()),
            measure.show(*range.end())
        ));
        None
    }

    /// A finite number; from a variable also as text.
    pub(super) fn plain(&self) -> Option<f64> {
        let value = match (&self.node.kind, &self.node.origin) {
            (Kind::Whole(number), _) => *number as f64,
            (Kind::Number(number), _) => *number,
            (Kind::Text(text), Origin::Variable(_)) => text.trim().parse().ok()?,
            _ => return None,
        };
        value.is_finite().then_some(value + 0.0)
    }

    pub(super) fn list(&self) -> Option<Vec<Spot<'n>>> {
        let Kind::Array(nodes) = &self.node.kind else { return None };
        let spots = nodes.iter().enumerate().map(|(index, node)| Spot {
            findings: self.findings,
            file: self.file,
            node,
            path: format!("{}[{index}]", self.path),
        });
        Some(spots.collect())
    }

    pub(super) fn table(&self) -> Option<Table<'n>> {
        let Kind::Table(entries) = &self.node.kind else {
            self.fault("write a table: keys and values");
            return None;
        };
        Some(Table { here: self.clone(), entries, asked: RefCell::default(), suffixed: RefCell::default() })
    }
}

/// All of them, each read so that every fault is noted.
fn each(list: [Spot<'_>; 12], read: impl Fn(&Spot<'_>) -> Option<f64>) -> Option<[f64; 12]> {
    let values = list.map(|spot| read(&spot));
    values.iter().all(Option::is_some).then(|| values.map(Option::unwrap_or_default))
}

fn plural(unit: &str) -> &str {
    match unit {
        "s" => "seconds",
        "ms" => "milliseconds",
        "min" => "minutes",
        "h" => "hours",
        "%" => "percent",
        other => other,
    }
}

/// `sites[3].rain` is `sites[].rain`.
#[cfg(test)]
fn without_indices(path: &str) -> String {
    let mut plain = String::with_capacity(path.len());
    let mut inside = false;
    for letter in path.chars() {
        inside = letter == '[' || inside && letter != ']';
        if !inside || letter == '[' {
            plain.push(letter);
        }
    }
    plain
}

/// Our choice: more faults than anyone reads at once; the rest are counted.
const MOST_KEPT: usize = 2_000;
const LONGEST_ID: usize = 64;
