//! Histories through the engine of thirstd.
//!
//! - [`recording`]: what was heard and when, one JSON object a line.
//! - [`offline`]: a recording through the engine, without a broker and without a clock.
//! - [`report`]: its outputs as text, by the [`topic`] that they are about.

pub mod offline;
pub mod recording;
pub mod report;
pub mod topic;
