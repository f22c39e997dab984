//! The shell around the engine: broker, store, clock, log. No judgment about water, weather or batteries in here.

pub mod clock;
pub mod intake;
pub mod line;
pub mod log;
pub mod mqtt;
pub mod partition;
pub mod restore;
pub mod run;
pub mod store;

mod batch;
mod duplicates;
mod save;
#[cfg(test)]
mod testing;
mod writer;
