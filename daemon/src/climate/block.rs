//! Normals as a table of the configuration, with what people have to know about them in comments.

use std::fmt::Write;

use super::{Climate, MONTHS, Quantity, Report};
use crate::engine::settings::DisplayUnits;
use crate::engine::site::normals::{Curve, Normals, monthly};

/// Where the table goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Header<'a> {
    /// `[sites.normals]`, behind a site of the main file.
    Site,
    /// `[normals]`, in a site's own file.
    OwnFile,
    /// `[[normals]]` with this id, in the main file.
    Shared(&'a str),
}

/// The table with every key that is known, comments first. Depths are inches in US units; curves are always metric.
///
/// The text is TOML of its own, and can be put into the configuration as it is.
pub fn block(climate: &Climate, header: Header<'_>, units: DisplayUnits) -> String {
    let Climate { normals, report } = climate;
    let mut text = String::new();
    for line in comments(climate, units) {
        put(&mut text, &if line.is_empty() { "#".to_owned() } else { format!("# {line}") });
    }
    match header {
        Header::Site => put(&mut text, "[sites.normals]"),
        Header::OwnFile => put(&mut text, "[normals]"),
        Header::Shared(id) => put(&mut text, &format!("[[normals]]\nid = {}", quoted(id))),
    }
    depths(&mut text, "eto", &normals.eto_mm, units);
    if let Some(rain) = &normals.rain_mm {
        depths(&mut text, "rain", rain, units);
    }
    let curves = [
        ("eto_curve_mm", &normals.eto_curve),
        ("tmin_curve_celsius", &normals.tmin_curve),
        ("tmax_curve_celsius", &normals.tmax_curve),
        ("dew_point_curve_celsius", &normals.dew_point_curve),
        ("wind_curve_m_per_s", &normals.wind_curve),
    ];
    for (key, curve) in curves {
        if let Some(Curve(numbers)) = curve {
            // Adding zero turns -0 into 0.
            let numbers = numbers.iter().map(|number| format!("{:.3}", (number * 1000.0).round() / 1000.0 + 0.0));
            put(&mut text, &format!("{key} = [{}]", listed(numbers)));
        }
    }
    if let Some(deviation) = normals.tmin_deviation {
        put(&mut text, &format!("tmin_deviation_celsius = {deviation:.2}"));
    }
    if let Some(odds) = &normals.frost_odds {
        let odds = odds.iter().map(|odds| format!("{:.1}", 100.0 * odds));
        put(&mut text, &format!("frost_odds_percent = [{}]", listed(odds)));
    }
    if let Some(factor) = &normals.hargreaves_factor {
        put(
            &mut text,
            &format!("hargreaves_factor = [{}]", listed(factor.iter().map(|factor| format!("{factor:.3}")))),
        );
    }
    put(&mut text, &format!("years = \"{}-{}\"", report.years.0, report.years.1));
    put(&mut text, &format!("source = {}", quoted(normals.source.as_deref().unwrap_or(&report.file))));
    text
}

/// What is in the block, in words and in a table: where it comes from, how it was figured, how good it is.
fn comments(climate: &Climate, units: DisplayUnits) -> Vec<String> {
    let Climate { normals, report } = climate;
    let mut lines = wrapped(&format!("Climate normals of {}.", place(report, units)));
    lines.extend(wrapped(&history(report)));
    lines.extend(wrapped(&method(report)));
    if let Some((days, bias, rmse)) = report.published {
        let (unit, factor, decimals) = daily_depth(units);
        lines.extend(wrapped(&format!(
            "Against the ETo published with the data ({} days): {:+.decimals$} {unit} on average, {:.decimals$} {unit} root mean square.",
            grouped(days),
            factor * bias,
            factor * rmse
        )));
    }
    lines.push(String::new());
    lines.extend(table(normals, units));
    lines.push(String::new());
    lines.extend(fits(report, units));
    lines.extend(gaps(report));
    lines.extend(advice(climate));
    lines
}

fn place(report: &Report, units: DisplayUnits) -> String {
    let side = |value: f64, positive: char, negative: char| {
        format!("{:.2}° {}", value.abs(), if value < 0.0 { negative } else { positive })
    };
    let mut parts = vec![side(report.latitude_degrees, 'N', 'S')];
    parts.extend(report.longitude_degrees.map(|longitude| side(longitude, 'E', 'W')));
    parts.push(match (report.elevation_m, units) {
        (Some(height), DisplayUnits::Metric) => format!("{height:.0} m"),
        (Some(height), DisplayUnits::Us) => format!("{:.0} ft", height / 0.3048),
        (None, _) => "elevation unknown".to_owned(),
    });
    let name = report.name.as_deref().unwrap_or(&report.file);
    format!("{name}, {}", parts.join(", "))
}

