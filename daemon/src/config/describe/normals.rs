//! What a site's usual days are taken from, in words.

use chrono::{Datelike, NaiveDate};

use super::words::{Units, short};
use crate::engine::settings::SiteSettings;
use crate::engine::site::evapotranspiration::{Climate, FactorSource};
use crate::engine::site::normals::{DefaultEto, Normals, coarse};

/// A line for usual evapotranspiration and rain, one for frost, one for temperature alone.
pub(super) fn lines(site: &SiteSettings, units: &Units) -> Vec<String> {
    let mut lines = match &site.normals {
        Some(normals) => of_normals(normals, units),
        None => vec![of_default(site, units)],
    };
    lines.push(frost(site));
    let source = match site.place.factor_source {
        FactorSource::Unknown => return lines,
        FactorSource::Settings => "site_factor",
        FactorSource::Normals => "hargreaves_factor of the normals",
        FactorSource::OwnDays => "own days",
    };
    let (least, most) = ends(&site.place.temperature_factors.map(f64::from));
    let range = if least.1 == most.1 {
        short(least.1, 2)
    } else {
        format!("{} ({}) to {} ({})", short(least.1, 2), MONTHS[least.0], short(most.1, 2), MONTHS[most.0])
    };
    lines.push(format!("ETo by temperature alone is multiplied by {range}: {source}"));
    lines
}

fn of_normals(normals: &Normals, units: &Units) -> Vec<String> {
    let years = normals.years.map(|(from, until)| format!("{from} to {until}"));
    let from = [normals.source.as_deref().map(str::to_owned), years].into_iter().flatten().collect::<Vec<_>>();
    let from = if from.is_empty() { String::new() } else { format!(" ({})", from.join(", ")) };
    let daily = std::array::from_fn(|month| normals.eto_of_month_mm(month));
    let rain = normals
        .rain_mm
        .map_or("rain unknown".to_owned(), |rain| format!("rain {} a year", units.sum(rain.iter().sum())));
    let mut lines = vec![
        format!("normals{from}:"),
        format!("  ETo {}, {} a year; {rain}", range(&daily, units), units.sum(normals.eto_mm.iter().sum())),
    ];
    let curves = [
        ("low and high temperature", normals.tmin_curve.is_some() && normals.tmax_curve.is_some()),
        ("dew point", normals.dew_point_curve.is_some()),
        ("wind", normals.wind_curve.is_some()),
    ];
    let known: Vec<&str> = curves.into_iter().filter(|(_, known)| *known).map(|(name, _)| name).collect();
    if !known.is_empty() {
        lines.push(format!("  usual {} of every day of the year", super::listed(&known, "and")));
    }
    lines
}

fn of_default(site: &SiteSettings, units: &Units) -> String {
    match &site.default_eto {
        DefaultEto::Flat(mm) => {
            format!("no normals: ETo of a day nobody measured is {}, as configured", units.depth(*mm))
        }
        DefaultEto::ByLatitude(months) => {
            let air = if site.place.climate == Climate::Dry { "dry" } else { "humid" };
            format!(
                "no normals: ETo of a day nobody measured is guessed by latitude and {air} air, {}, give or take {}",
                range(&months.map(f64::from), units),
                units.depth(coarse::error_mm(site.place.climate))
            )
        }
    }
}

fn frost(site: &SiteSettings) -> String {
    let odds = site.normals.as_ref().filter(|_| !site.frost_months_given).and_then(|normals| {
        let first = NaiveDate::from_ymd_opt(2027, 1, 1)?;
        normals.frost_odds(first)?;
        Some(first.iter_days().take(365).map(|date| site.frost_possible(date)).collect::<Vec<_>>())
    });
    let Some(possible) = odds else {
        let source = if site.frost_months_given { "as configured" } else { "by latitude" };
        return format!("frost months, {source}: {}", super::months(&site.frost_months));
    };
    let least = short(100.0 * site.least_frost_odds, 1);
    let day = |index: usize| {
        let date = NaiveDate::from_yo_opt(2027, index as u32 % 365 + 1).unwrap_or_default();
        format!("{} {}", date.day(), MONTHS[date.month0() as usize])
    };
    let spells: Vec<String> = (0..365)
        .filter(|index| possible[*index] && !possible[(index + 364) % 365])
        .map(|begin| {
            let length = (1..365).take_while(|ahead| possible[(begin + ahead) % 365]).count();
            format!("{} to {}", day(begin), day(begin + length))
        })
        .collect();
    match (spells.as_slice(), possible[0]) {
        ([], false) => format!("frost: no night has odds of {least} % by the normals"),
        ([], true) => format!("frost: every night has odds of {least} % or more by the normals"),
        (spells, _) => format!("frost: odds of {least} % or more by the normals from {}", spells.join(" and ")),
    }
}

fn range(daily_mm: &[f64; 12], units: &Units) -> String {
    let (least, most) = ends(daily_mm);
    let (low, high) = (units.depth(least.1), units.depth(most.1));
    format!("{low} ({}) to {high} ({}) a day", MONTHS[least.0], MONTHS[most.0])
}

/// Least and most with their months.
fn ends(values: &[f64; 12]) -> ((usize, f64), (usize, f64)) {
    let mut ends = ((0, values[0]), (0, values[0]));
    for (month, value) in values.iter().copied().enumerate() {
        if value < ends.0.1 {
            ends.0 = (month, value);
        }
        if value > ends.1.1 {
            ends.1 = (month, value);
        }
    }
    ends
}

const MONTHS: [&str; 12] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
