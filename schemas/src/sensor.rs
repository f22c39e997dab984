//! The health of one reporting device: last values, radio link, battery, what was flagged and what was lost.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::head::{Name, SensorSchema};

/// The health of one sensor. Retained, one topic per sensor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SensorStatus {
    /// Names this payload and its version.
    pub schema: SensorSchema,
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
    /// The sensor's id.
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub sensor: String,
    /// When it was last heard, UTC. Absent: never.
    #[serde(serialize_with = "crate::time::maybe_utc")]
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_seen: Option<DateTime<Utc>>,
    /// The last value of each quantity that it has reported. The keys are names of quantities.
    pub last_values: BTreeMap<Name, LastValue>,
    /// The radio link or other way to the sensor.
    pub link: Link,
    /// The battery. Absent where the sensor tells nothing of one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub battery: Option<Battery>,
    /// When it will fall silent, as far as the battery's trend tells. Absent without a trend.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub forecast: Option<SilenceForecast>,
    /// Readings that were not good in the last 24 hours, per test.
    pub flags: BTreeMap<Name, u64>,
    /// Messages and fields lost since the daemon first heard the sensor, per cause.
    pub rejects: BTreeMap<Name, u64>,
}

/// The last value of one quantity.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LastValue {
    /// The value in `unit`.
    pub value: f64,
    /// The unit, as a UCUM code.
    pub unit: Name,
    /// QARTOD flag: 1 good, 2 not evaluated, 3 suspect, 4 bad, 9 missing.
    #[schemars(extend("enum" = [1, 2, 3, 4, 9]))]
    pub flag: u8,
    /// When it was observed, UTC.
    #[serde(serialize_with = "crate::time::utc")]
    pub observed_at: DateTime<Utc>,
}

/// How the sensor is heard.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Link {
    /// Whether it is heard.
    pub state: LinkState,
    /// Usual time between two messages as learnt, seconds. Absent until learnt.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0))]
    pub interval_seconds: Option<f64>,
    /// After how many seconds of silence it counts as lost.
    #[schemars(range(min = 1))]
    pub silence_limit_seconds: u32,
    /// For how many seconds after it came a value counts as what is now. The silence limit is longer where the link is known
    /// to lose messages.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1))]
    pub fresh_seconds: Option<u32>,
    /// Share of the expected messages of the last 24 hours that came, 0 to 1: by their sequence numbers where they have some,
    /// else by the interval.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 1))]
    pub delivery_ratio: Option<f64>,
    /// Received signal strength, median of the last day, dBm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rssi_dbm: Option<f64>,
}

/// Whether a sensor is heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LinkState {
    /// Not heard yet.
    Unheard,
    /// Heard within its silence limit.
    Present,
    /// Silent for longer than its limit.
    Lost,
}

/// The battery of a sensor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Battery {
    /// Daily median voltage, V.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0))]
    pub volts: Option<f64>,
    /// Level as the sensor reports it, percent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 100))]
    pub percent: Option<f64>,
    /// The sensor's own word: true good, false low.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ok: Option<bool>,
    /// Our judgment.
    pub state: BatteryState,
    /// What it runs on, as set, or as judged from the voltage of a replacement. Absent: not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chemistry: Option<Name>,
    /// When it will have reached its end-point voltage, or the level at which the device stops. Absent without a basis.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub forecast: Option<BatteryForecast>,
}

/// When a battery will be empty.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct BatteryForecast {
    /// The days between which it will likely be empty, in the site's time zone.
    pub low_at: BatteryEnd,
    /// What it rests on.
    pub basis: ForecastBasis,
    /// Days with readings that it rests on.
    pub days_of_data: u16,
    /// Share of the battery that is used, percent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 100))]
    pub used_percent: Option<u8>,
    /// What the range from earliest to latest rests on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub range: Option<RangeBasis>,
    /// How many batteries that came to their end the range rests on; 0 where it is assumed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub range_outcomes: Option<u16>,
}

/// What the range of a battery's forecast rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum RangeBasis {
    /// 0.6 to 1.6 of the likely time, until ends are known; on made-up fleets four to seven ends of ten fell into it.
    Assumed,
    /// Earlier batteries of this sensor, at least three.
    Sensor,
    /// Batteries of the same chemistry in all sensors of the daemon, at least nine: meant to hold eight ends of ten.
    Fleet,
}

/// The range of days within which a battery will be empty.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct BatteryEnd {
    /// A visit before this day is early enough in most cases.
    pub earliest: NaiveDate,
    /// The most likely day.
    pub likely: NaiveDate,
    /// The last day of the range; `range` says what it rests on.
    pub latest: NaiveDate,
}

/// What the forecast of a battery rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ForecastBasis {
    /// How its voltage or level fell.
    Trend,
    /// Its age and the typical life that is set.
    Age,
    /// Its voltage has left the level at which such cells stand until near their end.
    Knee,
    /// The sun no longer charges it as it used to.
    Charging,
}

/// The judgment of a battery.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum BatteryState {
    /// Nothing to do.
    Good,
    /// To be replaced.
    Low,
    /// Too little is known.
    Unknown,
}

/// When a sensor will fall silent for want of power.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct SilenceForecast {
    /// The most likely day, in the site's time zone.
    pub silent_by: NaiveDate,
    /// The first day of the range in which it is expected.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub earliest: Option<NaiveDate>,
    /// The last day of that range. Absent: no end can be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub latest: Option<NaiveDate>,
}
