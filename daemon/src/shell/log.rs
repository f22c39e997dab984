//! The log: one line per change of state, in UTC, to the standard error stream.

use std::fmt;
use std::io::{self, IsTerminal};

use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::format::Writer;
use tracing_subscriber::fmt::time::FormatTime;

use super::clock::{Clock, SystemClock};

/// How a line looks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LogFormat {
    /// For people.
    #[default]
    Text,
    /// One JSON object a line, for collectors.
    Json,
}

/// Starts logging; a second call changes nothing. `directives` in the form `info` or `thirstd=debug`; what cannot be read in
/// them is left out.
pub fn start(format: LogFormat, directives: &str) {
    let filter = EnvFilter::new(directives);
    let builder = tracing_subscriber::fmt().with_env_filter(filter).with_writer(io::stderr).with_timer(Utc::start());
    // Somebody may have started logging already; a test, for example.
    let _ = match format {
        LogFormat::Text => builder.with_target(false).with_ansi(io::stderr().is_terminal()).compact().try_init(),
        LogFormat::Json => builder.with_ansi(false).json().flatten_event(true).try_init(),
    };
}

/// RFC 3339, milliseconds where there are any.
struct Utc(SystemClock);

impl Utc {
    fn start() -> Self {
        Self(SystemClock::start())
    }
}

impl FormatTime for Utc {
    fn format_time(&self, writer: &mut Writer<'_>) -> fmt::Result {
        writer.write_str(&self.0.wall().text())
    }
}
