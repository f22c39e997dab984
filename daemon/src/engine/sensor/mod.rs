//! To come.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct LinkSettings;
#[derive(Clone, Debug, PartialEq, Default)]
pub struct BatterySettings;
