//! Names taken apart into words that mean something: `windspeedkmh`, `outTempF` and `Soil-Moisture/1` alike.

pub use super::lexicon::Tag;

use super::lexicon::{FILLERS, LEXICON, UNIT_WORDS};
use crate::engine::units::Unit;

/// A name taken apart.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Words {
    /// In small letters, in order, known or not.
    pub words: Vec<String>,
    pub tags: Vec<Tag>,
}

impl Words {
    pub fn of(name: &str) -> Self {
        let words: Vec<String> = pieces(name).iter().flat_map(|piece| known_words(piece)).collect();
        let tags = words.iter().filter_map(|word| tag(word)).collect();
        Self { words, tags }
    }

    pub fn has(&self, tag: Tag) -> bool {
        self.tags.contains(&tag)
    }

    /// True when every word is known, as a tag, unit or number.
    pub fn all_known(&self) -> bool {
        !self.words.is_empty()
            && self.words.iter().all(|word| tag(word).is_some() || is_filler(word) || unit_word(word).is_some())
    }

    /// The words that say nothing of a value: a place, a make, a number.
    pub fn unknown(&self) -> Vec<&str> {
        let means = |word: &str| tag(word).is_some_and(Tag::is_of_a_value) || is_unit_or_filler(word);
        self.words.iter().map(String::as_str).filter(|word| !means(word)).collect()
    }

    /// The units that the end of the name can stand for, the longest spelling first.
    pub fn units(&self) -> impl Iterator<Item = Unit> + '_ {
        let tail = |count: usize| {
            let from = self.words.len().checked_sub(count)?;
            Some(self.words.get(from..)?.concat())
        };
        // A unit does not stand alone, but for the name `t_c` and the like it is the last of two.
        let longest = self.words.len().saturating_sub(1).min(3);
        (1..=longest).rev().filter_map(tail).flat_map(|tail| units_of(&tail).into_iter())
    }
}

fn units_of(tail: &str) -> Vec<Unit> {
    UNIT_WORDS.iter().filter(|(words, _)| words.contains(&tail)).map(|(_, unit)| *unit).collect()
}

fn unit_word(word: &str) -> Option<Unit> {
    units_of(word).first().copied()
}

fn is_filler(word: &str) -> bool {
    word.chars().all(|c| c.is_ascii_digit()) || FILLERS.contains(&word)
}

fn is_unit_or_filler(word: &str) -> bool {
    unit_word(word).is_some() || FILLERS.contains(&word)
}

fn tag(word: &str) -> Option<Tag> {
    LEXICON.iter().find(|(_, words)| words.contains(&word)).map(|(tag, _)| *tag)
}

/// Runs of letters or digits, cut where small letters end and a capital begins.
fn pieces(name: &str) -> Vec<String> {
    let mut pieces: Vec<String> = Vec::new();
    let mut piece = String::new();
    let mut before = ' ';
    for c in name.chars().take(200) {
        let is_cut =
            !c.is_alphanumeric() || before.is_numeric() != c.is_numeric() || before.is_lowercase() && c.is_uppercase();
        if is_cut && !piece.is_empty() {
            pieces.push(std::mem::take(&mut piece));
        }
        match c {
            '%' => pieces.push("pct".to_owned()),
            '°' => pieces.push("deg".to_owned()),
            _ if c.is_alphanumeric() => piece.extend(c.to_lowercase()),
            _ => {}
        }
        before = c;
    }
    if !piece.is_empty() {
        pieces.push(piece);
    }
    pieces
}

/// `windspeedkmh` becomes wind, speed, kmh; a piece that cannot be cut into known words stays whole, but for a known
/// beginning or end of four letters or more.
fn known_words(piece: &str) -> Vec<String> {
    if tag(piece).is_some() || is_unit_or_filler(piece) || piece.len() < 4 {
        return vec![piece.to_owned()];
    }
    if let Some(words) = cut(piece, MOST_WORDS) {
        return words;
    }
    let strong = || LEXICON.iter().flat_map(|(_, words)| words.iter()).filter(|word| word.len() >= 4);
    if let Some(word) = strong().filter(|word| piece.starts_with(**word)).max_by_key(|word| word.len()) {
        let rest = piece.strip_prefix(*word).unwrap_or_default();
        return vec![(*word).to_owned(), rest.to_owned()];
    }
    if let Some(word) = strong().filter(|word| piece.ends_with(**word)).max_by_key(|word| word.len()) {
        let rest = piece.strip_suffix(*word).unwrap_or_default();
        return vec![rest.to_owned(), (*word).to_owned()];
    }
    vec![piece.to_owned()]
}

/// The whole text in known words, longest first; of one or two letters only as a unit at the end.
fn cut(text: &str, most: usize) -> Option<Vec<String>> {
    if text.is_empty() {
        return Some(Vec::new());
    }
    if most == 0 {
        return None;
    }
    (1..=text.len()).rev().find_map(|end| {
        let (word, rest) = text.split_at_checked(end)?;
        let long_enough = word.len() >= 3 || rest.is_empty();
        let known = tag(word).is_some() || is_unit_or_filler(word);
        if !long_enough || !known {
            return None;
        }
        let mut words = vec![word.to_owned()];
        words.extend(cut(rest, most - 1)?);
        Some(words)
    })
}

const MOST_WORDS: usize = 6;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_cut_into_words() {
        let check = |name: &str, expected: &str| assert_eq!(Words::of(name).words.join(" "), expected, "{name}");
        check("/windspeedkmh", "wind speed kmh");
        check("outTempF", "out temp f");
        check("/Soil-Moisture/1", "soil moisture 1");
        check("raintodayin", "rain today in");
        check("pressurehpa", "pressure hpa");
        check("/decoded/air_temperature_c", "decoded air temperature c");
        check("/wind/gust_m_s", "wind gust m s");
        check("yard_temperature", "yard temperature");
        check("solar_W_m2", "solar w m 2");
        check("RH%", "rh pct");
        check("batt_v", "batt v");
        check("a4c138f2", "a 4 c 138 f 2");
        check("", "");
    }

    #[test]
    fn the_end_of_a_name_is_a_unit() {
        let check = |name: &str, unit: Unit| {
            assert!(Words::of(name).units().any(|found| found == unit), "{name}: {:?}", Words::of(name));
        };
        check("temp_f", Unit::Fahrenheit);
        check("wind/gust_m_s", Unit::MetersPerSecond);
        check("windspeedkmh", Unit::KilometersPerHour);
        check("raintodayin", Unit::Inches);
        check("rain_mm", Unit::Millimeters);
        check("rain_rate_mm_h", Unit::MillimetersPerHour);
        check("batt_mv", Unit::Millivolts);
        check("solar_wm2", Unit::WattsPerM2);
        assert_eq!(Words::of("c").units().count(), 0);
    }
}
