//! "Why did it (not) water?" in one or two sentences for a group.

use thirst_schemas as wire;

use super::Past;
use crate::engine::civil;
use crate::engine::publish::diary::Delivery;
use crate::engine::publish::words::depth;
use crate::engine::settings::GroupSettings;
use crate::engine::stamp::Stamp;
use crate::shell::terminal::words;

pub(super) fn answer(past: &Past<'_>, group: &GroupSettings) -> String {
    let given: Vec<&Delivery> = past.deliveries.iter().filter(|delivery| delivery.group == group.id).collect();
    if !given.is_empty() {
        return format!("{} {}", watered(past, &given), because(past, group, Stamp::from(given[0].start)));
    }
    let spans = spans(past, group);
    if spans.is_empty() {
        return match past.begins {
            Some(begins) => format!("Not known: the diary of the site begins on {}.", past.date(begins)),
            None => "Not known: nothing is kept of this site yet.".to_owned(),
        };
    }
    not_watered(past, group, &spans)
}

/// What was given, and on whose word.
fn watered(past: &Past<'_>, given: &[&Delivery]) -> String {
    let total: f64 = given.iter().map(|delivery| delivery.depth_mm).sum();
    let (first, last) = (given[0], given[given.len() - 1]);
    let times = format!("between {} and {}", past.clock(first.start.into()), past.clock(last.end.into()));
    let mm = depth(past.site, total);
    if given.iter().all(|delivery| delivery.reported) {
        let runs = match given.len() {
            1 => format!("one run of {mm}"),
            count => format!("{count} runs, {mm} together"),
        };
        format!("Watered {times}: {runs}, as the bridge reported.")
    } else {
        format!("Watered {times}: {mm}, as decided; no bridge says what really ran.")
    }
}

/// The decision in force at `at`, in its own words.
fn because(past: &Past<'_>, group: &GroupSettings, at: Stamp) -> String {
    let said = past.decisions.iter().chain(&past.before).filter(|(_, decision)| decision.group == group.id);
    let in_force = said.filter(|(since, _)| *since <= at).max_by_key(|(since, _)| *since);
    match in_force {
        Some((_, decision)) if decision.action == wire::Action::Scale => {
            format!("The decision then was {} %, with {}.", decision.scale_percent, owed(past, decision))
        }
        Some((_, decision)) => format!("It was to be held then: {}.", reasons(decision)),
        None => String::new(),
    }
}

/// A decision and the part of the day for which it stood.
struct Span<'a> {
    from: Stamp,
    to: Stamp,
    decision: &'a wire::Decision,
}

/// The day's decisions of a group, one after the other.
fn spans<'a>(past: &'a Past<'_>, group: &GroupSettings) -> Vec<Span<'a>> {
    let of_group = |lines: &'a [(Stamp, wire::Decision)]| {
        let id = group.id.clone();
        lines.iter().filter(move |(_, decision)| decision.group == id)
    };
    let mut spans: Vec<Span<'a>> = Vec::new();
    for (at, decision) in of_group(&past.before).chain(of_group(&past.decisions)) {
        let from = (*at).max(past.start);
        if let Some(last) = spans.last_mut() {
            last.to = from;
        }
        spans.push(Span { from, to: past.until(), decision });
    }
    spans.retain(|span| span.from < span.to);
    spans
}

