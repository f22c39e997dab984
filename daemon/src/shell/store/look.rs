//! Looking into a store from outside: while a daemon runs on it or not, and without changing anything.

use std::path::Path;

use rusqlite::{Connection, OpenFlags, params};

use crate::engine::event::Now;
use crate::engine::stamp::Stamp;

use super::read::unsigned;
use super::schema::{self, Found};
use super::{AuditRow, MOST_READ, Reader, StoreError, Topic};

/// When the store was last written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Saved {
    /// The time of the last commit; None: there was none.
    pub last: Option<Now>,
    /// It was the farewell of a daemon that was told to stop.
    pub stopped: bool,
    pub epoch: u64,
}

impl Reader {
    /// Opens the store at `path` as it is at this moment: later commits are not seen.
    ///
    /// # Errors
    /// There is none, it is not ours, it is of another version, or it cannot be opened.
    pub fn look(path: &Path) -> Result<Self, StoreError> {
        let open = |error: rusqlite::Error| StoreError::open(path, &error);
        if !path.try_exists().unwrap_or(true) {
            return Err(StoreError::Missing { path: path.to_owned() });
        }
        let reader = Self::open(path)?;
        let found = match schema::check(&reader.connection, path) {
            // Where we may not write, SQLite cannot make its files beside a store that nobody has open.
            Err(StoreError::Open { .. }) if is_at_rest(path) => return Self::look_at_rest(path),
            found => found?,
        };
        fits(found, path)?;
        reader.connection.execute_batch("BEGIN").map_err(open)?;
        Ok(reader)
    }

    /// When it was last written.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn saved(&self) -> Result<Saved, StoreError> {
        let sql = "SELECT commits, wall, uptime, listening, trusted, stopped, epoch FROM meta";
        let rows = self.rows(sql, [], |row| {
            let now =
                Now { wall: Stamp(row.get(1)?), uptime: row.get(2)?, listening: row.get(3)?, trusted: row.get(4)? };
            let last = (row.get::<_, i64>(0)? > 0).then_some(now);
            Ok(Saved { last, stopped: row.get(5)?, epoch: unsigned(row.get(6)?) })
        })?;
        rows.into_iter().next().ok_or_else(|| StoreError::damaged(&self.path, "its first table is empty"))
    }

    /// The last payload of every topic that begins with `start`, which ends in `/`; none that is empty.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn topics_below(&self, start: &str) -> Result<Vec<Topic>, StoreError> {
        let sql = "SELECT topic, owner, payload FROM topics \
                   WHERE topic >= ?1 AND topic < ?2 AND length(payload) > 0 ORDER BY topic";
        // '0' is the character after '/'.
        let end = format!("{}0", start.trim_end_matches('/'));
        self.rows(sql, params![start, end], |row| {
            Ok(Topic { topic: row.get(0)?, owner: row.get(1)?, payload: row.get(2)? })
        })
    }

    /// What people ordered at `site` from `from` until before `to`, in order.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn audit(&self, site: &str, from: Stamp, to: Stamp) -> Result<Vec<AuditRow>, StoreError> {
        let sql = "SELECT at, site, who, text FROM audit WHERE site = ?1 AND at >= ?2 AND at < ?3 ORDER BY id LIMIT ?4";
        self.rows(sql, params![site, from.0, to.0, MOST_READ], |row| {
            Ok(AuditRow { at: Stamp(row.get(0)?), site: row.get(1)?, who: row.get(2)?, text: row.get(3)? })
        })
    }

    /// Nobody has it open: then the file alone is all there is.
    pub(super) fn look_at_rest(path: &Path) -> Result<Self, StoreError> {
        let open = |error: rusqlite::Error| StoreError::open(path, &error);
        let mut address = String::from("file:");
        for byte in path.as_os_str().as_encoded_bytes() {
            match byte {
                b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'.' | b'-' | b'_' => address.push(char::from(*byte)),
                _ => address.push_str(&format!("%{byte:02X}")),
            }
        }
        address.push_str("?immutable=1");
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX | OpenFlags::SQLITE_OPEN_URI;
        let connection = Connection::open_with_flags(address, flags).map_err(open)?;
        fits(schema::check(&connection, path)?, path)?;
        Ok(Self { connection, path: path.to_owned() })
    }
}

/// True when no log with commits of its own lies beside the store.
fn is_at_rest(path: &Path) -> bool {
    let mut log = path.as_os_str().to_owned();
    log.push("-wal");
    std::fs::metadata(log).map_or(true, |log| log.len() == 0)
}

fn fits(found: Found, path: &Path) -> Result<(), StoreError> {
    match found {
        Found::Tables(schema::VERSION) => Ok(()),
        Found::Tables(found) => Err(StoreError::Older { path: path.to_owned(), found, known: schema::VERSION }),
        Found::Nothing => Err(StoreError::Missing { path: path.to_owned() }),
    }
}
