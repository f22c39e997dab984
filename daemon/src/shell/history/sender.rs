//! One lane's way to the database: one request at a time, oldest lines first, the same bytes until they are taken, refused
//! one by one, or dropped by the database itself.

use std::collections::hash_map::RandomState;
use std::hash::{BuildHasher, Hasher};
use std::ops::Range;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use tokio::time::sleep;

use crate::config::History;
use crate::engine::output::Lane;
use crate::engine::stamp::HOUR;
use crate::shell::clock::Clock;
use crate::shell::store::{HistoryRow, Reader, StoreError};

use super::cut::{self, Batch, Position};
use super::database::{Answer, Database};
use super::quarantine::Quarantine;
use super::{Link, Trouble};

/// A lane, its bucket, and what stands between.
pub(super) struct Sender<D> {
    pub(super) lane: Lane,
    pub(super) bucket: String,
    pub(super) instance: String,
    pub(super) pace: Pace,
    pub(super) store: PathBuf,
    pub(super) link: Arc<Link>,
    pub(super) quarantine: Arc<Quarantine>,
    pub(super) clock: Arc<dyn Clock>,
    pub(super) database: D,
}

/// How much goes at once, and how long it waits when it does not.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pace {
    pub(super) lines: u32,
    pub(super) bytes: usize,
    /// Lines that come within this time go together.
    pub(super) gather: Duration,
    /// Back-off: the first pause, doubled up to the longest.
    pub(super) first: Duration,
    pub(super) longest: Duration,
    /// Between two tries of what takes a person.
    pub(super) fault: Duration,
}

impl Pace {
    pub(super) fn of(history: &History) -> Self {
        Self {
            lines: history.batch_lines,
            bytes: usize::try_from(history.batch_bytes).unwrap_or(usize::MAX),
            gather: Duration::from_millis(history.gather_ms),
            // Our choice: a restart of the database is hardly noticed, and one that is gone costs a request a minute.
            first: Duration::from_secs(1),
            longest: Duration::from_secs(60),
            fault: Duration::from_secs(60),
        }
    }
}

/// What a sender remembers from one request to the next.
struct Memory {
    reader: Option<Reader>,
    generation: u64,
    position: Position,
    /// Lines at once, for now: fewer after a request that was too large, more again after many that were not.
    lines: u32,
    /// Requests that were taken since.
    calm: u32,
    back_off: Duration,
    /// Connections that broke within a request, one after the other.
    broken: u32,
    /// When the log was told last of lines refused.
    told: Option<i64>,
}

/// What became of a batch.
#[derive(Clone, Copy, Debug, Default)]
struct Outcome {
    sent: u64,
    refused: u64,
}

impl<D: Database> Sender<D> {
    /// Sends what is kept, and what will be. Never returns.
    pub(super) async fn run(mut self) {
        let mut memory = Memory {
            reader: None,
            generation: self.link.generation(),
            position: Position::default(),
            lines: self.pace.lines,
            calm: 0,
            back_off: self.pace.first,
            broken: 0,
            told: None,
        };
        loop {
            let batch = self.next(&mut memory).await;
            let outcome = self.deliver(&batch, &mut memory).await;
            memory.position = batch.next;
            self.link.settle(memory.generation, self.lane, batch.next.row, outcome.sent, outcome.refused);
        }
    }

    /// The next lines, as soon as there are any.
    async fn next(&self, memory: &mut Memory) -> Batch {
        let mut has_gathered = self.pace.gather.is_zero();
        loop {
            // Made before looking: what is kept in between is not overlooked.
            let kept = self.link.kept();
            let generation = self.link.generation();
            if generation != memory.generation {
                (memory.reader, memory.generation, memory.position) = (None, generation, Position::default());
            }
            let (lines, bytes) = (memory.lines, self.pace.bytes);
            let rows = match self.read(memory).await {
                Ok(rows) => rows,
                Err(error) => {
                    tracing::debug!(target: "thirstd", %error, "history cannot be read from the store");
                    sleep(self.pace.first).await;
                    continue;
                }
            };
            let batch = cut::batch(&rows, memory.position, lines, bytes);
            self.link.set_oldest(self.lane, batch.as_ref().map(|batch| batch.oldest));
            match batch {
                Some(batch) if has_gathered || batch.is_full => return batch,
                Some(_) => {
                    has_gathered = true;
                    sleep(self.pace.gather).await;
                }
                None => kept.await,
            }
        }
    }

