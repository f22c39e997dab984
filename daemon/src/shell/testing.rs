//! What the shell's tests share.

use crate::engine::settings::Settings;

/// Settings without feeds or sites.
pub(super) fn settings() -> Settings {
    Settings {
        version: 0,
        prefix: "t".to_owned(),
        instance: "test".to_owned(),
        feeds: Vec::new(),
        sites: Vec::new(),
        history: false,
    }
}
