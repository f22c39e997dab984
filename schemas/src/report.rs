//! What a bridge says about its controller: what is in force, and what ran.

use std::fmt;

use chrono::{DateTime, Utc};
use schemars::JsonSchema;
use serde::Serialize;
use serde::de::{self, Deserialize, Deserializer};
use serde_json::Value;

use crate::head::ReportSchema;
use crate::inbound::{A_NOTE, A_TIME, AN_ID, Object, Strict, id, named, note, number, time};

/// A report longer than this is not read, bytes.
pub const REPORT_BYTES_MAX: usize = 16_384;

/// The most runs in one report.
pub const REPORT_RUNS_MAX: usize = 64;

/// What a bridge says about its controller. Not retained. One object, at most 16384 bytes, every key may be left out,
/// a key that is not named here is refused. Send it within 5 minutes of each instruction, and after each run.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct Report {
    /// `thirst/report/1`; may be left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub schema: Option<ReportSchema>,
    /// The controller's id; if given, it must be the one in the topic.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub controller: Option<String>,
    /// The moment that the report describes, UTC. Left out: when it arrives.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at: Option<DateTime<Utc>>,
    /// The instruction in force. Left out while the bridge follows the fallback.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub in_force: Option<InForce>,
    /// The contact as it stands: true lets water run.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub water_allowed: Option<bool>,
    /// The percentage as it stands, 0 to 1000.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 1000))]
    pub percent: Option<f64>,
    /// Runs since the last report, at most 64. A run may be reported again when it has ended: its `group` and `start`
    /// tell which it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 64))]
    pub runs: Option<Vec<Run>>,
    /// Flow now, liters per minute, 0 to 100000.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 100000))]
    pub flow_liters_per_minute: Option<f64>,
    /// A note for the record, up to 500 characters, none of them a control character.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = 500), regex(pattern = r"^[^\x00-\x1f\x7f-\x9f]*$"))]
    pub note: Option<String>,
}

/// Names one instruction.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct InForce {
    /// The instruction's `epoch`.
    pub epoch: u64,
    /// The instruction's `sequence`.
    pub sequence: u64,
}

/// A run of one group.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
#[schemars(deny_unknown_fields)]
pub struct Run {
    /// The group's id.
    #[schemars(regex(pattern = "^[a-z0-9-]{1,64}$"))]
    pub group: String,
    /// When water started, UTC.
    pub start: DateTime<Utc>,
    /// When it ended, UTC. Left out: it runs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub end: Option<DateTime<Utc>>,
    /// Minutes of water on each zone, without pauses, 0 to 1440.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 1440))]
    pub minutes: Option<f64>,
    /// Net depth delivered, mm, 0 to 200.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 200))]
    pub depth_mm: Option<f64>,
    /// Water that a meter counted in the run, liters, 0 to 10000000. Over the area of the group it becomes a depth where
    /// `depth_mm` is not given.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 0, max = 10000000))]
    pub volume_liters: Option<f64>,
}

/// Why a report was refused: which key is wrong and what to write; less than 400 characters.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReportError {
    /// The same as text.
    pub text: String,
}

impl fmt::Display for ReportError {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(&self.text)
    }
}

impl std::error::Error for ReportError {}

impl Report {
    /// Reads a report as it comes from the broker. Whether its controller and groups exist, and whether its times fit
    /// the present, is not judged here.
    ///
    /// # Errors
    /// With more than [`REPORT_BYTES_MAX`] bytes or [`REPORT_RUNS_MAX`] runs, with anything but one JSON object, with a
    /// key given twice, unknown or out of its range, and with a run that ends before it starts.
    pub fn parse(bytes: &[u8]) -> Result<Self, ReportError> {
        Object::read(bytes, REPORT_BYTES_MAX, WHAT).and_then(read).map_err(|text| ReportError { text })
    }
}

impl<'de> Deserialize<'de> for Report {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let Strict(value) = Strict::deserialize(deserializer)?;
        Object::from_value(value, WHAT).and_then(read).map_err(de::Error::custom)
    }
}

fn read(mut object: Object) -> Result<Report, String> {
    object.only(KEYS, "a report")?;
    let percent = |value: &Value| number(value, 0.0, 1000.0);
    let flow = |value: &Value| number(value, 0.0, 100_000.0);
    Ok(Report {
        schema: object.take("schema", "\"thirst/report/1\", or leave it out", named::<ReportSchema>)?,
        controller: object.take("controller", AN_ID, id)?,
        at: object.take("at", A_TIME, time)?,
        in_force: object
            .take_object("in_force", "an object with epoch and sequence")?
            .map(read_in_force)
            .transpose()?,
        water_allowed: object.take("water_allowed", "true or false", Value::as_bool)?,
        percent: object.take("percent", "a number from 0 to 1000", percent)?,
        runs: match object.take_objects("runs", REPORT_RUNS_MAX, "a list of at most 64 objects")? {
            Some(runs) => Some(runs.into_iter().map(read_run).collect::<Result<_, _>>()?),
            None => None,
        },
        flow_liters_per_minute: object.take("flow_liters_per_minute", "a number from 0 to 100000", flow)?,
        note: object.take("note", A_NOTE, note)?,
    })
}

