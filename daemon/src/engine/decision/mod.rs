//! State to hold or scale to N %, always with reasons.

pub mod hold;
pub mod reason;
