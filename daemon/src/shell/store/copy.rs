//! A copy of the store while it is written to, and a copy put in the store's place.
//!
//! A copy is one moment of the store: what was committed then, whole. Nothing is ever overwritten: a copy needs a free name,
//! and a store that makes way is set aside.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, OpenFlags};

use crate::engine::stamp::Stamp;

use super::open::{beside, epoch_at, lock, set_aside};
use super::schema::{self, Found};
use super::{StoreError, read};

/// What a copy holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Copied {
    pub sites: u64,
    /// The wall clock at the last commit; None: nothing was ever committed.
    pub last: Option<Stamp>,
    pub bytes: u64,
}

/// What putting a copy in place did.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PutBack {
    pub copied: Copied,
    /// The epoch that everything is published with from now on.
    pub epoch: u64,
    /// Where the store went that was there before.
    pub moved_to: Option<PathBuf>,
}

/// Copies the store at `path`, which may be in use, to the new file `to`, and checks the copy.
///
/// # Errors
/// `to` exists already or cannot be written; the store is missing, damaged, or not ours.
pub fn copy(path: &Path, to: &Path) -> Result<Copied, StoreError> {
    if taken(to)? {
        return Err(StoreError::Exists { path: to.to_owned() });
    }
    let (from, _) = existing(path)?;
    let part = beside(to, ".part");
    let copied = write_copy(&from, &part, |_| Ok(())).inspect_err(|_| discard(&part))?;
    give_name(&part, to)?;
    discard(&part);
    sync_folder(to);
    Ok(copied)
}

/// Puts the copy `from` in the place of the store at `path`, which no thirstd may have open. `now`: the wall clock, for an
/// epoch above every earlier one, so that whoever follows what is published takes the older state for the newer word.
///
/// # Errors
/// The copy is missing, damaged, newer or not ours; the store is in use; the disk refuses. The store is then as it was.
pub fn put_back(from: &Path, path: &Path, now: Stamp) -> Result<PutBack, StoreError> {
    let (source, found) = existing(from)?;
    sound(&source, from)?;
    let _lock = lock(path)?;
    let stored = if taken(path)? { Some(epoch_of(path)) } else { None };
    let mut epoch = epoch_at(now).max(stored.flatten().unwrap_or(0).saturating_add(1));
    let part = beside(path, ".restoring");
    let copied = write_copy(&source, &part, |connection| {
        if found != schema::VERSION {
            schema::migrate(connection, found)?;
        }
        let kept: i64 = connection.query_row("SELECT epoch FROM meta", [], |row| row.get(0))?;
        epoch = epoch.max(read::unsigned(kept).saturating_add(1));
        let transaction = connection.transaction()?;
        begin_epoch(&transaction, epoch)?;
        // What was on its way then has arrived or expired, and the broker's session is another.
        transaction.execute_batch("DELETE FROM answers; DELETE FROM unacked;")?;
        transaction.commit()
    })
    .inspect_err(|_| discard(&part))?;
    let moved_to = if stored.is_some() { Some(set_aside(path)?) } else { None };
    fs::rename(&part, path).map_err(|error| StoreError::Copy { path: path.to_owned(), cause: error.to_string() })?;
    sync_folder(path);
    Ok(PutBack { copied, epoch, moved_to })
}

/// Raises the epoch of the store at `path`, which nobody has open, and with it that of everything it published; says the new
/// one.
///
/// # Errors
/// The store is in use, damaged, or cannot be written.
pub fn raise_epoch(path: &Path) -> Result<u64, StoreError> {
    let _lock = lock(path)?;
    existing(path)?;
    let mut connection = Connection::open(path).map_err(|error| StoreError::open(path, &error))?;
    schema::prepare(&connection).map_err(|error| StoreError::open(path, &error))?;
    let kept: i64 = connection
        .query_row("SELECT epoch FROM meta", [], |row| row.get(0))
        .map_err(|error| StoreError::read(path, &error))?;
    let epoch = read::unsigned(kept).saturating_add(1);
    let write = |error: rusqlite::Error| StoreError::write(path, &error);
    let transaction = connection.transaction().map_err(write)?;
    begin_epoch(&transaction, epoch).map_err(write)?;
    transaction.commit().map_err(write)?;
    Ok(epoch)
}

/// Everything that was published is said anew under `epoch`.
fn begin_epoch(transaction: &Connection, epoch: u64) -> rusqlite::Result<()> {
    transaction.execute("UPDATE meta SET epoch = ?1", [read::signed(epoch)])?;
    transaction.execute(
        "UPDATE topics SET payload = CAST(json_set(CAST(payload AS TEXT), '$.epoch', ?1) AS BLOB)
         WHERE json_valid(CAST(payload AS TEXT)) AND CAST(payload AS TEXT) ->> '$.epoch' IS NOT NULL",
        [read::signed(epoch)],
    )?;
    Ok(())
}