fn read_in_force(mut object: Object) -> Result<InForce, String> {
    object.only(&["epoch", "sequence"], "in_force")?;
    Ok(InForce {
        epoch: object.need("epoch", "the whole number from the instruction", Value::as_u64)?,
        sequence: object.need("sequence", "the whole number from the instruction", Value::as_u64)?,
    })
}

fn read_run(mut object: Object) -> Result<Run, String> {
    object.only(&["group", "start", "end", "minutes", "depth_mm", "volume_liters"], "a run")?;
    let group = object.need("group", AN_ID, id)?;
    let start = object.need("start", A_TIME, time)?;
    let volume = |value: &Value| number(value, 0.0, 10_000_000.0);
    let not_before = |value: &Value| time(value).filter(|end| start <= *end);
    Ok(Run {
        group,
        start,
        end: object.take("end", "an RFC 3339 time that is not before start", not_before)?,
        minutes: object.take("minutes", "a number from 0 to 1440", |value| number(value, 0.0, 1440.0))?,
        depth_mm: object.take("depth_mm", "a number from 0 to 200", |value| number(value, 0.0, 200.0))?,
        volume_liters: object.take("volume_liters", "a number from 0 to 10000000", volume)?,
    })
}

const WHAT: &str = "report";
const KEYS: &[&str] =
    &["schema", "controller", "at", "in_force", "water_allowed", "percent", "runs", "flow_liters_per_minute", "note"];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_report_may_be_empty_or_complete() {
        assert_eq!(Report::parse(b"{}"), Ok(Report::default()));
        let report = Report::parse(
            br#"{"in_force": {"epoch": 3, "sequence": 18446744073709551615}, "water_allowed": false, "percent": 82.5,
                 "runs": [{"group": "lawn", "start": "2026-07-01T04:00:00+02:00", "minutes": 12}]}"#,
        )
        .unwrap();
        assert_eq!(report.in_force, Some(InForce { epoch: 3, sequence: u64::MAX }));
        assert_eq!((report.water_allowed, report.percent), (Some(false), Some(82.5)));
        let runs = report.runs.unwrap();
        assert_eq!((runs[0].group.as_str(), runs[0].minutes, runs[0].end), ("lawn", Some(12.0), None));
        assert_eq!(runs[0].start.to_rfc3339(), "2026-07-01T02:00:00+00:00");
    }

    #[test]
    fn a_wrong_report_is_told_which_key_is_wrong_and_what_to_write() {
        for (bytes, wanted) in [
            (
                r#"{"percentage": 5}"#,
                "key \"percentage\" is not known: a report takes schema, controller, at, in_force",
            ),
            (r#"{"percent": "5"}"#, "key \"percent\": \"5\" does not fit: write a number from 0 to 1000"),
            (r#"{"percent": null}"#, "key \"percent\": null does not fit: write a number"),
            (r#"{"percent": -1}"#, "key \"percent\": -1 does not fit"),
            (r#"{"water_allowed": "open"}"#, "key \"water_allowed\": \"open\" does not fit: write true or false"),
            (r#"{"in_force": {"epoch": 1}}"#, "key \"in_force.sequence\" is missing: write the whole number"),
            (r#"{"in_force": {"epoch": 1.5, "sequence": 2}}"#, "key \"in_force.epoch\": 1.5 does not fit"),
            (r#"{"in_force": {"epoch": 1, "epoch": 2, "sequence": 2}}"#, "the key \"epoch\" is given twice"),
            (r#"{"runs": {}}"#, "key \"runs\": an object does not fit: write a list of at most 64 objects"),
            (r#"{"runs": [3]}"#, "key \"runs.0\": 3 does not fit"),
            (r#"{"runs": [{"group": "lawn"}]}"#, "key \"runs.0.start\" is missing: write an RFC 3339 time"),
            (
                r#"{"runs": [{"group": "lawn", "start": "2026-07-01T04:00:00Z", "end": "2026-07-01T03:00:00Z"}]}"#,
                "key \"runs.0.end\": \"2026-07-01T03:00:00Z\" does not fit: write an RFC 3339 time that is not before",
            ),
            (r#"{"schema": "thirst/report/2"}"#, "key \"schema\": \"thirst/report/2\" does not fit"),
            ("[]", "the report is a list of 0: send one JSON object"),
            ("", "the report is not JSON"),
        ] {
            let text = Report::parse(bytes.as_bytes()).unwrap_err().text;
            assert!(text.contains(wanted), "{bytes}\n got: {text}\nwant: {wanted}");
            assert!(text.chars().count() < 400, "{text}");
        }
    }

    #[test]
    fn a_report_is_bounded_in_bytes_and_runs() {
        let run = r#"{"group":"lawn","start":"2026-07-01T04:00:00Z"}"#;
        let with = |count: usize| format!("{{\"runs\":[{}]}}", vec![run; count].join(","));
        assert_eq!(Report::parse(with(64).as_bytes()).unwrap().runs.unwrap().len(), 64);
        let text = Report::parse(with(65).as_bytes()).unwrap_err().text;
        assert!(text.contains("key \"runs\": a list of 65 does not fit"), "{text}");
        let long = format!("{{{}}}", " ".repeat(REPORT_BYTES_MAX));
        assert_eq!(Report::parse(long.as_bytes()).unwrap_err().text, "the report has 16386 bytes: send at most 16384");
    }
}
