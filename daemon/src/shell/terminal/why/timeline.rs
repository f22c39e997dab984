//! What happened on the day, line by line, in order.

use thirst_schemas as wire;

use super::Past;
use crate::engine::publish::words::depth;
use crate::engine::stamp::Stamp;
use crate::shell::terminal::page::{Page, Style};
use crate::shell::terminal::words;

/// One line.
struct Entry {
    at: Stamp,
    label: String,
    style: Style,
    text: String,
}

pub(super) fn rows(past: &Past<'_>, page: &mut Page) {
    let before: Vec<Entry> = stood(past).collect();
    let mut entries: Vec<Entry> = Vec::new();
    // Causes before what follows from them.
    entries.extend(ordered(past));
    entries.extend(ran(past));
    entries.extend(alerted(past));
    entries.extend(decided(past));
    entries.extend(revised(past));
    if before.is_empty() && entries.is_empty() {
        let text = match past.begins {
            Some(begins) if begins < past.end => "Nothing changed, and nobody did anything.".to_owned(),
            Some(begins) => {
                format!("Nothing is kept of this day: the diary of the site begins on {}.", past.date(begins))
            }
            None => "Nothing is kept of this site yet.".to_owned(),
        };
        page.row(COLUMN, Style::Plain, "", &text);
        return;
    }
    // Stable: what happened at one instant stays in the order above.
    entries.sort_by_key(|entry| entry.at);
    for entry in before.iter().chain(&entries) {
        page.row(COLUMN, entry.style, &entry.label, &entry.text);
    }
}

/// Name and text of a decision.
fn decision(past: &Past<'_>, decision: &wire::Decision) -> (Style, String) {
    let label = past.groups.iter().find(|group| group.id == decision.group);
    let label = label.map_or(decision.group.as_str(), |group| group.label.as_str());
    let style = if decision.action == wire::Action::Hold { Style::Held } else { Style::Strong };
    let figures = words::figures(past.site, &decision.figures);
    let name = if decision.text.contains(label) { String::new() } else { format!("{label}: ") };
    (style, format!("{name}{} [{figures}]", decision.text))
}

fn stood(past: &Past<'_>) -> impl Iterator<Item = Entry> {
    past.before.iter().map(|(at, stood)| {
        let (style, text) = decision(past, stood);
        Entry { at: *at, label: past.clock(*at), style, text: format!("(as the day began) {text}") }
    })
}

fn decided(past: &Past<'_>) -> impl Iterator<Item = Entry> {
    past.decisions.iter().map(|(at, decided)| {
        let (style, text) = decision(past, decided);
        Entry { at: *at, label: past.clock(*at), style, text }
    })
}

fn ran(past: &Past<'_>) -> impl Iterator<Item = Entry> {
    past.deliveries.iter().map(|run| {
        let (start, end) = (Stamp::from(run.start), Stamp::from(run.end));
        let label = past.groups.iter().find(|group| group.id == run.group);
        let label = label.map_or(run.group.as_str(), |group| group.label.as_str());
        let mm = depth(past.site, run.depth_mm);
        let text = if run.reported {
            format!("{label}: the bridge reported a run from {} to {}: {mm}.", past.clock(start), past.clock(end))
        } else {
            format!(
                "{label}: {mm} booked as decided for the window from {} to {}; no bridge reports runs.",
                past.clock(start),
                past.clock(end)
            )
        };
        Entry { at: end, label: past.clock(end), style: Style::Plain, text }
    })
}

fn ordered(past: &Past<'_>) -> impl Iterator<Item = Entry> {
    past.orders.iter().map(|order| Entry {
        at: order.at,
        label: past.clock(order.at),
        style: Style::Plain,
        text: format!("command by {}: {}", order.who, order.text),
    })
}

fn alerted(past: &Past<'_>) -> impl Iterator<Item = Entry> {
    let changed = past.alerts.iter().map(|(at, alert)| {
        let (style, what) = match (alert.state, &alert.acknowledged_by) {
            (wire::AlertState::Open, _) => (Style::Caution, "alert"),
            (wire::AlertState::Closed, _) => (Style::Plain, "alert over"),
            (wire::AlertState::Acknowledged, None) => (Style::Plain, "alert taken on"),
            (wire::AlertState::Acknowledged, Some(_)) => (Style::Plain, "alert taken on by"),
        };
        let who = alert.acknowledged_by.as_ref().filter(|_| alert.state == wire::AlertState::Acknowledged);
        let who = who.map_or_else(String::new, |who| format!(" {who}"));
        Entry {
            at: *at,
            label: past.clock(*at),
            style,
            text: format!("{what}{who}: {}", alert.text.trim_start_matches("Over: ")),
        }
    });
    let open = past.open.iter().map(|alert| Entry {
        at: past.start,
        label: past.clock(alert.since.into()),
        style: Style::Caution,
        text: format!("(as the day began) alert: {}", alert.text),
    });
    open.chain(changed)
}

/// Revisions of the day's figures, which may come days later.
fn revised(past: &Past<'_>) -> impl Iterator<Item = Entry> {
    past.figures.windows(2).filter_map(|pair| {
        let [(_, before), (at, after)] = pair else { return None };
        if after.revision == before.revision {
            return None;
        }
        let change = |name: &str, from_mm: f64, to_mm: f64| {
            let (from, to) = (depth(past.site, from_mm), depth(past.site, to_mm));
            (from != to).then(|| format!("{name} from {from} to {to}"))
        };
        let changes = [change("ETo", before.eto_mm, after.eto_mm), change("rain", before.rain_mm, after.rain_mm)];
        let changes: Vec<String> = changes.into_iter().flatten().collect();
        let what = if changes.is_empty() { "by less than is shown here".to_owned() } else { changes.join(", ") };
        let text = format!("figures revised by late readings: {what}");
        Some(Entry { at: *at, label: past.clock(*at), style: Style::Plain, text })
    })
}

/// Characters for a time: "Wed 14:05", "30 May 2027 06:00" goes on a line of its own.
pub(super) const COLUMN: usize = 9;
