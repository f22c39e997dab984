//! Whether a daemon is there; also its will, which the broker publishes when it is gone.

use chrono::{DateTime, Utc};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::head::DaemonSchema;

/// Whether a daemon is there. Retained, and also the will that the broker publishes when the daemon is gone. While it
/// says `offline`, bridges follow the site's fallback.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct DaemonStatus {
    /// Names this payload and its version.
    pub schema: DaemonSchema,
    /// The daemon's id.
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub instance: String,
    /// Whether it is there.
    pub state: DaemonState,
    /// Its version.
    pub version: String,
    /// Since when, UTC. In a will: since when it had been online.
    pub since: DateTime<Utc>,
    /// The epoch that its payloads carry.
    pub epoch: u64,
    /// Why it is offline. Absent while online.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// Whether a daemon is there.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum DaemonState {
    /// Connected and deciding.
    Online,
    /// Stopped, or gone without a word.
    Offline,
}
