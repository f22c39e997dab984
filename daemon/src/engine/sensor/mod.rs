//! To come.

pub mod battery;
pub mod link;
