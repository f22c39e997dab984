//! To come.

pub mod rain;
