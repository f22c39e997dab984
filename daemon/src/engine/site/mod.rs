//! To come.
pub mod day_book;
pub mod ledger;
pub mod evapotranspiration {
    #[derive(Clone, Debug, PartialEq, Default)]
    pub struct Place;
}
pub mod rain {
    #[derive(Clone, Debug, PartialEq, Default)]
    pub struct GaugeSettings;
}
