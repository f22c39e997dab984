//! The writer thread: it owns the engine and the store. Batch by batch: step the engine, commit, acknowledge, publish.
//!
//! Nothing is acknowledged or published before its commit. When a commit fails, the engine's memory is thrown away, store
//! and engine are opened anew, and the same events go through again: the broker still has them, and we stay connected.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use crate::engine::driver::Timekeeper;
use crate::engine::event::{Event, Now};
use crate::engine::output::{Output, take_digests};
use crate::engine::settings::Settings;
use crate::engine::stamp::SECOND;

use super::batch::{self, Batch};
use super::clock::Clock;
use super::duplicates::Duplicates;
use super::history::{HistoryLink, Tally};
use super::intake::{Arrival, Intake, Message};
use super::mqtt::{Ack, Acks, Outbox};
use super::partition::hash64;
use super::restore::{Restored, Source};
use super::save;
use super::store::{self, Commit, JournalBlob, StoreError, Topic, UnackedChange, journal};
use super::store_fault::StoreFault;
use super::watcher::{Committed, Watcher};

mod failing;

use failing::Failing;

/// What the writer thread is made of.
pub(super) struct Writer {
    source: Source,
    clock: Box<dyn Clock>,
    /// Smallest pause between two commits, 0–200 ms: less wear of flash memory, later decisions.
    commit_interval: Duration,
    links: Links,
    timekeeper: Timekeeper,
    /// The clock has not been read yet in this run: what passed before is no step.
    is_first_reading: bool,
    state: Restored,
    duplicates: Duplicates,
    /// The settings text has to go into the store.
    settings_changed: bool,
    saver: save::Saver,
    last_commit: i64,
    is_failing: bool,
    failing: Failing,
    is_last_commit: bool,
    history_dropped: u64,
    tally: Option<Tally>,
    store_fault: StoreFault,
}

/// Where things come from and go to.
#[derive(Clone)]
pub(super) struct Links {
    pub(super) intake: Arc<Intake>,
    pub(super) acks: Arc<Acks>,
    pub(super) outbox: Arc<Outbox>,
    pub(super) watcher: Option<Arc<dyn Watcher>>,
    /// What payloads carry; raised where holds were published that the store did not have.
    pub(super) epoch: Arc<AtomicU64>,
    pub(super) history: Option<HistoryLink>,
}

/// What a commit would have published.
fn published(commit: &Commit) -> Vec<Output> {
    let state = |topic: &Topic| Output::State { topic: topic.topic.clone(), payload: topic.payload.clone() };
    commit.topics.iter().map(state).collect()
}

impl Writer {
    /// Takes over what was restored. Nothing happens before [`Writer::spawn`].
    pub(super) fn new(
        source: Source,
        state: Restored,
        clock: Box<dyn Clock>,
        commit_interval: Duration,
        links: Links,
    ) -> Self {
        let monotonic = clock.monotonic();
        links.outbox.push(Vec::new(), state.recovered.answers.clone());
        let instance = || source.settings.instance.clone();
        let store_fault = StoreFault::new(&source.settings, &state);
        let tally = links.history.as_ref().map(|history| Tally::new(history.link.clone(), instance()));
        Self {
            timekeeper: Timekeeper::new(state.last(), clock.earliest(), monotonic),
            is_first_reading: true,
            duplicates: state.duplicates(&UnackedChange::default()),
            settings_changed: state.in_force != state.settings.version || state.recovered.settings.is_none(),
            source,
            clock,
            commit_interval,
            links,
            state,
            saver: save::Saver::default(),
            last_commit: i64::MIN,
            is_failing: false,
            failing: Failing::default(),
            is_last_commit: false,
            history_dropped: 0,
            tally,
            store_fault,
        }
    }

    /// Runs until the intake is finished.
    ///
    /// # Errors
    /// The system gives no thread.
    pub(super) fn spawn(self) -> std::io::Result<JoinHandle<()>> {
        std::thread::Builder::new().name("writer".to_owned()).spawn(move || {
            let _told = ToldWhenOver(self.links.intake.clone());
            self.run();
        })
    }

