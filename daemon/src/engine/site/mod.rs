//! The water of a site: what fell, what evaporated, what is owed.

pub mod day_book;
pub mod days;
pub mod evapotranspiration;
pub mod ledger;
pub mod night;
pub mod normals;
pub mod rain;
pub mod soil;
