//! Reading what was committed, in pieces, on a connection of its own: a large fleet never lies in memory twice.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, OptionalExtension, Row};

use crate::engine::SavedSite;

use super::{JournalEntry, StoreError, journal};

/// A reading connection.
#[derive(Debug)]
pub struct Reader {
    pub(super) connection: Connection,
    pub(super) path: PathBuf,
}

/// The last payload of a topic; an empty one is still to be published, once.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Topic {
    pub topic: String,
    /// The site it is about; empty for what is about no single site.
    pub owner: String,
    pub payload: Vec<u8>,
}

/// Saved sites, in the order in which they were first saved. Ends after the first error.
#[derive(Debug)]
pub struct Sites {
    reader: Reader,
    after: i64,
    piece: VecDeque<(i64, SavedSite)>,
    done: bool,
}

/// The journal's entries in order. Ends after the first error.
#[derive(Debug)]
pub struct Tail {
    reader: Reader,
    after: i64,
    entries: VecDeque<JournalEntry<'static>>,
    done: bool,
}

impl Reader {
    /// Opens the store at `path` for reading; it must exist.
    ///
    /// # Errors
    /// The file cannot be opened.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(path, flags).map_err(|error| StoreError::open(path, &error))?;
        connection.busy_timeout(BUSY).map_err(|error| StoreError::open(path, &error))?;
        Ok(Self { connection, path: path.to_owned() })
    }

    /// Every saved site.
    pub fn sites(self) -> Sites {
        Sites { reader: self, after: i64::MIN, piece: VecDeque::new(), done: false }
    }

    /// Every step that the journal still holds.
    pub fn tail(self) -> Tail {
        Tail { reader: self, after: i64::MIN, entries: VecDeque::new(), done: false }
    }

    /// At most `limit` topics after row `after` (`i64::MIN`: from the start), and the row to go on after; fewer than
    /// `limit` are the last ones.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn topics(&self, after: i64, limit: u32) -> Result<(Vec<Topic>, i64), StoreError> {
        let sql = "SELECT row, topic, owner, payload FROM topics WHERE row > ?1 ORDER BY row LIMIT ?2";
        let rows = self.rows(sql, (after, limit), |row| {
            Ok((row.get(0)?, Topic { topic: row.get(1)?, owner: row.get(2)?, payload: row.get(3)? }))
        })?;
        let next = rows.last().map_or(after, |(row, _)| *row);
        Ok((rows.into_iter().map(|(_, topic)| topic).collect(), next))
    }

    /// The last payload of `topic`.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn topic(&self, topic: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.connection
            .query_row("SELECT payload FROM topics WHERE topic = ?1", [topic], |row| row.get(0))
            .optional()
            .map_err(|error| StoreError::read(&self.path, &error))
    }

    /// The text of a version of the settings.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn settings(&self, version: u32) -> Result<Option<String>, StoreError> {
        self.connection
            .query_row("SELECT text FROM settings WHERE version = ?1", [version], |row| row.get(0))
            .optional()
            .map_err(|error| StoreError::read(&self.path, &error))
    }

    pub(super) fn rows<T>(
        &self,
        sql: &str,
        parameters: impl rusqlite::Params,
        map: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let read = |error: rusqlite::Error| StoreError::read(&self.path, &error);
        let mut statement = self.connection.prepare(sql).map_err(read)?;
        let rows = statement.query_map(parameters, map).map_err(read)?;
        rows.collect::<Result<Vec<_>, _>>().map_err(read)
    }
}

impl Iterator for Sites {
    type Item = Result<SavedSite, StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.piece.is_empty() && !self.done {
            let sql = "SELECT row, id, applied, state FROM sites WHERE row > ?1 ORDER BY row LIMIT ?2";
            let rows = self.reader.rows(sql, (self.after, PIECE), |row| {
                let site = SavedSite { id: row.get(1)?, applied: unsigned(row.get(2)?), state: row.get(3)? };
                Ok((row.get(0)?, site))
            });
            match rows {
                Ok(rows) => {
                    self.done = rows.is_empty();
                    self.piece = rows.into();
                }
                Err(error) => {
                    self.done = true;
                    return Some(Err(error));
                }
            }
        }
        let (row, site) = self.piece.pop_front()?;
        self.after = row;
        Some(Ok(site))
    }
}

impl Iterator for Tail {
    type Item = Result<JournalEntry<'static>, StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        while self.entries.is_empty() && !self.done {
            let sql = "SELECT id, blob FROM journal WHERE id > ?1 ORDER BY id LIMIT ?2";
            let rows = self.reader.rows(sql, (self.after, 1), |row| Ok((row.get(0)?, row.get::<_, Vec<u8>>(1)?)));
            let entries = rows.and_then(|rows| match rows.into_iter().next() {
                Some((id, blob)) => {
                    self.after = id;
                    journal::decode(&blob)
                        .map(VecDeque::from)
                        .map_err(|cause| StoreError::damaged(&self.reader.path, format!("journal {id}: {cause}")))
                }
                None => {
                    self.done = true;
                    Ok(VecDeque::new())
                }
            });
            match entries {
                Ok(entries) => self.entries = entries,
                Err(error) => {
                    self.done = true;
                    return Some(Err(error));
                }
            }
        }
        self.entries.pop_front().map(Ok)
    }
}

/// SQLite has only signed numbers; ours stay far below the limit.
pub(super) fn signed(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

pub(super) fn unsigned(number: i64) -> u64 {
    u64::try_from(number).unwrap_or(0)
}

/// Sites read at once.
const PIECE: u32 = 256;

const BUSY: Duration = Duration::from_secs(5);
