//! The report for people: a table for each pattern of topics, then what was left out and why.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::guess::{Guess, Meaning};
use super::topics::{Interval, PartGuess, Pattern};
use super::unit::shown;
use super::{LeftOut, Report, Sure};
use crate::engine::decode::Part;
use crate::engine::decode::loss::excerpt;
use crate::engine::stamp::{HOUR, MINUTE, SECOND};

/// Plain text, without colors, ending in a line end.
pub fn page(report: &Report, source: &str) -> String {
    let mut page = String::new();
    // Writing to a string cannot fail.
    let _ = head(&mut page, report, source);
    for pattern in &report.patterns {
        let _ = table(&mut page, pattern);
    }
    let _ = left_out(&mut page, &report.left_out);
    page
}

fn head(page: &mut String, report: &Report, source: &str) -> std::fmt::Result {
    let (messages, topics) = (counted(report.messages, "message"), counted(report.topics as u64, "topic"));
    writeln!(page, "{source}: {messages} on {topics} in {}", duration(report.span))?;
    if report.beyond > 0 {
        writeln!(page, "{} on further topics were not looked at: narrow --topics", counted(report.beyond, "message"))?;
    }
    if report.patterns.is_empty() {
        writeln!(
            page,
            "\nNothing looks like weather or soil. Listen longer (--seconds 600) or to other topics (--topics)."
        )?;
    }
    Ok(())
}

fn table(page: &mut String, pattern: &Pattern) -> std::fmt::Result {
    writeln!(page, "\n{}", plain(&pattern.template))?;
    let topics = counted(pattern.topics as u64, "topic");
    writeln!(page, "  {}, {topics}, {}", format_name(pattern), every(pattern))?;
    let senders: Vec<String> =
        pattern.senders.iter().take(6).map(|(site, sensor)| format!("{}/{}", excerpt(site), excerpt(sensor))).collect();
    let more = pattern.senders.len().saturating_sub(senders.len());
    let more = if more == 0 { String::new() } else { format!(" and {more} more") };
    part(page, "site", &pattern.site)?;
    part(page, "sensor", &pattern.sensor)?;
    writeln!(page, "  heard   {}{more}", senders.join(", "))?;
    writeln!(page)?;
    let (used, rest): (Vec<&Guess>, Vec<&Guess>) =
        pattern.fields.iter().partition(|guess| guess.meaning != Meaning::Nothing);
    let mut rows = vec![["field", "seen", "is", "in", "sure", "because"].map(str::to_owned)];
    rows.extend(used.iter().map(|guess| row(guess)));
    rows_out(page, &rows)?;
    if !rest.is_empty() {
        writeln!(page, "  not used")?;
        let shown = rest
            .iter()
            .take(MOST_REST)
            .map(|guess| ["".to_owned(), name(guess), excerpt(&guess.example), guess.why.clone()]);
        rows_out(page, &shown.collect::<Vec<_>>())?;
        if rest.len() > MOST_REST {
            writeln!(page, "    and {} more fields", rest.len() - MOST_REST)?;
        }
    }
    Ok(())
}

fn part(page: &mut String, word: &str, guess: &PartGuess) -> std::fmt::Result {
    let place = match &guess.part {
        Part::Captured => String::new(),
        Part::Fixed(name) => format!("always {name}: "),
        Part::Pointer(pointer) => format!("{pointer} of the payload: "),
    };
    writeln!(page, "  {word:7} {place}{} ({})", plain(&guess.why), guess.sure.name())
}

fn row(guess: &Guess) -> [String; 6] {
    let (is, unit) = match &guess.meaning {
        Meaning::Reading(sense) => {
            let scale = if sense.scale == 1.0 { String::new() } else { format!(" × {}", sense.scale) };
            let unit = if is_unitless(sense.quantity) { String::new() } else { shown(sense.unit).to_owned() };
            (sense.quantity.name().to_owned(), format!("{unit}{scale}"))
        }
        Meaning::Time { format, .. } => ("its own time".to_owned(), super::write::time_format(*format).to_owned()),
        Meaning::Sender => ("the sender's name".to_owned(), String::new()),
        Meaning::Nothing => (String::new(), String::new()),
    };
    [name(guess), excerpt(&guess.example), is, unit, guess.sure.name().to_owned(), guess.why.clone()]
}

fn is_unitless(quantity: crate::engine::reading::Quantity) -> bool {
    quantity.unit() == "1"
}

fn name(guess: &Guess) -> String {
    if guess.key.is_empty() { "the value".to_owned() } else { excerpt(&guess.key) }
}

/// Columns as wide as their longest cell; the last one is not filled up.
fn rows_out<const N: usize>(page: &mut String, rows: &[[String; N]]) -> std::fmt::Result {
    let rows: Vec<[String; N]> = rows.iter().map(|row| row.each_ref().map(|cell| plain(cell))).collect();
    let width = |column: usize| {
        rows.iter().filter_map(|row| row.get(column)).map(|cell| cell.chars().count()).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..N).map(width).collect();
    for row in &rows {
        let mut line = String::from("  ");
        for (cell, width) in row.iter().zip(&widths) {
            let _ = write!(line, "{cell:width$}  ");
        }
        writeln!(page, "{}", line.trim_end())?;
    }
    Ok(())
}

fn left_out(page: &mut String, left_out: &[LeftOut]) -> std::fmt::Result {
    if left_out.is_empty() {
        return Ok(());
    }
    let mut by_reason: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for left in left_out {
        by_reason.entry(&left.why).or_default().push(&left.topic);
    }
    writeln!(page, "\nLeft out")?;
    let rows = by_reason.iter().map(|(why, topics)| {
        let more = topics.len().saturating_sub(2);
        let shown = topics.iter().take(2).map(|topic| excerpt(topic)).collect::<Vec<_>>().join(", ");
        let more = if more == 0 { String::new() } else { format!(" and {more} more") };
        [format!("{shown}{more}"), plain(why)]
    });
    rows_out(page, &rows.collect::<Vec<_>>())
}

fn format_name(pattern: &Pattern) -> &'static str {
    match pattern.kind {
        super::Kind::Json => "JSON",
        super::Kind::Senml => "SenML",
        super::Kind::Value => "one value a topic",
    }
}

fn every(pattern: &Pattern) -> String {
    match pattern.interval {
        _ if pattern.only_retained => "only retained messages: is it still sending?".to_owned(),
        Some(Interval { millis, sure: Sure::Guess }) => format!("perhaps every {} (guess)", duration(millis)),
        Some(Interval { millis, sure }) => format!("every {} ({})", duration(millis), sure.name()),
        None => "heard too seldom to tell how often".to_owned(),
    }
}

pub fn duration(millis: i64) -> String {
    let rounded = |unit: i64| (millis + unit / 2) / unit;
    match millis {
        _ if millis < 2 * MINUTE => format!("{} s", rounded(SECOND)),
        _ if millis < 2 * HOUR => format!("{} min", rounded(MINUTE)),
        _ => format!("{} h", rounded(HOUR)),
    }
}

pub fn counted(count: u64, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

/// Names and texts of others on one line: what is hidden in them is not shown, and not all of what is long.
pub fn plain(text: &str) -> String {
    let words: Vec<String> = text.split(' ').map(excerpt).collect();
    words.join(" ").chars().take(200).collect()
}

const MOST_REST: usize = 12;
