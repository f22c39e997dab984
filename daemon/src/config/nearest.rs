//! The known word that a mistyped one was meant to be.

/// The word of `known` that is nearest to `word`; `None` where none is near enough to be meant.
///
/// Nearness is the number of letters to insert, delete, replace or swap with their neighbor (optimal string alignment
/// distance), upper and lower case alike; up to a third of the longer word. Where none is so near: one that begins with
/// the word, or the word with it.
pub(super) fn nearest<'k>(word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    let word: Vec<char> = word.chars().take(LONGEST_WORD + 1).flat_map(char::to_lowercase).collect();
    if word.is_empty() || word.len() > LONGEST_WORD {
        return None;
    }
    let mut near: Option<(usize, &str)> = None;
    let mut begins: Option<&str> = None;
    for candidate in known {
        let letters: Vec<char> = candidate.chars().flat_map(char::to_lowercase).collect();
        let distance = distance(&word, &letters);
        if distance * 3 <= word.len().max(letters.len()) + 1 && near.is_none_or(|(least, _)| distance < least) {
            near = Some((distance, candidate));
        }
        let shorter = word.len().min(letters.len());
        if shorter >= LEAST_BEGINNING && word[..shorter] == letters[..shorter] {
            begins = begins.or(Some(candidate));
        }
    }
    near.map(|(_, candidate)| candidate).or(begins)
}

fn distance(a: &[char], b: &[char]) -> usize {
    let mut before_last: Vec<usize> = Vec::new();
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for (i, letter) in a.iter().enumerate() {
        let mut row = Vec::with_capacity(b.len() + 1);
        row.push(i + 1);
        for (j, other) in b.iter().enumerate() {
            let replaced = last[j] + usize::from(letter != other);
            let mut least = replaced.min(last[j + 1] + 1).min(row[j] + 1);
            // Both rows have a place more than `b`, and `j` is at least 1 here.
            if i > 0 && j > 0 && *letter == b[j - 1] && a[i - 1] == *other {
                least = least.min(before_last[j - 1] + 1);
            }
            row.push(least);
        }
        before_last = std::mem::replace(&mut last, row);
    }
    last[b.len()]
}

/// Fewer letters in common are chance.
const LEAST_BEGINNING: usize = 3;
/// Longer words are no mistyped keys, and the work grows with their length.
const LONGEST_WORD: usize = 64;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_finds_its_word_and_a_stranger_finds_none() {
        let known = ["threshold", "length", "event_gap", "enabled"];
        for (word, expected) in [
            ("treshold", Some("threshold")),
            ("lenght", Some("length")),
            ("Event_Gap", Some("event_gap")),
            ("enable", Some("enabled")),
            ("thresh", Some("threshold")),
            ("event_gap_between_rains", Some("event_gap")),
            ("bananas", None),
            ("", None),
        ] {
            assert_eq!(nearest(word, known), expected, "{word}");
        }
        assert_eq!(nearest(&"x".repeat(10_000), known), None);
    }
}
