//! The tables, and what SQLite is told about safety.

use std::path::Path;

use rusqlite::Connection;

use super::StoreError;

/// Version of the tables; in the file as `user_version`.
pub(super) const VERSION: i64 = 3;

/// What is in a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Found {
    Nothing,
    /// Our tables of this version.
    Tables(i64),
}

/// Marks the file as ours: "thrs".
const APPLICATION: i64 = 0x7468_7273;

/// The log of SQLite is cut back to this after a checkpoint, bytes. Our choice.
const LOG_BYTES: i64 = 16 << 20;

/// What the file holds; a file of another program or of a newer thirstd is refused.
pub(super) fn check(connection: &Connection, path: &Path) -> Result<Found, StoreError> {
    let read = |pragma: &str| {
        connection
            .query_row(&format!("PRAGMA {pragma}"), [], |row| row.get::<_, i64>(0))
            .map_err(|error| StoreError::open(path, &error))
    };
    let (application, found) = (read("application_id")?, read("user_version")?);
    let tables = connection
        .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get::<_, i64>(0))
        .map_err(|error| StoreError::open(path, &error))?;
    match (application, found) {
        (0, 0) if tables == 0 => Ok(Found::Nothing),
        (APPLICATION, found) if found > VERSION => {
            Err(StoreError::Newer { path: path.to_owned(), found, known: VERSION })
        }
        (APPLICATION, 1..) => Ok(Found::Tables(found)),
        (APPLICATION, found) => Err(StoreError::damaged(path, format!("its version is {found}"))),
        _ => Err(StoreError::Foreign { path: path.to_owned() }),
    }
}

/// What every writing connection needs. FULL: a commit is on the disk when it returns; less lost acknowledged readings in
/// simulated power cuts.
pub(super) fn prepare(connection: &Connection) -> rusqlite::Result<()> {
    connection.pragma_update(None, "page_size", 4096)?;
    connection.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    connection.pragma_update_and_check(None, "wal_autocheckpoint", 1000, |_| Ok(()))?;
    connection.pragma_update_and_check(None, "journal_size_limit", LOG_BYTES, |_| Ok(()))?;
    connection.pragma_update(None, "temp_store", "MEMORY")?;
    Ok(())
}

/// Makes the tables of a new store, whole or not at all. Events count from 1: a site that holds none has applied 0.
pub(super) fn create(connection: &mut Connection, epoch: i64) -> rusqlite::Result<()> {
    let transaction = connection.transaction()?;
    transaction.execute_batch(TABLES)?;
    transaction.execute_batch(DIARY)?;
    transaction.execute_batch(OUTBOX)?;
    transaction.execute(
        "INSERT INTO meta (only, epoch, next_sequence, wall, uptime, listening, trusted) VALUES (1, ?1, 1, 0, 0, 0, 0)",
        [epoch],
    )?;
    transaction.pragma_update(None, "application_id", APPLICATION)?;
    transaction.pragma_update(None, "user_version", VERSION)?;
    transaction.commit()
}

/// Brings the tables of version `found` to ours, whole or not at all.
pub(super) fn migrate(connection: &mut Connection, found: i64) -> rusqlite::Result<()> {
    let transaction = connection.transaction()?;
    if found < 2 {
        transaction.execute_batch(DIARY)?;
        transaction.execute_batch(FIRST_LINES)?;
    }
    if found < 3 {
        transaction.execute_batch(OUTBOX)?;
        transaction.execute_batch(WAITING)?;
    }
    transaction.pragma_update(None, "user_version", VERSION)?;
    transaction.commit()
}

