//! What the shell's tests share.

use crate::config::History;
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

/// A database on this machine that is never asked.
pub(super) fn history() -> History {
    History {
        url: "http://localhost:8086".to_owned(),
        organization: "garden".to_owned(),
        bucket: "weather".to_owned(),
        bucket_long: "weather-long".to_owned(),
        token: None,
        token_file: None,
        ca_file: None,
        fleet: "valley".to_owned(),
        gzip: true,
        connect_timeout_ms: 1_000,
        timeout_ms: 5_000,
        gather_ms: 0,
        batch_lines: 5_000,
        batch_bytes: 1_000_000,
        limit_mib: 8,
        behind_after_minutes: 60,
    }
}
