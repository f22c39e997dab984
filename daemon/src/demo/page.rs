//! Entries of the account as lines of a page: aligned columns, wrapped texts, color on a terminal alone.

use super::account::{Entry, Kind};

/// How lines look.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Page {
    pub color: bool,
}

impl Page {
    /// An entry as one line or a few.
    pub fn lines(&self, entry: &Entry) -> Vec<String> {
        let (word, paint) = match entry.kind {
            Kind::Day => ("day", ""),
            Kind::HoldBegins => ("HOLD", "\x1b[1;34m"),
            Kind::HoldEnds => ("hold ends", "\x1b[32m"),
            Kind::Alert => ("ALERT", "\x1b[1;33m"),
            Kind::AlertOver => ("alert over", "\x1b[32m"),
            Kind::Command => ("command", "\x1b[35m"),
        };
        let column = format!("{word:<10}");
        let column = if self.color && !paint.is_empty() { format!("{paint}{column}\x1b[0m") } else { column };
        let first = format!("{}  {:<12}  {column}  ", entry.when, entry.site);
        let mut lines = Vec::new();
        for (number, piece) in wrapped(&entry.text, WIDTH - INDENT).into_iter().enumerate() {
            lines.push(if number == 0 { format!("{first}{piece}") } else { format!("{:INDENT$}{piece}", "") });
        }
        lines
    }
}

/// `text` in pieces of at most `width` characters, broken between words.
fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let is_unit = UNITS.contains(&word.trim_end_matches(['.', ',', ';', ':']));
        match words.last_mut().filter(|last| is_unit && last.ends_with(|end: char| end.is_ascii_digit())) {
            Some(number) => *number = format!("{number} {word}"),
            None => words.push(word.to_owned()),
        }
    }
    let mut pieces = vec![String::new()];
    for word in &words {
        let Some(last) = pieces.last_mut() else { break };
        let length = last.chars().count();
        if length > 0 && length + 1 + word.chars().count() > width {
            pieces.push(word.clone());
        } else {
            if length > 0 {
                last.push(' ');
            }
            last.push_str(word);
        }
    }
    pieces
}

/// Not parted from the number before them.
const UNITS: [&str; 9] = ["%", "mm", "in", "°C", "°F", "m/s", "mph", "minutes", "hours"];

/// Characters in a line, and before the text: "Mon  3 May 21:00  granite-step  alert over  ".
const WIDTH: usize = 124;
const INDENT: usize = 16 + 2 + 12 + 2 + 10 + 2;

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(text: &str) -> Entry {
        let (when, site) = ("Mon  3 May 21:00".to_owned(), "dune-row".to_owned());
        Entry { when, site, kind: Kind::HoldBegins, text: text.to_owned() }
    }

    #[test]
    fn texts_are_wrapped_below_their_column_and_no_word_is_lost() {
        let text = "word ".repeat(60);
        let lines = Page { color: false }.lines(&entry(text.trim()));
        assert_eq!(lines.len(), 4);
        assert!(lines[0].starts_with("Mon  3 May 21:00  dune-row      HOLD        word word"));
        assert!(lines.iter().all(|line| line.chars().count() <= WIDTH));
        assert!(lines[1..].iter().all(|line| line.find("word") == Some(INDENT)));
        assert_eq!(lines.join(" ").matches("word").count(), 60);
    }

    #[test]
    fn a_number_keeps_its_unit() {
        let pieces = wrapped("owed 12 mm, or 3 in a row; 54 % of 2 hours.", 8);
        assert_eq!(pieces, ["owed", "12 mm,", "or 3 in", "a row;", "54 % of", "2 hours."]);
    }

    #[test]
    fn color_comes_only_where_it_is_wanted() {
        assert!(Page { color: true }.lines(&entry("x"))[0].contains('\x1b'));
        assert!(!Page { color: false }.lines(&entry("x"))[0].contains('\x1b'));
    }
}
