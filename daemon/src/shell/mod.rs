//! The shell around the engine: broker, store, clock, log. No judgment about water, weather or batteries in here.

pub mod clock;
pub mod store;
