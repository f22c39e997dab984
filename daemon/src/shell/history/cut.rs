//! Rows of the store become batches that a database takes at once, cut between lines.

use std::ops::Range;

use crate::engine::stamp::Stamp;
use crate::shell::store::HistoryRow;

/// How far a lane has been sent.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Position {
    /// Rows up to this one are done.
    pub(super) row: i64,
    /// A row after it that is too large for one batch, and how many of its bytes are done.
    pub(super) part: Option<(i64, usize)>,
}

/// Whole lines, to be sent as they are until they are taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Batch {
    pub(super) bytes: Vec<u8>,
    /// When the oldest of them was kept.
    pub(super) oldest: Stamp,
    /// How far the lane has been sent once these lines are.
    pub(super) next: Position,
    /// There is no room for a further line.
    pub(super) is_full: bool,
}

/// The lines of `rows` from `from` on, at most `lines` of them and `bytes` bytes; a longer line goes alone. None: there are
/// none.
pub(super) fn batch(rows: &[HistoryRow], from: Position, lines: u32, bytes: usize) -> Option<Batch> {
    let mut batch = Batch { bytes: Vec::new(), oldest: rows.first()?.at, next: from, is_full: false };
    let mut count = 0;
    for row in rows {
        let done = from.part.filter(|(id, _)| *id == row.id).map_or(0, |(_, done)| done);
        let mut end = done.min(row.bytes.len());
        for line in row.bytes[end..].split_inclusive(|byte| *byte == b'\n') {
            let fits = batch.bytes.is_empty() || batch.bytes.len() + line.len() <= bytes;
            if count >= lines || !fits {
                batch.is_full = true;
                batch.next.part = (end > 0).then_some((row.id, end));
                return Some(batch);
            }
            batch.bytes.extend_from_slice(line);
            count += 1;
            end += line.len();
        }
        batch.next = Position { row: row.id, part: None };
    }
    batch.is_full = count >= lines || batch.bytes.len() >= bytes;
    Some(batch)
}

/// `piece` of `bytes` in two parts of whole lines, nearly equal in bytes; None where it is a single line.
pub(super) fn halves(bytes: &[u8], piece: &Range<usize>) -> Option<(Range<usize>, Range<usize>)> {
    let text = bytes.get(piece.clone())?;
    let inner = text.len().checked_sub(1)?;
    let middle = inner / 2;
    let is_end = |byte: &u8| *byte == b'\n';
    let before = text[..middle].iter().rposition(is_end);
    // A line feed at the very end ends the last line and parts nothing.
    let after = || text[middle..inner].iter().position(is_end).map(|place| middle + place);
    let cut = piece.start + before.or_else(after)? + 1;
    Some((piece.start..cut, cut..piece.end))
}

/// Lines in `bytes`.
pub(super) fn count(bytes: &[u8]) -> u64 {
    bytes.iter().filter(|byte| **byte == b'\n').count() as u64
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn row(id: i64, lines: &[&str]) -> HistoryRow {
        let bytes: String = lines.iter().map(|line| format!("{line}\n")).collect();
        HistoryRow { id, at: Stamp(id * 10), lines: lines.len() as u32, bytes: bytes.into_bytes() }
    }

    #[test]
    fn a_batch_ends_at_its_limit_and_the_next_begins_there_also_within_a_row() {
        let rows = [row(3, &["a", "b"]), row(5, &["c", "d", "e"]), row(6, &["f"])];
        let check = |from: Position, lines: u32, bytes: usize, expected: &str, next: Position, is_full: bool| {
            let rest: Vec<HistoryRow> = rows.iter().filter(|row| row.id > from.row).cloned().collect();
            let batch = batch(&rest, from, lines, bytes).unwrap();
            let text = String::from_utf8(batch.bytes).unwrap().replace('\n', "");
            assert_eq!((text.as_str(), batch.next, batch.is_full), (expected, next, is_full), "{from:?}");
        };
        let start = Position::default();
        let at = |row, part| Position { row, part };
        check(start, 100, 100, "abcdef", at(6, None), false);
        check(start, 2, 100, "ab", at(3, None), true);
        check(start, 3, 100, "abc", at(3, Some((5, 2))), true);
        check(at(3, Some((5, 2))), 1, 100, "d", at(3, Some((5, 4))), true);
        check(at(3, Some((5, 4))), 9, 100, "ef", at(6, None), false);
        // The row that was begun has been given up meanwhile.
        check(at(3, Some((4, 2))), 9, 100, "cdef", at(6, None), false);
        check(start, 100, 5, "ab", at(3, None), true);
        check(start, 100, 1, "a", at(0, Some((3, 2))), true);
        assert_eq!(batch(&[], start, 1, 1), None);
        assert_eq!(batch(&rows, start, 9, 99).unwrap().oldest, Stamp(30));
    }

    proptest! {
        #[test]
        fn halves_are_whole_lines_that_together_are_the_whole(lengths in prop::collection::vec(0_usize..40, 1..50)) {
            let bytes: Vec<u8> = lengths.iter().flat_map(|length| "x".repeat(*length).into_bytes().into_iter().chain([b'\n'])).collect();
            let whole = 0..bytes.len();
            match halves(&bytes, &whole) {
                None => prop_assert_eq!(lengths.len(), 1),
                Some((first, second)) => {
                    prop_assert!(!first.is_empty() && !second.is_empty());
                    prop_assert_eq!((first.start, first.end, second.end), (0, second.start, whole.end));
                    prop_assert_eq!(bytes[first.end - 1], b'\n');
                    prop_assert_eq!(count(&bytes[first]) + count(&bytes[second]), lengths.len() as u64);
                }
            }
        }
    }
}