    /// Rows of the store from where we are, on a connection of our own and on a thread that may wait for the disk.
    async fn read(&self, memory: &mut Memory) -> Result<Vec<HistoryRow>, StoreError> {
        let (reader, path) = (memory.reader.take(), self.store.clone());
        let (lane, position) = (self.lane, memory.position);
        // Of a row that was begun, what is done does not count.
        let bytes = self.pace.bytes + position.part.map_or(0, |(_, done)| done);
        let lines = if position.part.is_some() { u32::MAX } else { memory.lines };
        let reading = tokio::task::spawn_blocking(move || {
            let reader = match reader {
                Some(reader) => reader,
                None => Reader::open(&path)?,
            };
            let rows = reader.history_after(lane, position.row, lines, bytes)?;
            Ok((reader, rows))
        });
        match reading.await {
            Ok(Ok((reader, rows))) => {
                memory.reader = Some(reader);
                Ok(rows)
            }
            Ok(Err(error)) => Err(error),
            Err(error) => Err(StoreError::Read { path: self.store.clone(), cause: error.to_string() }),
        }
    }

    /// Returns when no line of `batch` is left to be sent.
    async fn deliver(&mut self, batch: &Batch, memory: &mut Memory) -> Outcome {
        let mut outcome = Outcome::default();
        // The first piece is the last of the list.
        let mut pieces: Vec<Range<usize>> = Vec::from_iter([Range { start: 0, end: batch.bytes.len() }]);
        while let Some(piece) = pieces.last().cloned() {
            let lines = &batch.bytes[piece.clone()];
            let answer = self.database.write(&self.bucket, lines).await;
            if !matches!(answer, Answer::Broken(_)) {
                memory.broken = 0;
            }
            match answer {
                Answer::Stored => {
                    pieces.pop();
                    outcome.sent += cut::count(lines);
                    self.works(memory);
                }
                Answer::Partly { lines: dropped, text } => {
                    pieces.pop();
                    let dropped = dropped.min(cut::count(lines));
                    outcome.refused += dropped;
                    outcome.sent += cut::count(lines) - dropped;
                    self.works(memory);
                    self.tell_refused(memory, dropped, &text, false);
                }
                Answer::Refused(text) | Answer::TooLarge(text) if !split(&batch.bytes, &mut pieces) => {
                    // A single line. Whoever refuses every line is no database of ours, or set up wrong.
                    if self.takes_good_lines(batch).await {
                        pieces.pop();
                        outcome.refused += 1;
                        self.set_aside(lines, &text).await;
                        self.tell_refused(memory, 1, &text, true);
                        self.works(memory);
                    } else {
                        self.wait_for_a_person(text).await;
                    }
                }
                // It is split by now.
                Answer::Refused(_) => {}
                Answer::TooLarge(_) => self.take_less(memory, &piece, &batch.bytes),
                Answer::Misconfigured(text) => self.wait_for_a_person(text).await,
                Answer::Busy(text) => self.wait(memory, text).await,
                Answer::Broken(text) => {
                    memory.broken += 1;
                    if memory.broken >= BREAKS_TO_HALVE && split(&batch.bytes, &mut pieces) {
                        memory.broken = 0;
                        self.take_less(memory, &piece, &batch.bytes);
                    }
                    self.wait(memory, text).await;
                }
            }
        }
        outcome
    }

    /// A request did what it should.
    fn works(&self, memory: &mut Memory) {
        memory.back_off = self.pace.first;
        memory.calm += 1;
        if memory.calm >= CALM_TO_DOUBLE && memory.lines < self.pace.lines {
            memory.calm = 0;
            memory.lines = memory.lines.saturating_mul(2).min(self.pace.lines);
        }
        if self.link.set_trouble(self.lane, None) {
            tracing::info!(target: "thirstd", bucket = self.bucket, "the history database takes lines again");
        }
    }

