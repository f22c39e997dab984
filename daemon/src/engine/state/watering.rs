//! What a site remembers of its controllers and of the water they gave.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::engine::stamp::Stamp;

/// A watering window that is open, and the one opportunity to water in it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct OpenWindow {
    #[serde(rename = "o")]
    pub opened: Stamp,
    #[serde(rename = "c")]
    pub closes: Stamp,
    /// False: the window is open, but the group does not water today.
    #[serde(rename = "w")]
    pub waters: bool,
    /// Percent of a 100 % run that was decided when the opportunity was taken. None: not yet, because of a hold.
    #[serde(rename = "d", default)]
    pub decided_percent: Option<u16>,
    /// How far owed fell by what was given in this window, mm: its runs are one run to the plan.
    #[serde(rename = "g", default)]
    pub given_mm: f64,
    /// What a bridge reported of this window, mm net.
    #[serde(rename = "r", default)]
    pub reported_mm: f64,
    /// A hold came after the opportunity: what ran says nothing about run times.
    #[serde(rename = "b", default)]
    pub broken: bool,
    /// The run that is taken to be under way as decided.
    #[serde(rename = "a", default)]
    pub run: Option<AssumedRun>,
}

/// A run that nobody reports.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct AssumedRun {
    #[serde(rename = "s")]
    pub start: Stamp,
    #[serde(rename = "e")]
    pub ends: Stamp,
    #[serde(rename = "m")]
    pub mm: f64,
    /// How far owed fell by it, mm.
    #[serde(rename = "f")]
    pub fell_mm: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Delivered {
    #[serde(rename = "a")]
    pub at: Stamp,
    #[serde(rename = "m")]
    pub mm: f64,
    #[serde(rename = "r")]
    pub reported: bool,
    /// How far owed fell by it, mm. What is given beyond the credit is lost.
    #[serde(rename = "f", default)]
    pub fell_mm: f64,
}

/// State of one controller.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ControllerState {
    #[serde(rename = "i")]
    pub id: String,
    /// The instruction in force.
    #[serde(rename = "t", default)]
    pub told: Option<Told>,
    /// The bridge's last word.
    #[serde(rename = "b", default)]
    pub bridge: Option<BridgeWord>,
    /// Runs that were booked: group, start. Newest last, bounded.
    #[serde(rename = "r", default)]
    pub runs: VecDeque<BookedRun>,
    /// Runs up to this start are no longer remembered one by one, and are not booked any more.
    #[serde(rename = "e", default)]
    pub runs_before: Option<Stamp>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Told {
    #[serde(rename = "q")]
    pub sequence: u64,
    #[serde(rename = "i")]
    pub issued: Stamp,
    /// Listening time of issue.
    #[serde(rename = "l")]
    pub listening: i64,
    /// Last sequence that changed something, which a bridge has to follow.
    #[serde(rename = "c")]
    pub changed_sequence: u64,
    #[serde(rename = "k")]
    pub changed_listening: i64,
    #[serde(rename = "w")]
    pub water_allowed: bool,
    /// Wall time of the change.
    #[serde(rename = "x", default)]
    pub changed_at: Stamp,
    /// Effective percent per group of the controller, in its order.
    #[serde(rename = "p")]
    pub percents: Vec<u16>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BridgeWord {
    #[serde(rename = "a")]
    pub at: Stamp,
    #[serde(rename = "l")]
    pub listening: i64,
    #[serde(rename = "e", default)]
    pub epoch: u64,
    #[serde(rename = "q", default)]
    pub sequence: u64,
    /// Water flowed, or a contact was closed, while everything was held.
    #[serde(rename = "w", default)]
    pub flow_while_held: bool,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BookedRun {
    #[serde(rename = "g")]
    pub group: String,
    #[serde(rename = "s")]
    pub start: Stamp,
    #[serde(rename = "m")]
    pub mm: f64,
}
