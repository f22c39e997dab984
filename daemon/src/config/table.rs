//! Typed reading of tables: every method takes a key, checks its value, and notes a fault instead of giving up.
//!
//! A table remembers the keys it was asked for; when it is dropped, every other key is a fault.

use std::cell::{Cell, RefCell};
use std::collections::BTreeMap;
use std::ops::RangeInclusive;

use super::fault::Seen;
use super::measure::Measure;
use super::spot::{Findings, Spot};
use super::tree::{Kind, Node, Origin, quoted};

/// A table of the configuration.
pub(super) struct Table<'n> {
    here: Spot<'n>,
    entries: &'n BTreeMap<String, Node>,
    asked: RefCell<Vec<&'static str>>,
    /// Asked for under a unit's suffix.
    suffixed: RefCell<Vec<String>>,
    /// The operator chooses the keys: none is unknown.
    open: Cell<bool>,
}

impl<'n> Table<'n> {
    /// The whole of a file.
    pub(super) fn root(findings: &'n Findings, file: &'n str, node: &'n Node) -> Option<Self> {
        Spot { findings, file, node, path: String::new() }.table()
    }

    /// The entries of `here`.
    pub(super) fn of(here: Spot<'n>, entries: &'n BTreeMap<String, Node>) -> Self {
        Self { here, entries, asked: RefCell::default(), suffixed: RefCell::default(), open: Cell::new(false) }
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
        self.open.set(true);
        self.entries.iter().map(|(key, node)| (key.as_str(), self.spot(key, node)))
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
        self.many_tables(key, MOST_ENTRIES)
    }

    /// The tables of a list that can be long.
    pub(super) fn many_tables(&self, key: &'static str, most: usize) -> Vec<Table<'n>> {
        let list = self.spot_of(key).and_then(|spot| spot.list_of("tables", most));
        list.unwrap_or_default().into_iter().filter_map(|spot| spot.table()).collect()
    }

    /// The values of a list; `of` names them for the fault text.
    pub(super) fn list(&self, key: &'static str, of: &str) -> Option<Vec<Spot<'n>>> {
        self.spot_of(key)?.list_of(of, MOST_ENTRIES)
    }

    /// Twelve numbers, January first, or one for every month.
    pub(super) fn monthly(&self, key: &'static str, range: RangeInclusive<f64>) -> Option<[f64; 12]> {
        let spot = self.spot_of(key)?;
        let text =
            || format!("write a number from {} to {}, or twelve of them, January first", range.start(), range.end());
        let Some(list) = spot.list(MOST_ENTRIES) else {
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
        let Some(Ok(list)) = spot.list(MOST_ENTRIES).map(<[Spot<'_>; 12]>::try_from) else {
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
        self.here.findings.asked(&self.path_of(key));
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
        if self.open.get() {
            return;
        }
        let asked = self.asked.borrow();
        let suffixed = self.suffixed.borrow();
        for (key, node) in self.entries {
            if asked.contains(&key.as_str()) || suffixed.contains(key) {
                continue;
            }
            let known = asked.iter().copied().chain(suffixed.iter().map(String::as_str));
            let text = match self.here.nearest(key, known) {
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

/// Our choice: no list but that of the sites needs more, and some are compared with each other.
const MOST_ENTRIES: usize = 1_000;
