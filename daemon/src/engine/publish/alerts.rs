//! Alerts on the wire: raised, acknowledged, closed with a last message, then cleared.

use std::borrow::Cow;

use thirst_schemas as wire;

use super::{diary, log, state as put, visits};
use crate::engine::alert::{AlertChange, AlertKind, Audience, Urgency, Wording};
use crate::engine::output::{Level, Output};
use crate::engine::publish::history;
use crate::engine::stamp::Stamp;
use crate::engine::state::{Context, SiteState};

/// Raises an alert of the site. Nothing happens while it is open.
pub fn raise(state: &mut SiteState, kind: AlertKind, subject: &str, wording: Wording, context: &mut Context<'_>) {
    if let Some(change) = state.alerts.raise(kind, &slug(subject), wording, context.now.wall) {
        log(context, Level::Warn, format!("alert {} {}: {}", kind.name(), change.subject, change.alert.wording.text));
        publish(state, &change, context);
    }
}

/// Words an open alert of the site anew, for what changes while it is open. Nothing happens where there is none.
pub fn revise(state: &mut SiteState, kind: AlertKind, subject: &str, wording: Wording, context: &mut Context<'_>) {
    if let Some(change) = state.alerts.revise(kind, &slug(subject), wording) {
        log(context, Level::Info, format!("alert {} {}: {}", kind.name(), change.subject, change.alert.wording.text));
        publish(state, &change, context);
    }
}

/// Closes an alert of the site. Nothing happens where there is none.
pub fn clear(state: &mut SiteState, kind: AlertKind, subject: &str, context: &mut Context<'_>) {
    if state.alerts.is_empty() {
        return;
    }
    if let Some(change) = state.alerts.clear(kind, &slug(subject)) {
        log(context, Level::Info, format!("alert {} {} is over", kind.name(), change.subject));
        publish(state, &change, context);
    }
}

/// A person took note of an alert, and put it off where there is an `until`. False where there is none.
pub fn acknowledge(
    state: &mut SiteState,
    kind: AlertKind,
    subject: &str,
    who: &str,
    until: Option<Stamp>,
    context: &mut Context<'_>,
) -> bool {
    match state.alerts.acknowledge(kind, &slug(subject), who, until) {
        Some(change) => {
            publish(state, &change, context);
            true
        }
        None => false,
    }
}

/// What was put off until now speaks again.
pub fn wake(state: &mut SiteState, context: &mut Context<'_>) {
    if !context.now.trusted || state.alerts.next_wake().is_none_or(|at| at > context.now.wall) {
        return;
    }
    for change in state.alerts.wake(context.now.wall) {
        let text = &change.alert.wording.text;
        log(context, Level::Warn, format!("alert {} {} again: {text}", change.kind.name(), change.subject));
        publish(state, &change, context);
    }
}

/// Publishes an open alert once more, unchanged but for its sequence.
pub fn say_again(state: &mut SiteState, kind: AlertKind, subject: &str, context: &mut Context<'_>) {
    let open = state.alerts.iter().find(|((known, about), _)| *known == kind && about == subject);
    let change =
        open.map(|(_, alert)| AlertChange { kind, subject: subject.to_owned(), alert: alert.clone(), closed: false });
    if let Some(change) = change {
        publish(state, &change, context);
    }
}

/// The topic of an alert of the site.
pub fn topic(kind: AlertKind, subject: &str, context: &Context<'_>) -> Option<String> {
    let kind = wire::AlertKind::from_name(kind.name())?;
    Some(wire::topics::alert(&context.settings.prefix, &context.site.id, kind, subject))
}

fn publish(state: &mut SiteState, change: &AlertChange, context: &mut Context<'_>) {
    let Some(kind) = wire::AlertKind::from_name(change.kind.name()) else { return };
    let wording = &change.alert.wording;
    let now = context.now.wall;
    state.alerts_changed = true;
    let payload = wire::Alert {
        schema: Default::default(),
        site: Some(context.site.id.clone()),
        epoch: context.epoch,
        sequence: state.next_sequence(),
        issued_at: now.utc(),
        kind,
        subject: change.subject.clone(),
        state: match (change.closed, &change.alert.acknowledged_by) {
            (true, _) => wire::AlertState::Closed,
            (false, Some(_)) => wire::AlertState::Acknowledged,
            (false, None) => wire::AlertState::Open,
        },
        since: change.alert.since.utc(),
        closed_at: change.closed.then(|| now.utc()),
        acknowledged_by: change.alert.acknowledged_by.clone(),
        snoozed_until: change.alert.snoozed_until.map(Stamp::utc).filter(|_| !change.closed),
        by: visits::by(change.kind, &change.alert, context.site).filter(|_| !change.closed),
        bring: visits::bring(change.kind, wording).filter(|_| !change.closed).into_iter().map(str::to_owned).collect(),
        urgency: match change.alert.urgency(change.kind) {
            Urgency::Now => wire::Urgency::Now,
            Urgency::Today => wire::Urgency::Today,
            Urgency::NextVisit => wire::Urgency::NextVisit,
        },
        audience: match change.kind.audience() {
            Audience::Owner => wire::Audience::Owner,
            Audience::Technician => wire::Audience::Technician,
            Audience::Office => wire::Audience::Office,
        },
        text: if change.closed { format!("Over: {}", wording.text) } else { wording.text.clone() },
        suggested_action: if change.closed { "Nothing more to do.".to_owned() } else { wording.action.clone() },
        figures: wording.figures.iter().map(|(name, value)| (Cow::Owned(name.clone()), wire::round2(*value))).collect(),
    };
    let topic = wire::topics::alert(&context.settings.prefix, &context.site.id, kind, &change.subject);
    put(context, topic.clone(), &payload);
    if change.closed {
        context.outputs.push(Output::State { topic, payload: Vec::new() });
    }
    history::alert(change, context);
    diary::alert(&payload, context);
}

/// A subject as an id: what is not a letter, digit or hyphen becomes a hyphen, at most 64 characters.
pub fn slug(subject: &str) -> String {
    let slug: String = subject
        .chars()
        .map(|character| character.to_ascii_lowercase())
        .map(|character| if character.is_ascii_alphanumeric() { character } else { '-' })
        .take(64)
        .collect();
    if slug.is_empty() { "-".to_owned() } else { slug }
}

#[cfg(test)]
mod tests {
    #[test]
    fn a_subject_is_always_an_id() {
        for (subject, expected) in [("combo", "combo"), ("yard/Ash/#", "yard-ash--"), ("", "-"), ("ü x", "--x")] {
            assert_eq!(super::slug(subject), expected);
        }
        assert_eq!(super::slug(&"a/".repeat(100)).len(), 64);
    }
}
