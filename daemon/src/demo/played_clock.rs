//! The clock of the demo: it shows the time that the world has reached.

use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use crate::engine::stamp::Stamp;
use crate::shell::clock::Clock;

/// Set by whoever plays the world; it only goes forward.
#[derive(Debug)]
pub struct PlayedClock {
    start: Stamp,
    now: AtomicI64,
}

impl PlayedClock {
    pub fn new(start: Stamp) -> Self {
        Self { start, now: AtomicI64::new(start.0) }
    }

    pub fn set(&self, now: Stamp) {
        self.now.fetch_max(now.0, Ordering::SeqCst);
    }
}

impl Clock for PlayedClock {
    fn wall(&self) -> Stamp {
        Stamp(self.now.load(Ordering::SeqCst))
    }

    fn monotonic(&self) -> i64 {
        self.wall().since(self.start)
    }

    fn earliest(&self) -> Stamp {
        self.start
    }

    /// It moves when it is set, which nobody can foresee.
    fn pause_until(&self, _: Option<Stamp>) -> Duration {
        Duration::from_millis(1)
    }
}
