//! What a person or another program asks of a site, and the answer.
//!
//! [`Command`] is read through [`Command::parse`] only, which checks it: its parts cannot be read by themselves.

mod read;
mod schema;
#[cfg(test)]
mod tests;

use chrono::{DateTime, NaiveDate, Utc};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::alert::AlertKind;
use crate::decision::Reason;
use crate::head::{CommandSchema, ResultSchema};

pub use read::{COMMAND_BYTES_MAX, CommandError};

/// What a person or another program asks of a site. Not retained: a retained command is refused. One object, at most
/// 4096 bytes: `id`, `who`, `verb` and the keys of that verb. A key that is not named here is refused. Sending the
/// same `id` again does nothing and is answered with `repeated`. Not for life safety, fire protection or
/// frost-protection sprinkling; local watering rules, codes and licensed practice come first.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Command {
    /// `thirst/command/1`; may be left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub schema: Option<CommandSchema>,
    /// Names this command, chosen by its sender and never used twice: 1 to 64 of the characters A–Z, a–z, 0–9, `_`,
    /// `.` and `-`.
    pub id: String,
    /// Who asks, as it shall stand in the record: 1 to 64 characters, none of them a control character.
    pub who: String,
    /// After this moment the command is not carried out, UTC.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expires_at: Option<DateTime<Utc>>,
    /// What to do.
    #[serde(flatten)]
    pub verb: Verb,
}

/// What to do.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "verb", rename_all = "snake_case")]
pub enum Verb {
    /// Hold groups.
    Hold(HoldOrder),
    /// End holds.
    Release(ReleaseOrder),
    /// Note work done on a sensor.
    Service(ServiceOrder),
    /// Rain in quarantine was rain: it counts.
    ConfirmRain(RainOrder),
    /// Rain in quarantine was none: it is dropped.
    DiscardRain(RainOrder),
    /// A new id continues a sensor.
    Adopt(AdoptOrder),
    /// Somebody has taken an alert on.
    Acknowledge(AcknowledgeOrder),
    /// Set the season.
    Season(SeasonOrder),
}

/// The name of a verb.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum VerbName {
    /// Hold groups.
    Hold,
    /// End holds.
    Release,
    /// Note work done on a sensor.
    Service,
    /// Rain in quarantine was rain.
    ConfirmRain,
    /// Rain in quarantine was none.
    DiscardRain,
    /// A new id continues a sensor.
    Adopt,
    /// Somebody has taken an alert on.
    Acknowledge,
    /// Set the season.
    Season,
}

impl Verb {
    /// The name on the wire.
    pub fn name(&self) -> VerbName {
        match self {
            Self::Hold(_) => VerbName::Hold,
            Self::Release(_) => VerbName::Release,
            Self::Service(_) => VerbName::Service,
            Self::ConfirmRain(_) => VerbName::ConfirmRain,
            Self::DiscardRain(_) => VerbName::DiscardRain,
            Self::Adopt(_) => VerbName::Adopt,
            Self::Acknowledge(_) => VerbName::Acknowledge,
            Self::Season(_) => VerbName::Season,
        }
    }
}

/// Hold groups, with reason `operator`. With neither `until` nor `hours` the hold lasts until it is released.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields, extend("not" = {"required": ["until", "hours"]}))]
pub struct HoldOrder {
    /// The groups. Left out: all of the site.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 64), extend("uniqueItems" = true), inner(regex(pattern = "^[a-z0-9-]{1,64}$")))]
    pub groups: Option<Vec<String>>,
    /// When the hold ends, UTC. Not together with `hours`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub until: Option<DateTime<Utc>>,
    /// For how many hours it lasts, 0.1 to 8784. Not together with `until`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.1, max = 8784))]
    pub hours: Option<f64>,
    /// A note for the record, up to 500 characters, none of them a control character.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 500), regex(pattern = r"^[^\x00-\x1f\x7f-\x9f]*$"))]
    pub note: Option<String>,
}

/// End holds. With neither `until` nor `hours` the release lasts as long as the hold that it ends would have lasted;
/// with one of them it returns by itself.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields, extend("not" = {"required": ["until", "hours"]}))]
pub struct ReleaseOrder {
    /// The groups. Left out: all of the site.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 64), extend("uniqueItems" = true), inner(regex(pattern = "^[a-z0-9-]{1,64}$")))]
    pub groups: Option<Vec<String>>,
    /// The reasons to release. Left out: every reason in force.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 9), extend("uniqueItems" = true))]
    pub reasons: Option<Vec<Reason>>,
    /// When the release ends, UTC. Not together with `hours`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub until: Option<DateTime<Utc>>,
    /// For how many hours it lasts, 0.1 to 8784. Not together with `until`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0.1, max = 8784))]
    pub hours: Option<f64>,
    /// True confirms a release that is refused without it: of a drained site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub confirm: Option<bool>,
    /// A note for the record, up to 500 characters, none of them a control character.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 500), regex(pattern = r"^[^\x00-\x1f\x7f-\x9f]*$"))]
    pub note: Option<String>,
}

