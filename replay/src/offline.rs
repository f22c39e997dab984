//! A recording through the engine, without a broker and without a clock: equal lines in, equal outputs out.
//!
//! Time is the recording's own. The wall clock shows `at` of the line; uptime is the time since the first line, without
//! the steps of the wall clock; listening is uptime less the stretches between `broker_down` and `broker_up`.

use std::collections::BTreeMap;
use std::io::{self, BufRead};
use std::sync::Arc;

use thirstd::engine::Engine;
use thirstd::engine::driver::Driver;
use thirstd::engine::event::{Event, Now};
use thirstd::engine::output::{Output, take_digests};
use thirstd::engine::settings::Settings;
use thirstd::engine::stamp::Stamp;

use crate::recording::{Entry, Line, Reader, RecordingError};
use crate::topic::{self, Kind};

#[cfg(test)]
mod neighbor_tests;
#[cfg(test)]
mod sample_tests;
#[cfg(test)]
mod tests;

/// Takes the outputs of a run, in the order in which the engine gave them.
pub trait Sink {
    /// `at` is the wall clock of the step that gave `output`.
    ///
    /// # Errors
    /// Those of the place it writes to; the run ends with them.
    fn output(&mut self, at: Stamp, output: &Output) -> io::Result<()>;

    /// Something about the recording that the user should know.
    ///
    /// # Errors
    /// As above.
    fn warning(&mut self, text: &str) -> io::Result<()>;
}

/// How to run a recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Options {
    /// Leave out the lines after this instant, and run deadlines up to it after the last line.
    pub until: Option<Stamp>,
    /// Goes into every payload.
    pub epoch: u64,
}

impl Default for Options {
    fn default() -> Self {
        Self { until: None, epoch: 1 }
    }
}

/// Why a run ended early.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    #[error(transparent)]
    Recording(#[from] RecordingError),
    #[error("the recording has no line: write at least one message")]
    Empty,
    #[error("every line of the recording is after {}: write a later time after --until", .0.text())]
    NothingUntil(Stamp),
    #[error("outputs cannot be written: {0}")]
    Output(#[from] io::Error),
}

/// What a run did, in numbers that depend on nothing but recording and settings.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Summary {
    /// Time of the first line.
    pub from: Stamp,
    /// Up to here deadlines ran.
    pub until: Stamp,
    /// Publications that went in: messages of sensors, commands and reports.
    pub messages: u64,
    pub retained: u64,
    /// Lines that were no publications.
    pub events: u64,
    /// State and answers by the kind of their topic.
    pub published: BTreeMap<Kind, u64>,
    /// Of `published`: empty payloads, which clear a topic.
    pub cleared: u64,
    /// Points of history by measurement.
    pub records: BTreeMap<&'static str, u64>,
    pub audit: u64,
    pub logged: u64,
}

/// Runs everything that `reader` has left.
///
/// # Errors
/// The first line that cannot be read, or the sink's.
pub fn run<R: BufRead>(
    mut reader: Reader<R>,
    settings: Arc<Settings>,
    options: Options,
    sink: &mut impl Sink,
) -> Result<Summary, RunError> {
    let mut run: Option<Offline> = None;
    let mut left_out = false;
    while let Some(line) = reader.next() {
        let line = line?;
        if let Some(went_back) = reader.take_went_back() {
            sink.warning(&went_back.to_string())?;
        }
        if options.until.is_some_and(|until| line.at > until) {
            left_out = true;
            break;
        }
        match &mut run {
            Some(run) => run.feed(line, sink)?,
            none => none.insert(Offline::new(Arc::clone(&settings), options.epoch, line.at)).feed(line, sink)?,
        }
    }
    match (run, options.until) {
        (Some(run), until) => Ok(run.finish(until, sink)?),
        (None, Some(until)) if left_out => Err(RunError::NothingUntil(until)),
        (None, _) => Err(RunError::Empty),
    }
}

/// An engine that is fed line by line.
pub struct Offline {
    driver: Driver,
    clock: Clock,
    prefix: String,
    outputs: Vec<Output>,
    summary: Summary,
    begun: bool,
}

impl Offline {
    /// A new engine at `start`, connected to its broker.
    pub fn new(settings: Arc<Settings>, epoch: u64, start: Stamp) -> Self {
        let prefix = settings.prefix.clone();
        let (engine, _) = Engine::restore(settings, epoch, std::iter::empty());
        let clock = Clock::new(start);
        Self {
            driver: Driver::new(engine, clock.now),
            clock,
            prefix,
            outputs: Vec::new(),
            summary: Summary { from: start, until: start, ..Summary::default() },
            begun: false,
        }
    }

