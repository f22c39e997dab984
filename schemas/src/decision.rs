//! The decision for one group: hold or scale, since when, until when, why, and on what evidence.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::head::{DecisionSchema, Name};

/// Whether one group of a site may be watered, and how much. Retained, one topic per group. Issued when something
/// changes and refreshed unchanged every 6 hours. Ignore a payload whose pair (`epoch`, `sequence`) is lower than the
/// last one followed. Past `valid_until` follow the site's fallback. Not for life safety, fire protection or
/// frost-protection sprinkling; local watering rules, codes and licensed practice come first; holding in frost is best
/// effort.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(extend(
    "if" = {"properties": {"action": {"const": "hold"}}},
    "then" = {"properties": {"holds": {"minItems": 1}}},
    "else" = {"properties": {"holds": {"maxItems": 0}}},
))]
pub struct Decision {
    /// Names this payload and its version.
    pub schema: DecisionSchema,
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
    /// The group's id: zones that a controller scales together.
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub group: String,
    /// What to do: `hold` (do not water) or `scale` (water `scale_percent` of the run times that were set up).
    pub action: Action,
    /// Percent of the run times that were set up, 0 to 200. Also given while held: what would apply then.
    #[schemars(range(min = 0, max = 200))]
    pub scale_percent: u16,
    /// Every hold in force, the oldest first. Empty exactly when `action` is `scale`.
    #[schemars(length(max = 16))]
    pub holds: Vec<Hold>,
    /// Reasons that an operator has released: they hold nothing for the time being.
    #[schemars(length(max = 16))]
    pub released: Vec<Release>,
    /// When the action or the scale is expected to change next, UTC. Absent when nothing is foreseen.
    #[serde(serialize_with = "crate::time::maybe_utc")]
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next_change_at: Option<DateTime<Utc>>,
    /// Until when this decision may be followed, UTC: 26 hours after it was made or last refreshed. Afterwards the
    /// site's fallback applies.
    #[serde(serialize_with = "crate::time::utc")]
    pub valid_until: DateTime<Utc>,
    /// How good the evidence is, all in all.
    pub confidence: Confidence,
    /// Per quantity (`air_temperature`, `rainfall_amount`, `wind_speed` …), where its values come from.
    pub basis: BTreeMap<Name, BasisKind>,
    /// The numbers that the decision rests on.
    pub figures: Figures,
    /// When the rules on watering times allow this group to be watered, within the next 48 hours, in order and not
    /// overlapping. Empty when they allow no time at all; a site without such rules has one interval of 48 hours.
    pub allowed_intervals: Vec<Interval>,
    /// False while the daemon's clock cannot be believed: then no day closes and times in this payload may be wrong.
    pub clock_trusted: bool,
    /// False while the store cannot save: this decision may be forgotten in a restart. Only holds are added then.
    pub durable: bool,
    /// The decision and its reasons in plain words, in the site's language and units.
    pub text: String,
}

/// What a controller shall do with a group.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Action {
    /// Do not water.
    Hold,
    /// Water a percentage of the run times that were set up.
    Scale,
}

/// Why a group is held.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Reason {
    /// It rains or has rained enough for now.
    Rain,
    /// It is freezing, or will be while the water runs.
    Freeze,
    /// Too much wind for spray.
    Wind,
    /// A watering restriction of the district does not permit it now.
    Restriction,
    /// A person asked for it.
    Operator,
    /// The soil of the root zone has all the water that it can keep.
    RootZoneFull,
    /// The site is drained for the winter, or waits to be started.
    Season,
    /// A date in the site's own calendar.
    Calendar,
    /// Nothing is known that would justify watering, and the settings say to hold then.
    NoEvidence,
}

/// One hold in force.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Hold {
    /// Why the group is held.
    pub reason: Reason,
    /// Since when, UTC.
    #[serde(serialize_with = "crate::time::utc")]
    pub since: DateTime<Utc>,
    /// Until when, as far as can be said now, UTC; projected where it depends on the weather. Absent: open.
    #[serde(serialize_with = "crate::time::maybe_utc")]
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<DateTime<Utc>>,
    /// The reason in plain words, with its figures.
    pub text: String,
}

/// A reason that an operator has released.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Release {
    /// The reason that holds nothing for the time being.
    pub reason: Reason,
    /// When the release ends by itself, UTC. Absent: with the hold that it ended.
    #[serde(serialize_with = "crate::time::maybe_utc")]
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<DateTime<Utc>>,
}

/// How good the evidence is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Confidence {
    /// The site's own sensors carry it.
    Measured,
    /// At least one quantity that matters comes from a substitute.
    Substituted,
    /// Too little is known: the settings for that case decide.
    Unknown,
}

/// Where the values of one quantity come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum BasisKind {
    /// From the site's own sensors.
    Measured,
    /// From the site's own sensors for part of the time, filled in for the rest.
    Partial,
    /// From sites nearby.
    Neighbours,
    /// From the climate normals of the place and the date.
    Normals,
    /// From the settings: nothing better is known.
    Default,
}

/// The numbers that a decision rests on. Depths are millimeters of water on the ground.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Figures {
    /// Water that the group's ledger says is due, mm; negative: credit.
    #[schemars(range(min = -1000, max = 1000))]
    pub owed_mm: f64,
    /// Net depth of a run at 100 %, mm.
    #[schemars(range(min = 0, max = 1000))]
    pub run_depth_mm: f64,
    /// Net depth of the next run as it stands, mm: `scale_percent` of `run_depth_mm`. It reaches the root zone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 1000))]
    pub net_due_mm: Option<f64>,
    /// Gross depth of the next run, mm: what has to leave the sprinklers for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 20000))]
    pub gross_due_mm: Option<f64>,
    /// What the plants went without since the last watering, mm: as `owed_mm`, but without a ceiling.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dry_mm: Option<f64>,
    /// Reference evapotranspiration of the civil day so far, mm. Slightly negative before sunrise at times (dew).
    #[schemars(range(min = -5, max = 50))]
    pub eto_today_mm: f64,
    /// Rain of the civil day so far, mm. Says nothing where the basis of rain is not the site's own gauge.
    #[schemars(range(min = 0))]
    pub rain_today_mm: f64,
    /// Rain of the last 24 hours, mm.
    #[schemars(range(min = 0))]
    pub rain_24h_mm: f64,
    /// Rain of the present event, mm: an event ends after 6 dry hours.
    #[schemars(range(min = 0))]
    pub rain_event_mm: f64,
    /// Air temperature now, °C. Absent when nothing fresh is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = -100, max = 100))]
    pub air_temperature_celsius: Option<f64>,
    /// The coldest trustworthy thermometer now, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = -100, max = 100))]
    pub coldest_celsius: Option<f64>,
    /// The low that is expected in the watering window, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = -100, max = 100))]
    pub coldest_expected_celsius: Option<f64>,
    /// Mean wind speed of the last 10 minutes, m/s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 150))]
    pub wind_10min_m_per_s: Option<f64>,
}

/// A span of time, its end not included.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Interval {
    /// First moment, UTC.
    #[serde(serialize_with = "crate::time::utc")]
    pub start: DateTime<Utc>,
    /// First moment after it, UTC.
    #[serde(serialize_with = "crate::time::utc")]
    pub end: DateTime<Utc>,
}