    fn run(mut self) {
        if !self.take_settings() || !self.begin_away() {
            return;
        }
        loop {
            if self.failing.is_empty() {
                self.links.intake.gather(1, self.until_deadline());
                let pause = self.until_next_commit();
                if !pause.is_zero() {
                    self.links.intake.gather(MOST_PER_COMMIT, pause);
                }
            }
            let arrivals = self.arrivals();
            let was_last = arrivals.is_empty();
            let batch = self.step(arrivals);
            if self.is_worth_a_commit(&batch) && !self.make_durable(batch) {
                return;
            }
            if was_last && self.links.intake.is_closed() {
                self.links.intake.mark_drained();
                if self.links.intake.is_finished() {
                    // The next start then has nothing to replay, also where it is another version of the program.
                    self.is_last_commit = true;
                    let batch = self.begin();
                    self.make_durable(batch);
                    return;
                }
            }
        }
    }

    /// What is to be stepped next: what came while the store failed before what came since.
    fn arrivals(&mut self) -> Vec<Arrival> {
        let kept = self.failing.take(MOST_PER_COMMIT);
        if kept.is_empty() { self.links.intake.take(MOST_PER_COMMIT) } else { kept }
    }

    /// New settings are an event of their own, before any other.
    fn take_settings(&mut self) -> bool {
        if !self.settings_changed {
            return true;
        }
        let mut batch = self.begin();
        let settings = self.state.settings.clone();
        if self.state.in_force != settings.version {
            let now = self.read_clock(&mut batch);
            self.apply(&mut batch, now, Event::Settings(settings));
        }
        self.make_durable(batch)
    }

    /// We start without a broker: until it is up, nothing can be heard, and silence proves nothing.
    fn begin_away(&mut self) -> bool {
        let mut batch = self.begin();
        batch.own.extend(self.store_fault.left_over());
        let now = self.read_clock(&mut batch);
        self.apply(&mut batch, now, Event::BrokerDown);
        self.make_durable(batch)
    }

    /// Puts the arrivals through the engine.
    fn step(&mut self, arrivals: Vec<Arrival>) -> Batch {
        let mut batch = self.begin();
        let now = self.read_clock(&mut batch);
        self.run_deadlines(&mut batch, now);
        for arrival in arrivals {
            match arrival {
                Arrival::Message(message) => self.take_message(&mut batch, now, message),
                Arrival::Connected { session_present } => {
                    self.duplicates.connected(session_present);
                    batch.is_urgent = true;
                }
                Arrival::Up { session_present, refused, granted } => {
                    self.timekeeper.set_connected(true);
                    batch.subscriptions = Some(granted);
                    self.apply(&mut batch, now, Event::BrokerUp { session_present, refused });
                }
                Arrival::Down => {
                    self.timekeeper.set_connected(false);
                    self.apply(&mut batch, now, Event::BrokerDown);
                }
                Arrival::Confirmed(rows) => self.duplicates.confirmed(&rows),
                Arrival::Answered(id) => batch.answered.push(id),
                Arrival::Own { topic, payload } => batch.own.push((topic, payload)),
                Arrival::Cleared(topic) => {
                    if !self.links.outbox.owes(&topic) {
                        batch.cleared.push(topic);
                    }
                }
            }
        }
        batch
    }

    fn take_message(&mut self, batch: &mut Batch, now: Now, message: Message) {
        let Message { connection, packet, topic, payload, retain, dup } = message;
        let mut known = false;
        if packet != 0 {
            let hash = hash64(&[topic.as_bytes(), &payload]);
            known = dup && self.duplicates.knows(packet, hash);
            let row = self.duplicates.note(packet, hash, dup);
            batch.acks.push(Ack { connection, packet, row });
        }
        if known {
            tracing::debug!(target: "thirstd", topic, packet, "sent again after a lost acknowledgement; counted once");
        } else {
            let event = Event::from_message(&self.state.settings.prefix, &topic, payload, retain, dup);
            self.apply(batch, now, event);
        }
    }

    fn begin(&self) -> Batch {
        Batch { since: self.state.driver.last(), settings_before: self.state.in_force, ..Batch::default() }
    }

    /// The time now; a step of the wall clock goes into the engine first.
    fn read_clock(&mut self, batch: &mut Batch) -> Now {
        let (now, step) = self.timekeeper.read(self.clock.wall(), self.clock.monotonic(), self.is_first_reading);
        self.is_first_reading = false;
        if let Some(by) = step {
            tracing::info!(target: "thirstd", by_seconds = by / SECOND, "the wall clock was set");
            self.apply(batch, now, Event::ClockStep { by });
        }
        now
    }

    fn run_deadlines(&mut self, batch: &mut Batch, now: Now) {
        let sequence = self.state.driver.engine().sequence();
        if self.state.driver.advance(now, &mut batch.outputs) {
            batch.journal.push(sequence, now, None);
            self.pass_on(batch, now);
        }
    }

