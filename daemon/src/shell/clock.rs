//! The only `now` in the program. Everything else is told the time.

use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use crate::engine::stamp::{SECOND, Stamp};

/// Tells civil time and a time that only goes forward.
pub trait Clock: Send + Sync {
    /// The wall clock, right or wrong.
    fn wall(&self) -> Stamp;

    /// Milliseconds since some fixed moment of this run; never goes back, never follows a correction of the wall clock.
    fn monotonic(&self) -> i64;

    /// A wall clock that reads earlier is wrong. A time that is played can lie before the program was built.
    fn earliest(&self) -> Stamp {
        build_date()
    }

    /// How long to sleep before looking at the time again, where nothing else wakes us and `due` comes next: at most a
    /// second, so that a step of the wall clock is seen.
    fn pause_until(&self, due: Option<Stamp>) -> Duration {
        let millis = due.map_or(SECOND, |due| due.since(self.wall()).clamp(0, SECOND));
        Duration::from_millis(millis.unsigned_abs())
    }
}

impl<C: Clock + ?Sized> Clock for Arc<C> {
    fn wall(&self) -> Stamp {
        (**self).wall()
    }

    fn monotonic(&self) -> i64 {
        (**self).monotonic()
    }

    fn earliest(&self) -> Stamp {
        (**self).earliest()
    }

    fn pause_until(&self, due: Option<Stamp>) -> Duration {
        (**self).pause_until(due)
    }
}

/// The clocks of the machine.
#[derive(Clone, Copy, Debug)]
pub struct SystemClock {
    started: Instant,
}

impl SystemClock {
    /// Starts the monotonic count at 0.
    #[expect(clippy::disallowed_methods, reason = "the one clock")]
    pub fn start() -> Self {
        Self { started: Instant::now() }
    }
}

impl Clock for SystemClock {
    #[expect(clippy::disallowed_methods, reason = "the one clock")]
    fn wall(&self) -> Stamp {
        let now = SystemTime::now();
        match now.duration_since(UNIX_EPOCH) {
            Ok(since) => Stamp(i64::try_from(since.as_millis()).unwrap_or(i64::MAX)),
            Err(before) => Stamp(i64::try_from(before.duration().as_millis()).map_or(i64::MIN, |millis| -millis)),
        }
    }

    fn monotonic(&self) -> i64 {
        i64::try_from(self.started.elapsed().as_millis()).unwrap_or(i64::MAX)
    }
}

/// When this program was built (`SOURCE_DATE_EPOCH`, else its newest source). A wall clock that reads earlier is wrong.
pub fn build_date() -> Stamp {
    let seconds = env!("THIRSTD_BUILD_SECONDS").parse::<i64>().unwrap_or(0);
    Stamp(seconds.saturating_mul(SECOND))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_program_was_built_before_it_runs_and_after_its_language_was_made() {
        let first_rust_release = Stamp(1_431_648_000_000); // Rust 1.0: 2015-05-15
        assert!(build_date() > first_rust_release);
        assert!(build_date() <= SystemClock::start().wall());
    }

    #[test]
    fn the_monotonic_clock_starts_at_the_start_and_never_goes_back() {
        let clock = SystemClock::start();
        let first = clock.monotonic();
        assert!(first >= 0);
        assert!(clock.monotonic() >= first);
    }
}
