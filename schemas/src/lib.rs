//! The wire of thirstd: every payload in and out, as types. JSON Schema and AsyncAPI are generated from them.
//!
//! | topic below the prefix | payload | module |
//! |---|---|---|
//! | `daemon/{instance}` | [`DaemonStatus`] | [`daemon`] |
//! | `daemon/{instance}/alert/{kind}/{subject}` | [`Alert`] without `site` | [`alert`] |
//! | `site/{site}/decision/{group}` | [`Decision`] | [`decision`] |
//! | `site/{site}/instruction/{controller}` | [`Instruction`] | [`instruction`] |
//! | `site/{site}/fallback` | [`Fallback`] | [`instruction`] |
//! | `site/{site}/totals` | [`Totals`] | [`totals`] |
//! | `site/{site}/sensor/{sensor}` | [`SensorStatus`] | [`sensor`] |
//! | `site/{site}/alert/{kind}/{subject}` | [`Alert`] | [`alert`] |
//! | `site/{site}/command` | [`Command`], in | [`command`] |
//! | `site/{site}/result` | [`CommandResult`] | [`command`] |
//! | `site/{site}/report/{controller}` | [`Report`], in | [`report`] |
//! | `visits` | [`Visits`] | [`visits`] |
//!
//! Optional values are absent, never null. Every number is finite. Times are RFC 3339 in UTC. thirstd is not for life
//! safety, fire protection or frost-protection sprinkling; local watering rules, codes and licensed practice come
//! first; holding in frost is best effort.

pub mod alert;
pub mod command;
pub mod contract;
pub mod daemon;
pub mod decision;
pub mod encode;
pub mod figure;
pub mod head;
mod inbound;
pub mod instruction;
pub mod report;
pub mod sensor;
pub mod time;
pub mod topics;
pub mod totals;
pub mod visits;

pub use alert::{Alert, AlertKind, AlertState, Audience, Urgency};
pub use command::{
    AcknowledgeOrder, AdoptOrder, COMMAND_BYTES_MAX, Command, CommandError, CommandResult, HoldOrder, Outcome,
    RainOrder, ReleaseOrder, SeasonOrder, SeasonState, ServiceKind, ServiceOrder, Verb, VerbName,
};
pub use daemon::{DaemonState, DaemonStatus};
pub use decision::{Action, BasisKind, Confidence, Decision, Figures, Hold, Interval, Reason, Release};
pub use encode::{NotFinite, encode};
pub use figure::{finite, round1, round2};
pub use head::Name;
pub use instruction::{Capability, Fallback, Instruction, RunTime};
pub use report::{InForce, REPORT_BYTES_MAX, REPORT_RUNS_MAX, Report, ReportError, Run};
pub use sensor::{
    Battery, BatteryEnd, BatteryForecast, BatteryState, ForecastBasis, LastValue, Link, LinkState, RangeBasis,
    SensorStatus, SilenceForecast,
};
pub use totals::{EtoMethod, PreviousDay, RainTotals, TotalMark, Totals};
pub use visits::{Visit, VisitConfidence, Visits};