/// Opens a store that must be there and be ours, for reading; says its version.
fn existing(path: &Path) -> Result<(Connection, i64), StoreError> {
    if !taken(path)? {
        return Err(StoreError::Missing { path: path.to_owned() });
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(|error| StoreError::open(path, &error))?;
    connection.busy_timeout(BUSY).map_err(|error| StoreError::open(path, &error))?;
    match schema::check(&connection, path)? {
        Found::Tables(version) => Ok((connection, version)),
        Found::Nothing => Err(StoreError::Missing { path: path.to_owned() }),
    }
}

/// Writes the moment's state of `from` into the new file `part`, changes it by `change`, checks it, and sees it to the disk.
fn write_copy(
    from: &Connection,
    part: &Path,
    change: impl FnOnce(&mut Connection) -> rusqlite::Result<()>,
) -> Result<Copied, StoreError> {
    // What an earlier attempt left when it was killed.
    discard(part);
    let fault = |error: rusqlite::Error| StoreError::Copy { path: part.to_owned(), cause: error.to_string() };
    let mut connection = Connection::open(part).map_err(fault)?;
    {
        let backup = Backup::new(from, &mut connection).map_err(fault)?;
        // All pages in one step: a step by itself sees one moment, and a writer between two would make it begin again.
        for attempt in 0.. {
            match backup.step(-1).map_err(fault)? {
                StepResult::Done => break,
                _ if attempt >= ATTEMPTS => {
                    return Err(StoreError::Copy { path: part.to_owned(), cause: "the store stays locked".to_owned() });
                }
                _ => std::thread::sleep(PAUSE),
            }
        }
    }
    // One file, without a log beside it.
    connection.pragma_update_and_check(None, "journal_mode", "DELETE", |_| Ok(())).map_err(fault)?;
    change(&mut connection).map_err(fault)?;
    sound(&connection, part)?;
    let (sites, wall, commits) = connection
        .query_row("SELECT (SELECT count(*) FROM sites WHERE id <> ''), wall, commits FROM meta", [], |row| {
            Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?, row.get::<_, i64>(2)?))
        })
        .map_err(|error| StoreError::read(part, &error))?;
    connection.close().map_err(|(_, error)| fault(error))?;
    let disk = |error: std::io::Error| StoreError::Copy { path: part.to_owned(), cause: error.to_string() };
    let file = File::open(part).map_err(disk)?;
    file.sync_all().map_err(disk)?;
    let bytes = file.metadata().map_err(disk)?.len();
    Ok(Copied { sites: read::unsigned(sites), last: (commits > 0).then_some(Stamp(wall)), bytes })
}

/// Gives the finished `part` its name `to`. A link fails where the name was taken meanwhile; a rename alone would overwrite.
fn give_name(part: &Path, to: &Path) -> Result<(), StoreError> {
    if fs::hard_link(part, to).is_ok() {
        return Ok(());
    }
    // Some file systems know no links.
    if taken(to)? {
        return Err(StoreError::Exists { path: to.to_owned() });
    }
    fs::rename(part, to).map_err(|error| StoreError::Copy { path: to.to_owned(), cause: error.to_string() })
}

/// Has SQLite look at every page.
fn sound(connection: &Connection, path: &Path) -> Result<(), StoreError> {
    let said: String = connection
        .query_row("PRAGMA quick_check(1)", [], |row| row.get(0))
        .map_err(|error| StoreError::read(path, &error))?;
    if said == "ok" { Ok(()) } else { Err(StoreError::damaged(path, said)) }
}

/// The epoch of the store that is to make way, where it can still be read.
fn epoch_of(path: &Path) -> Option<u64> {
    let (connection, _) = existing(path).ok()?;
    let epoch: i64 = connection.query_row("SELECT epoch FROM meta", [], |row| row.get(0)).ok()?;
    Some(read::unsigned(epoch))
}

fn taken(path: &Path) -> Result<bool, StoreError> {
    path.try_exists().map_err(|error| StoreError::Open { path: path.to_owned(), cause: error.to_string() })
}

fn discard(path: &Path) {
    for suffix in ["", "-journal", "-wal", "-shm"] {
        let _ = fs::remove_file(beside(path, suffix));
    }
}

/// The new name itself reaches the disk; where a system cannot do that, it does it by itself before long.
fn sync_folder(path: &Path) {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let _ = File::open(folder).and_then(|folder| folder.sync_all());
}

/// A writer holds the file for a moment.
const BUSY: Duration = Duration::from_secs(5);
const PAUSE: Duration = Duration::from_millis(50);
const ATTEMPTS: u32 = 200;
