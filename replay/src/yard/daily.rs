//! A table of days: what the engine made of the weather, and what it did to each zone. For whoever asks why a window failed.

use std::fmt::Write;

use super::play::Played;
use super::score::Account;
use super::weather::Series;
use super::zones::TABLE;

/// One row for each day of `series`: whether the fault was on, evapotranspiration and rain as they were and by the engine's
/// account, and of each zone what it was given, what it was short of and what ran off, mm. Empty: no figure.
pub fn table(series: &Series, played: &Played, account: &Account, fault: &[bool]) -> String {
    let mut text = "date,fault,eto_mm,engine_eto_mm,rain_mm,engine_rain_mm".to_owned();
    // Writing to a `String` cannot fail.
    for zone in &TABLE {
        let id = zone.id;
        let _ = write!(text, ",{id}_given_mm,{id}_short_mm,{id}_surplus_mm");
    }
    text.push('\n');
    let figure = |column: &[f64], index: usize| match column.get(index) {
        Some(mm) if mm.is_finite() => format!("{mm:.2}"),
        _ => String::new(),
    };
    for (index, (day, balance)) in series.days.iter().zip(&account.days).enumerate() {
        let on = u8::from(fault.get(index).copied().unwrap_or(false));
        let (eto, rain) = (figure(&played.eto_mm, index), figure(&played.rain_mm, index));
        let _ = write!(text, "{},{on},{:.2},{eto},{:.2},{rain}", day.date, day.eto_mm, day.rain_mm);
        for zone in 0..TABLE.len() {
            let _ = write!(text, ",{:.2},{:.2},{:.2}", balance.given[zone], balance.short[zone], balance.surplus[zone]);
        }
        text.push('\n');
    }
    text
}
