//! Holds: what evidence, rules and people say against watering. Each room keeps its own latch; none knows the others.

pub mod freeze;
pub mod operator;
pub mod rain;
pub mod restriction;
pub mod wind;

use crate::engine::stamp::Stamp;

use super::reason::Reason;

/// A hold in force on a group.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Hold {
    #[serde(rename = "r")]
    pub reason: Reason,
    #[serde(rename = "s")]
    pub since: Stamp,
    /// When it ends, as far as can be told; None: when the evidence says so.
    #[serde(rename = "u", default)]
    pub until: Option<Stamp>,
}
