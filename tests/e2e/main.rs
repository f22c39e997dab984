//! The programs as users start them, against a real broker.

mod broker_away;
mod decisions;
mod recordings;
mod restarts;
mod stage;
mod yard;
