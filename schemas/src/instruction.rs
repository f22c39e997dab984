//! The decision in the shape that one controller can take, and what to do when there is no decision.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::head::{FallbackSchema, InstructionSchema};

/// What one controller shall do now, in the one shape that it can take. Retained, one topic per controller. Report the
/// pair (`epoch`, `sequence`) in force back on the report topic. Past `valid_until` follow the site's fallback. Not for
/// life safety, fire protection or frost-protection sprinkling; local watering rules, codes and licensed practice come
/// first; holding in frost is best effort.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(extend("allOf" = [
    {"if": {"properties": {"capability": {"const": "percent"}}}, "then": {"required": ["percent"]}},
    {"if": {"properties": {"capability": {"const": "percent_per_group"}}}, "then": {"required": ["percents"]}},
    {"if": {"properties": {"capability": {"const": "twelve_months"}}}, "then": {"required": ["months"]}},
    {"if": {"properties": {"capability": {"const": "minutes"}}}, "then": {"required": ["minutes"]}},
]))]
pub struct Instruction {
    /// Names this payload and its version.
    pub schema: InstructionSchema,
    /// The site's id.
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub site: String,
    /// Raised when another daemon takes over and when a store is new or restored. Compare it before `sequence`.
    pub epoch: u64,
    /// Raised by one or more with every new payload on this topic, within one epoch.
    pub sequence: u64,
    /// When this payload was made, UTC.
    #[serde(serialize_with = "crate::time::utc")]
    pub issued_at: DateTime<Utc>,
    /// The controller's id.
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub controller: String,
    /// What the controller can take; says which of the keys below is given.
    pub capability: Capability,
    /// True: water may run. False: nothing on this controller shall run. The only key that a contact needs.
    pub water_allowed: bool,
    /// One percentage for the whole controller, 0 to 200. With capability `percent`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 200))]
    pub percent: Option<u16>,
    /// A percentage per group, 0 to 200; 0 for a group that is held. With capability `percent_per_group`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(extend("propertyNames" = {"pattern": "^[a-z0-9-]{1,64}$"}, "additionalProperties" = {"type": "integer", "minimum": 0, "maximum": 200}))]
    pub percents: Option<BTreeMap<String, u16>>,
    /// Twelve percentages, January first, 0 to 200. With capability `twelve_months`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(inner(range(max = 200)))]
    pub months: Option<[u16; 12]>,
    /// The next run of each group; 0 minutes for a group that is held. With capability `minutes`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(extend("propertyNames" = {"pattern": "^[a-z0-9-]{1,64}$"}))]
    pub minutes: Option<BTreeMap<String, RunTime>>,
    /// With one percentage for several groups: the thirstiest group, which the percentage follows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub follows_group: Option<String>,
    /// With one percentage for several groups: how far the least thirsty group lies below it, percentage points.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 200))]
    pub spread_percent: Option<u16>,
    /// Until when this instruction may be followed, UTC. Afterwards the site's fallback applies.
    #[serde(serialize_with = "crate::time::utc")]
    pub valid_until: DateTime<Utc>,
    /// The instruction and its reasons in plain words, in the site's language and units.
    pub text: String,
}

/// What a controller can be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Capability {
    /// A contact: water or do not.
    Hold,
    /// One percentage.
    Percent,
    /// A percentage for each group.
    PercentPerGroup,
    /// Twelve percentages, one per month: for slow changes only.
    TwelveMonths,
    /// Minutes for each group.
    Minutes,
}

/// A run of one group.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RunTime {
    /// Run time of each zone of the group, all cycles together, minutes, 0 to 1440; whole where the controller takes
    /// whole minutes only.
    #[schemars(range(min = 0, max = 1440))]
    pub minutes: f64,
    /// Into how many equal cycles to split it, 1 to 20.
    #[schemars(range(min = 1, max = 20))]
    pub cycles: u8,
    /// The least pause between two cycles, minutes; 0 where there is one cycle.
    #[schemars(range(min = 0, max = 1440))]
    pub soak_minutes: u16,
}

/// What a bridge does when it has no valid instruction: past `valid_until`, or when the daemon's will says that it is
/// offline. Use the percentage of the present month. A bridge with a contact only lets water run, except in the frost
/// months, where it stays held and alerts. Retained, made from the site's normals.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Fallback {
    /// Names this payload and its version.
    pub schema: FallbackSchema,
    /// The site's id.
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub site: String,
    /// Raised when another daemon takes over and when a store is new or restored. Compare it before `sequence`.
    pub epoch: u64,
    /// Raised by one or more with every new payload on this topic, within one epoch.
    pub sequence: u64,
    /// When this payload was made, UTC.
    #[serde(serialize_with = "crate::time::utc")]
    pub issued_at: DateTime<Utc>,
    /// Twelve percentages of the run times that were set up, January first, 0 to 200.
    #[schemars(inner(range(max = 200)))]
    pub percents: [u16; 12],
    /// Months with frost at night, 1 (January) to 12 (December), in order: a contact stays held in them.
    #[schemars(length(max = 12), extend("uniqueItems" = true), inner(range(min = 1, max = 12)))]
    pub frost_months: Vec<u8>,
    /// The same in plain words.
    pub text: String,
}
