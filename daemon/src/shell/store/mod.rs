//! The durable store: one SQLite file, one writer. What is committed here survives a kill and a power cut.
//!
//! Readings are acknowledged to the broker, and decisions published, only after the [`Store::commit`] that holds them.

pub mod journal;

mod commit;
mod copy;
mod diary;
mod error;
mod history;
mod look;
mod open;
mod read;
mod schema;

use std::collections::VecDeque;
use std::fs::File;
use std::path::{Path, PathBuf};

use rusqlite::Connection;

use crate::engine::SavedSite;
use crate::engine::event::Now;
use crate::engine::output::{DiaryLine, Lane};
use crate::engine::stamp::Stamp;

pub use copy::{Copied, PutBack, copy, put_back, raise_epoch};
pub use diary::MOST_READ;
pub use error::StoreError;
pub use history::{Gap, HistoryCount, HistoryRow, LANES, Settled};
pub use journal::{JournalBlob, JournalEntry, JournalEvent};
pub use look::Saved;
pub use open::{Opened, SetAside};
pub use read::{Reader, Sites, Tail, Topic};

/// The store, open for writing. One at a time: a second program is refused.
#[derive(Debug)]
pub struct Store {
    connection: Connection,
    path: PathBuf,
    limits: Limits,
    /// What the tables hold, so that trimming needs no search.
    journal: VecDeque<JournalRow>,
    journal_bytes: u64,
    history: history::HistoryBook,
    diary_bytes: u64,
    next_answer: i64,
    commits: u64,
    /// Held as long as the store is open.
    lock: File,
}

/// What the store may grow to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// History that waits for the database, bytes. Beyond, the oldest readings go first, then the oldest of the rest.
    pub history_bytes: u64,
    /// Journal, bytes. Beyond, [`Store::journal_is_full`] asks for every site to be saved, so that it can be trimmed.
    pub journal_bytes: u64,
    /// Events kept in the journal although every site has them.
    pub journal_keep: u64,
    /// Diary, bytes. Beyond, the oldest lines go.
    pub diary_bytes: u64,
    /// Age beyond which lines of the diary go, days.
    pub diary_days: u32,
    /// Commands kept in the audit trail. Beyond, the oldest go.
    pub audit_rows: u32,
}

impl Default for Limits {
    fn default() -> Self {
        // Our choice: days of a fleet's history, the tail of a large fleet twice over, and a diary of more than a year, so
        // that this season can be held against the last one: about a megabyte a year and group.
        Self {
            history_bytes: 512 << 20,
            journal_bytes: 256 << 20,
            journal_keep: 0,
            diary_bytes: 1 << 30,
            diary_days: 400,
            // A command a minute for two months, or ten a day for more than twenty years.
            audit_rows: 100_000,
        }
    }
}

/// What a store knew when it was opened; sites, tail and topics are read through [`Reader`], in pieces.
#[derive(Clone, Debug, PartialEq)]
pub struct Recovered {
    /// The time of the last commit; None in a new store.
    pub last: Option<Now>,
    pub epoch: u64,
    /// Commits so far.
    pub commits: u64,
    /// The number of the next event.
    pub next_sequence: u64,
    /// The settings in force, version and text; None in a new store.
    pub settings: Option<(u32, String)>,
    /// Where the tail begins; None: there is none.
    pub tail: Option<TailStart>,
    /// Answers whose delivery is not known yet, oldest first.
    pub answers: Vec<Answer>,
    /// Filters that the broker was asked for and granted.
    pub subscriptions: Vec<String>,
    /// Rows of messages whose acknowledgement is not known to have arrived, oldest first.
    pub unacked: Vec<UnackedRow>,
}

/// The state of things before the oldest event of the journal.
#[derive(Clone, Debug, PartialEq)]
pub struct TailStart {
    pub since: Now,
    /// The settings then in force; None: their text is gone.
    pub settings: Option<(u32, String)>,
}

