//! `thirstd visits`: which sites need somebody, by when, why, and what to bring.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use thirst_schemas as wire;

use super::page::{Page, Screen, Style};
use super::{status, words};
use crate::engine::publish::visits::{Need, cut, order, visit};
use crate::engine::settings::{Settings, SiteSettings};
use crate::engine::stamp::Stamp;
use crate::shell::store::{Reader, StoreError};

/// Which visits are wanted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Wanted {
    /// What is for them alone.
    pub audience: Option<wire::Audience>,
    /// Due by the end of this day; what has no date is left out.
    pub until: Option<NaiveDate>,
}

/// The visits that the open alerts in the store ask for.
pub(super) struct List<'a> {
    pub(super) wanted: Wanted,
    pub(super) payload: wire::Visits,
    /// Beside each visit: its site, and who is to act.
    pub(super) sites: Vec<(&'a SiteSettings, BTreeSet<wire::Audience>)>,
    heading: (Style, String),
    put_off: usize,
    now: Stamp,
}

pub(super) fn read<'a>(
    reader: &Reader,
    settings: &'a Settings,
    wanted: Wanted,
    now: Stamp,
) -> Result<List<'a>, StoreError> {
    let told = reader.topic(&wire::topics::visits(&settings.prefix))?;
    let told = told.and_then(|told| serde_json::from_slice::<wire::Visits>(&told).ok());
    let mut all = Vec::new();
    let mut put_off = 0;
    for site in &settings.sites {
        let kept = reader.topics_below(&format!("{}/site/{}/alert/", settings.prefix, site.id))?;
        let alerts: Vec<wire::Alert> =
            kept.iter().filter_map(|topic| serde_json::from_slice(&topic.payload).ok()).collect();
        let for_them = |alert: &&wire::Alert| wanted.audience.is_none_or(|audience| alert.audience == audience);
        let open = alerts.iter().filter(|alert| alert.state != wire::AlertState::Closed).filter(for_them);
        let sleeps = |alert: &wire::Alert| alert.snoozed_until.is_some_and(|until| Stamp::from(until) > now);
        let (asleep, awake): (Vec<_>, Vec<_>) = open.partition(|alert| sleeps(alert));
        put_off += asleep.into_iter().filter_map(Need::told).count();
        let needs: Vec<Need<'_>> = awake.iter().copied().filter_map(Need::told).collect();
        let of = |alert: &&&wire::Alert| Need::told(alert).is_some();
        let audiences = awake.iter().filter(of).map(|alert| alert.audience).collect();
        let in_time = |visit: &wire::Visit| wanted.until.is_none_or(|until| visit.by.is_some_and(|by| by <= until));
        if let Some(visit) = visit(site, needs).filter(in_time) {
            all.push((visit, (site, audiences)));
        }
    }
    all.sort_by(|(a, _), (b, _)| order(a, b));
    let (visits, sites) = all.into_iter().unzip();
    let status = status::read(reader, settings, std::iter::empty(), false, now)?;
    let style = if status.daemon() == status::Daemon::Running { Style::Quiet } else { Style::Caution };
    Ok(List {
        wanted,
        payload: wire::Visits {
            schema: Default::default(),
            epoch: told.as_ref().map_or(status.saved.epoch, |told| told.epoch),
            sequence: told.as_ref().map_or(0, |told| told.sequence),
            issued_at: told.as_ref().map_or_else(|| now.utc(), |told| told.issued_at),
            visits,
            left_out: None,
        },
        sites,
        heading: (style, status::heading(&status)),
        put_off,
        now,
    })
}

