//! Recordings: what a site heard and when, as text that one can read, cut and write by hand.
//!
//! One JSON object a line (NDJSON), UTF-8, in the order in which things happened. Blank lines are skipped; there are no
//! comments. A message:
//!
//! ```json
//! {"at":"2027-04-03T06:00:00Z","topic":"yard/tern-hollow/mast/state","payload":"{\"temp_c\":4.1}"}
//! ```
//!
//! `at` is the time of arrival (RFC 3339, any offset). A payload that is not UTF-8 stands in `payload_base64` (RFC 4648,
//! padded). `retain` and `dup` are the MQTT flags and default to false. What is not a message:
//!
//! ```json
//! {"at":"2027-04-03T06:00:00Z","event":"broker_down"}
//! {"at":"2027-04-03T06:09:00Z","event":"broker_up","session_present":true,"refused":[]}
//! {"at":"2027-04-03T07:10:00Z","event":"clock_step","by_seconds":3600}
//! {"at":"2027-04-03T08:00:00Z","event":"neighbor_digest","from":"heron-bank","hour":"2027-04-03T07:00:00Z","rain_mm":0.4,
//!  "latitude_degrees":39.5,"longitude_degrees":-119.8,"elevation_m":1370}
//! ```
//!
//! (the last one on one line). After a `clock_step` the wall clock shows `at`; uptime did not take the step.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read, Write};
use std::path::Path;

use thirstd::engine::event::{Digest, Event};
use thirstd::engine::stamp::Stamp;

mod line;
#[cfg(test)]
mod tests;

pub use line::{Problem, parse_time};

/// One line of a recording.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// When it arrived, by the wall clock of who recorded it.
    pub at: Stamp,
    pub entry: Entry,
}

/// What a line tells.
#[derive(Clone, Debug, PartialEq)]
pub enum Entry {
    Message {
        topic: String,
        payload: Vec<u8>,
        retain: bool,
        dup: bool,
    },
    BrokerUp {
        session_present: bool,
        refused: Vec<String>,
    },
    BrokerDown,
    /// The wall clock went ahead of the uptime by so many milliseconds.
    ClockStep {
        by: i64,
    },
    NeighborDigest(Digest),
}

impl Entry {
    /// The engine's event, commands and reports sorted out by `prefix`.
    pub fn into_event(self, prefix: &str) -> Event {
        match self {
            Self::Message { topic, payload, retain, dup } => Event::from_message(prefix, &topic, payload, retain, dup),
            Self::BrokerUp { session_present, refused } => Event::BrokerUp { session_present, refused },
            Self::BrokerDown => Event::BrokerDown,
            Self::ClockStep { by } => Event::ClockStep { by },
            Self::NeighborDigest(digest) => Event::NeighborDigest(digest),
        }
    }
}

/// Why a recording cannot be read or written.
#[derive(Debug, thiserror::Error)]
pub enum RecordingError {
    #[error(
        "{file}: cannot be opened: {source}; write the path of a recording (NDJSON, see `thirst-replay run --help`)"
    )]
    Open { file: String, source: io::Error },
    #[error("{file}:{line}: cannot be read: {source}")]
    Read { file: String, line: u64, source: io::Error },
    #[error("{file}:{line}: {problem}")]
    Line { file: String, line: u64, problem: Problem },
}

/// A line whose time is before the line above it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WentBack {
    pub file: String,
    pub line: u64,
    pub at: Stamp,
    pub previous: Stamp,
}

impl std::fmt::Display for WentBack {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{}:{}: goes back in time from {} to {}; the order of the file is kept (told once; a clock that was set is an \
             \"event\": \"clock_step\" line)",
            self.file,
            self.line,
            self.previous.text(),
            self.at.text()
        )
    }
}

/// Reads a recording line by line and keeps no more than one line in memory. Ends after the first error.
pub struct Reader<R> {
    file: String,
    input: R,
    buffer: Vec<u8>,
    line: u64,
    last: Option<Stamp>,
    went_back: WentBackState,
    over: bool,
}

