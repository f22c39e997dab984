//! Opening: take the lock, check what the file is, say what it knows. A damaged store is set aside, never overwritten.

use std::collections::VecDeque;
use std::fs::{self, File, TryLockError};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, OptionalExtension};

use crate::engine::event::Now;
use crate::engine::stamp::{SECOND, Stamp};

use super::schema::Found;
use super::{Answer, JournalRow, Limits, Recovered, Store, StoreError, TailStart, UnackedRow, history, read, schema};

/// An open store and what it knew.
#[derive(Debug)]
pub struct Opened {
    pub store: Store,
    pub recovered: Recovered,
    /// The damaged store that had to make way.
    pub set_aside: Option<SetAside>,
}

/// A damaged store under its new name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetAside {
    pub moved_to: PathBuf,
    pub cause: String,
}

impl Store {
    /// Opens the store at `path`; a missing one is made, with epoch 1.
    ///
    /// # Errors
    /// See [`StoreError`]; a damaged file is left as it is.
    pub fn open(path: &Path, limits: Limits) -> Result<(Self, Recovered), StoreError> {
        Self::open_with_epoch(path, limits, 1)
    }

    /// Opens the store; a damaged one is set aside under a name that is free. Where there is none, or none any more, a new
    /// one begins at an epoch above any that an earlier one can have had: the seconds of `now`. Who follows what is published
    /// would ignore a lower one.
    ///
    /// # Errors
    /// See [`StoreError`].
    pub fn open_or_begin_anew(path: &Path, limits: Limits, now: Stamp) -> Result<Opened, StoreError> {
        match Self::open_with_epoch(path, limits, epoch_at(now)) {
            Ok((store, recovered)) => Ok(Opened { store, recovered, set_aside: None }),
            Err(StoreError::Damaged { cause, .. }) => {
                let (store, recovered, moved_to) = Self::begin_anew(path, limits, now)?;
                Ok(Opened { store, recovered, set_aside: Some(SetAside { moved_to, cause }) })
            }
            Err(error) => Err(error),
        }
    }

    /// Sets the store at `path`, which is damaged and closed, aside; says where it went.
    ///
    /// # Errors
    /// See [`StoreError`].
    pub fn begin_anew(path: &Path, limits: Limits, now: Stamp) -> Result<(Self, Recovered, PathBuf), StoreError> {
        let moved_to = set_aside(path)?;
        let (store, recovered) = Self::open_with_epoch(path, limits, epoch_at(now))?;
        Ok((store, recovered, moved_to))
    }

    fn open_with_epoch(path: &Path, limits: Limits, epoch: u64) -> Result<(Self, Recovered), StoreError> {
        let lock = lock(path)?;
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let open = |error: rusqlite::Error| StoreError::open(path, &error);
        let mut connection = Connection::open_with_flags(path, flags).map_err(open)?;
        connection.busy_timeout(BUSY).map_err(open)?;
        let found = schema::check(&connection, path)?;
        schema::prepare(&connection).map_err(open)?;
        match found {
            Found::Nothing => schema::create(&mut connection, read::signed(epoch)).map_err(open)?,
            Found::Tables(schema::VERSION) => {}
            Found::Tables(older) => schema::migrate(&mut connection, older).map_err(open)?,
        }
        let read = |error: rusqlite::Error| StoreError::read(path, &error);
        let recovered = recover(&connection, path)?;
        let (journal, journal_bytes) = journal_rows(&connection).map_err(read)?;
        let history = history::read_book(&connection).map_err(read)?;
        let diary_bytes =
            connection.query_row("SELECT diary_bytes FROM meta", [], |row| row.get::<_, i64>(0)).map_err(read)?;
        let next_answer = recovered.answers.last().map_or(1, |answer| answer.id.saturating_add(1));
        let store = Self {
            connection,
            path: path.to_owned(),
            limits,
            journal,
            journal_bytes,
            history,
            diary_bytes: read::unsigned(diary_bytes),
            next_answer,
            commits: recovered.commits,
            lock,
        };
        Ok((store, recovered))
    }
}

/// The epoch of a store that begins at `now`.
pub(super) fn epoch_at(now: Stamp) -> u64 {
    u64::try_from(now.0 / SECOND).unwrap_or(1).max(2)
}

/// Renames a store and the logs beside it: `….set-aside-1` or the next free number.
///
/// # Errors
/// It cannot be renamed.
pub(super) fn set_aside(path: &Path) -> Result<PathBuf, StoreError> {
    let fault = |error: std::io::Error| StoreError::SetAside { path: path.to_owned(), cause: error.to_string() };
    let mut number = 1_u32;
    let target = loop {
        let target = beside(path, &format!(".set-aside-{number}"));
        if !target.try_exists().map_err(fault)? {
            break target;
        }
        number = number.saturating_add(1);
    };
    // The log first: a new store must never find the old one's log beside it.
    for suffix in ["-wal", "-shm"] {
        let from = beside(path, suffix);
        if from.try_exists().map_err(fault)? {
            fs::rename(&from, beside(&target, suffix)).map_err(fault)?;
        }
    }
    fs::rename(path, &target).map_err(fault)?;
    Ok(target)
}

