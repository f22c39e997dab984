//! Waiting for a condition, with a limit.

use std::time::Duration;

use thirst_replay::clock;

/// How long a test waits for what must come. Generous: a slow machine is no failure, and nothing waits longer than it has to.
pub const LIMIT: Duration = Duration::from_secs(30);

/// Asks `condition` until it gives a value.
///
/// # Panics
/// After [`LIMIT`], saying what was waited for.
pub fn until<T>(what: &str, condition: impl FnMut() -> Option<T>) -> T {
    within(LIMIT, condition).unwrap_or_else(|| panic!("waited {} s for {what}", LIMIT.as_secs()))
}

/// Asks `condition` until it gives a value or `limit` is over.
pub fn within<T>(limit: Duration, mut condition: impl FnMut() -> Option<T>) -> Option<T> {
    let limit = i64::try_from(limit.as_millis()).unwrap_or(i64::MAX);
    let began = clock::monotonic();
    loop {
        if let Some(value) = condition() {
            return Some(value);
        }
        if clock::monotonic() - began > limit {
            return None;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
}
