//! What a yard is worth, for people and as one JSON object.

use std::collections::BTreeMap;
use std::fmt::Write;

use serde::Serialize;

use super::score::{Score, rounded};

/// Everything a run found out. Serializes as the last line of the output.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Findings {
    #[serde(flatten)]
    pub score: Score,
    /// The same days watered 100 % on every watering day.
    pub fixed_timer: Score,
    /// The same days watered by a percentage of evapotranspiration, rain ignored; and the same with a rain hold.
    pub percent_rule: Score,
    pub percent_rule_with_rain_hold: Score,
    /// The daily ledger by the reference implementation's rule, without messages and holds.
    pub ledger_without_messages: Score,
    pub by_fault: BTreeMap<&'static str, FaultScore>,
    pub eto: Compared,
    pub rain: Compared,
    pub days: usize,
    pub filled_days: usize,
    pub scored_from: String,
    pub scored_until: String,
    pub truth: &'static str,
    pub sensors: String,
    pub controller: &'static str,
    pub watering_days_a_week: usize,
    pub storage: &'static str,
    pub normals: String,
    pub messages: u64,
    pub instructions: u64,
    /// Alerts that opened in the run without a fault, by kind.
    pub alerts: BTreeMap<String, usize>,
    pub seed: u64,
    /// Sites nearby that measured the same weather.
    pub neighbors: usize,
    pub note: &'static str,
}

/// The engine's daily figures against the history's.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Compared {
    pub days: usize,
    pub bias_percent: f64,
    pub rmse_mm: f64,
}

impl Compared {
    /// Of pairs, the engine's first; days without a figure are left out.
    pub fn of(engine: &[f64], truth: &[f64]) -> Self {
        let pairs: Vec<(f64, f64)> =
            engine.iter().copied().zip(truth.iter().copied()).filter(|(engine, _)| engine.is_finite()).collect();
        let count = pairs.len().max(1) as f64;
        let whole: f64 = pairs.iter().map(|(_, truth)| truth).sum();
        let over: f64 = pairs.iter().map(|(engine, truth)| engine - truth).sum();
        let squares: f64 = pairs.iter().map(|(engine, truth)| (engine - truth).powi(2)).sum();
        Self {
            days: pairs.len(),
            bias_percent: rounded(100.0 * over / whole.max(1e-9)),
            rmse_mm: rounded((squares / count).sqrt()),
        }
    }
}

/// What a fault costs, and whether anybody was told.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct FaultScore {
    /// Of the windows that hold a day of the fault.
    #[serde(flatten)]
    pub score: Score,
    /// The same windows without the fault.
    pub pass_percent_without: f64,
    pub seasons: usize,
    /// Seasons in which an alert named it, and which kinds.
    pub alerted: usize,
    pub alert_kinds: Vec<String>,
    /// Days from the onset to the first such alert: median.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub days_to_alert: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why_unseen: Option<&'static str>,
    #[serde(skip)]
    pub what: &'static str,
}

/// Says what was found, in plain words.
pub fn text(findings: &Findings) -> String {
    let mut text = String::new();
    // Writing to a `String` cannot fail.
    macro_rules! line { ($($part:tt)*) => {{ let _ = writeln!(text, $($part)*); }}; }
    line!(
        "The yard: six zones, modelled on the published protocol, zone table from memory; no statement of conformity."
    );
    line!(
        "History: {} days, windows scored from {} to {}; {} days had something filled in.",
        findings.days,
        findings.scored_from,
        findings.scored_until,
        findings.filled_days
    );
    line!(
        "Sensors: {}. Sites nearby: {}. True evapotranspiration: {}.",
        findings.sensors,
        findings.neighbors,
        findings.truth
    );
    line!(
        "Controller: {}, {} watering days a week. Root zones: {}. Normals: {}.",
        findings.controller.replace('_', " "),
        findings.watering_days_a_week,
        findings.storage,
        findings.normals
    );
    line!(
        "The engine's evapotranspiration against the truth: {:+.2} %, {:.2} mm a day (root mean square); rain: {:+.2} %.",
        findings.eto.bias_percent,
        findings.eto.rmse_mm,
        findings.rain.bias_percent
    );
    line!();
    line!("30-day windows with 10.16 mm of rain and 63.5 mm of evapotranspiration: {}", findings.score.windows);
    line!("{:<38}{:>8} {:>10} {:>10} {:>9} {:>10}", "", "pass", "adequacy", "excess", "worst", "net water");
    for (name, score) in [
        ("thirstd", &findings.score),
        ("the daily ledger alone, no messages", &findings.ledger_without_messages),
        ("fixed timer", &findings.fixed_timer),
        ("percentage of evapotranspiration", &findings.percent_rule),
        ("the same with a 2-day rain hold", &findings.percent_rule_with_rain_hold),
    ] {
        line!("{}", row(name, score));
    }
    line!();
    line!("{:<38}{:>8} {:>10} {:>10}", "zone by zone", "pass", "adequacy", "excess");
    for zone in &findings.score.zones {
        let (pass, adequacy, excess) = (zone.pass_percent, zone.adequacy_mean, zone.excess_mean);
        line!("{:<38}{pass:>6.1} % {adequacy:>8.1} % {excess:>8.1} %", zone.zone);
    }
    for (name, fault) in &findings.by_fault {
        line!();
        line!("{name}: {}, in {} seasons", fault.what, fault.seasons);
        line!("{}", row("  windows that hold it", &fault.score));
        line!("  the same windows without it: {:.1} % pass", fault.pass_percent_without);
        match (fault.days_to_alert, fault.why_unseen) {
            (Some(days), _) => line!(
                "  alerted in {} of {} seasons ({}), {days:.1} days after the onset (median)",
                fault.alerted,
                fault.seasons,
                fault.alert_kinds.join(", ")
            ),
            (None, Some(why)) => line!("  no alert: {why}"),
            (None, None) => line!("  no alert"),
        }
    }
    if !findings.alerts.is_empty() {
        line!();
        let alerts: Vec<String> = findings.alerts.iter().map(|(kind, count)| format!("{kind} {count}")).collect();
        line!("Alerts in the run without a fault: {}", alerts.join(", "));
    }
    text
}

fn row(name: &str, score: &Score) -> String {
    format!(
        "{name:<38}{:>6.1} % {:>8.1} % {:>8.2} % {:>7.1} % {:>7.1} mm",
        score.pass_percent, score.adequacy_mean, score.excess_mean, score.adequacy_min, score.net_water_mm
    )
}

/// The one line.
///
/// # Errors
/// A figure is no number, which no history gives.
pub fn json(findings: &Findings) -> Result<String, String> {
    serde_json::to_string(findings).map_err(|fault| fault.to_string())
}