/// Nothing ran: what stood while it could have.
fn not_watered(past: &Past<'_>, group: &GroupSettings, spans: &[Span<'_>]) -> String {
    let until = past.until();
    let not = if past.is_running() { "Not watered so far" } else { "Not watered" };
    let windows: Vec<(Stamp, Stamp)> = civil::windows_from(past.site.zone, past.start, group.window, 1)
        .filter(|(day, opens, _)| group.watering_days[civil::weekday(*day)] && *opens < past.end)
        .map(|(_, opens, closes)| (opens, closes))
        .collect();
    let Some(&(first, _)) = windows.first() else {
        return format!("{not}: it was not one of its watering days.");
    };
    if until <= first {
        let now = spans.last().map_or_else(String::new, |span| format!(" {}", stands(past, span.decision)));
        return format!("{not}: its watering window opens at {}.{now}", past.clock(first));
    }
    let inside: Vec<&Span<'_>> = spans
        .iter()
        .filter(|span| windows.iter().any(|(opens, closes)| span.from < *closes && *opens < span.to))
        .collect();
    let held: Vec<&&Span<'_>> = inside.iter().filter(|span| span.decision.action == wire::Action::Hold).collect();
    let is_held = !held.is_empty() && held.len() == inside.len();
    if let (true, Some(first), Some(last)) = (is_held, held.first(), held.last()) {
        let mut all: Vec<wire::Reason> = Vec::new();
        for reason in held.iter().flat_map(|span| &span.decision.holds).map(|hold| hold.reason) {
            if !all.contains(&reason) {
                all.push(reason);
            }
        }
        let names: Vec<&str> = all.into_iter().map(words::reason).collect();
        // One reason says itself in its own words.
        let because = if names.len() == 1 { String::new() } else { format!(", because of {}", words::list(&names)) };
        let why = first.decision.holds.first().map_or_else(String::new, |hold| format!(" {}", hold.text));
        let still = if past.is_running() && last.to == until { " It is held still." } else { "" };
        return format!("{not}: it was held while it could have run{because}.{why}{still}");
    }
    let scaled = inside.iter().filter(|span| span.decision.action == wire::Action::Scale);
    let most = scaled.clone().map(|span| span.decision.scale_percent).max().unwrap_or(0);
    let held_too = held.first().map_or_else(String::new, |span| {
        format!(" From {} it was held: {}.", past.clock(span.from), reasons(span.decision))
    });
    let Some(span) = scaled.max_by_key(|span| span.decision.scale_percent) else {
        let now = spans.last().filter(|_| past.is_running());
        let now = now.map_or_else(String::new, |span| format!(" {}", stands(past, span.decision)));
        return format!("{not}. Nothing is known of the time when its watering window was open.{now}");
    };
    let is_held_now = inside.last().is_some_and(|span| span.decision.action == wire::Action::Hold);
    let open = windows.iter().find(|(opens, closes)| *opens <= until && until < *closes);
    match (most, open) {
        (0, _) => format!("{not}: {}.{held_too}", too_little(past, span.decision)),
        (percent, Some((_, closes))) if past.is_running() && is_held_now => format!(
            "It is held now: {}. Before that {percent} % was decided, with {}; what it gave is booked when its window closes \
             at {} or when the bridge reports it.",
            inside.last().map_or_else(String::new, |span| reasons(span.decision)),
            owed(past, span.decision),
            past.clock(*closes)
        ),
        (percent, Some((_, closes))) if past.is_running() => format!(
            "It may be running now: {percent} % is decided, with {}. What it gives is booked when its window closes at \
             {} or when the bridge reports it.",
            owed(past, span.decision),
            past.clock(*closes)
        ),
        (percent, _) => format!(
            "{not}, as far as is known, although {percent} % was decided, with {}: no run was reported, or the \
             window was too short for one.{held_too}",
            owed(past, span.decision)
        ),
    }
}

fn too_little(past: &Past<'_>, decision: &wire::Decision) -> String {
    match decision.figures.owed_mm {
        mm if mm >= 0.05 => {
            format!("{} was owed, less than the least run worth giving, and is carried on", depth(past.site, mm))
        }
        mm if mm <= -0.05 => format!("nothing was owed, and {} was stored ahead", depth(past.site, -mm)),
        _ => "nothing was owed".to_owned(),
    }
}

/// What stands now, for a window that is still to come.
fn stands(past: &Past<'_>, decision: &wire::Decision) -> String {
    match decision.action {
        wire::Action::Hold => format!("It is held now: {}.", reasons(decision)),
        wire::Action::Scale if decision.scale_percent == 0 => {
            format!("By now no water is decided, with {}.", owed(past, decision))
        }
        wire::Action::Scale => {
            format!("By now {} % is decided, with {}.", decision.scale_percent, owed(past, decision))
        }
    }
}

fn owed(past: &Past<'_>, decision: &wire::Decision) -> String {
    words::owed(past.site, decision.figures.owed_mm)
}

fn reasons(decision: &wire::Decision) -> String {
    let names: Vec<&str> = decision.holds.iter().map(|hold| words::reason(hold.reason)).collect();
    words::list(&names)
}
