//! What `thirstd check` says of a good configuration.

use super::Loaded;

/// Plain text for people.
pub fn describe(loaded: &Loaded) -> String {
    format!("{} sites\n", loaded.settings.sites.len())
}
