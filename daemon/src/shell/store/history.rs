//! History on its way to the database: lines by lane, oldest first, bounded in bytes, with what became of the rest counted.

use rusqlite::{OptionalExtension, Transaction, params};

use crate::engine::output::Lane;
use crate::engine::stamp::Stamp;

use super::commit::for_each;
use super::read::{signed, unsigned};
use super::{Commit, HistoryLines, Reader, Store, StoreError};

/// Finished lines that wait, kept by one commit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HistoryRow {
    /// Rises; never given twice within a store.
    pub id: i64,
    /// When it was kept.
    pub at: Stamp,
    pub lines: u32,
    pub bytes: Vec<u8>,
}

/// What the database has or will never have, since the commit before.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Settled {
    /// Rows up to this one are done with, by lane; 0: none.
    pub upto: [i64; 2],
    pub sent: u64,
    pub refused: u64,
}

/// The lanes, as they are counted.
pub const LANES: [Lane; 2] = [Lane::Reading, Lane::Account];

/// How much waits, and what became of the rest since the store began.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct HistoryCount {
    pub lines: u64,
    pub bytes: u64,
    pub sent: u64,
    /// Not taken by the database: in the quarantine file, or dropped by it.
    pub refused: u64,
    /// Given up for want of space.
    pub dropped: u64,
}

/// Lines given up between two moments, not told in a point of history yet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gap {
    pub from: Stamp,
    pub to: Stamp,
    pub lines: u64,
}

/// What the writing side knows without asking.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct HistoryBook {
    pub(super) next: i64,
    pub(super) count: HistoryCount,
    pub(super) gap: Option<Gap>,
}

impl Store {
    /// What waits and what became of the rest.
    pub fn history(&self) -> HistoryCount {
        self.history.count
    }

    /// The lines given up that a point should tell of: once there is room again, so that an outage is one gap.
    pub fn gap_to_tell(&self) -> Option<Gap> {
        let has_room = self.history.count.bytes <= self.limits.history_bytes / 10 * 9;
        self.history.gap.filter(|_| has_room)
    }
}

impl Reader {
    /// Rows of `lane` after row `after`, in order: as many as it takes to have `lines` or `bytes`, at least one if there is
    /// one.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn history_after(
        &self,
        lane: Lane,
        after: i64,
        lines: u32,
        bytes: usize,
    ) -> Result<Vec<HistoryRow>, StoreError> {
        let read = |error: rusqlite::Error| StoreError::read(&self.path, &error);
        let sql = "SELECT id, at, lines, bytes FROM history WHERE lane = ?1 AND id > ?2 ORDER BY id";
        let mut statement = self.connection.prepare_cached(sql).map_err(read)?;
        let mut rows = statement.query(params![lane_number(lane), after]).map_err(read)?;
        let (mut found, mut have_lines, mut have_bytes) = (Vec::new(), 0_u32, 0_usize);
        while have_lines < lines && have_bytes < bytes {
            let Some(row) = rows.next().map_err(read)? else { break };
            let row = (|| {
                let at = Stamp(row.get(1)?);
                Ok(HistoryRow { id: row.get(0)?, at, lines: row.get(2)?, bytes: row.get(3)? })
            })();
            let row = row.map_err(read)?;
            have_lines = have_lines.saturating_add(row.lines);
            have_bytes = have_bytes.saturating_add(row.bytes.len());
            found.push(row);
        }
        Ok(found)
    }

    /// What waits and what became of the rest, and when the oldest line was kept that waits.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn history(&self) -> Result<(HistoryCount, Option<Stamp>), StoreError> {
        let read = |error: rusqlite::Error| StoreError::read(&self.path, &error);
        let book = read_book(&self.connection).map_err(read)?;
        let mut oldest: Option<Stamp> = None;
        for lane in LANES {
            let sql = "SELECT at FROM history WHERE lane = ?1 ORDER BY id LIMIT 1";
            let first = self.connection.query_row(sql, [lane_number(lane)], |row| row.get(0)).optional();
            if let Some(at) = first.map_err(read)?.map(Stamp) {
                oldest = Some(oldest.map_or(at, |oldest| oldest.min(at)));
            }
        }
        Ok((book.count, oldest))
    }
}

