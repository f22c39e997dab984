//! Single values of the configuration, checked while they are read, and the findings that collect their faults.

use std::cell::{Cell, RefCell};
#[cfg(test)]
use std::collections::BTreeSet;
use std::ops::RangeInclusive;

use super::fault::{Fault, Faults, Seen};
use super::measure::Measure;
use super::nearest::nearest;
use super::table::Table;
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

/// A value of a list, or under a key that the operator chose.
#[derive(Clone)]
pub(super) struct Spot<'n> {
    pub findings: &'n Findings,
    pub file: &'n str,
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

    /// So many that further ones are only counted.
    fn is_full(&self) -> bool {
        self.faults.borrow().len() >= MOST_KEPT
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

    #[cfg(test)]
    pub(super) fn asked(&self, path: &str) {
        self.keys.borrow_mut().insert(without_indices(path));
    }
}

impl<'n> Spot<'n> {
    pub(super) fn fault(&self, text: impl Into<String>) {
        self.note_at(self.path.clone(), Seen::Value(self.node.kind.shown()), text.into());
    }

    /// The known word that was meant; not searched for any more once there are many faults.
    pub(super) fn nearest<'k>(&self, word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
        if self.findings.is_full() { None } else { nearest(word, known) }
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

    /// True where the value is `false`: what is switched off.
    pub(super) fn is_false(&self) -> bool {
        self.node.kind == Kind::Truth(false)
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

    pub(super) fn note_at(&self, path: String, seen: Seen, text: String) {
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
        self.fault(match self.nearest(text, known()) {
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
    pub(super) fn plain_measured(&self, measure: &Measure, range: RangeInclusive<f64>) -> Option<f64> {
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

    /// The values of a list, at most `most` of them; `None` without a fault where it is none.
    pub(super) fn list(&self, most: usize) -> Option<Vec<Spot<'n>>> {
        let Kind::Array(nodes) = &self.node.kind else { return None };
        if nodes.len() > most {
            self.fault(format!("has more than {most} entries; no list here needs so many"));
        }
        let spots = nodes.iter().take(most).enumerate().map(|(index, node)| Spot {
            findings: self.findings,
            file: self.file,
            node,
            path: format!("{}[{index}]", self.path),
        });
        Some(spots.collect())
    }

    /// [`Self::list`]; what is none is a fault that asks for a list `of` something.
    pub(super) fn list_of(&self, of: &str, most: usize) -> Option<Vec<Spot<'n>>> {
        let list = self.list(most);
        if list.is_none() {
            self.fault(format!("write a list of {of}"));
        }
        list
    }

    pub(super) fn table(&self) -> Option<Table<'n>> {
        let Kind::Table(entries) = &self.node.kind else {
            self.fault("write a table: keys and values");
            return None;
        };
        Some(Table::of(self.clone(), entries))
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
const MOST_KEPT: usize = 500;
const LONGEST_ID: usize = 64;
