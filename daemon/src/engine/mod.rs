//! The engine: pure and synchronous. No IO, no clock, no async, no randomness.

pub mod alert;
pub mod civil;
pub mod decision;
pub mod decode;
pub mod event;
pub mod formula;
pub mod output;
pub mod quality;
pub mod reading;
pub mod sensor;
pub mod site;
pub mod stamp;
pub mod units;
