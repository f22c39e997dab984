//! Reference evapotranspiration where nothing is known of a place but its latitude and whether its air is dry.
//!
//! `ETo = Ra (c0 + c1 mean(Ra) + c2 (Ra a month ago − mean(Ra)))`, all in mm of water a day: the sun that reaches the top of the
//! air now, warmth by the year's sun, and the season's warmth, which lags a month behind the sun. Fitted by least squares to
//! monthly means at eight humid places from 26° to 55° N; dry places have 1.38 times as much, by two of them (figures and
//! sources in `tests/vectors/eto_by_latitude.csv`). Error, each place left out of the fit in turn: 0.43 mm a day (root mean
//! square of monthly means); dry places 0.67 mm within the fit. A flat 4 mm is off by 2.0 and 2.4 mm there. A
//! cool coast has less: at San Francisco, which is not in the fit, the guess is 0.84 mm a day too high.

use super::super::super::{
    formula::{radiation, reference_et::Climate},
    units::Degrees,
};
use super::monthly::DAYS;

/// Mean daily ETo of each month, mm, January first.
pub fn eto_of_months_mm(latitude_degrees: f64, climate: Climate) -> [f32; 12] {
    let latitude = latitude_degrees.clamp(-90.0, 90.0);
    let sun = |day: u32| radiation::extraterrestrial_daily(Degrees(latitude).radians(), day).water().0;
    let mut middle = 0.0;
    let middles = DAYS.map(|days| {
        middle += days;
        (middle - days / 2.0).round()
    });
    // The cast is exact: days of a year.
    let at = |day: f64| sun(((day + 364.0) % 365.0) as u32 + 1);
    let mean = middles.iter().map(|day| at(*day)).sum::<f64>() / 12.0;
    let dryness = if climate == Climate::Dry { DRY } else { 1.0 };
    // Beyond the southernmost place nothing is known of what more sun brings: clouds do too.
    let warmth = C0 + C1 * mean.min(MEAN_SUN_AT_26_DEGREES);
    middles.map(|day| {
        let eto = at(day) * (warmth + C2 * (at(day - LAG_DAYS) - mean));
        (eto * dryness).max(0.0) as f32
    })
}

/// Root mean square error of a month's mean to expect, mm a day.
pub fn error_mm(climate: Climate) -> f64 {
    match climate {
        Climate::Humid => 0.43,
        Climate::Dry => 0.67,
    }
}

const C0: f64 = -0.241_7;
const C1: f64 = 0.042_45;
const C2: f64 = 0.006_998;
const DRY: f64 = 1.376;
const LAG_DAYS: f64 = 30.0;
const MEAN_SUN_AT_26_DEGREES: f64 = 13.30;
