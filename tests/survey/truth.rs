//! What is true of a recording, and how much of it a survey found.

use std::collections::BTreeMap;

use serde::Deserialize;
use thirstd::engine::decode::Part;
use thirstd::engine::units::Unit;
use thirstd::survey::{Guess, Meaning, Pattern, Report, Sure};

/// The file beside a recording.
#[derive(Debug, Deserialize)]
pub struct Truth {
    /// Of the clocks in it, where they are wall clocks.
    pub zone: Option<String>,
    pub patterns: Vec<TruePattern>,
}

#[derive(Debug, Deserialize)]
pub struct TruePattern {
    pub template: String,
    pub format: String,
    /// `topic`, `payload` or `fixed`.
    pub site: String,
    pub sensor: String,
    pub fields: BTreeMap<String, Option<TrueField>>,
}

/// A field of use; one that is of none is null.
#[derive(Debug, Deserialize)]
#[serde(untagged)]
pub enum TrueField {
    /// Quantity, and unit with `*scale` behind it where there is one.
    Reading(String, String),
    /// `time`, or `again`: what another field says already.
    Word(String),
}

/// Right of all.
#[derive(Clone, Copy, Debug, Default)]
pub struct Share {
    pub right: usize,
    pub all: usize,
}

#[derive(Debug, Default)]
pub struct Score {
    pub parts: Share,
    pub quantities: Share,
    pub units: Share,
    /// Of the fields that are of use.
    pub in_force: Share,
    pub wrong_in_force: usize,
    pub misses: Vec<String>,
}

impl Share {
    pub fn share(self) -> f64 {
        self.right as f64 / self.all.max(1) as f64
    }

    fn count(&mut self, right: bool) {
        self.right += usize::from(right);
        self.all += 1;
    }

    fn text(self) -> String {
        format!("{}/{}", self.right, self.all)
    }
}

impl Score {
    pub fn add(&mut self, other: Self) {
        for (sum, one) in [
            (&mut self.parts, other.parts),
            (&mut self.quantities, other.quantities),
            (&mut self.units, other.units),
            (&mut self.in_force, other.in_force),
        ] {
            sum.right += one.right;
            sum.all += one.all;
        }
        self.wrong_in_force += other.wrong_in_force;
    }

    pub fn row(&self) -> String {
        let [parts, quantities, units, in_force] =
            [self.parts, self.quantities, self.units, self.in_force].map(Share::text);
        format!("{parts:>7} {quantities:>11} {units:>7} {in_force:>11} {:>15}", self.wrong_in_force)
    }

    fn miss(&mut self, text: String) {
        self.misses.push(text);
    }
}

pub fn score(report: &Report, truth: &Truth) -> Score {
    let mut score = Score::default();
    for pattern in &truth.patterns {
        let same = |found: &&Pattern| found.template == pattern.template;
        let near = |found: &&Pattern| is_near(found, pattern);
        let found = report.patterns.iter().find(same).or_else(|| report.patterns.iter().find(near));
        match found {
            Some(found) => of_pattern(&mut score, found, pattern),
            None => {
                let seen: Vec<&str> = report.patterns.iter().map(|found| found.template.as_str()).collect();
                score.miss(format!("no pattern {}: {seen:?}, left out {:?}", pattern.template, report.left_out));
                score.parts.all += 2;
                score.quantities.all += pattern.fields.len();
            }
        }
    }
    for found in &report.patterns {
        if !truth.patterns.iter().any(|pattern| is_near(found, pattern)) {
            score.parts.count(false);
            score.miss(format!("a pattern that is none: {}", found.template));
            score.wrong_in_force += found.fields.iter().filter(|guess| is_in_force(guess)).count();
        }
    }
    score
}

fn is_near(found: &Pattern, truth: &TruePattern) -> bool {
    found.kind.name() == truth.format && place_of(&found.template) == place_of(&truth.template)
}

/// Templates of the same topics are compared by their number of levels and first level, so that a wrong part costs a part.
fn place_of(template: &str) -> (usize, String) {
    let levels: Vec<&str> = template.split('/').collect();
    let plain = levels.iter().filter(|level| !level.starts_with('{') && **level != "+").map(|level| level.to_string());
    let whole = levels.iter().all(|level| !level.starts_with('{'));
    (levels.len(), if whole { template.to_owned() } else { plain.take(1).collect() })
}

fn of_pattern(score: &mut Score, found: &Pattern, truth: &TruePattern) {
    for (word, mark, part, expected) in
        [("site", "{site}", &found.site.part, &truth.site), ("sensor", "{sensor}", &found.sensor.part, &truth.sensor)]
    {
        let level = |template: &str| template.split('/').position(|level| level == mark);
        let right = match part {
            Part::Captured => expected == "topic" && level(&found.template) == level(&truth.template),
            Part::Pointer(_) => expected == "payload",
            Part::Fixed(_) => expected == "fixed",
        };
        score.parts.count(right);
        if !right {
            score.miss(format!("{word} in {}: not {expected} of {} but {part:?}", found.template, truth.template));
        }
    }
    for (key, field) in &truth.fields {
        match found.fields.iter().find(|guess| guess.key == *key) {
            Some(guess) => of_field(score, guess, field.as_ref()),
            None => {
                score.quantities.count(false);
                score.miss(format!("{key} was not found"));
            }
        }
    }
    for guess in found.fields.iter().filter(|guess| is_in_force(guess) && !truth.fields.contains_key(&guess.key)) {
        score.wrong_in_force += 1;
        score.miss(format!("{} is in force and no field", guess.key));
    }
}

fn of_field(score: &mut Score, guess: &Guess, truth: Option<&TrueField>) {
    let told = format!("{:?} ({}, {})", guess.meaning, guess.sure.name(), guess.why);
    match truth {
        None => {
            let right = guess.reading().is_none() && !matches!(guess.meaning, Meaning::Time { .. });
            score.quantities.count(right);
            if !right {
                score.wrong_in_force += usize::from(is_in_force(guess));
                score.miss(format!("{}: is of no use, not {told}", guess.key));
            }
        }
        Some(TrueField::Word(word)) => {
            let right = match word.as_str() {
                "time" => matches!(guess.meaning, Meaning::Time { .. }),
                _ => !is_in_force(guess),
            };
            score.quantities.count(right);
            if !right {
                score.wrong_in_force += usize::from(is_in_force(guess));
                score.miss(format!("{}: {word}, not {told}", guess.key));
            }
        }
        Some(TrueField::Reading(quantity, unit)) => {
            let (unit, scale) =
                unit.split_once('*').map_or((unit.as_str(), 1.0), |(unit, scale)| (unit, scale.parse().unwrap()));
            let sense = guess.reading();
            let quantity_right = sense.is_some_and(|sense| sense.quantity.name() == quantity);
            let unit_right = sense.is_some_and(|sense| Unit::parse(unit) == Some(sense.unit) && sense.scale == scale);
            score.quantities.count(quantity_right);
            score.units.count(quantity_right && unit_right);
            score.in_force.count(quantity_right && unit_right && is_in_force(guess));
            if !quantity_right || !unit_right {
                score.wrong_in_force += usize::from(is_in_force(guess));
                score.miss(format!("{}: {quantity} in {unit} × {scale}, not {told}", guess.key));
            } else if !is_in_force(guess) {
                score.miss(format!("{}: right, but a comment: {told}", guess.key));
            }
        }
    }
}

fn is_in_force(guess: &Guess) -> bool {
    guess.sure > Sure::Guess && guess.reading().is_some()
}