/// Everything that one transaction makes durable.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Commit {
    /// The time of the last step.
    pub last: Now,
    /// The number of the next event.
    pub next_sequence: u64,
    /// The time and the version of the settings before the first event of `journal`.
    pub journal_since: Now,
    pub journal_settings: u32,
    pub journal: JournalBlob,
    /// Events below are in every site's saved state.
    pub keep_from: u64,
    pub sites: Vec<SavedSite>,
    /// Last payload of each topic; an empty one stays until its delivery is in `cleared`.
    pub topics: Vec<Topic>,
    /// Topics whose empty payload has reached the broker. They go before `topics` come.
    pub cleared: Vec<String>,
    pub answers: Vec<Answer>,
    /// Answers that have reached the broker.
    pub answered: Vec<i64>,
    pub audit: Vec<AuditRow>,
    pub history: Vec<HistoryLines>,
    /// Lines that are not kept although they should be.
    pub history_given_up: u64,
    pub history_settled: Settled,
    /// `history` has a point that tells of the gap.
    pub gap_told: bool,
    pub diary: Vec<DiaryLine>,
    /// The farewell of a daemon that was told to stop.
    pub is_last: bool,
    pub unacked: UnackedChange,
    /// The filters granted, where they changed.
    pub subscriptions: Option<Vec<String>>,
    /// New settings, version and text.
    pub settings: Option<(u32, String)>,
}

/// An answer on its way, with its durable number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    pub id: i64,
    pub topic: String,
    pub payload: Vec<u8>,
}

/// Who did what.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AuditRow {
    pub at: Stamp,
    pub site: String,
    pub who: String,
    pub text: String,
}

/// Finished lines for the history database, each ended by a line feed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HistoryLines {
    pub lane: Lane,
    pub lines: u32,
    pub bytes: Vec<u8>,
}

/// Messages of one commit: packet id in the session, and hash of topic and payload.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct UnackedRow {
    pub id: i64,
    pub packets: Vec<(u16, u64)>,
}

/// What changed about messages whose acknowledgement may be lost.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct UnackedChange {
    /// The session is gone, and with it every row so far.
    pub clear: bool,
    pub remove: Vec<i64>,
    pub add: Vec<UnackedRow>,
}

/// What a commit did beside keeping.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Committed {
    /// History lines given up for want of space.
    pub history_dropped: u64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct JournalRow {
    id: i64,
    last_sequence: u64,
    /// Unlike `last_sequence` the number of entries tells how long a replay takes: deadlines have no number of their own.
    entries: u64,
    bytes: u64,
    wall: Stamp,
}

impl Store {
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// A second, reading connection. It sees what was committed, never more.
    ///
    /// # Errors
    /// The file cannot be opened.
    pub fn reader(&self) -> Result<Reader, StoreError> {
        Reader::open(&self.path)
    }

    /// Commits so far, over all runs.
    pub fn commits(&self) -> u64 {
        self.commits
    }

    /// Closes the file, so that it can be opened anew or moved away; every commit fails from now on.
    ///
    /// # Errors
    /// The file could not be closed.
    pub fn release(&mut self) -> Result<(), StoreError> {
        let fault = |error: rusqlite::Error| StoreError::read(&self.path, &error);
        let nothing = Connection::open_in_memory().map_err(fault)?;
        drop(std::mem::replace(&mut self.connection, nothing));
        self.lock.unlock().map_err(|error| StoreError::Read { path: self.path.clone(), cause: error.to_string() })
    }

    /// The number of a new answer.
    pub fn next_answer(&mut self) -> i64 {
        self.next_answer += 1;
        self.next_answer - 1
    }

    /// True when only saving every site makes room.
    pub fn journal_is_full(&self) -> bool {
        self.journal_bytes > self.limits.journal_bytes
    }

    /// Steps in the journal, and the wall clock at the end of the oldest commit in it.
    pub fn tail(&self) -> (u64, Option<Stamp>) {
        (self.journal.iter().map(|row| row.entries).sum(), self.journal.front().map(|row| row.wall))
    }
}

#[cfg(test)]
impl Store {
    /// Makes every commit of this open store fail.
    pub(in crate::shell) fn refuse_writes(&self) {
        self.connection.execute_batch("PRAGMA query_only = ON").unwrap();
    }
}

#[cfg(test)]
mod tests;
