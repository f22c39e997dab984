//! The daemon's clock, for what is recorded from, or played to, a living broker. Nothing offline asks it.

use std::sync::LazyLock;

use thirstd::engine::stamp::Stamp;
use thirstd::shell::clock::{Clock, SystemClock};

/// Civil time now.
pub fn wall() -> Stamp {
    CLOCK.wall()
}

/// Milliseconds since the program first asked; never goes back.
pub fn monotonic() -> i64 {
    CLOCK.monotonic()
}

static CLOCK: LazyLock<SystemClock> = LazyLock::new(SystemClock::start);
