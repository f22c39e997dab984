//! What the writer thread adds to a commit for history: what was sent is taken out, a point of the daemon itself each minute,
//! a mark where lines were given up, and nothing at all while the disk is nearly full.

use std::sync::Arc;

use crate::engine::event::Now;
use crate::engine::output::{Lane, Record, Value};
use crate::engine::stamp::{MINUTE, SECOND, Stamp};
use crate::shell::batch;
use crate::shell::store::{Commit, Gap, Store};

use super::Link;

/// The writer's part of history.
#[derive(Clone, Debug)]
pub(in crate::shell) struct Tally {
    link: Arc<Link>,
    instance: String,
    /// When the last point of the daemon was made, by the clock that never steps.
    last_point: i64,
}

impl Tally {
    pub(in crate::shell) fn new(link: Arc<Link>, instance: String) -> Self {
        Self { link, instance, last_point: i64::MIN }
    }

    /// Completes `commit`, which holds the lines of its events already. Never makes a commit necessary: a point waits for
    /// the next one that is made anyway.
    pub(in crate::shell) fn complete(&mut self, commit: &mut Commit, store: &Store, now: Now, monotonic: i64) {
        commit.history_settled = self.link.settled();
        if self.link.disk_is_low() {
            commit.history_given_up = commit.history.iter().map(|lines| u64::from(lines.lines)).sum();
            commit.history.clear();
            return;
        }
        if !now.trusted {
            return;
        }
        if let Some(gap) = store.gap_to_tell() {
            commit.gap_told = true;
            self.keep(gap_fields(gap), gap.from, commit);
        }
        if monotonic.saturating_sub(self.last_point) >= MINUTE {
            self.last_point = monotonic;
            self.keep(self.fields(store, now.wall), now.wall, commit);
        }
    }

    /// After the commit.
    pub(in crate::shell) fn committed(&self, commit: &Commit, dropped: u64, store: &Store) {
        self.link.committed(commit.history_settled, dropped, commit.last.wall, store.history());
    }

    pub(in crate::shell) fn begin_anew(&self) {
        self.link.begin_anew();
    }

    fn keep(&self, fields: Vec<(&'static str, Value)>, at: Stamp, commit: &mut Commit) {
        let tags = vec![("instance", self.instance.clone())];
        let record = Record { lane: Lane::Reading, measurement: "daemon", tags, fields, at };
        batch::add_record(&record, None, &mut commit.history);
    }

    /// Counts are since the store began.
    fn fields(&self, store: &Store, now: Stamp) -> Vec<(&'static str, Value)> {
        let count = store.history();
        let age = self.link.oldest().map_or(0, |oldest| now.since(oldest).max(0));
        let whole = |number: u64| Value::Integer(i64::try_from(number).unwrap_or(i64::MAX));
        vec![
            ("outbox_bytes", whole(count.bytes)),
            ("outbox_lines", whole(count.lines)),
            ("outbox_age_s", Value::Float(age as f64 / SECOND as f64)),
            ("sent", whole(count.sent)),
            ("rejected", whole(count.refused)),
            ("dropped", whole(count.dropped)),
            ("commits", whole(store.commits())),
        ]
    }
}

/// The mark stands where the gap begins.
fn gap_fields(gap: Gap) -> Vec<(&'static str, Value)> {
    let lines = i64::try_from(gap.lines).unwrap_or(i64::MAX);
    let seconds = gap.to.since(gap.from).max(0) as f64 / SECOND as f64;
    vec![("gap_lines", Value::Integer(lines)), ("gap_s", Value::Float(seconds))]
}
