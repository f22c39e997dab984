//! The shell around the engine: broker, store, clock, log. No judgment about water, weather or batteries in here.
//!
//! One message's way: [`mqtt::Ingest`] reads it into the [`intake`]; the writer thread takes a batch, steps the engine,
//! commits to the [`store`], and only then lets [`mqtt::Acks`] acknowledge it and [`mqtt::Outbox`] publish what follows.
//! [`run`] starts these parts and stops them in order; [`restore`] brings the engine back after a restart.

pub mod backup;
pub mod clock;
pub mod intake;
pub mod line;
pub mod log;
pub mod mqtt;
pub mod normals;
pub mod partition;
pub mod restore;
pub mod run;
pub mod store;
pub mod survey;
pub mod terminal;
pub mod watcher;

mod batch;
mod certificates;
mod duplicates;
mod history;
mod own_alert;
mod save;
mod store_fault;
#[cfg(test)]
mod testing;
mod writer;