pub(super) fn page(list: &List<'_>, screen: Screen) -> String {
    let mut page = Page::new(screen);
    page.line(list.heading.0, &list.heading.1);
    page.line(Style::Strong, &summary(list));
    for (visit, (site, audiences)) in list.payload.visits.iter().zip(&list.sites) {
        page.blank();
        let today = crate::engine::civil::date(site.zone, list.now);
        let (style, by) = match visit.by {
            Some(by) if by < today => (Style::Alarm, format!("since {}", date(by))),
            Some(by) if by == today => (Style::Alarm, "today".to_owned()),
            Some(by) => (Style::Caution, format!("by {}", date(by))),
            None => (Style::Strong, "when somebody is there".to_owned()),
        };
        let name = if site.label == site.id { site.id.clone() } else { format!("{} ({})", site.id, site.label) };
        page.line(style, &format!("[ ] {name}: {by}"));
        let rows = visit.reasons.iter().enumerate();
        rows.for_each(|(index, text)| page.row(COLUMN, Style::Plain, if index == 0 { "why" } else { "and" }, text));
        if !visit.sensors.is_empty() {
            page.row(COLUMN, Style::Plain, "sensors", &visit.sensors.join(", "));
        }
        if !visit.bring.is_empty() {
            page.row(COLUMN, Style::Plain, "bring", &visit.bring.join("; "));
        }
        page.row(COLUMN, Style::Plain, "for", &named(audiences));
        if visit.confidence != wire::VisitConfidence::Certain {
            page.row(COLUMN, Style::Plain, "how sure", confidence(visit.confidence));
        }
    }
    page.finish()
}

fn summary(list: &List<'_>) -> String {
    let audience = list.wanted.audience.map_or_else(String::new, |one| format!(" the {}", words::audience(one)));
    let until = list.wanted.until.map_or_else(String::new, |until| format!(" until {}", date(until)));
    let put_off = match list.put_off {
        0 => String::new(),
        1 => " One alert is put off.".to_owned(),
        count => format!(" {count} alerts are put off."),
    };
    let whom = if audience.is_empty() { " somebody" } else { &audience };
    match list.payload.visits.len() {
        0 if audience.is_empty() => format!("No site needs a visit{until}.{put_off}"),
        0 => format!("No site needs{audience}{until}.{put_off}"),
        1 => format!("One site needs{whom}{until}.{put_off}"),
        count => format!("{count} sites need{whom}{until}, the most pressing first.{put_off}"),
    }
}

fn date(day: NaiveDate) -> String {
    day.format("%a %-d %b %Y").to_string()
}

fn named(audiences: &BTreeSet<wire::Audience>) -> String {
    words::list(&audiences.iter().map(|one| words::audience(*one)).collect::<Vec<_>>())
}

fn confidence(confidence: wire::VisitConfidence) -> &'static str {
    match confidence {
        wire::VisitConfidence::Certain => "certain",
        wire::VisitConfidence::Likely => "likely",
        wire::VisitConfidence::Possible => "possible",
    }
}

/// As the list is published: at most a thousand visits, the most pressing, and how many are left out.
pub(super) fn json(list: List<'_>) -> String {
    let mut payload = list.payload;
    payload.left_out = cut(&mut payload.visits);
    // Plain data, which always serializes.
    serde_json::to_string(&payload).unwrap_or_default()
}

/// One line a site, for a spreadsheet (RFC 4180).
pub(super) fn csv(list: &List<'_>) -> String {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let head = ["site", "label", "by", "confidence", "for", "sensors", "reasons", "bring"].map(str::to_owned);
    let lines = list.payload.visits.iter().zip(&list.sites).map(|(visit, (site, audiences))| {
        [
            visit.site.clone(),
            site.label.clone(),
            visit.by.map_or_else(String::new, |by| by.to_string()),
            confidence(visit.confidence).to_owned(),
            named(audiences),
            visit.sensors.join(", "),
            visit.reasons.join(" "),
            visit.bring.join("; "),
        ]
    });
    for line in std::iter::once(head).chain(lines) {
        // Writing to memory cannot fail, and all lines are of one length.
        let _ = writer.write_record(line.iter().map(|cell| harmless(cell)));
    }
    String::from_utf8_lossy(&writer.into_inner().unwrap_or_default()).into_owned()
}

/// A cell that no spreadsheet takes for a formula: what begins like one gets an apostrophe in front, which spreadsheets
/// show as text (common practice). Control characters become spaces.
fn harmless(cell: &str) -> String {
    let clean: String = cell.chars().map(|one| if one.is_control() { ' ' } else { one }).collect();
    let begins = clean.trim_start().chars().next();
    if begins.is_some_and(|first| "=+-@＝＋－＠".contains(first)) { format!("'{clean}") } else { clean }
}

/// Width of the labels.
const COLUMN: usize = 8;

#[cfg(test)]
mod tests;
