//! Payloads in words, and what in a payload counts as news.
//!
//! Payloads are read by their documented keys; what is absent is left out of the sentence.

use std::fmt::Write as _;

use serde_json::{Value as Json, json};

use crate::offline::Summary;
use crate::topic::{Kind, Parts};

/// The part of a payload that is news when it changes; `None`: every payload is news.
pub(super) fn substance(kind: Kind, payload: &Json) -> Option<Json> {
    let pick = |keys: &[&str]| json!(keys.iter().map(|key| payload.get(key)).collect::<Vec<_>>());
    match kind {
        Kind::Decision => Some(json!([pick(&["action", "scale_percent"]), reasons(payload)])),
        Kind::Instruction => Some(pick(&["capability", "water_allowed", "percent", "percents", "months", "minutes"])),
        Kind::Fallback => Some(pick(&["percents", "frost_months"])),
        Kind::Totals => Some(pick(&["previous_day"])),
        Kind::Sensor => Some(json!([payload.pointer("/link/state"), payload.pointer("/battery/state")])),
        Kind::Alert => Some(pick(&["state", "urgency"])),
        Kind::Visits => Some(pick(&["visits"])),
        Kind::Daemon => Some(pick(&["state"])),
        Kind::Result | Kind::Other => None,
    }
}

/// One sentence for a published payload; `None` where it has nothing to tell yet.
pub(super) fn published(parts: &Parts<'_>, payload: &Json) -> Option<String> {
    let subject = parts.subject;
    let text = |key: &str| payload.get(key).and_then(Json::as_str).unwrap_or_default();
    let sentence = match parts.kind {
        Kind::Decision => {
            let what = match (text("action"), payload.get("scale_percent").and_then(Json::as_u64)) {
                ("hold", _) => format!("hold ({})", reasons(payload).join(", ")),
                (action, Some(percent)) => format!("{action} {percent} %"),
                (action, None) => action.to_owned(),
            };
            joined(&format!("decision {subject}: {what}."), text("text"))
        }
        Kind::Instruction => joined(&format!("instruction {subject}:"), text("text")),
        Kind::Fallback => joined("fallback:", text("text")),
        Kind::Totals => day(payload)?,
        Kind::Sensor => {
            let mut states = Vec::new();
            for (name, pointer) in [("link", "/link/state"), ("battery", "/battery/state")] {
                if let Some(state) = payload.pointer(pointer).and_then(Json::as_str) {
                    states.push(format!("{name} {state}"));
                }
            }
            format!("sensor {subject}: {}", states.join(", "))
        }
        Kind::Alert => match text("state") {
            "open" => {
                let said = joined(&format!("alert {subject} opened ({}):", text("urgency")), text("text"));
                joined(&said, text("suggested_action"))
            }
            state => format!("alert {subject} {state}, open since {}", text("since")),
        },
        Kind::Result => {
            // A command that could not be read has neither verb nor author.
            let of = [("", text("verb")), ("of ", text("who"))].into_iter().filter(|(_, what)| !what.is_empty());
            let of: String = of.map(|(word, what)| format!(" {word}{what}")).collect();
            joined(&format!("result{of}: {}.", text("outcome")), text("text"))
        }
        Kind::Visits => {
            let count = payload.get("visits").and_then(Json::as_array).map_or(0, Vec::len);
            format!("visits: {count} on the list")
        }
        Kind::Daemon => format!("daemon {subject}: {}", text("state")),
        Kind::Other => format!("{subject}: {payload}"),
    };
    Some(sentence)
}

/// The numbers of a run, sorted, with nothing in them that differs between two runs.
pub(super) fn summary(summary: &Summary) -> String {
    let mut text = String::new();
    let mut row = |name: &str, what: String| {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "{name:<10}{what}");
    };
    row("time", format!("{} to {}", summary.from.text(), summary.until.text()));
    row(
        "in",
        format!(
            "{} ({} retained), {}",
            counted(summary.messages, "message"),
            summary.retained,
            counted(summary.events, "other event")
        ),
    );
    let published = summary.published.iter().map(|(kind, count)| (kind.name(), *count));
    row("published", format!("{}, of these {} cleared", total(published), summary.cleared));
    row("history", total(summary.records.iter().map(|(name, count)| (*name, *count))));
    row("audit", counted(summary.audit, "line"));
    row("log", counted(summary.logged, "line"));
    text
}

fn total<'a>(counts: impl Iterator<Item = (&'a str, u64)> + Clone) -> String {
    let sum: u64 = counts.clone().map(|(_, count)| count).sum();
    let each: Vec<String> = counts.map(|(name, count)| format!("{name} {count}")).collect();
    if each.is_empty() { "0".to_owned() } else { format!("{sum} ({})", each.join(", ")) }
}

fn counted(count: u64, noun: &str) -> String {
    format!("{count} {noun}{}", if count == 1 { "" } else { "s" })
}

fn reasons(payload: &Json) -> Vec<&str> {
    let holds = payload.get("holds").and_then(Json::as_array);
    holds.into_iter().flatten().filter_map(|hold| hold.get("reason")?.as_str()).collect()
}

/// The day that closed last, where one has.
fn day(payload: &Json) -> Option<String> {
    let day = payload.get("previous_day")?;
    let date = day.get("day")?.as_str()?;
    let mut text = match day.get("revision").and_then(Json::as_u64) {
        Some(revision) if revision > 0 => format!("day {date} revised ({revision}):"),
        _ => format!("day {date} closed:"),
    };
    let mut figures = Vec::new();
    if let Some(eto) = millimeters(day.get("eto_mm")) {
        let method = day.get("method").and_then(Json::as_str).map(|name| format!(" ({name})"));
        figures.push(format!("ETo {eto}{}", method.unwrap_or_default()));
    }
    if let Some(rain) = millimeters(day.get("rain_mm")) {
        figures.push(format!("rain {rain}"));
    }
    for (group, owed) in payload.get("owed_mm").and_then(Json::as_object).into_iter().flatten() {
        if let Some(owed) = millimeters(Some(owed)) {
            figures.push(format!("{group} owes {owed}"));
        }
    }
    text.push(' ');
    text.push_str(&figures.join(", "));
    Some(text)
}

fn millimeters(value: Option<&Json>) -> Option<String> {
    value.and_then(Json::as_f64).map(|mm| format!("{mm:.1} mm"))
}

fn joined(head: &str, tail: &str) -> String {
    if tail.is_empty() { head.to_owned() } else { format!("{head} {tail}") }
}
