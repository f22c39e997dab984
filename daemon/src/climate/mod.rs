//! Climate normals of a place from its weather history.
//!
//! 1. [`weather_file`](crate::weather_file) reads the history; [`ClimateDay`] is one of its days with evapotranspiration.
//! 2. [`climate_of`] takes them together: months, courses of the year ([`Fit`]), frost odds, factors for temperature alone.
//! 3. [`block`] writes them as a table of the configuration, [`picture`] draws them.

mod block;
mod day;
mod fit;
mod gather;
mod picture;
#[cfg(test)]
mod tests;

use crate::engine::site::normals::Normals;
use crate::weather_file::{History, Rows};

pub use block::{Header, block};
pub use day::{ClimateDay, Ground, days_of_hours};
pub use fit::{Fit, Fitted};
pub use picture::picture;

/// What the file does not say, or what is to be taken instead.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Wanted {
    pub latitude_degrees: Option<f64>,
    pub longitude_degrees: Option<f64>,
    pub elevation_m: Option<f64>,
    /// First year; else the last 30 of the history are taken.
    pub from_year: Option<i32>,
    /// Last year; else that of the history.
    pub until_year: Option<i32>,
}

/// Normals, and how good they are.
#[derive(Clone, Debug, PartialEq)]
pub struct Climate {
    pub normals: Normals,
    pub report: Report,
}

/// What people have to know to trust the figures.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Report {
    pub file: String,
    pub name: Option<String>,
    pub latitude_degrees: f64,
    pub longitude_degrees: Option<f64>,
    /// None: 0 m was taken.
    pub elevation_m: Option<f64>,
    pub years: (i32, i32),
    /// The first year of the history, where earlier years than those were left out unasked.
    pub begins: Option<i32>,
    pub days: usize,
    /// Values that the reader refused.
    pub refused: usize,
    /// Days whose evapotranspiration is by Penman–Monteith, and by temperature alone.
    pub full_days: usize,
    pub temperature_days: usize,
    /// Months whose temperature days were multiplied by a factor of their own full days.
    pub tuned: bool,
    pub quantities: Vec<Quantity>,
    /// Against evapotranspiration published with the data: days, mean difference and root mean square, mm.
    pub published: Option<(usize, f64, f64)>,
}

/// A quantity of the history: how complete it is, and how well its curve fits.
#[derive(Clone, Debug, PartialEq)]
pub struct Quantity {
    pub name: &'static str,
    pub unit: &'static str,
    /// Share of the days of each month that have it, 0–1.
    pub complete: [f64; 12],
    /// False: too incomplete, left out.
    pub used: bool,
    pub fitted: Option<Fitted>,
    /// The largest distance of the curve from a month's mean.
    pub off_by: f64,
}

/// Why a history gives no normals, and what to do.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ClimateError {
    #[error("{file}: says no latitude: give it in degrees with --latitude, for example --latitude 52.1")]
    NoLatitude { file: String },
    #[error("{file}: has no day from {from} to {until}; it reaches from {first} to {last}")]
    NoYears { file: String, from: i32, until: i32, first: i32, last: i32 },
    #[error(
        "{file}: {months} have lowest and highest temperature on less than {least} % of their days ({from} to {until}): take other \
         years with --from-year and --until-year, or another station"
    )]
    Gaps { file: String, months: String, least: u8, from: i32, until: i32 },
}

/// Normals of a history; `file` is its name for people.
///
/// # Errors
/// No latitude, no day in the years asked for, or months with too few days.
pub fn climate_of(file: &str, history: &History, wanted: &Wanted) -> Result<Climate, ClimateError> {
    let station = &history.station;
    let Some(latitude_degrees) = wanted.latitude_degrees.or(station.latitude_degrees) else {
        return Err(ClimateError::NoLatitude { file: file.to_owned() });
    };
    let elevation_m = wanted.elevation_m.or(station.elevation_m);
    let ground = Ground {
        latitude_degrees,
        elevation_m: elevation_m.unwrap_or(0.0),
        wind_height_m: station.wind_height_m.unwrap_or(2.0),
    };
    let of_hours;
    let rows = match &history.rows {
        Rows::Days(days) => days,
        Rows::Hours(hours) => {
            of_hours = days_of_hours(hours);
            &of_hours
        }
    };
    let report = Report {
        file: file.to_owned(),
        name: station.name.clone(),
        latitude_degrees,
        longitude_degrees: wanted.longitude_degrees.or(station.longitude_degrees),
        elevation_m,
        refused: history.refused,
        ..Report::default()
    };
    gather::gather(rows, &ground, wanted, report)
}

/// A month needs this share of its days, %. Our choice, after the practice of the World Meteorological Organization of
/// asking for 80 % of the years (from memory).
pub const LEAST_COMPLETE_PERCENT: u8 = 80;

/// Length of the standard reference periods of the World Meteorological Organization, years.
const USUAL_YEARS: i32 = 30;

const MONTHS: [&str; 12] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