    /// Runs the deadlines before `line`, then the line.
    ///
    /// # Errors
    /// Those of `sink`.
    pub fn feed(&mut self, line: Line, sink: &mut impl Sink) -> io::Result<()> {
        if !self.begun {
            self.begun = true;
            // The daemon tells the engine of its first connection too; a recording that does so itself is left alone.
            if !matches!(line.entry, Entry::BrokerUp { .. } | Entry::BrokerDown) {
                let up = Event::BrokerUp { session_present: false, refused: Vec::new() };
                self.driver.apply(self.clock.now, up, &mut self.outputs);
                self.hand_over(self.clock.now.wall, sink)?;
            }
        }
        match &line.entry {
            Entry::Message { retain, .. } => {
                self.summary.messages += 1;
                self.summary.retained += u64::from(*retain);
            }
            _ => self.summary.events += 1,
        }
        if let Entry::ClockStep { by } = line.entry {
            self.advance(self.clock.ahead(line.at.plus(by.saturating_neg())), sink)?;
            self.clock.step(by);
        }
        let now = self.clock.ahead(line.at);
        if !matches!(line.entry, Entry::ClockStep { .. }) {
            self.run_deadlines(now, sink)?;
        }
        let connected = match line.entry {
            Entry::BrokerUp { .. } => Some(true),
            Entry::BrokerDown => Some(false),
            _ => None,
        };
        self.driver.apply(now, line.entry.into_event(&self.prefix), &mut self.outputs);
        self.clock.now = now;
        self.clock.connected = connected.unwrap_or(self.clock.connected);
        self.hand_over(now.wall, sink)
    }

    /// Lets time run up to `until` without a line.
    ///
    /// # Errors
    /// Those of `sink`.
    pub fn run_until(&mut self, until: Stamp, sink: &mut impl Sink) -> io::Result<()> {
        self.advance(self.clock.ahead(until), sink)
    }

    /// Runs the deadlines up to `until`, or up to the last line where there is none.
    ///
    /// # Errors
    /// Those of `sink`.
    pub fn finish(mut self, until: Option<Stamp>, sink: &mut impl Sink) -> io::Result<Summary> {
        let end = until.unwrap_or(self.clock.now.wall).max(self.clock.now.wall);
        self.advance(self.clock.ahead(end), sink)?;
        self.summary.until = end;
        Ok(self.summary)
    }

    pub fn engine(&self) -> &Engine {
        self.driver.engine()
    }

    fn advance(&mut self, now: Now, sink: &mut impl Sink) -> io::Result<()> {
        self.run_deadlines(now, sink)?;
        self.driver.advance(now, &mut self.outputs);
        self.clock.now = now;
        self.hand_over(now.wall, sink)
    }

    /// Runs the deadlines before and at `now` one by one, so that every output is handed over with the time of its step.
    /// The times are those that the driver itself would give: uptime and listening run evenly between two lines.
    fn run_deadlines(&mut self, now: Now, sink: &mut impl Sink) -> io::Result<()> {
        while let Some(due) = self.driver.deadline().filter(|due| *due <= now.wall) {
            let at = self.clock.ahead(due.max(self.clock.now.wall.min(now.wall)));
            self.driver.advance(at, &mut self.outputs);
            self.hand_over(at.wall, sink)?;
        }
        Ok(())
    }

    fn hand_over(&mut self, at: Stamp, sink: &mut impl Sink) -> io::Result<()> {
        // What sites tell of their hours goes to the sites that list them, as in the daemon.
        let now = self.driver.last();
        loop {
            let digests = take_digests(&mut self.outputs);
            if digests.is_empty() {
                break;
            }
            for digest in digests {
                self.driver.apply(now, Event::NeighborDigest(digest), &mut self.outputs);
            }
        }
        for output in self.outputs.drain(..) {
            self.summary.count(&self.prefix, &output);
            sink.output(at, &output)?;
        }
        Ok(())
    }
}

impl Summary {
    fn count(&mut self, prefix: &str, output: &Output) {
        match output {
            Output::State { topic, payload } | Output::Answer { topic, payload } => {
                *self.published.entry(topic::kind(prefix, topic)).or_default() += 1;
                self.cleared += u64::from(payload.is_empty());
            }
            Output::Record(record) => *self.records.entry(record.measurement).or_default() += 1,
            Output::Audit { .. } => self.audit += 1,
            // All of it is published or logged as well.
            Output::Diary(_) | Output::Digest(_) => {}
            Output::Log { .. } => self.logged += 1,
        }
    }
}

/// The time of a run, moved by lines alone.
struct Clock {
    /// The last instant that the run has reached.
    now: Now,
    connected: bool,
}

impl Clock {
    fn new(start: Stamp) -> Self {
        Self { now: Now { wall: start, uptime: 0, listening: 0, trusted: true }, connected: true }
    }

    /// The time when the wall clock shows `wall`. A wall clock that shows less than before has not moved the uptime.
    fn ahead(&self, wall: Stamp) -> Now {
        let passed = wall.since(self.now.wall).max(0);
        Now {
            wall,
            uptime: self.now.uptime.saturating_add(passed),
            listening: self.now.listening.saturating_add(if self.connected { passed } else { 0 }),
            trusted: true,
        }
    }

    /// Somebody sets the wall clock.
    fn step(&mut self, by: i64) {
        self.now.wall = self.now.wall.plus(by);
    }
}