/// What `meta` says of history.
pub(super) fn read_book(connection: &rusqlite::Connection) -> rusqlite::Result<HistoryBook> {
    let sql = "SELECT history_next, history_lines, history_bytes, history_sent, history_refused, history_dropped, \
               gap_from, gap_to, gap_lines FROM meta";
    connection.query_row(sql, [], |row| {
        let count = |index| row.get::<_, i64>(index).map(unsigned);
        let lines = count(8)?;
        let gap = Gap { from: Stamp(row.get(6)?), to: Stamp(row.get(7)?), lines };
        Ok(HistoryBook {
            next: row.get(0)?,
            count: HistoryCount {
                lines: count(1)?,
                bytes: count(2)?,
                sent: count(3)?,
                refused: count(4)?,
                dropped: count(5)?,
            },
            gap: (lines > 0).then_some(gap),
        })
    })
}

/// Takes out what is settled, puts in what is new, and drops what is too much, readings before accounts, oldest first. Gives
/// the book as it is afterwards.
pub(super) fn write(
    transaction: &Transaction<'_>,
    commit: &Commit,
    mut book: HistoryBook,
    limit: u64,
) -> rusqlite::Result<HistoryBook> {
    let before = book;
    for (lane, upto) in LANES.into_iter().zip(commit.history_settled.upto).filter(|(_, upto)| *upto > 0) {
        let sql = "DELETE FROM history WHERE lane = ?1 AND id <= ?2 RETURNING lines, length(bytes)";
        let mut statement = transaction.prepare(sql)?;
        let mut rows = statement.query(params![lane_number(lane), upto])?;
        while let Some(row) = rows.next()? {
            book.forget(row.get(0)?, row.get(1)?);
        }
    }
    book.count.sent += commit.history_settled.sent;
    book.count.refused += commit.history_settled.refused;
    if commit.gap_told {
        book.gap = None;
    }
    let at = commit.last.wall;
    let sql = "INSERT INTO history (id, lane, lines, bytes, at) VALUES (?1, ?2, ?3, ?4, ?5)";
    let mut next = book.next;
    for_each(transaction, sql, &commit.history, |insert, lines: &HistoryLines| {
        next += 1;
        insert.execute(params![next - 1, lane_number(lines.lane), lines.lines, lines.bytes, at.0])
    })?;
    book.next = next;
    for lines in &commit.history {
        book.count.lines += u64::from(lines.lines);
        book.count.bytes += lines.bytes.len() as u64;
    }
    if commit.history_given_up > 0 {
        book.give_up(at, commit.history_given_up);
    }
    for lane in LANES {
        while book.count.bytes > limit {
            let oldest = transaction
                .prepare_cached("SELECT id, lines, length(bytes), at FROM history WHERE lane = ?1 ORDER BY id LIMIT 1")?
                .query_row([lane_number(lane)], |row| {
                    Ok((row.get::<_, i64>(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
                })
                .optional()?;
            let Some((id, lines, bytes, at)) = oldest else { break };
            transaction.prepare_cached("DELETE FROM history WHERE id = ?1")?.execute([id])?;
            book.forget(lines, bytes);
            book.give_up(Stamp(at), unsigned(lines));
        }
    }
    if book != before {
        let (count, gap) = (book.count, book.gap.unwrap_or(Gap { from: Stamp(0), to: Stamp(0), lines: 0 }));
        transaction
            .prepare_cached(
                "UPDATE meta SET history_next = ?1, history_lines = ?2, history_bytes = ?3, history_sent = ?4, \
                 history_refused = ?5, history_dropped = ?6, gap_from = ?7, gap_to = ?8, gap_lines = ?9",
            )?
            .execute(params![
                book.next,
                signed(count.lines),
                signed(count.bytes),
                signed(count.sent),
                signed(count.refused),
                signed(count.dropped),
                gap.from.0,
                gap.to.0,
                signed(gap.lines)
            ])?;
    }
    Ok(book)
}

impl HistoryBook {
    /// A row is gone.
    fn forget(&mut self, lines: i64, bytes: i64) {
        self.count.lines = self.count.lines.saturating_sub(unsigned(lines));
        self.count.bytes = self.count.bytes.saturating_sub(unsigned(bytes));
    }

    /// Lines kept, or to be kept, at `at` never reach the database.
    fn give_up(&mut self, at: Stamp, lines: u64) {
        self.count.dropped += lines;
        self.gap = Some(match self.gap {
            Some(gap) => Gap { from: gap.from.min(at), to: gap.to.max(at), lines: gap.lines + lines },
            None => Gap { from: at, to: at, lines },
        });
    }
}

/// How a lane is written in the table.
fn lane_number(lane: Lane) -> i64 {
    match lane {
        Lane::Reading => 0,
        Lane::Account => 1,
    }
}
