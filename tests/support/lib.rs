//! A real broker, a real daemon and a client that waits for what it hears: the stage of the end-to-end tests.
//!
//! Everything runs on free ports of this machine and in temporary folders, and ends with the value that stands for it.
//! What goes wrong here is a failed test, so it panics with the whole story.
#![allow(
    clippy::panic,
    clippy::unwrap_used,
    clippy::print_stderr,
    reason = "a test that cannot go on has failed, and tells why"
)]

pub mod binaries;
pub mod broker;
pub mod certificates;
pub mod client;
pub mod daemon;
pub mod database;
pub mod process;
pub mod schema;
pub mod wait;
