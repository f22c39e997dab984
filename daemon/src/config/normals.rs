//! `[sites.normals]` and `[[normals]]` that sites share: what a place usually has, by hand or as `thirstd normals` writes it.

use std::collections::HashMap;
use std::ops::RangeInclusive;
use std::sync::Arc;

use super::measure::{DEPTH, SHARE};
use super::table::Table;
use super::tree::{Kind, quoted};
use crate::engine::site::normals::{Curve, Normals};

/// The `[[normals]]` of the main file, by id.
pub(super) fn read_shared(root: &Table<'_>) -> HashMap<String, Arc<Normals>> {
    let mut shared = HashMap::new();
    for table in &root.tables("normals") {
        let id = table.id("id", "reed-valley");
        let (Some(id), Some(normals)) = (id, read(table)) else { continue };
        if shared.insert(id.to_owned(), Arc::new(normals)).is_some() {
            table.fault("id", "other normals have it; ids are given once");
        }
    }
    shared
}

/// A site's own normals, or those it names.
pub(super) fn of_site(table: &Table<'_>, shared: &HashMap<String, Arc<Normals>>) -> Option<Arc<Normals>> {
    let spot = table.spot_of("normals")?;
    if !matches!(spot.node.kind, Kind::Text(_)) {
        return Some(Arc::new(read(&spot.table()?)?));
    }
    let id = spot.id("reed-valley")?;
    let found = shared.get(id).cloned();
    if found.is_none() {
        spot.fault(match spot.nearest(id, shared.keys().map(String::as_str)) {
            Some(near) => format!("no such normals; did you mean {}?", quoted(near)),
            None => "no [[normals]] has this id".to_owned(),
        });
    }
    found
}

/// Reads the table. Only monthly evapotranspiration is required.
pub(super) fn read(table: &Table<'_>) -> Option<Normals> {
    let eto_mm = table.monthly_measured("eto", &DEPTH, 0.0..=500.0);
    if !table.has("eto") && !table.has("eto_mm") {
        table.missing("eto_mm", "write twelve monthly sums of reference evapotranspiration, January first");
    }
    let rain_mm = table.monthly_measured("rain", &DEPTH, 0.0..=3000.0);
    let odds = table.monthly_measured("frost_odds", &SHARE, 0.0..=100.0);
    let factor = table.monthly("hargreaves_factor", 0.3..=3.0);
    let normals = Normals {
        eto_curve: curve(table, "eto_curve_mm", -5.0..=25.0),
        tmin_curve: curve(table, "tmin_curve_celsius", -80.0..=50.0),
        tmax_curve: curve(table, "tmax_curve_celsius", -80.0..=60.0),
        dew_point_curve: curve(table, "dew_point_curve_celsius", -80.0..=40.0),
        wind_curve: curve(table, "wind_curve_m_per_s", -5.0..=40.0),
        tmin_deviation: table.number("tmin_deviation_celsius", 0.1..=30.0).map(|deviation| deviation as f32),
        frost_odds: odds.map(|months| months.map(|percent| (percent / 100.0) as f32)),
        hargreaves_factor: factor.map(|months| months.map(|factor| factor as f32)),
        years: years(table),
        source: table.text("source", "Heron Bend airfield").map(Into::into),
        eto_mm: eto_mm?,
        rain_mm,
    };
    if normals.peak_eto_mm() < LEAST_PEAK_MM {
        let key = if table.has("eto") { "eto" } else { "eto_mm" };
        table.fault(key, "are sums of a month, not daily means; multiply by the days of the month");
    } else if let Some(curve) = normals.eto_curve {
        let (by_month, by_day) = (normals.eto_mm.iter().sum::<f64>(), 365.25 * curve.mean());
        if (by_day - by_month).abs() > 0.1 * by_month {
            let text = format!("brings {by_day:.0} mm a year, the monthly sums {by_month:.0} mm; they must agree");
            table.fault("eto_curve_mm", text);
        }
    }
    if let (Some(lowest), Some(highest)) = (normals.tmin_curve, normals.tmax_curve)
        && (1..=366).any(|day| lowest.at(day) > highest.at(day))
    {
        table.fault("tmin_curve_celsius", "rises above tmax_curve_celsius; are they exchanged?");
    }
    Some(normals)
}

/// Mean, then cosine and sine of the year, then of the half year.
fn curve(table: &Table<'_>, key: &'static str, range: RangeInclusive<f64>) -> Option<Curve> {
    let spot = table.spot_of(key)?;
    let spots = spot.list(6).filter(|list| list.len() == 5);
    let Some(spots) = spots else {
        spot.fault("write five numbers: mean, cosine and sine of the year, cosine and sine of the half year");
        return None;
    };
    let mut numbers = [0.0; 5];
    for (number, spot) in numbers.iter_mut().zip(&spots) {
        *number = spot.number(-100.0..=100.0)? as f32;
    }
    let curve = Curve(numbers);
    if !curve.stays_within(range.clone()) {
        let lowest = (1..=366).map(|day| curve.at(day)).fold(f64::INFINITY, f64::min);
        let highest = (1..=366).map(|day| curve.at(day)).fold(f64::NEG_INFINITY, f64::max);
        spot.fault(format!(
            "runs from {lowest:.1} to {highest:.1} within a year; {} to {} can be",
            range.start(),
            range.end()
        ));
    }
    Some(curve)
}

fn years(table: &Table<'_>) -> Option<(u16, u16)> {
    let spot = table.spot_of("years")?;
    let text = spot.text("1991-2020")?;
    let ends = text.split_once(['-', '–']).unwrap_or((text, text));
    let year = |text: &str| text.trim().parse::<u16>().ok().filter(|year| (1700..=2200).contains(year));
    let years = year(ends.0).zip(year(ends.1)).filter(|(from, until)| from <= until);
    if years.is_none() {
        spot.fault("write the first and the last year, for example \"1991-2020\"");
    }
    years
}

/// No inhabited place has so little in its thirstiest month: daily means were written for sums.
const LEAST_PEAK_MM: f64 = 0.5;
