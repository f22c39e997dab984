//! Something that a person should know or do, from its raising to its closing.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::head::{AlertSchema, Name};

/// Something that a person should know or do. Retained while open, one topic per kind and subject. When it closes, a
/// last message with `state` `closed` is followed by an empty payload, which clears the topic. Not for life safety,
/// fire protection or frost-protection sprinkling.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(extend(
    "if" = {"properties": {"state": {"const": "closed"}}},
    "then" = {"required": ["closed_at"]},
    "else" = {"not": {"required": ["closed_at"]}},
))]
pub struct Alert {
    /// Names this payload and its version.
    pub schema: AlertSchema,
    /// The site's id. Absent for an alert of the daemon itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub site: Option<String>,
    /// Raised when another daemon takes over and when a store is new or restored. Compare it before `sequence`.
    pub epoch: u64,
    /// Raised by one or more with every new payload on this topic, within one epoch.
    pub sequence: u64,
    /// When this payload was made, UTC.
    pub issued_at: DateTime<Utc>,
    /// What it is about.
    pub kind: AlertKind,
    /// Whom or what it concerns: the id of a sensor, group, controller, feed or gateway.
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub subject: String,
    /// Where it stands.
    pub state: AlertState,
    /// When it was raised, UTC.
    pub since: DateTime<Utc>,
    /// When it closed, UTC. Given exactly when `state` is `closed`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub closed_at: Option<DateTime<Utc>>,
    /// Who acknowledged it. Absent: nobody.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 64))]
    pub acknowledged_by: Option<String>,
    /// Until when it was put off, UTC: it stays open, is on no visit list, and speaks again afterwards. Absent: it was
    /// not, or that time has come.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub snoozed_until: Option<DateTime<Utc>>,
    /// How soon somebody should act.
    pub urgency: Urgency,
    /// Who should act.
    pub audience: Audience,
    /// The day by which somebody should have acted, in the site's time zone. Absent: no date can be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<NaiveDate>,
    /// What to bring to the site, in plain words. Absent: nothing in particular.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub bring: Vec<String>,
    /// What is the matter, in plain words, in the site's language and units.
    pub text: String,
    /// What to do about it, in plain words.
    pub suggested_action: String,
    /// The numbers behind it. The keys carry their unit as suffix.
    pub figures: BTreeMap<Name, f64>,
}

/// Where an alert stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum AlertState {
    /// Raised, nobody has answered.
    Open,
    /// Somebody has taken it on; its cause persists.
    Acknowledged,
    /// Its cause has gone.
    Closed,
}

/// How soon somebody should act.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Urgency {
    /// At once.
    Now,
    /// In the course of the day.
    Today,
    /// When somebody is there anyway.
    NextVisit,
}

/// Who should act.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Audience {
    /// Who lives or works at the site.
    Owner,
    /// Who goes there with tools.
    Technician,
    /// Who runs the daemon and plans the visits.
    Office,
}

macro_rules! alert_kinds {
    ($($(#[$doc:meta])* $name:ident = $text:literal,)+) => {
        /// What an alert is about.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
        pub enum AlertKind {
            $($(#[$doc])* #[serde(rename = $text)] $name,)+
        }

        impl AlertKind {
            /// Every kind, in the order of the documentation.
            pub const ALL: &'static [Self] = &[$(Self::$name),+];

            /// The name on the wire, in topics and in payloads.
            pub fn name(self) -> &'static str {
                match self {
                    $(Self::$name => $text,)+
                }
            }

            /// The kind of that name.
            pub fn from_name(name: &str) -> Option<Self> {
                match name {
                    $($text => Some(Self::$name),)+
                    _ => None,
                }
            }
        }
    };
}

alert_kinds! {
    /// A sensor has been silent for longer than its limit.
    SensorSilent = "sensor_silent",
    /// Every sensor behind one gateway is silent.
    GatewaySilent = "gateway_silent",
    /// The broker cannot be reached.
    BrokerSilent = "broker_silent",
    /// The broker refused a subscription.
    SubscriptionRefused = "subscription_refused",
    /// The radio link is fading.
    LinkWeak = "link_weak",
    /// The sensor comes and goes.
    LinkUnstable = "link_unstable",
    /// The battery is low now.
    BatteryLow = "battery_low",
    /// The battery will be low soon.
    BatteryForecast = "battery_forecast",
    /// A new battery was noted, but the voltage did not rise.
    BatteryUnchanged = "battery_unchanged",
    /// Readings keep failing their tests.
    ReadingImplausible = "reading_implausible",
    /// A value has not moved for too long.
    FlatLine = "flat_line",
    /// The rain gauge shows too little.
    GaugeClogged = "gauge_clogged",
    /// The rain gauge was knocked: its tips are in quarantine.
    GaugeKnocked = "gauge_knocked",
    /// The sprinklers hit the rain gauge: its tips are in quarantine.
    GaugeSprayed = "gauge_sprayed",
    /// A sensor's clock, or ours, is wrong.
    ClockWrong = "clock_wrong",
    /// Two devices report under one id.
    SharedId = "shared_id",
    /// A new id looks like the successor of a silent sensor.
    SuccessorProposed = "successor_proposed",
    /// The sensor's place makes its readings doubtful.
    SitingDoubtful = "siting_doubtful",
    /// Decisions have rested on substitutes for long.
    BasisWeak = "basis_weak",
    /// A controller does not follow, or its bridge does not report.
    NotObeyed = "not_obeyed",
    /// Water flows during a hold.
    WaterWhileHeld = "water_while_held",
    /// No water ran on two days when it was due.
    NothingWatered = "nothing_watered",
    /// Plants have gone without water for too long: holds on evidence lapse.
    DryGuard = "dry_guard",
    /// The run times that were set up do not fit the plants' need.
    RunTimesDoNotFit = "run_times_do_not_fit",
    /// Frost is near: drain the system.
    DrainDue = "drain_due",
    /// Frost is over: start the system.
    StartDue = "start_due",
    /// A feed loses many messages or fields.
    FeedRejecting = "feed_rejecting",
    /// The store cannot save.
    StoreFault = "store_fault",
    /// The history database is behind.
    HistoryBehind = "history_behind",
    /// The disk is nearly full.
    DiskLow = "disk_low",
    /// A certificate runs out soon.
    CertificateExpiring = "certificate_expiring",
    /// A new configuration was refused: the old one stays in force.
    ConfigRejected = "config_rejected",
}