/// While `meta.commits` is 0, its times mean nothing.
const TABLES: &str = "
    CREATE TABLE meta (
        only INTEGER PRIMARY KEY CHECK (only = 1),
        epoch INTEGER NOT NULL,
        next_sequence INTEGER NOT NULL,
        settings INTEGER,
        commits INTEGER NOT NULL DEFAULT 0,
        wall INTEGER NOT NULL,
        uptime INTEGER NOT NULL,
        listening INTEGER NOT NULL,
        trusted INTEGER NOT NULL
    );
    CREATE TABLE journal (
        id INTEGER PRIMARY KEY,
        first_sequence INTEGER NOT NULL,
        last_sequence INTEGER NOT NULL,
        entries INTEGER NOT NULL,
        settings INTEGER NOT NULL,
        since BLOB NOT NULL,
        wall INTEGER NOT NULL,
        blob BLOB NOT NULL
    );
    CREATE TABLE sites (row INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, applied INTEGER NOT NULL, state BLOB NOT NULL);
    CREATE TABLE topics (row INTEGER PRIMARY KEY, topic TEXT NOT NULL UNIQUE, owner TEXT NOT NULL, payload BLOB NOT NULL);
    CREATE TABLE answers (id INTEGER PRIMARY KEY, topic TEXT NOT NULL, payload BLOB NOT NULL);
    CREATE TABLE history (id INTEGER PRIMARY KEY, lane INTEGER NOT NULL, lines INTEGER NOT NULL, bytes BLOB NOT NULL);
    CREATE INDEX history_by_lane ON history (lane, id);
    CREATE TABLE audit (
        id INTEGER PRIMARY KEY, at INTEGER NOT NULL, site TEXT NOT NULL, who TEXT NOT NULL, text TEXT NOT NULL
    );
    CREATE TABLE subscriptions (filter TEXT PRIMARY KEY) WITHOUT ROWID;
    CREATE TABLE settings (version INTEGER PRIMARY KEY, text TEXT NOT NULL);
    CREATE TABLE unacked (id INTEGER PRIMARY KEY, packets BLOB NOT NULL);
";

/// Version 2. `meta.stopped`: the last commit was the farewell of a daemon that was told to stop.
const DIARY: &str = "
    CREATE TABLE diary (
        id INTEGER PRIMARY KEY, at INTEGER NOT NULL, site TEXT NOT NULL, kind TEXT NOT NULL, subject TEXT NOT NULL,
        payload BLOB NOT NULL
    );
    CREATE INDEX diary_by_site ON diary (site, kind, subject, at);
    CREATE INDEX audit_by_site ON audit (site, at);
    ALTER TABLE meta ADD COLUMN diary_bytes INTEGER NOT NULL DEFAULT 0;
    ALTER TABLE meta ADD COLUMN stopped INTEGER NOT NULL DEFAULT 0;
";

/// The diary of an older store begins with what stands: its decisions and its open alerts.
const FIRST_LINES: &str = "
    INSERT INTO diary (at, site, kind, subject, payload)
    SELECT 1000 * unixepoch(coalesce(text ->> 'since', text ->> 'issued_at')), owner,
        CASE text ->> 'schema' WHEN 'thirst/alert/1' THEN 'alert' ELSE 'decision' END,
        coalesce(text ->> 'group', (text ->> 'kind') || '/' || (text ->> 'subject')), payload
    FROM (
        SELECT row, owner, payload, CASE json_valid(CAST(payload AS TEXT)) WHEN 1 THEN CAST(payload AS TEXT) END AS text
        FROM topics
    )
    WHERE text ->> 'schema' IN ('thirst/decision/1', 'thirst/alert/1') AND text ->> 'site' = owner
        AND unixepoch(text ->> 'issued_at') IS NOT NULL
    ORDER BY 1;
    UPDATE meta SET diary_bytes = (SELECT coalesce(sum(length(payload)), 0) FROM diary);
";

/// Version 3. `history.at`: when it was kept. `meta.history_…`: the next row, what waits, and what became of the rest.
/// `meta.gap_…`: lines given up that no point tells of yet.
const OUTBOX: &str = "
    ALTER TABLE history ADD COLUMN at INTEGER NOT NULL DEFAULT 0;
    ALTER TABLE meta ADD COLUMN history_next INTEGER NOT NULL DEFAULT 1;
    ALTER TABLE meta ADD COLUMN history_lines INTEGER NOT NULL DEFAULT 0;
    ALTER TABLE meta ADD COLUMN history_bytes INTEGER NOT NULL DEFAULT 0;
    ALTER TABLE meta ADD COLUMN history_sent INTEGER NOT NULL DEFAULT 0;
    ALTER TABLE meta ADD COLUMN history_refused INTEGER NOT NULL DEFAULT 0;
    ALTER TABLE meta ADD COLUMN history_dropped INTEGER NOT NULL DEFAULT 0;
    ALTER TABLE meta ADD COLUMN gap_from INTEGER NOT NULL DEFAULT 0;
    ALTER TABLE meta ADD COLUMN gap_to INTEGER NOT NULL DEFAULT 0;
    ALTER TABLE meta ADD COLUMN gap_lines INTEGER NOT NULL DEFAULT 0;
";

/// What waits in an older store, kept when it was last written.
const WAITING: &str = "
    UPDATE history SET at = (SELECT wall FROM meta);
    UPDATE meta SET
        history_next = (SELECT coalesce(max(id), 0) + 1 FROM history),
        history_lines = (SELECT coalesce(sum(lines), 0) FROM history),
        history_bytes = (SELECT coalesce(sum(length(bytes)), 0) FROM history);
";
