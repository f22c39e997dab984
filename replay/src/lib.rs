//! Histories through the engine of thirstd.
//!
//! - [`recording`]: what was heard and when, one JSON object a line.
//! - [`offline`]: a recording through the engine, without a broker and without a clock.
//! - [`report`]: its outputs as text, by the [`topic`] that they are about.
//! - [`synthetic`]: recordings of made-up weather.
//! - [`world`]: invented sites that live through weather and faults, and follow decisions.
//! - [`closed_loop`]: such a world and the engine together, offline.
//! - [`yard`]: years of measured weather in closed loop, and what became of the plants.
//! - [`fleet`]: many invented sites over years with seeded faults, and what was said of them.
//! - [`link_table`]: radio links that lose messages: false alarms and how late a dead sensor is told.
//! - [`mod@bench`]: how fast the engine is, and how large a site.
//! - [`broker`]: recordings from and to a living broker, by the [`clock`].

pub mod bench;
pub mod broker;
pub mod clock;
pub mod closed_loop;
pub mod configuration;
pub mod fleet;
pub mod link_table;
pub mod offline;
pub mod recording;
pub mod report;
pub mod synthetic;
pub mod topic;
pub mod world;
pub mod yard;