fn history(report: &Report) -> String {
    let (from, until) = report.years;
    let span = if from == until { from.to_string() } else { format!("{from} to {until} ({} years)", until - from + 1) };
    let mut text = format!("Days: {} of {span}, from {}.", grouped(report.days), report.file);
    if let Some(begins) = report.begins {
        text.push_str(&format!(" The years {begins} to {} were left out; --from-year takes them.", from - 1));
    }
    if report.refused > 0 {
        text.push_str(&format!(" Values marked bad or impossible, and left out: {}.", grouped(report.refused)));
    }
    text
}

fn daily_depth(units: DisplayUnits) -> (&'static str, f64, usize) {
    match units {
        DisplayUnits::Metric => ("mm a day", 1.0, 3),
        DisplayUnits::Us => ("inches a day", 1.0 / 25.4, 4),
    }
}

fn method(report: &Report) -> String {
    let (full, by_temperature) = (report.full_days, report.temperature_days);
    let factor = if report.tuned { " times the monthly factors of the full days" } else { "" };
    match (full, by_temperature) {
        (0, _) => format!(
            "ETo: Hargreaves–Samani (FAO-56, Eq. 52) on {} days: the history has temperature alone. At dry and windy places it \
             is too low, at humid ones too high, by 10 % or so in a year.",
            grouped(by_temperature)
        ),
        (_, 0) => format!("ETo: daily Penman–Monteith (ASCE-EWRI 2005, short surface) on {} days.", grouped(full)),
        _ => format!(
            "ETo: daily Penman–Monteith (ASCE-EWRI 2005, short surface) on {} days; Hargreaves–Samani{factor} on {} days \
             that lack sun, wind or humidity.",
            grouped(full),
            grouped(by_temperature)
        ),
    }
}

/// A row a quantity, a column a month.
fn table(normals: &Normals, units: DisplayUnits) -> Vec<String> {
    let row = |name: &str, cells: [String; 12], year: String| {
        let cells: String = cells.iter().map(|cell| format!("{cell:>6}")).collect();
        format!("{name:<16}{cells}{year:>8}").trim_end().to_owned()
    };
    let (depth, decimals, factor) = match units {
        DisplayUnits::Metric => ("mm", 0, 1.0),
        DisplayUnits::Us => ("in", 1, 1.0 / 25.4),
    };
    let depths = |name: &str, sums: &[f64; 12]| {
        let year: f64 = sums.iter().sum();
        row(
            &format!("{name}, {depth}"),
            sums.map(|sum| format!("{:.decimals$}", sum * factor)),
            format!("{:.decimals$}", year * factor),
        )
    };
    let degrees = |name: &str, curve: &Curve| {
        let shown = |celsius: f64| match units {
            DisplayUnits::Metric => format!("{celsius:.1}"),
            DisplayUnits::Us => format!("{:.0}", celsius * 1.8 + 32.0),
        };
        let unit = if units == DisplayUnits::Metric { "°C" } else { "°F" };
        row(&format!("{name}, {unit}"), months_of(curve).map(shown), shown(curve.mean()))
    };
    let mut lines = vec![row("", MONTHS.map(str::to_owned), "year".to_owned()), depths("ETo", &normals.eto_mm)];
    lines.extend(normals.rain_mm.as_ref().map(|rain| depths("rain", rain)));
    lines.extend(normals.tmax_curve.as_ref().map(|curve| degrees("usual high", curve)));
    lines.extend(normals.tmin_curve.as_ref().map(|curve| degrees("usual low", curve)));
    lines.extend(
        normals
            .frost_odds
            .map(|odds| row("frost nights, %", odds.map(|odds| format!("{:.0}", 100.0 * odds)), String::new())),
    );
    lines
}

fn months_of(curve: &Curve) -> [f64; 12] {
    let mut middle = 0.0;
    monthly::DAYS.map(|days| {
        middle += days;
        curve.at((middle - days / 2.0).round() as u32)
    })
}

/// How far single days and months are from their curves.
fn fits(report: &Report, units: DisplayUnits) -> Vec<String> {
    let shown = |unit: &'static str| match (unit, units) {
        (_, DisplayUnits::Metric) => (unit, 1.0, 1),
        ("mm a day", DisplayUnits::Us) => ("inches a day", 1.0 / 25.4, 2),
        ("°C", DisplayUnits::Us) => ("°F", 1.8, 1),
        ("m/s", DisplayUnits::Us) => ("mph", 1.0 / 0.447_04, 1),
        _ => (unit, 1.0, 1),
    };
    let with_curve = report.quantities.iter().filter(|quantity| quantity.used && quantity.name != "rain");
    let parts: Vec<String> = with_curve
        .filter_map(|quantity| {
            let (unit, factor, decimals) = shown(quantity.unit);
            let (deviation, off_by) = (factor * quantity.fitted?.deviation, factor * quantity.off_by);
            Some(format!("{} {deviation:.decimals$} and {off_by:.decimals$} {unit}", quantity.name))
        })
        .collect();
    if parts.is_empty() {
        return Vec::new();
    }
    wrapped(&format!(
        "Root mean square of single days around their curve, and the curve's largest distance from a month's mean: {}.",
        parts.join("; ")
    ))
}

