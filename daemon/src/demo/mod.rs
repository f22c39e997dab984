//! `thirstd demo`.

pub mod broker;
