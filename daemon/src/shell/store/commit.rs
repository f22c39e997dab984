//! One transaction: everything a batch of events changed, or nothing of it.

use rusqlite::{Statement, Transaction, params};

use super::read::signed;
use super::{Commit, Committed, JournalRow, Limits, Store, StoreError, UnackedChange, diary, history};

impl Store {
    /// Makes `commit` durable; when it returns, it is on the disk.
    ///
    /// # Errors
    /// Nothing of it is kept, unless the fault came at the very end: open the store anew and compare the number of commits
    /// before doing it again.
    pub fn commit(&mut self, commit: &Commit) -> Result<Committed, StoreError> {
        let write = |error: rusqlite::Error| StoreError::write(&self.path, &error);
        let transaction = self.connection.transaction().map_err(write)?;
        let row = write_journal(&transaction, commit).map_err(write)?;
        let keep_from = commit.keep_from.saturating_sub(self.limits.journal_keep);
        let trimmed = trim(&transaction, self.journal.iter(), keep_from).map_err(write)?;
        write_state(&transaction, commit, &self.limits).map_err(write)?;
        write_unacked(&transaction, &commit.unacked).map_err(write)?;
        write_settings(&transaction, commit).map_err(write)?;
        let history = history::write(&transaction, commit, self.history, self.limits.history_bytes).map_err(write)?;
        let diary_bytes = diary::write(&transaction, commit, &self.limits, self.diary_bytes).map_err(write)?;
        transaction.commit().map_err(write)?;

        self.commits += 1;
        for row in self.journal.drain(..trimmed) {
            self.journal_bytes = self.journal_bytes.saturating_sub(row.bytes);
        }
        if let Some(row) = row {
            self.journal_bytes += row.bytes;
            self.journal.push_back(row);
        }
        let history_dropped = history.count.dropped - self.history.count.dropped;
        self.history = history;
        self.diary_bytes = diary_bytes;
        Ok(Committed { history_dropped })
    }
}

fn write_journal(transaction: &Transaction<'_>, commit: &Commit) -> rusqlite::Result<Option<JournalRow>> {
    let now = commit.last;
    transaction
        .prepare(
            "UPDATE meta SET next_sequence = ?1, commits = commits + 1, \
             wall = CASE WHEN ?5 THEN ?2 ELSE max(wall, ?2) END, uptime = ?3, listening = ?4, \
             trusted = ?5, stopped = ?6",
        )?
        .execute(params![
            signed(commit.next_sequence),
            now.wall.0,
            now.uptime,
            now.listening,
            now.trusted,
            commit.is_last
        ])?;
    if commit.journal.is_empty() {
        return Ok(None);
    }
    let blob = commit.journal.to_bytes();
    transaction
        .prepare(
            "INSERT INTO journal (first_sequence, last_sequence, entries, settings, since, wall, blob) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )?
        .execute(params![
            signed(commit.journal.first()),
            signed(commit.journal.last()),
            signed(commit.journal.count()),
            commit.journal_settings,
            postcard::to_stdvec(&commit.journal_since).expect("writing numbers to memory cannot fail"),
            now.wall.0,
            blob
        ])?;
    Ok(Some(JournalRow {
        id: transaction.last_insert_rowid(),
        last_sequence: commit.journal.last(),
        entries: commit.journal.count(),
        bytes: blob.len() as u64,
        wall: now.wall,
    }))
}

/// Removes the rows that every site's state holds; says how many.
fn trim<'a>(
    transaction: &Transaction<'_>,
    rows: impl Iterator<Item = &'a JournalRow>,
    keep_from: u64,
) -> rusqlite::Result<usize> {
    let mut count = 0;
    let mut last = None;
    for row in rows.take_while(|row| row.last_sequence < keep_from) {
        last = Some(row.id);
        count += 1;
    }
    if let Some(last) = last {
        transaction.prepare("DELETE FROM journal WHERE id <= ?1")?.execute([last])?;
    }
    Ok(count)
}

