//! The running water figures of a site's civil day: reference evapotranspiration, rain, water owed.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::decision::BasisKind;
use crate::head::{Name, TotalsSchema};

/// The water figures of a site's present civil day, and the closing figures of the day before. Retained. A day is final
/// 48 hours after its end (a setting); until then late readings may raise `revision` and change its figures.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Totals {
    /// Names this payload and its version.
    pub schema: TotalsSchema,
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
    /// The civil day in the site's time zone.
    pub day: NaiveDate,
    /// How often the figures of this day were computed anew after they had been published as complete; 0 at first.
    pub revision: u32,
    /// True when the figures of this day will not change any more.
    #[serde(rename = "final")]
    pub is_final: bool,
    /// Reference evapotranspiration ETo of the day so far, mm. Slightly negative before sunrise at times (dew).
    #[schemars(range(min = -5, max = 50))]
    pub eto_mm: f64,
    /// How ETo was computed.
    pub eto_method: EtoMethod,
    /// How much of the day so far the site's own readings cover, percent.
    #[schemars(range(min = 0, max = 100))]
    pub coverage_percent: f64,
    /// Likely error of `eto_mm`, mm, one standard deviation.
    #[schemars(range(min = 0, max = 50))]
    pub uncertainty_mm: f64,
    /// Rain depths.
    pub rain: RainTotals,
    /// Water that the ledger of each group says is due, mm; negative: credit. The keys are the groups' ids.
    #[schemars(extend("propertyNames" = {"pattern": "^[a-z0-9-]{1,64}$"}))]
    pub owed_mm: BTreeMap<String, f64>,
    /// Per quantity, where its values of the day so far come from.
    pub basis: BTreeMap<Name, BasisKind>,
    /// What a reader of these figures should know.
    pub marks: Vec<TotalMark>,
    /// Lowest air temperature of the day so far, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = -100, max = 100))]
    pub air_temperature_min_celsius: Option<f64>,
    /// Highest air temperature of the day so far, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = -100, max = 100))]
    pub air_temperature_max_celsius: Option<f64>,
    /// The day before. Absent on a site's first day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub previous_day: Option<PreviousDay>,
}

/// How reference evapotranspiration was computed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum EtoMethod {
    /// ASCE-EWRI (2005) standardized equation, short reference, hour by hour.
    StandardizedHourly,
    /// FAO-56 Penman–Monteith for the day, with the substitutions of its chapter 3 where something is not measured.
    PenmanMonteithDaily,
    /// Hargreaves–Samani from the temperatures of the day, times the site's factor.
    HargreavesSamani,
    /// Taken from sites nearby.
    Neighbours,
    /// The climate normal of the date.
    Normals,
    /// The default of the settings.
    Default,
}

/// Rain depths in mm. Rain in quarantine is in none of them but its own.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RainTotals {
    /// Of the present clock hour so far, mm.
    #[schemars(range(min = 0))]
    pub hour_mm: f64,
    /// Of the civil day so far, mm; where the gauge was silent, of sites nearby (`basis`).
    #[schemars(range(min = 0))]
    pub day_mm: f64,
    /// Of the last 24 hours, mm.
    #[schemars(range(min = 0))]
    pub last_24h_mm: f64,
    /// Of the present event, mm: an event ends after 6 dry hours.
    #[schemars(range(min = 0))]
    pub event_mm: f64,
    /// Of the last seven civil days, today included, mm.
    #[schemars(range(min = 0))]
    pub last_7_days_mm: f64,
    /// Since the season started, mm.
    #[schemars(range(min = 0))]
    pub season_mm: f64,
    /// Waiting for a judgment: it counts for nothing until confirmed, mm.
    #[schemars(range(min = 0))]
    pub quarantined_mm: f64,
    /// Of `day_mm`: what the gauge caught in humid nights of the day without rain, mm. Taken for dew, it begins and extends no hold.
    #[serde(default)]
    #[schemars(range(min = 0))]
    pub dew_mm: f64,
    /// Of `day_mm`: caught below 1 °C, mm. It may be snow, or what melted in the funnel: amount and time are doubtful.
    #[serde(default)]
    #[schemars(range(min = 0))]
    pub frozen_mm: f64,
    /// How hard it rains now, mm/h: the mean of ten minutes, or of the gauge's interval where that is longer.
    #[serde(default)]
    #[schemars(range(min = 0))]
    pub intensity_mm_per_hour: f64,
    /// How hard it has rained at most in the present or last event, mm/h.
    #[serde(default)]
    #[schemars(range(min = 0))]
    pub highest_intensity_mm_per_hour: f64,
}

/// What a reader of the totals should know.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum TotalMark {
    /// Rain of a counter over a gap was spread over the hours of the gap.
    RainSpreadOverGap,
    /// A rain counter started anew: rain between its last reading and the reset may be missing.
    AfterReset,
    /// The daemon's clock could not be believed for part of the day.
    ClockUntrusted,
    /// Readings that came late changed the figures after the day had closed.
    Late,
    /// Readings came after the day was final and did not count.
    TooLate,
    /// Rain is in quarantine.
    RainQuarantined,
    /// Rain was taken out after a judgment or on a person's word.
    RainDiscarded,
    /// Part of the rain came from a feed that may repeat messages after a broker's crash.
    MayRepeat,
}

/// Closing figures of the day before.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PreviousDay {
    /// The civil day in the site's time zone.
    pub day: NaiveDate,
    /// Reference evapotranspiration of the day, mm.
    #[schemars(range(min = -5, max = 50))]
    pub eto_mm: f64,
    /// Rain of the day, mm.
    #[schemars(range(min = 0))]
    pub rain_mm: f64,
    /// How often the figures were computed anew.
    pub revision: u32,
    /// True when the figures will not change any more.
    #[serde(rename = "final")]
    pub is_final: bool,
    /// How ETo was computed.
    pub method: EtoMethod,
    /// How much of the day the site's own readings cover, percent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 100))]
    pub coverage_percent: Option<f64>,
    /// Likely error of `eto_mm`, mm, one standard deviation.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 50))]
    pub uncertainty_mm: Option<f64>,
    /// Per quantity, where its values of the day come from.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub basis: BTreeMap<Name, BasisKind>,
}
