//! Faults of a configuration: every one at once, each with file, line, key, the value seen, and what to write instead.

use std::fmt;

/// One thing wrong in a configuration.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Fault {
    /// As the operator named it; `environment` for a variable.
    pub file: String,
    /// From 1; `None` where no line can be named.
    pub line: Option<u32>,
    /// Where in the file: `sites[0].rain.threshold`, or the name of the variable.
    pub key: String,
    pub seen: Seen,
    /// What is wrong and what to write instead.
    pub text: String,
}

/// What stands at the place of a fault.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Seen {
    /// The value as written, shortened.
    Value(String),
    /// Nothing, and something must.
    Missing,
    /// Left out: it does not help, or may be a secret.
    Unsaid,
}

/// All faults of a configuration, by file and line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Faults {
    faults: Vec<Fault>,
    /// How many there are, with those too many to keep.
    total: usize,
}

impl Faults {
    /// `faults` in any order; `total` counts also those that were not kept.
    pub(super) fn new(mut faults: Vec<Fault>, total: usize) -> Self {
        faults.sort();
        faults.dedup();
        Self { total: total.max(faults.len()), faults }
    }

    /// By file and line.
    pub fn iter(&self) -> impl Iterator<Item = &Fault> {
        self.faults.iter()
    }

    /// How many there are.
    pub fn total(&self) -> usize {
        self.total
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(&self.file)?;
        if let Some(line) = self.line {
            write!(out, ":{line}")?;
        }
        if !self.key.is_empty() {
            write!(out, ": {}", self.key)?;
        }
        match &self.seen {
            Seen::Value(value) => write!(out, " = {value}")?,
            Seen::Missing => out.write_str(" is missing")?,
            Seen::Unsaid => {}
        }
        write!(out, ": {}", self.text)
    }
}

impl fmt::Display for Faults {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        for fault in self.faults.iter().take(MOST_SHOWN) {
            writeln!(out, "{fault}")?;
        }
        match self.total.saturating_sub(MOST_SHOWN) {
            0 => Ok(()),
            1 => writeln!(out, "… and 1 more fault"),
            more => writeln!(out, "… and {more} more faults"),
        }
    }
}

impl std::error::Error for Faults {}

/// Our choice: two screens of faults; behind one mistake there are often many.
const MOST_SHOWN: usize = 50;