fn write_state(transaction: &Transaction<'_>, commit: &Commit, limits: &Limits) -> rusqlite::Result<()> {
    for_each(
        transaction,
        "INSERT INTO sites (id, applied, state) VALUES (?1, ?2, ?3) \
         ON CONFLICT (id) DO UPDATE SET applied = excluded.applied, state = excluded.state",
        &commit.sites,
        |save, site| save.execute(params![site.id, signed(site.applied), site.state]),
    )?;
    for_each(
        transaction,
        "DELETE FROM topics WHERE topic = ?1 AND length(payload) = 0",
        &commit.cleared,
        |clear, topic| clear.execute([topic]),
    )?;
    for_each(
        transaction,
        "INSERT INTO topics (topic, owner, payload) VALUES (?1, ?2, ?3) \
         ON CONFLICT (topic) DO UPDATE SET owner = excluded.owner, payload = excluded.payload",
        &commit.topics,
        |set, topic| set.execute(params![topic.topic, topic.owner, topic.payload]),
    )?;
    for_each(transaction, "DELETE FROM answers WHERE id = ?1", &commit.answered, |forget, id| forget.execute([id]))?;
    for_each(
        transaction,
        "INSERT INTO answers (id, topic, payload) VALUES (?1, ?2, ?3)",
        &commit.answers,
        |insert, answer| insert.execute(params![answer.id, answer.topic, answer.payload]),
    )?;
    for_each(
        transaction,
        "INSERT INTO audit (at, site, who, text) VALUES (?1, ?2, ?3, ?4)",
        &commit.audit,
        |insert, row| insert.execute(params![row.at.0, row.site, row.who, row.text]),
    )?;
    if !commit.audit.is_empty() {
        // Ids rise by one: the newest stay.
        transaction.execute("DELETE FROM audit WHERE id <= (SELECT max(id) FROM audit) - ?1", [limits.audit_rows])?;
    }
    if let Some(filters) = &commit.subscriptions {
        transaction.execute("DELETE FROM subscriptions", [])?;
        let sql = "INSERT OR IGNORE INTO subscriptions (filter) VALUES (?1)";
        for_each(transaction, sql, filters, |insert, filter| insert.execute([filter]))?;
    }
    Ok(())
}

/// Runs one statement for each row; prepares nothing where there is none.
pub(super) fn for_each<T>(
    transaction: &Transaction<'_>,
    sql: &str,
    rows: &[T],
    mut run: impl FnMut(&mut Statement<'_>, &T) -> rusqlite::Result<usize>,
) -> rusqlite::Result<()> {
    if rows.is_empty() {
        return Ok(());
    }
    let mut statement = transaction.prepare(sql)?;
    for row in rows {
        run(&mut statement, row)?;
    }
    Ok(())
}

fn write_unacked(transaction: &Transaction<'_>, change: &UnackedChange) -> rusqlite::Result<()> {
    if change.clear {
        transaction.execute("DELETE FROM unacked", [])?;
    }
    for_each(transaction, "DELETE FROM unacked WHERE id = ?1", &change.remove, |remove, id| remove.execute([id]))?;
    for_each(transaction, "INSERT OR REPLACE INTO unacked (id, packets) VALUES (?1, ?2)", &change.add, |add, row| {
        let packets = postcard::to_stdvec(&row.packets).expect("writing numbers to memory cannot fail");
        add.execute(params![row.id, packets])
    })
}

/// Keeps the new settings and forgets those that no journal row needs.
fn write_settings(transaction: &Transaction<'_>, commit: &Commit) -> rusqlite::Result<()> {
    let Some((version, text)) = &commit.settings else { return Ok(()) };
    transaction.execute("INSERT OR REPLACE INTO settings (version, text) VALUES (?1, ?2)", params![version, text])?;
    transaction.execute("UPDATE meta SET settings = ?1", [version])?;
    transaction.execute(
        "DELETE FROM settings WHERE version < (SELECT coalesce(min(settings), ?1) FROM journal) AND version < ?1",
        [version],
    )?;
    Ok(())
}
