//! The list of visits: which sites need somebody, by when, and what to bring.

use chrono::{DateTime, NaiveDate, Utc};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::head::VisitsSchema;

/// The visit list over all sites of one daemon, the most pressing first: open alerts that need a person at the site,
/// folded by site. Published when it changes, at most every 15 seconds. Retained. Daemons that share a broker have a
/// topic prefix each, and so a list each.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Visits {
    /// Names this payload and its version.
    pub schema: VisitsSchema,
    /// Raised when another daemon takes over and when a store is new or restored. Compare it before `sequence`.
    pub epoch: u64,
    /// Raised by one or more with every new payload on this topic, within one epoch.
    pub sequence: u64,
    /// When this payload was made, UTC.
    pub issued_at: DateTime<Utc>,
    /// The visits, one per site that needs one.
    #[schemars(length(max = 1000))]
    pub visits: Vec<Visit>,
    /// Sites with a less pressing need that the list has no room for. Absent: none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1))]
    pub left_out: Option<u32>,
}

/// One site that needs a visit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Visit {
    /// The site's id.
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub site: String,
    /// The ids of the sensors to see to.
    #[schemars(inner(regex(pattern = "^[a-z0-9-]{1,64}$")))]
    pub sensors: Vec<String>,
    /// Why, in plain words, the most pressing first.
    #[schemars(length(min = 1))]
    pub reasons: Vec<String>,
    /// The day by which somebody should have been there, in the site's time zone. Absent: no date can be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<NaiveDate>,
    /// What to bring, in plain words.
    pub bring: Vec<String>,
    /// How sure the need and its date are.
    pub confidence: VisitConfidence,
}

/// How sure a visit's need and date are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum VisitConfidence {
    /// The cause is there already.
    Certain,
    /// A trend says so with a narrow range.
    Likely,
    /// A trend says so with a wide range.
    Possible,
}
