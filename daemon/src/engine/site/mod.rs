//! The water of a site: what fell, what evaporated, what is owed.

pub mod clogged;
pub mod day_book;
pub mod day_weather;
pub mod days;
pub mod evapotranspiration;
pub mod knock;
pub mod ledger;
pub mod neighborhood;
pub mod night;
pub mod normals;
pub mod quarantine;
pub mod rain;
pub mod soil;
pub mod spray;
pub mod sun_clock;
pub mod waterings;