    /// What was in `piece` is too much at once.
    fn take_less(&self, memory: &mut Memory, piece: &Range<usize>, bytes: &[u8]) {
        let lines = u32::try_from(cut::count(&bytes[piece.clone()])).unwrap_or(u32::MAX);
        memory.lines = (lines / 2).clamp(1, memory.lines);
        memory.calm = 0;
    }

    async fn wait(&self, memory: &mut Memory, text: String) {
        self.tell_trouble(Trouble { is_fault: false, text });
        let pause = memory.back_off;
        memory.back_off = (pause * 2).min(self.pace.longest);
        // Half of it by chance, so that many daemons do not come back at once.
        sleep(pause / 2 + (pause / 2).mul_f64(chance())).await;
    }

    async fn wait_for_a_person(&mut self, text: String) {
        self.tell_trouble(Trouble { is_fault: true, text });
        sleep(self.pace.fault).await;
        self.database.renew();
    }

    fn tell_trouble(&self, trouble: Trouble) {
        let Trouble { is_fault, text } = trouble.clone();
        if self.link.set_trouble(self.lane, Some(trouble)) {
            let bucket = &self.bucket;
            if is_fault {
                tracing::error!(target: "thirstd", bucket, "history cannot be sent, {text}; it waits in the store");
            } else {
                tracing::warn!(target: "thirstd", bucket, "history cannot be sent, {text}; it waits in the store");
            }
        }
    }

    /// Whether the database takes a line that no database refuses; it stands for good, once.
    async fn takes_good_lines(&mut self, batch: &Batch) -> bool {
        let line = format!("daemon,instance={} probe=1i {}\n", self.instance, batch.oldest.0);
        let mut pause = self.pace.first;
        loop {
            match self.database.write(&self.bucket, line.as_bytes()).await {
                Answer::Stored | Answer::Partly { .. } => return true,
                Answer::Refused(_) | Answer::TooLarge(_) | Answer::Misconfigured(_) => return false,
                Answer::Busy(_) | Answer::Broken(_) => {
                    sleep(pause).await;
                    pause = (pause * 2).min(self.pace.longest);
                }
            }
        }
    }

    async fn set_aside(&self, line: &[u8], why: &str) {
        let (quarantine, at, line, why) = (self.quarantine.clone(), self.clock.wall(), line.to_vec(), why.to_owned());
        let writing = tokio::task::spawn_blocking(move || quarantine.put(at, &why, &line));
        if let Ok(Err(error)) = writing.await {
            tracing::debug!(target: "thirstd", %error, "a refused line cannot be kept");
        }
    }

    /// At most once an hour: a sensor that is wrong is wrong with every message.
    fn tell_refused(&self, memory: &mut Memory, lines: u64, text: &str, is_kept: bool) {
        let now = self.clock.monotonic();
        if memory.told.is_some_and(|told| now.saturating_sub(told) < HOUR) {
            return;
        }
        memory.told = Some(now);
        let kept = if is_kept {
            format!("they are in {}", self.quarantine.path().display())
        } else {
            "it dropped them".to_owned()
        };
        tracing::warn!(target: "thirstd", bucket = self.bucket, lines, "the history database refuses lines, {text}; {kept}");
    }
}

/// Halves the piece that is next; false where it is a single line.
fn split(bytes: &[u8], pieces: &mut Vec<Range<usize>>) -> bool {
    let Some((first, second)) = pieces.last().and_then(|piece| cut::halves(bytes, piece)) else { return false };
    pieces.pop();
    pieces.extend([second, first]);
    true
}

/// From 0 to 1. What is random here is no secret.
fn chance() -> f64 {
    let hash = RandomState::new().build_hasher().finish();
    (hash >> 11) as f64 / (1_u64 << 53) as f64
}

/// After so many breaks, less is tried at once: a server that refuses a large request may just hang up. Our choice.
const BREAKS_TO_HALVE: u32 = 2;

/// After so many requests that were taken, more is tried at once. Our choice.
const CALM_TO_DOUBLE: u32 = 20;

#[cfg(test)]
mod tests;
