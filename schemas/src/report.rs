//! What a bridge says about its controller: what is in force, and what ran.

use chrono::{DateTime, Utc};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::head::ReportSchema;

/// What a bridge says about its controller. Not retained. One object, at most 16384 bytes, every key may be left out,
/// a key that is not named here is refused. Send it within 5 minutes of each instruction, and after each run.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Report {
    /// `thirst/report/1`; may be left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub schema: Option<ReportSchema>,
    /// The controller's id; if given, it must be the one in the topic.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub controller: Option<String>,
    /// The moment that the report describes, UTC. Left out: when it arrives.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<DateTime<Utc>>,
    /// The instruction in force. Left out while the bridge follows the fallback.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub in_force: Option<InForce>,
    /// The contact as it stands: true lets water run.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub water_allowed: Option<bool>,
    /// The percentage as it stands, 0 to 1000.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 1000))]
    pub percent: Option<f64>,
    /// Runs since the last report, at most 64. A run may be reported again when it has ended: its `group` and `start`
    /// tell which it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 64))]
    pub runs: Option<Vec<Run>>,
    /// Flow now, liters per minute, 0 to 100000.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 100000))]
    pub flow_liters_per_minute: Option<f64>,
    /// A note for the record, up to 500 characters.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 500))]
    pub note: Option<String>,
}

/// Names one instruction.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct InForce {
    /// The instruction's `epoch`.
    pub epoch: u64,
    /// The instruction's `sequence`.
    pub sequence: u64,
}

/// A run of one group.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Run {
    /// The group's id.
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub group: String,
    /// When water started, UTC.
    pub start: DateTime<Utc>,
    /// When it ended, UTC. Left out: it runs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub end: Option<DateTime<Utc>>,
    /// Minutes of water on each zone, without pauses, 0 to 1440.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 1440))]
    pub minutes: Option<f64>,
    /// Net depth delivered, mm, 0 to 200.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 200))]
    pub depth_mm: Option<f64>,
}
