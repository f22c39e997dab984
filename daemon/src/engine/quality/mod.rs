//! To come.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Settings;