/// Held by a lock of the system on a file beside the store, so that a killed process holds nothing.
pub(super) fn lock(path: &Path) -> Result<File, StoreError> {
    let open = |error: std::io::Error| StoreError::Open { path: path.to_owned(), cause: error.to_string() };
    let file = File::options().create(true).truncate(false).write(true).open(beside(path, ".lock")).map_err(open)?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(StoreError::InUse { path: path.to_owned() }),
        Err(TryLockError::Error(error)) => Err(open(error)),
    }
}

pub(super) fn beside(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

fn recover(connection: &Connection, path: &Path) -> Result<Recovered, StoreError> {
    let read = |error: rusqlite::Error| StoreError::read(path, &error);
    let meta = connection
        .query_row(
            "SELECT epoch, next_sequence, settings, commits, wall, uptime, listening, trusted FROM meta",
            [],
            |row| {
                let now =
                    Now { wall: Stamp(row.get(4)?), uptime: row.get(5)?, listening: row.get(6)?, trusted: row.get(7)? };
                let commits: i64 = row.get(3)?;
                Ok((
                    row.get::<_, i64>(0)?,
                    row.get::<_, i64>(1)?,
                    row.get::<_, Option<u32>>(2)?,
                    commits,
                    (commits > 0).then_some(now),
                ))
            },
        )
        .optional()
        .map_err(read)?;
    let Some((epoch, next_sequence, settings, commits, last)) = meta else {
        return Err(StoreError::damaged(path, "its first table is empty"));
    };
    let tail = connection
        .query_row("SELECT settings, since FROM journal ORDER BY id LIMIT 1", [], |row| {
            Ok((row.get::<_, u32>(0)?, row.get::<_, Vec<u8>>(1)?))
        })
        .optional()
        .map_err(read)?;
    let text = |version: Option<u32>| -> Result<Option<(u32, String)>, StoreError> {
        let Some(version) = version else { return Ok(None) };
        let text = connection
            .query_row("SELECT text FROM settings WHERE version = ?1", [version], |row| row.get(0))
            .optional()
            .map_err(read)?;
        Ok(text.map(|text| (version, text)))
    };
    let tail = match tail {
        Some((version, since)) => {
            let since = postcard::from_bytes(&since)
                .map_err(|error| StoreError::damaged(path, format!("start of the journal: {error}")))?;
            Some(TailStart { since, settings: text(Some(version))? })
        }
        None => None,
    };
    Ok(Recovered {
        last,
        epoch: read::unsigned(epoch),
        commits: read::unsigned(commits),
        next_sequence: read::unsigned(next_sequence),
        settings: text(settings)?,
        tail,
        answers: answers(connection).map_err(read)?,
        subscriptions: subscriptions(connection).map_err(read)?,
        unacked: unacked(connection, path)?,
    })
}

fn journal_rows(connection: &Connection) -> rusqlite::Result<(VecDeque<JournalRow>, u64)> {
    let mut statement =
        connection.prepare("SELECT id, last_sequence, entries, length(blob), wall FROM journal ORDER BY id")?;
    let rows = statement.query_map([], |row| {
        Ok(JournalRow {
            id: row.get(0)?,
            last_sequence: read::unsigned(row.get(1)?),
            entries: read::unsigned(row.get(2)?),
            bytes: read::unsigned(row.get(3)?),
            wall: Stamp(row.get(4)?),
        })
    })?;
    let rows = rows.collect::<Result<VecDeque<_>, _>>()?;
    let bytes = rows.iter().map(|row| row.bytes).sum();
    Ok((rows, bytes))
}

fn answers(connection: &Connection) -> rusqlite::Result<Vec<Answer>> {
    let mut statement = connection.prepare("SELECT id, topic, payload FROM answers ORDER BY id")?;
    let rows =
        statement.query_map([], |row| Ok(Answer { id: row.get(0)?, topic: row.get(1)?, payload: row.get(2)? }))?;
    rows.collect()
}

fn subscriptions(connection: &Connection) -> rusqlite::Result<Vec<String>> {
    let mut statement = connection.prepare("SELECT filter FROM subscriptions ORDER BY filter")?;
    let rows = statement.query_map([], |row| row.get(0))?;
    rows.collect()
}

fn unacked(connection: &Connection, path: &Path) -> Result<Vec<UnackedRow>, StoreError> {
    let read = |error: rusqlite::Error| StoreError::read(path, &error);
    let mut statement = connection.prepare("SELECT id, packets FROM unacked ORDER BY id").map_err(read)?;
    let rows = statement.query_map([], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?))).map_err(read)?;
    let mut unacked = Vec::new();
    for row in rows {
        let (id, bytes) = row.map_err(read)?;
        let packets = postcard::from_bytes(&bytes)
            .map_err(|error| StoreError::damaged(path, format!("unacknowledged messages {id}: {error}")))?;
        unacked.push(UnackedRow { id, packets });
    }
    Ok(unacked)
}

/// A reader may hold the file for a moment.
const BUSY: Duration = Duration::from_secs(5);
