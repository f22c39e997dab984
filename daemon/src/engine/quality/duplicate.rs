//! TEMPORARY until the quality room lands.
use crate::engine::stamp::Stamp;
#[derive(Clone, Debug, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct RepeatMemory;
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RepeatSettings {
    pub window_ms: i64,
    pub depth: usize,
}
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Repeat {
    New,
    Again,
}
impl RepeatMemory {
    pub fn judge(&mut self, _: Option<i64>, _: Option<Stamp>, _: u64, _: Stamp, _: &RepeatSettings) -> Repeat {
        Repeat::New
    }
}
