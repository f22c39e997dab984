//! The clock for what is recorded from, or played to, a living broker. Nothing offline asks it.

use std::sync::LazyLock;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

use thirstd::engine::stamp::Stamp;

/// Civil time now.
#[expect(clippy::disallowed_methods, reason = "recording and playing happen in real time")]
pub fn wall() -> Stamp {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    Stamp(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
}

/// Milliseconds since the program first asked; never goes back.
#[expect(clippy::disallowed_methods, reason = "recording and playing happen in real time")]
pub fn monotonic() -> i64 {
    static START: LazyLock<Instant> = LazyLock::new(Instant::now);
    i64::try_from(START.elapsed().as_millis()).unwrap_or(i64::MAX)
}
