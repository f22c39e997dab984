//! State to hold or scale to N %, always with reasons; and when a changed mind may be spoken.
//!
//! A hold acts at once. Its end and a new scale wait until they have settled and the last change has stood its least time;
//! inside a watering window the end of a hold waits for the window to close.

pub mod hold;
pub mod reason;
pub mod scale;

use serde::{Deserialize, Serialize};

use super::event::Now;
use super::settings::SiteSettings;
use super::stamp::{MINUTE, SECOND, Stamp};
use hold::Hold;
use reason::Reason;

/// How much of a decision was measured.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Confidence {
    Measured,
    Substituted,
    #[default]
    Unknown,
}

/// What the evidence asks for now.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Wanted {
    /// In order of reason; empty: scale.
    #[serde(rename = "h", default)]
    pub holds: Vec<Hold>,
    /// What applies while nothing holds, % of the programmed run.
    #[serde(rename = "p", default)]
    pub percent: u16,
    #[serde(rename = "c", default)]
    pub confidence: Confidence,
}

/// The decision in force: the last one published.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Standing {
    #[serde(rename = "w")]
    pub said: Wanted,
    #[serde(rename = "i")]
    pub issued: Stamp,
    /// Listening time at which action or scale last changed.
    #[serde(rename = "l")]
    pub changed: i64,
}

/// What is new about a wanted decision.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Change {
    Nothing,
    /// Nothing was ever said.
    First,
    /// A reason to hold that was not there.
    HoldBegins,
    /// Held no longer.
    HoldEnds,
    /// Still held, for fewer reasons.
    FewerReasons,
    Scale,
    Confidence,
    /// The end of a hold moved.
    Until,
}

/// When a change may be spoken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Speak {
    Never,
    Now,
    /// At this listening time if it still stands then, and not before this instant.
    Later {
        listening: i64,
        not_before: Option<Stamp>,
    },
}

impl Wanted {
    pub fn holds(&self) -> bool {
        !self.holds.is_empty()
    }

    pub fn hold(&self, reason: Reason) -> Option<&Hold> {
        self.holds.iter().find(|hold| hold.reason == reason)
    }
}

/// What is new in `wanted`, most urgent first.
pub fn change(standing: Option<&Standing>, wanted: &Wanted) -> Change {
    let Some(standing) = standing else { return Change::First };
    let said = &standing.said;
    // A person's or a rule's word that was changed is a new word.
    let is_new = |hold: &Hold| match said.hold(hold.reason) {
        None => true,
        Some(before) => is_exact(hold.reason) && before != hold,
    };
    if wanted.holds.iter().any(is_new) {
        return Change::HoldBegins;
    }
    if said.holds() && !wanted.holds() {
        return Change::HoldEnds;
    }
    if said.holds.len() != wanted.holds.len() {
        return Change::FewerReasons;
    }
    if !wanted.holds() && said.percent != wanted.percent {
        return Change::Scale;
    }
    if said.confidence != wanted.confidence {
        return Change::Confidence;
    }
    let moved = |hold: &Hold| said.hold(hold.reason).is_none_or(|before| moved_much(before.until, hold.until));
    if wanted.holds.iter().any(moved) {
        return Change::Until;
    }
    Change::Nothing
}

/// When `change` may be spoken. `pending_since`: listening time since which the same change has been wanted. `open_until`:
/// the close of the watering window that is open.
pub fn speak(
    change: Change,
    standing: Option<&Standing>,
    wanted: &Wanted,
    pending_since: i64,
    open_until: Option<Stamp>,
    now: Now,
    site: &SiteSettings,
) -> Speak {
    let settled = pending_since.saturating_add(i64::from(site.settle_seconds) * SECOND);
    // Dwelling and waiting for the window's close spare the valves. A word that rests on nothing gives way to the first
    // reading: that cannot flutter, because evidence is gone only after a silence, and people at a new site wait for it.
    let rests_on_nothing = standing.is_some_and(|standing| standing.said.confidence == Confidence::Unknown);
    let dwell = if rests_on_nothing { 0 } else { i64::from(site.minimum_dwell_minutes) * MINUTE };
    let dwelt = standing.map_or(0, |standing| standing.changed).saturating_add(dwell);
    let (listening, not_before) = match change {
        Change::Nothing => return Speak::Never,
        Change::First | Change::HoldBegins => return Speak::Now,
        Change::HoldEnds if ended_by_clock_or_person(standing, wanted) => return Speak::Now,
        Change::HoldEnds => (settled.max(dwelt), open_until.filter(|_| !site.release_in_window && !rests_on_nothing)),
        Change::Scale => (settled.max(dwelt), None),
        Change::FewerReasons | Change::Confidence => (settled, None),
        // A forecast end drifts with every reading: said at most once an hour.
        Change::Until => (settled, standing.map(|standing| standing.issued.plus(60 * MINUTE))),
    };
    if listening <= now.listening && not_before.is_none_or(|at| at <= now.wall) {
        return Speak::Now;
    }
    Speak::Later { listening, not_before }
}

/// True when every reason that went away is a rule with its own hours or a person's word: those end to the minute.
fn ended_by_clock_or_person(standing: Option<&Standing>, wanted: &Wanted) -> bool {
    let Some(standing) = standing else { return true };
    standing.said.holds.iter().filter(|hold| wanted.hold(hold.reason).is_none()).all(|hold| is_exact(hold.reason))
}

/// True for what begins and ends to the minute, because a rule or a person says so.
fn is_exact(reason: Reason) -> bool {
    matches!(reason, Reason::Restriction | Reason::Operator | Reason::Season | Reason::Calendar)
}

/// True when the end of a hold moved by more than three hours, or came or went.
fn moved_much(before: Option<Stamp>, after: Option<Stamp>) -> bool {
    match (before, after) {
        (Some(before), Some(after)) => after.since(before).abs() > 180 * MINUTE,
        (before, after) => before != after,
    }
}

#[cfg(test)]
mod tests;
