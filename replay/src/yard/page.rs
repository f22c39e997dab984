//! The report as a page: one file that fetches nothing, for light and for dark.

use std::fmt::Write;

use chrono::Datelike;

use super::charts::{self, Course, INK, PLAIN, SeasonDay, TIMER, WATER};
use super::score::{Account, Score, Soil};
use super::summary::FaultScore;
use super::zones::TABLE;
use super::{Outcome, account_of, rules};

/// The page of `outcome`, the history of which is called `title`.
///
/// # Errors
/// A chart cannot be drawn.
pub fn page(outcome: &Outcome, title: &str) -> Result<String, String> {
    let findings = &outcome.findings;
    let timer = account_of(&outcome.series, &rules::fixed_timer(&outcome.series, &outcome.schedule));
    let mut text = String::new();
    // Writing to a `String` cannot fail.
    macro_rules! line { ($($part:tt)*) => {{ let _ = writeln!(text, $($part)*); }}; }
    line!("<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">");
    line!("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">");
    line!("<title>The yard: {}</title>\n<style>\n{}</style>\n</head>\n<body>\n<main>", escaped(title), STYLE);
    line!("<h1>The yard of {}</h1>", escaped(title));
    line!(
        "<p class=\"soft\">{} days of weather played as messages through the engine. Windows from {} to {}. Sensors: {}. \
         Controller: {}, {} watering days a week, {}. Normals {}.</p>",
        thousands(findings.days as u64),
        findings.scored_from,
        findings.scored_until,
        findings.sensors,
        findings.controller.replace('_', " "),
        findings.watering_days_a_week,
        findings.storage,
        findings.normals,
    );
    figures(&mut text, &findings.score, &findings.fixed_timer);
    let rows = [
        ("thirstd", WATER, findings.score.years.as_slice()),
        ("daily ledger", PLAIN, findings.ledger_without_messages.years.as_slice()),
        ("fixed timer", TIMER, findings.fixed_timer.years.as_slice()),
    ];
    line!("<section><h2>Windows that pass, year by year</h2>");
    line!(
        "<p class=\"soft\">Each window is 30 days with at least 10.16 mm of rain and 63.5 mm of evapotranspiration.</p>"
    );
    key(
        &mut text,
        &[("water", "thirstd"), ("plain", "the daily ledger alone, without messages"), ("timer", "fixed timer")],
    );
    line!("{}</section>", charts::years(&rows)?);
    line!("<section><h2>Water in a month, mean of the zones</h2>");
    key(
        &mut text,
        &[("water", "given by thirstd"), ("timer", "given by the fixed timer"), ("ink", "what the plants need")],
    );
    let need = |account: &Account| monthly(outcome, account, |day| mean(&day.need));
    let given = |account: &Account| monthly(outcome, account, |day| mean(&day.given));
    let courses = [
        Course { color: INK, mm: need(&outcome.account) },
        Course { color: TIMER, mm: given(&timer) },
        Course { color: WATER, mm: given(&outcome.account) },
    ];
    line!("{}</section>", charts::months(&courses)?);
    season(&mut text, outcome)?;
    compared(&mut text, outcome);
    zones(&mut text, &findings.score);
    if !findings.by_fault.is_empty() {
        let rows: Vec<(&str, f64, f64)> = findings
            .by_fault
            .iter()
            .map(|(name, fault)| (*name, fault.pass_percent_without, fault.score.pass_percent))
            .collect();
        line!("<section><h2>When something breaks</h2>");
        line!(
            "<p class=\"soft\">Each comes once in every growing season; only windows that hold a day of it count.</p>"
        );
        key(&mut text, &[("plain", "the same windows without it"), ("water", "with it")]);
        line!("{}", charts::pairs(&rows)?);
        line!("<div class=\"scroll\"><table><tr><th>fault</th><th>windows</th><th>pass</th><th>without</th>");
        line!("<th>adequacy</th><th>excess</th><th class=\"words\">who is told</th></tr>");
        for (name, fault) in &findings.by_fault {
            let score = &fault.score;
            line!(
                "<tr><td>{name}<br><span class=\"soft\">{}</span></td><td>{}</td><td>{:.1} %</td><td>{:.1} %</td>\
                 <td>{:.1} %</td><td>{:.1} %</td><td class=\"words\">{}</td></tr>",
                escaped(fault.what),
                score.windows,
                score.pass_percent,
                fault.pass_percent_without,
                score.adequacy_mean,
                score.excess_mean,
                escaped(&alerted(fault))
            );
        }
        line!("</table></div></section>");
    }
    line!(
        "<footer><p>Modelled on the published protocol for controllers that follow the weather, with the zone table from \
         memory: no statement of conformity. True evapotranspiration: {}. The engine's own differs by {:+.2} %, {:.2} mm a day \
         (root mean square). {} messages, {} instructions.</p></footer>",
        findings.truth,
        findings.eto.bias_percent,
        findings.eto.rmse_mm,
        thousands(findings.messages),
        thousands(findings.instructions),
    );
    line!("</main>\n</body>\n</html>");
    Ok(text)
}

fn figures(text: &mut String, score: &Score, timer: &Score) {
    let saved = 100.0 * (1.0 - score.net_water_mm / timer.net_water_mm.max(0.01));
    let figures = [
        (
            "first",
            format!("{:.1} %", score.pass_percent),
            format!("of {} windows pass", thousands(score.windows as u64)),
        ),
        ("", format!("{:.1} %", score.adequacy_mean), "mean adequacy: need that was met".to_owned()),
        ("", format!("{:.2} %", score.excess_mean), "mean excess: water the soil could not hold".to_owned()),
        (
            "",
            format!("{:.0} mm", score.net_water_mm),
            format!("net in 30 days; the timer gives {:.0} mm", timer.net_water_mm),
        ),
        ("", format!("{saved:.0} %"), "less water than the fixed timer".to_owned()),
    ];
    let _ = writeln!(text, "<div class=\"figures\">");
    for (class, figure, what) in figures {
        let _ = writeln!(text, "<div class=\"figure {class}\"><b>{figure}</b><span>{what}</span></div>");
    }
    let _ = writeln!(text, "</div>");
}

/// The last whole summer half-year of zone 2, the zone that holds least.
fn season(text: &mut String, outcome: &Outcome) -> Result<(), String> {
    let (series, zone) = (&outcome.series, 1);
    let peak = outcome.schedule.peak_month as i64;
    let middle = |day: usize| series.days[day].date.day() == 15 && series.days[day].month() as i64 == peak;
    let Some(center) = (90..series.len().saturating_sub(90)).rev().find(|day| middle(*day)) else { return Ok(()) };
    let mut soil = Soil::default();
    let (mut days, mut labels) = (Vec::new(), Vec::new());
    for (index, day) in series.days.iter().enumerate().take(center + 75) {
        soil.day(day.month(), day.eto_mm, day.rain_mm, outcome.played.given[index]);
        if index + 75 < center {
            continue;
        }
        if day.date.day() == 1 {
            labels.push((days.len(), day.date.format("%b %Y").to_string()));
        }
        let given_mm = outcome.played.given[index][zone];
        days.push(SeasonDay { soil_mm: soil.water_mm[zone], rain_mm: day.rain_mm, given_mm });
    }
    let _ = writeln!(
        text,
        "<section><h2>One season in the zone that holds least</h2><p class=\"soft\">{}: {} mm of storage.</p>",
        TABLE[zone].what, TABLE[zone].storage_mm
    );
    key(
        text,
        &[("water", "water in the soil (above), irrigation (below)"), ("rain", "rain"), ("plain", "the soil is full")],
    );
    let _ = writeln!(text, "{}</section>", charts::season(&days, &labels, TABLE[zone].storage_mm)?);
    Ok(())
}

fn compared(text: &mut String, outcome: &Outcome) {
    let findings = &outcome.findings;
    let _ = writeln!(text, "<section><h2>Beside other rules, on the same days</h2><div class=\"scroll\"><table>");
    let _ = writeln!(
        text,
        "<tr><th></th><th>pass</th><th>adequacy</th><th>worst</th><th>excess</th><th>worst</th><th>net in 30 days</th></tr>"
    );
    for (class, name, score) in [
        ("ours", "thirstd", &findings.score),
        ("", "the daily ledger alone, without messages", &findings.ledger_without_messages),
        ("", "fixed timer", &findings.fixed_timer),
        ("", "percentage of evapotranspiration, rain ignored", &findings.percent_rule),
        ("", "the same with a 2-day rain hold", &findings.percent_rule_with_rain_hold),
    ] {
        let _ = writeln!(
            text,
            "<tr class=\"{class}\"><td>{name}</td><td>{:.1} %</td><td>{:.1} %</td><td>{:.0} %</td><td>{:.1} %</td>\
             <td>{:.0} %</td><td>{:.0} mm</td></tr>",
            score.pass_percent,
            score.adequacy_mean,
            score.adequacy_min,
            score.excess_mean,
            score.excess_max,
            score.net_water_mm
        );
    }
    let _ = writeln!(text, "</table></div></section>");
}

fn zones(text: &mut String, score: &Score) {
    let _ = writeln!(text, "<section><h2>Zone by zone</h2><div class=\"scroll\"><table>");
    let _ = writeln!(text, "<tr><th></th><th>holds</th><th>pass</th><th>adequacy</th><th>excess</th></tr>");
    for (zone, known) in score.zones.iter().zip(&TABLE) {
        let _ = writeln!(
            text,
            "<tr><td>{}</td><td>{:.0} mm</td><td>{:.1} %</td><td>{:.1} %</td><td>{:.2} %</td></tr>",
            known.what, known.storage_mm, zone.pass_percent, zone.adequacy_mean, zone.excess_mean
        );
    }
    let _ = writeln!(text, "</table></div></section>");
}

fn key(text: &mut String, entries: &[(&str, &str)]) {
    let entries: Vec<String> =
        entries.iter().map(|(class, name)| format!("<li><i class=\"{class}\"></i>{name}</li>")).collect();
    let _ = writeln!(text, "<ul class=\"key\">{}</ul>", entries.concat());
}

/// Mean sums of the months, mm.
fn monthly(outcome: &Outcome, account: &Account, read: impl Fn(&super::score::Balance) -> f64) -> [f64; 12] {
    let (mut sums, mut count) = ([0.0; 12], [0.0; 12]);
    for (day, balance) in outcome.series.days.iter().zip(&account.days).skip(outcome.scored_from) {
        sums[day.month()] += read(balance);
        count[day.month()] += 1.0;
    }
    std::array::from_fn(|month| if count[month] > 0.0 { sums[month] / count[month] * 30.44 } else { 0.0 })
}

fn mean(zones: &super::zones::PerZone) -> f64 {
    zones.iter().sum::<f64>() / zones.len() as f64
}

/// Who was told of a fault, in words.
pub fn alerted(fault: &FaultScore) -> String {
    match (fault.days_to_alert, fault.why_unseen) {
        (Some(days), _) => format!(
            "{} in {} of {} seasons, after {days:.0} days (median)",
            fault.alert_kinds.join(", ").replace('_', " "),
            fault.alerted,
            fault.seasons
        ),
        (None, Some(why)) => format!("nobody: {why}"),
        (None, None) => "nobody".to_owned(),
    }
}

fn thousands(count: u64) -> String {
    let digits = count.to_string();
    let mut text = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

const STYLE: &str = include_str!("page.css");