/// Months with few days, told once for all quantities that share them.
fn gaps(report: &Report) -> Vec<String> {
    let mut told: Vec<(bool, String, Vec<&str>)> = Vec::new();
    for quantity in &report.quantities {
        let Quantity { name, complete, used, .. } = quantity;
        if complete.iter().all(|share| *share == 0.0) {
            continue;
        }
        let thin = MONTHS.iter().zip(complete).filter(|(_, share)| **share < SPOKEN_OF);
        let thin: Vec<String> =
            thin.map(|(month, share)| format!("{month} {:.0} %", (100.0 * share).floor())).collect();
        if thin.is_empty() {
            continue;
        }
        let months = thin.join(", ");
        match told.iter_mut().find(|(other, own, _)| other == used && *own == months) {
            Some((_, _, names)) => names.push(name),
            None => told.push((*used, months, vec![name])),
        }
    }
    if told.is_empty() {
        return vec!["No gaps to speak of.".to_owned()];
    }
    let text = |(used, months, names): (bool, String, Vec<&str>)| match used {
        true => wrapped(&format!("Gaps: {} on these shares of the days: {months}.", names.join(", "))),
        false => wrapped(&format!("Left out, on too few days: {} ({months}).", names.join(", "))),
    };
    told.into_iter().flat_map(text).collect()
}

/// What the figures suggest beyond themselves.
fn advice(climate: &Climate) -> Vec<String> {
    let Climate { normals, report } = climate;
    let mut lines = Vec::new();
    if report.years.1 - report.years.0 < 9 {
        lines.extend(wrapped("Fewer than ten years: a few odd seasons still show. A longer history is better."));
    }
    if report.elevation_m.is_none() && report.full_days > 0 {
        lines.extend(wrapped("The elevation is not known and was taken for 0 m; give it with --elevation."));
    }
    let of_year = normals.rain_mm.map(|rain| rain.iter().sum::<f64>() / normals.eto_mm.iter().sum::<f64>().max(1.0));
    match of_year {
        Some(share) if share < DRY => lines.extend(wrapped(&format!(
            "The year's rain is {:.0} % of its ETo: the air is dry, so the site wants climate = \"dry\".",
            100.0 * share
        ))),
        Some(share) => lines.extend(wrapped(&format!(
            "The year's rain is {:.0} % of its ETo: climate = \"humid\" (the default) fits the site.",
            100.0 * share
        ))),
        None => {}
    }
    lines
}

fn depths(text: &mut String, key: &str, sums: &[f64; 12], units: DisplayUnits) {
    let line = match units {
        DisplayUnits::Metric => format!("{key}_mm = [{}]", listed(sums.iter().map(|sum| format!("{sum:.1}")))),
        DisplayUnits::Us => {
            format!("{key} = [{}]", listed(sums.iter().map(|sum| format!("\"{:.2} in\"", sum / 25.4))))
        }
    };
    put(text, &line);
}

fn listed(items: impl Iterator<Item = String>) -> String {
    items.collect::<Vec<_>>().join(", ")
}

fn put(text: &mut String, line: &str) {
    // Writing to a string cannot fail.
    let _ = writeln!(text, "{}", line.trim_end());
}

fn wrapped(text: &str) -> Vec<String> {
    textwrap::wrap(text, WIDTH).into_iter().map(|line| line.into_owned()).collect()
}

/// With commas between thousands.
fn grouped(number: usize) -> String {
    let digits = number.to_string();
    let mut text = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// A basic string of TOML 1.0.
fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for letter in text.chars().filter(|letter| !letter.is_control()) {
        if matches!(letter, '"' | '\\') {
            quoted.push('\\');
        }
        quoted.push(letter);
    }
    quoted.push('"');
    quoted
}

/// Months less complete than this are named.
const SPOKEN_OF: f64 = 0.95;
/// Rain over evapotranspiration below which a place counts as semi-arid or drier: 0.5 by the aridity index of the United
/// Nations Environment Programme (1992; from memory).
const DRY: f64 = 0.5;
/// Of a comment, without its mark.
const WIDTH: usize = 116;