    fn apply(&mut self, batch: &mut Batch, now: Now, event: Event) {
        batch.journal.push(self.state.driver.engine().sequence(), now, Some(&event));
        if let Event::Settings(settings) = &event {
            self.state.in_force = settings.version;
        }
        self.state.driver.apply(now, event, &mut batch.outputs);
        self.pass_on(batch, now);
    }

    /// What sites tell of their hours goes to the sites that list them, as events of their own.
    fn pass_on(&mut self, batch: &mut Batch, now: Now) {
        for digest in take_digests(&mut batch.outputs) {
            self.apply(batch, now, Event::NeighborDigest(digest));
        }
    }

    fn is_worth_a_commit(&self, batch: &Batch) -> bool {
        let idle = self.clock.monotonic().saturating_sub(self.last_commit);
        !batch.is_empty() || self.duplicates.changed() || idle >= HEARTBEAT
    }

    /// Commits until it works, then acknowledges and publishes. False: the program ends before that.
    fn make_durable(&mut self, mut batch: Batch) -> bool {
        let mut pause = RETRY_MIN;
        let mut unacked = self.duplicates.take_change();
        loop {
            self.last_commit = self.clock.monotonic();
            let (commit, logs) = self.commit_of(&mut batch, unacked);
            let commits_before = self.state.store.commits();
            let error = match self.state.store.commit(&commit) {
                Ok(done) => {
                    self.after_commit(commit, &batch.acks, &logs, done.history_dropped);
                    return true;
                }
                Err(error) => error,
            };
            self.tell_failure(&error);
            self.add_holds(published(&commit), self.state.driver.last());
            if !self.reopen(&commit.unacked, &mut pause) {
                return false;
            }
            if self.state.recovered.commits > commits_before {
                // The fault came after the commit was on the disk.
                self.after_commit(commit, &batch.acks, &logs, 0);
                return true;
            }
            unacked = commit.unacked.clone();
            self.step_again(&mut batch, commit);
        }
    }

    /// What the batch changed, as one transaction. The engine's part is taken out of the batch.
    fn commit_of(&mut self, batch: &mut Batch, unacked: UnackedChange) -> (Commit, Vec<Output>) {
        let settings = &self.state.settings;
        let journal = std::mem::take(&mut batch.journal);
        let now = self.state.driver.last();
        let (tail, oldest) = self.state.store.tail();
        let age = oldest.map_or(0, |oldest| now.wall.since(oldest));
        let limit = if self.state.store.journal_is_full() {
            usize::MAX
        } else if self.is_last_commit {
            MOST_AT_LAST
        } else {
            self.saver.sites(journal.count(), tail, age)
        };
        let driver = &mut self.state.driver;
        let sites = driver.take_dirty(limit);
        let mut commit = Commit {
            last: now,
            next_sequence: driver.engine().sequence(),
            journal_since: batch.since,
            journal_settings: batch.settings_before,
            journal,
            keep_from: driver.engine().oldest_unsaved(),
            sites,
            cleared: batch.cleared.clone(),
            answered: batch.answered.clone(),
            is_last: self.is_last_commit,
            unacked,
            subscriptions: batch.subscriptions.clone(),
            settings: self.settings_changed.then(|| (settings.version, self.source.text.clone())),
            ..Commit::default()
        };
        let mut outputs = std::mem::take(&mut batch.outputs);
        outputs.extend(batch.own.iter().cloned().map(|(topic, payload)| Output::State { topic, payload }));
        let fleet = self.links.history.as_ref().map(|history| history.fleet.as_str());
        let logs = batch::sort(outputs, settings, fleet, now, &mut self.state.store, &mut commit);
        if let Some(tally) = &mut self.tally {
            tally.complete(&mut commit, &self.state.store, now, self.clock.monotonic());
        }
        (commit, logs)
    }

