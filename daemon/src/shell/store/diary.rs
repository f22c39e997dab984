//! The diary in the store: written with the commit, given up oldest first beyond its age or size, read by site.

use rusqlite::{OptionalExtension, Transaction, params};

use crate::engine::output::{DiaryKind, DiaryLine};
use crate::engine::stamp::{DAY, Stamp};

use super::commit::for_each;
use super::read::unsigned;
use super::{Commit, Limits, Reader, StoreError};

/// Writes the lines of `commit` and gives up the oldest beyond `limits`. `held`: bytes so far; gives the bytes then.
pub(super) fn write(
    transaction: &Transaction<'_>,
    commit: &Commit,
    limits: &Limits,
    held: u64,
) -> rusqlite::Result<u64> {
    if commit.diary.is_empty() {
        return Ok(held);
    }
    let sql = "INSERT INTO diary (at, site, kind, subject, payload) VALUES (?1, ?2, ?3, ?4, ?5)";
    for_each(transaction, sql, &commit.diary, |insert, line| {
        insert.execute(params![line.at.0, line.site, line.kind.name(), line.subject, line.payload])
    })?;
    let added: u64 = commit.diary.iter().map(|line| line.payload.len() as u64).sum();
    let held = trim(transaction, commit, limits, held.saturating_add(added))?;
    transaction.prepare("UPDATE meta SET diary_bytes = ?1")?.execute([i64::try_from(held).unwrap_or(i64::MAX)])?;
    Ok(held)
}

/// A few lines at a time: a clock that lies for a moment does not cost a year.
fn trim(transaction: &Transaction<'_>, commit: &Commit, limits: &Limits, mut held: u64) -> rusqlite::Result<u64> {
    let before = commit.last.wall.plus(-i64::from(limits.diary_days).saturating_mul(DAY));
    for _ in 0..commit.diary.len().saturating_add(MOST_GIVEN_UP) {
        let oldest = transaction
            .prepare("SELECT id, at, length(payload) FROM diary ORDER BY id LIMIT 1")?
            .query_row([], |row| Ok((row.get::<_, i64>(0)?, Stamp(row.get(1)?), row.get::<_, i64>(2)?)))
            .optional()?;
        let Some((id, at, bytes)) = oldest else { return Ok(0) };
        let is_old = commit.last.trusted && at < before;
        if !is_old && held <= limits.diary_bytes {
            break;
        }
        transaction.prepare("DELETE FROM diary WHERE id = ?1")?.execute([id])?;
        held = held.saturating_sub(unsigned(bytes));
    }
    Ok(held)
}

/// Old lines given up with one commit beyond the number of its new ones. Our choice.
const MOST_GIVEN_UP: usize = 8;

impl Reader {
    /// What of `kind` happened at `site` from `from` until before `to`, in order. At most [`MOST_READ`] lines.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn diary(&self, site: &str, kind: DiaryKind, from: Stamp, to: Stamp) -> Result<Vec<DiaryLine>, StoreError> {
        let sql = "SELECT at, site, subject, payload FROM diary \
                   WHERE site = ?1 AND kind = ?2 AND at >= ?3 AND at < ?4 ORDER BY id LIMIT ?5";
        self.lines(sql, kind, params![site, kind.name(), from.0, to.0, MOST_READ])
    }

    /// The time of the oldest line about `site`.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn diary_begins(&self, site: &str) -> Result<Option<Stamp>, StoreError> {
        let rows =
            self.rows("SELECT min(at) FROM diary WHERE site = ?1", [site], |row| row.get::<_, Option<i64>>(0))?;
        Ok(rows.into_iter().flatten().next().map(Stamp))
    }

    /// The last line of each subject of `kind` before `before`: what stood then.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn diary_before(&self, site: &str, kind: DiaryKind, before: Stamp) -> Result<Vec<DiaryLine>, StoreError> {
        let sql = "SELECT at, site, subject, payload FROM diary WHERE id IN \
                   (SELECT max(id) FROM diary WHERE site = ?1 AND kind = ?2 AND at < ?3 GROUP BY subject) \
                   ORDER BY id LIMIT ?4";
        self.lines(sql, kind, params![site, kind.name(), before.0, MOST_READ])
    }

    /// Every line of `kind` about one subject, oldest first.
    ///
    /// # Errors
    /// The store cannot be read.
    pub fn diary_about(&self, site: &str, kind: DiaryKind, subject: &str) -> Result<Vec<DiaryLine>, StoreError> {
        let sql = "SELECT at, site, subject, payload FROM diary \
                   WHERE site = ?1 AND kind = ?2 AND subject = ?3 ORDER BY id LIMIT ?4";
        self.lines(sql, kind, params![site, kind.name(), subject, MOST_READ])
    }

    fn lines(
        &self,
        sql: &str,
        kind: DiaryKind,
        parameters: impl rusqlite::Params,
    ) -> Result<Vec<DiaryLine>, StoreError> {
        self.rows(sql, parameters, |row| {
            Ok(DiaryLine {
                at: Stamp(row.get(0)?),
                site: row.get(1)?,
                kind,
                subject: row.get(2)?,
                payload: row.get(3)?,
            })
        })
    }
}

/// Lines of a kind read at once: far beyond a busy day. Our choice.
pub const MOST_READ: u32 = 10_000;
