//! What one gauge reading turned out to be, and what it adds.

use serde::{Deserialize, Serialize};

use super::Caps;
use crate::engine::stamp::Stamp;

/// What one gauge reading turned out to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// The first reading of a counter: the level from which it counts.
    Anchor,
    /// No rain.
    Zero,
    Rain,
    /// The counter started again near zero; what it shows fell since.
    AfterReset,
    /// The counter passed its modulus.
    Rollover,
    /// The counter fell to no known level; the next reading tells.
    DropPending,
    /// A second reading confirmed the lower level; what it rose since the first counts.
    ReanchorConfirmed,
    /// Not newer than what is known.
    DuplicateOrOld,
    /// More than usual in that time; counts, but is marked.
    SuspectJump,
    /// More than can fall in that time; quarantined.
    QuarantinedJump,
    /// Still at the level of the jump; what it rose since is quarantined too.
    StillQuarantined,
    /// The level of the jump has persisted and is the baseline from now on; adds nothing.
    NewLevelAccepted,
    /// The counter is back at the level it had before a jump or a false zero; what it rose since then counts.
    BackFromJump,
    /// The total changed by a factor of 25.4: nothing counts until somebody confirms the unit.
    UnitSuspect,
    /// No amount of rain: negative, not a number, or beyond any counter.
    Impossible,
}

impl Outcome {
    /// The name in JSON, history and counters.
    pub fn name(self) -> &'static str {
        match self {
            Self::Anchor => "anchor",
            Self::Zero => "zero",
            Self::Rain => "rain",
            Self::AfterReset => "after_reset",
            Self::Rollover => "rollover",
            Self::DropPending => "drop_pending",
            Self::ReanchorConfirmed => "reanchor_confirmed",
            Self::DuplicateOrOld => "duplicate_or_old",
            Self::SuspectJump => "suspect_jump",
            Self::QuarantinedJump => "quarantined_jump",
            Self::StillQuarantined => "still_quarantined",
            Self::NewLevelAccepted => "new_level_accepted",
            Self::BackFromJump => "back_from_jump",
            Self::UnitSuspect => "unit_suspect",
            Self::Impossible => "impossible",
        }
    }
}

/// What one gauge reading adds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Catch {
    pub outcome: Outcome,
    /// Rain that counts, in mm; finite and never negative.
    pub mm: f64,
    /// What this reading adds to the quarantine, in mm; finite and never negative. Once `Gauge::quarantined_since` is
    /// `None` again without [`Outcome::NewLevelAccepted`], all that was quarantined since the jump is void.
    pub quarantined_mm: f64,
    /// The span over which it fell; `from` is never after `to`.
    pub from: Stamp,
    pub to: Stamp,
}

impl Catch {
    /// Nothing counts.
    pub(super) fn nothing(outcome: Outcome, from: Stamp, to: Stamp) -> Self {
        Self { outcome, mm: 0.0, quarantined_mm: 0.0, from: from.min(to), to }
    }

    /// `mm` within the span, by the caps.
    pub(super) fn judged(mm: f64, from: Stamp, to: Stamp, caps: &Caps) -> Self {
        let span = to.since(from);
        if caps.fail_mm(span) < mm {
            return Self { quarantined_mm: mm, ..Self::nothing(Outcome::QuarantinedJump, from, to) };
        }
        let outcome = match mm {
            0.0 => Outcome::Zero,
            mm if caps.suspect_mm(span) < mm => Outcome::SuspectJump,
            _ => Outcome::Rain,
        };
        Self { mm, ..Self::nothing(outcome, from, to) }
    }
}