/// Note work done on a sensor: a service mark.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct ServiceOrder {
    /// The sensor's id.
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub sensor: String,
    /// What was done.
    pub kind: ServiceKind,
    /// When it was done, UTC. Left out: when the command arrives.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at: Option<DateTime<Utc>>,
    /// A note for the record, up to 500 characters, none of them a control character.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 500), regex(pattern = r"^[^\x00-\x1f\x7f-\x9f]*$"))]
    pub note: Option<String>,
}

/// What was done on a sensor.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ServiceKind {
    /// A new battery.
    Battery,
    /// Cleaned.
    Cleaned,
    /// Water was poured through the rain gauge: it leaves the totals.
    Calibration,
    /// Moved: what was learnt of the place is forgotten.
    Moved,
    /// Replaced by another of the same kind.
    Replaced,
    /// Quantities were added: they serve a probation of 7 days.
    Added,
}

/// A judgment on the rain that a sensor has in quarantine.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct RainOrder {
    /// The rain gauge's id.
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub sensor: String,
    /// A note for the record, up to 500 characters, none of them a control character.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 500), regex(pattern = r"^[^\x00-\x1f\x7f-\x9f]*$"))]
    pub note: Option<String>,
}

/// A device that reports under a new id continues a sensor: its place, its totals and its history.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct AdoptOrder {
    /// The sensor that is continued.
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub sensor: String,
    /// The new id, as the alert `successor_proposed` names it.
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub successor: String,
    /// A note for the record, up to 500 characters, none of them a control character.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 500), regex(pattern = r"^[^\x00-\x1f\x7f-\x9f]*$"))]
    pub note: Option<String>,
}

/// Somebody has taken an alert on. With `until` it is put off as well: it stays open, leaves the visit list, and speaks
/// again then, or earlier where it becomes more urgent. Without `until` an earlier putting off ends.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct AcknowledgeOrder {
    /// The alert's kind.
    pub kind: AlertKind,
    /// The alert's subject.
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub subject: String,
    /// Until when it is put off, UTC; at most 366 days ahead. Left out: it is taken on, and stays on the visit list.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub until: Option<DateTime<Utc>>,
    /// A note for the record, up to 500 characters, none of them a control character.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 500), regex(pattern = r"^[^\x00-\x1f\x7f-\x9f]*$"))]
    pub note: Option<String>,
}

/// Set the season of a site, or let new plants of some groups establish.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields, extend(
    "if" = {"properties": {"state": {"const": "establishing"}}},
    "then" = {"required": ["until"]},
    "else" = {"not": {"anyOf": [{"required": ["until"]}, {"required": ["groups"]}, {"required": ["permit"]}]}},
))]
pub struct SeasonOrder {
    /// The season from now on.
    pub state: SeasonState,
    /// With `establishing`: the groups with new plants. Left out: all of the site. Not with the other states.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 64), extend("uniqueItems" = true), inner(regex(pattern = "^[a-z0-9-]{1,64}$")))]
    pub groups: Option<Vec<String>>,
    /// With `establishing`, and needed there: the last day of it, in the site's time zone. Not with the other states.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub until: Option<NaiveDate>,
    /// With `establishing`: what permits these groups to be watered in spite of watering restrictions, up to 500 characters:
    /// who granted it, and its number. Left out: the restrictions bind. Not with the other states.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 500), regex(pattern = r"^[^\x00-\x1f\x7f-\x9f]*$"))]
    pub permit: Option<String>,
    /// A note for the record, up to 500 characters, none of them a control character.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 500), regex(pattern = r"^[^\x00-\x1f\x7f-\x9f]*$"))]
    pub note: Option<String>,
}

/// A season that a person can set. That draining or starting is due is for the daemon to say.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum SeasonState {
    /// The system is filled and waters.
    Running,
    /// The system is drained for the winter.
    Drained,
    /// New plants need more water than the ledger says, until a day.
    Establishing,
}

/// The answer to a command. Not retained, in the order in which commands were taken. It carries no `sequence`: it is
/// an event and not a state, and `id` tells which command it answers.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct CommandResult {
    /// Names this payload and its version.
    pub schema: ResultSchema,
    /// The site's id.
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub site: String,
    /// Raised when another daemon takes over and when a store is new or restored.
    pub epoch: u64,
    /// When this payload was made, UTC.
    pub issued_at: DateTime<Utc>,
    /// The command's `id`. Absent where none could be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = "^[A-Za-z0-9_.-]{1,64}$"))]
    pub id: Option<String>,
    /// The command's `who`. Absent where none could be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(min = 1, max = 64))]
    pub who: Option<String>,
    /// The command's verb. Absent where none could be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verb: Option<VerbName>,
    /// What became of it.
    pub outcome: Outcome,
    /// The outcome in plain words; for a refused command, which key is wrong and what to write.
    pub text: String,
    /// When it was carried out or refused, UTC; for a repeated one, when that was the first time.
    pub at: DateTime<Utc>,
}

/// What became of a command.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// Carried out.
    Done,
    /// A command of this `id` was taken before; nothing was done.
    Repeated,
    /// Not carried out: it is wrong, or does not fit the state of the site.
    Refused,
    /// It came after its `expires_at`.
    Expired,
}
