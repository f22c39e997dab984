//! Histories through the engine of thirstd.
//!
//! - [`recording`]: what was heard and when, one JSON object a line.
//! - [`offline`]: a recording through the engine, without a broker and without a clock.

pub mod recording;