    fn after_commit(&mut self, commit: Commit, acks: &[Ack], logs: &[Output], dropped: u64) {
        self.settings_changed = false;
        if let Some(tally) = &self.tally {
            tally.committed(&commit, dropped, &self.state.store);
        }
        self.links.acks.complete(acks);
        if let Some(watcher) = &self.links.watcher {
            let (now, deadline) = (self.state.driver.last().wall, self.state.driver.deadline());
            let (topics, answers) = (&commit.topics, &commit.answers);
            watcher.committed(Committed { now, deadline, messages: acks.len(), topics, answers });
        }
        self.store_fault.hands_on(&commit.topics);
        self.links.outbox.push(commit.topics, commit.answers);
        batch::log(logs);
        if self.is_failing {
            self.is_failing = false;
            tracing::info!(target: "thirstd", "the store works again; nothing was lost");
        }
        self.store_fault.works(&self.links, self.state.driver.last().wall);
        if dropped > 0 && self.history_dropped == 0 {
            tracing::warn!(target: "thirstd", "history is full: the oldest points are given up");
        }
        self.history_dropped += dropped;
    }

    /// Throws memory away and opens store and engine anew, with longer and longer pauses. False: the program ends.
    fn reopen(&mut self, unacked: &UnackedChange, pause: &mut Duration) -> bool {
        loop {
            self.listen_on(*pause);
            if self.links.intake.is_closed() {
                tracing::error!(target: "thirstd", "stopped while the store was failing; the broker keeps what was not kept");
                return false;
            }
            *pause = (*pause * 2).min(RETRY_MAX);
            // The file must be closed before it can be opened anew.
            let has_told = self.failing.has_told();
            let restored = self.state.store.release().and_then(|()| {
                if has_told {
                    store::raise_epoch(&self.source.path)?;
                }
                self.source.restore(&*self.clock)
            });
            match restored {
                Ok(state) => {
                    self.links.outbox.forget_past_store();
                    if has_told {
                        self.links.epoch.store(state.recovered.epoch, Ordering::Relaxed);
                        self.links.outbox.follow_store(state.recovered.epoch);
                    }
                    self.duplicates = state.duplicates(unacked);
                    self.settings_changed =
                        state.in_force != state.settings.version || state.recovered.settings.is_none();
                    self.state = state;
                    if let Some(tally) = &self.tally {
                        tally.begin_anew();
                    }
                    return true;
                }
                Err(error) => self.tell_failure(&error),
            }
        }
    }

    /// The events of a failed commit once more, on the engine as it was before them, at the time it is now.
    fn step_again(&mut self, batch: &mut Batch, failed: Commit) {
        batch.since = self.state.driver.last();
        batch.settings_before = self.state.in_force;
        let entries = journal::decode(&failed.journal.to_bytes()).unwrap_or_default();
        batch.journal = JournalBlob::default();
        let now = self.read_clock(batch);
        let by = self.failing.over();
        if by != 0 {
            self.apply(batch, now, Event::ClockStep { by });
        }
        self.run_deadlines(batch, now);
        let settings: Arc<Settings> = self.state.settings.clone();
        for event in entries.into_iter().filter_map(|entry| entry.event) {
            if let Some(event) = event.into_event(|version| (version == settings.version).then(|| settings.clone())) {
                self.apply(batch, now, event);
            }
        }
    }

    fn tell_failure(&mut self, error: &StoreError) {
        if self.is_failing {
            tracing::debug!(target: "thirstd", %error, "the store still fails");
            self.store_fault.fails(&self.links, error, self.clock.wall());
        } else {
            self.is_failing = true;
            tracing::error!(
                target: "thirstd",
                %error,
                "the store fails; nothing is acknowledged or published until it works again"
            );
        }
    }

    fn until_deadline(&self) -> Duration {
        self.clock.pause_until(self.state.driver.deadline())
    }

    fn until_next_commit(&self) -> Duration {
        let passed = self.clock.monotonic().saturating_sub(self.last_commit);
        self.commit_interval.saturating_sub(Duration::from_millis(u64::try_from(passed).unwrap_or(0)))
    }
}

/// Whoever waits for the writer learns of its end, whatever ended it.
struct ToldWhenOver(Arc<Intake>);

impl Drop for ToldWhenOver {
    fn drop(&mut self) {
        self.0.close();
        self.0.mark_drained();
    }
}

/// Events in one commit, at most: beyond, waiting costs more than the disk.
const MOST_PER_COMMIT: usize = 5_000;

/// Sites saved when the program ends, at most: beyond, a replay at the next start is faster. Our choice.
const MOST_AT_LAST: usize = 10_000;

/// Without events the time is still kept this often, so that a clock that comes back wrong is found out, ms. Our choice.
const HEARTBEAT: i64 = 600 * SECOND;

/// Pauses between attempts while the store fails. Our choice.
const RETRY_MIN: Duration = Duration::from_millis(250);
const RETRY_MAX: Duration = Duration::from_secs(30);

#[cfg(test)]
mod tests;