enum WentBackState {
    Never,
    Untold(WentBack),
    Told,
}

impl Reader<BufReader<File>> {
    /// Opens the recording at `path`.
    ///
    /// # Errors
    /// [`RecordingError::Open`] where there is no readable file.
    pub fn open(path: &Path) -> Result<Self, RecordingError> {
        let file = path.display().to_string();
        match File::open(path) {
            Ok(input) => Ok(Self::new(file, BufReader::with_capacity(1 << 16, input))),
            Err(source) => Err(RecordingError::Open { file, source }),
        }
    }
}

impl<R: BufRead> Reader<R> {
    /// Reads from `input`; `file` is its name in error texts.
    pub fn new(file: impl Into<String>, input: R) -> Self {
        Self {
            file: file.into(),
            input,
            buffer: Vec::new(),
            line: 0,
            last: None,
            went_back: WentBackState::Never,
            over: false,
        }
    }

    /// The first line that went back in time, once after it was read.
    pub fn take_went_back(&mut self) -> Option<WentBack> {
        match std::mem::replace(&mut self.went_back, WentBackState::Told) {
            WentBackState::Untold(went_back) => Some(went_back),
            other => {
                self.went_back = other;
                None
            }
        }
    }

    fn read(&mut self) -> Result<Option<Line>, RecordingError> {
        loop {
            self.buffer.clear();
            self.line += 1;
            let read = self.input.by_ref().take(LONGEST_LINE_BYTES + 1).read_until(b'\n', &mut self.buffer);
            match read {
                Ok(0) => return Ok(None),
                Ok(_) => {}
                Err(source) => return Err(RecordingError::Read { file: self.file.clone(), line: self.line, source }),
            }
            if self.buffer.last() != Some(&b'\n') && self.buffer.len() as u64 > LONGEST_LINE_BYTES {
                return Err(self.fault(Problem::TooLong));
            }
            let mut text = self.buffer.as_slice();
            if self.line == 1 {
                text = text.strip_prefix("\u{feff}".as_bytes()).unwrap_or(text);
            }
            let text = text.trim_ascii();
            if text.is_empty() {
                continue;
            }
            return match line::parse(text) {
                Ok(line) => {
                    self.note_order(line.at);
                    Ok(Some(line))
                }
                Err(problem) => Err(self.fault(problem)),
            };
        }
    }

    fn note_order(&mut self, at: Stamp) {
        if let Some(previous) = self.last
            && at < previous
            && matches!(self.went_back, WentBackState::Never)
        {
            let went_back = WentBack { file: self.file.clone(), line: self.line, at, previous };
            self.went_back = WentBackState::Untold(went_back);
        }
        self.last = Some(at);
    }

    fn fault(&self, problem: Problem) -> RecordingError {
        RecordingError::Line { file: self.file.clone(), line: self.line, problem }
    }
}

impl<R: BufRead> Iterator for Reader<R> {
    type Item = Result<Line, RecordingError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.over {
            return None;
        }
        let item = self.read().transpose();
        self.over = !matches!(item, Some(Ok(_)));
        item
    }
}

/// Writes a recording.
pub struct Writer<W> {
    output: W,
}

impl<W: Write> Writer<W> {
    /// Writes to `output`, which should be buffered.
    pub fn new(output: W) -> Self {
        Self { output }
    }

    /// Appends one line.
    ///
    /// # Errors
    /// Those of the output.
    pub fn write(&mut self, line: &Line) -> io::Result<()> {
        line::write(&mut self.output, line)
    }

    /// Hands everything written to the output's own destination.
    ///
    /// # Errors
    /// Those of the output.
    pub fn flush(&mut self) -> io::Result<()> {
        self.output.flush()
    }

    pub fn into_inner(self) -> W {
        self.output
    }
}

/// Longest line, so that a file without line ends cannot fill the memory.
const LONGEST_LINE_BYTES: u64 = 1 << 20;
