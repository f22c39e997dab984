//! The programs as users start them, against a real broker.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test that cannot go on has failed")]

mod access;
mod answers;
mod bridge;
mod broker_away;
mod decisions;
mod failing_database;
mod full_disk;
mod history;
mod oversized;
mod recordings;
mod restarts;
mod stage;
mod survey;
mod tls;
mod visits;
mod yard;
