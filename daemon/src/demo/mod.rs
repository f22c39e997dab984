//! `thirstd demo`: an invented world, a broker and the daemon in one process, at many days a minute.
//!
//! Nothing is faked on the daemon's side: it reads over MQTT, commits to a store in a temporary folder, and publishes; only
//! its clock shows the time of the world, which waits for it (`lockstep`).

mod account;
pub mod broker;
mod folder;
mod lockstep;
mod page;
mod play;
mod played_clock;
mod stage;
#[cfg(test)]
mod tests;

// thirst-replay owns these files and depends on thirstd, and cargo allows no circle: so both compile them.
#[path = "../../../replay/src/world/mod.rs"]
pub mod world;

use std::future::Future;
use std::io;

use crate::shell::run::RunError;

pub use play::run;

/// How the demo runs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Ends after so many seconds.
    pub seconds: u32,
    /// Other seeds give other details: noise, clouds, lost messages.
    pub seed: u64,
    /// Days of the world in a second; 0: as fast as it goes.
    pub pace: f64,
    /// Colors for a terminal.
    pub color: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self { seconds: 60, seed: 1, pace: PACE, color: false }
    }
}

/// Eight days, with all that is written for them, in 26 seconds.
pub const PACE: f64 = 8.0 / 26.0;

/// Why the demo ended early.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    #[error("no temporary folder: {0}")]
    Folder(io::Error),
    #[error("no port of 127.0.0.1 can be listened on: {0}")]
    Port(io::Error),
    #[error("the configuration of the demo is wrong, which is a fault of thirstd: {0}")]
    Config(String),
    #[error(transparent)]
    Daemon(#[from] RunError),
    #[error("the daemon ended by itself; this is a fault of thirstd")]
    Ended,
    #[error("the daemon took no message for {0} seconds: this machine may be too busy")]
    Stuck(u64),
}

/// Where lines go.
pub trait Say: FnMut(&str) + Send {}
impl<F: FnMut(&str) + Send> Say for F {}

/// Ready when the demo shall end early.
pub trait Stop: Future<Output = ()> + Send {}
impl<F: Future<Output = ()> + Send> Stop for F {}
