//! The yard on a history of our own, and on open ones where they are.

use std::fmt::Write;
use std::path::{Path, PathBuf};

use chrono::{DateTime, NaiveDate};
use thirstd::weather_file::{self, History, Rows};

use super::rules::{self, Ledger, Schedule};
use super::setup::{Controller, RainHold, Sensors};
use super::weather::{Spot, Truth};
use super::*;
use crate::world::random::Random;
use crate::world::weather::{Climate, Weather};

const MARICOPA: Spot =
    Spot { latitude_degrees: 33.069, longitude_degrees: -111.97, elevation_m: 361.0, wind_height_m: 3.0 };
const DE_BILT: Spot = Spot { latitude_degrees: 52.10, longitude_degrees: 5.18, elevation_m: 2.0, wind_height_m: 10.0 };
const ORCHARD: Spot = Spot { latitude_degrees: 36.0, longitude_degrees: 15.0, elevation_m: 80.0, wind_height_m: 2.0 };

/// The open histories, where they are: `THIRST_DATA`, or `shared/data` beside the workspace.
fn open_history(file: &str) -> Option<History> {
    let folder = std::env::var_os("THIRST_DATA")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data"), PathBuf::from);
    let path = folder.join(file);
    if !path.exists() {
        println!("skipped: no weather data");
        return None;
    }
    Some(weather_file::read(&path).unwrap_or_else(|fault| panic!("{fault}")))
}

fn open_series(file: &str, spot: Spot, from: &str, until: &str) -> Option<Series> {
    let mut history = open_history(file)?;
    let (from, until): (NaiveDate, NaiveDate) = (from.parse().unwrap(), until.parse().unwrap());
    if let Rows::Days(days) = &mut history.rows {
        days.retain(|day| (from..until).contains(&day.date));
    }
    Some(Series::of(&history, spot).unwrap())
}

/// Hours of the invented world as an hourly table.
fn invented(days: i64) -> Series {
    let climate = Climate {
        latitude_degrees: ORCHARD.latitude_degrees,
        longitude_degrees: ORCHARD.longitude_degrees,
        mean_celsius: 17.0,
        season_celsius: 8.0,
        swing_celsius: 6.5,
        dryness_celsius: 3.0,
        wet_after_dry: 0.15,
        wet_after_wet: 0.4,
        wet_day_mm: 6.0,
        wind_m_per_s: 2.8,
    };
    let hour = 3_600_000;
    let start = "2027-01-01T00:00:00Z".parse::<DateTime<chrono::Utc>>().unwrap().timestamp_millis() - hour;
    let mut weather = Weather::new(climate, Vec::new(), start, Random::new(7, "yard"));
    let mut text =
        "hour_ending_local_standard,air_temperature_c,rh_pct,wind_2m_m_s,shortwave_w_m2,rain_mm\n".to_owned();
    for index in 1..=24 * days {
        let at = start + index * hour;
        let air = weather.step(at - hour, at);
        let local = DateTime::from_timestamp_millis(at + hour).unwrap().format("%Y-%m-%dT%H:%M");
        let (humidity, wind) = (air.humidity_percent.clamp(0.0, 100.0), air.wind_m_per_s);
        let (sun, rain) = (air.sun_w_per_m2, air.rain_mm);
        writeln!(text, "{local},{:.2},{humidity:.1},{wind:.2},{sun:.1},{rain:.2}", air.celsius).unwrap();
    }
    let history = weather_file::parse("invented.csv", text.as_bytes()).unwrap_or_else(|fault| panic!("{fault}"));
    Series::of(&history, ORCHARD).unwrap()
}

#[test]
fn the_hours_of_a_day_keep_its_figures() {
    let row = |date: &str, low: f64, high: f64, rain: f64| weather::Day {
        date: date.parse().unwrap(),
        lowest_celsius: low,
        highest_celsius: high,
        vapor_kpa: 0.9,
        sun_mj_per_m2: 22.4,
        wind_m_per_s: 2.6,
        rain_mm: rain,
        eto_mm: 5.0,
    };
    let days = vec![
        row("2027-06-01", 9.0, 25.0, 0.0),
        row("2027-06-02", 14.0, 31.0, 13.37),
        // A cold front: the night before is warmer, the one after colder than the day's own lowest.
        row("2027-06-03", 11.0, 15.0, 0.06),
        row("2027-06-04", 2.0, 14.0, 41.2),
    ];
    for spot in [MARICOPA, DE_BILT, Spot { latitude_degrees: -35.0, longitude_degrees: 149.1, ..ORCHARD }] {
        let series = Series {
            spot,
            days: days.clone(),
            hours: Vec::new(),
            truth: Truth::Published,
            filled: 0,
            has: weather::Has::default(),
        };
        for (index, day) in days.iter().enumerate() {
            let hours = hours::of_day(&series, index, 3);
            let of = |read: fn(&weather::Hour) -> Option<f64>| {
                hours.iter().map(|hour| read(hour).unwrap()).collect::<Vec<_>>()
            };
            let air = of(|hour| hour.celsius);
            assert_eq!(air.iter().copied().fold(f64::MAX, f64::min), day.lowest_celsius, "{air:?}");
            assert_eq!(air.iter().copied().fold(f64::MIN, f64::max), day.highest_celsius, "{air:?}");
            let sun: f64 = of(|hour| hour.sun_w_per_m2).iter().sum::<f64>() * 0.0036;
            let wind: f64 = of(|hour| hour.wind_m_per_s).iter().sum::<f64>() / 24.0;
            let rain = of(|hour| hour.rain_mm);
            assert!((sun - 22.4).abs() < 1e-9 && (wind - 2.6).abs() < 1e-9, "{sun} {wind}");
            assert!((rain.iter().sum::<f64>() - day.rain_mm).abs() < 1e-9 && rain[23] == 0.0, "{rain:?}");
            assert_eq!(hours::of_day(&series, index, 3), hours, "the same lot every time");
        }
    }
}

#[test]
fn the_ledger_alone_agrees_with_the_reference_implementation() {
    let vectors = include_str!("../../../tests/vectors/ledger_reference.csv");
    let places =
        [("maricopa", "maricopa_2003_2020_full.csv", MARICOPA), ("debilt", "debilt_1980_2019_full.csv", DE_BILT)];
    for (place, file, spot) in places {
        let Some(series) = open_series(file, spot, "1700-01-01", "2200-01-01") else { return };
        let normals = Normals::of(&series.days, spot).unwrap();
        let lines: Vec<&str> = vectors.lines().filter(|line| line.starts_with(place)).collect();
        assert_eq!(lines.len(), 6);
        for line in lines {
            let fields: Vec<&str> = line.split(',').collect();
            let number = |index: usize| fields[index].parse::<f64>().unwrap();
            // The reference counts its weekdays from the first day of the history, whatever day that was.
            let days = std::array::from_fn(|day| fields[3].contains(&(day + 1).to_string()));
            let schedule = Schedule::of(&normals, days);
            let rule = Ledger { by_position: true, ..Ledger::usual(fields[2] == "1") };
            let given = match fields[1] {
                "fixed timer" => {
                    let due = |index: usize| if days[index % 7] { schedule.run_mm } else { [0.0; zones::ZONES] };
                    (0..series.len()).map(due).collect()
                }
                _ => rules::ledger(&series, &schedule, rule),
            };
            let score = score_of(&series, &given, SETTLING);
            assert_eq!(score.windows as f64, number(4), "{line}");
            let close = |ours: f64, index: usize, within: f64| {
                assert!((ours - number(index)).abs() < within, "{line}: {ours} for {}", number(index));
            };
            close(score.pass_percent, 5, 0.3);
            close(score.adequacy_mean, 6, 0.1);
            close(score.excess_mean, 7, 0.2);
            close(score.net_water_mm, 8, 0.2);
        }
    }
}

#[test]
fn invented_hours_are_played_and_water_is_given_as_it_is_needed() {
    let series = invented(430);
    let setup = Setup { storage_known: true, ..Setup::default() };
    let outcome = run(series, &setup, NormalsFrom::History, &[]).unwrap();
    let found = &outcome.findings;
    println!("{}", summary::text(found));
    assert!(found.score.windows > 100, "{}", found.score.windows);
    assert!(found.score.pass_percent >= 95.0 && found.score.excess_mean < 1.0);
    assert!(found.fixed_timer.pass_percent < 50.0 && found.score.net_water_mm < found.fixed_timer.net_water_mm);
    assert!(
        found.eto.bias_percent.abs() < 6.0 && found.rain.bias_percent.abs() < 0.5,
        "{:?} {:?}",
        found.eto,
        found.rain
    );
    // The line is one object with every key that is promised.
    let line = summary::json(found).unwrap();
    assert!(!line.contains('\n'));
    let value: serde_json::Value = serde_json::from_str(&line).unwrap();
    for key in [
        "windows",
        "pass_percent",
        "adequacy_min",
        "adequacy_mean",
        "excess_mean",
        "excess_max",
        "net_water_mm",
        "zones",
        "fixed_timer",
        "percent_rule",
        "percent_rule_with_rain_hold",
        "ledger_without_messages",
        "by_fault",
        "eto",
        "rain",
        "alerts",
        "note",
    ] {
        assert!(value.get(key).is_some(), "{key}");
    }
    assert!(value["eto"]["bias_percent"].is_number() && value["eto"]["rmse_mm"].is_number());
    assert_eq!(value["fixed_timer"]["windows"], value["windows"]);
    // The page stands alone.
    let page = page::page(&outcome, "orchard <b>").unwrap();
    assert!(page.contains("The yard of orchard &lt;b&gt;") && page.matches("<svg").count() == 3);
    let fetched = page.replace("http://www.w3.org/2000/svg", "");
    assert!(!fetched.contains("http") && !fetched.contains("url(") && !fetched.contains("<script"));
}

#[test]
fn a_contact_waters_whole_runs_and_none_when_it_is_told_to_hold() {
    let (controller, days) = (Controller::Hold, [true; 7]);
    let setup = Setup { controller, days, rain_hold: RainHold::Off, storage_known: true, ..Setup::default() };
    let outcome = run(invented(370), &setup, NormalsFrom::History, &[]).unwrap();
    let score = &outcome.findings.score;
    println!("{:.1} % of {}, {:.1} mm", score.pass_percent, score.windows, score.net_water_mm);
    assert!(score.adequacy_mean > 90.0 && score.net_water_mm < outcome.findings.fixed_timer.net_water_mm, "{score:?}");
    // A run that no rain cut short is a whole one; on most days nothing runs.
    let (runs, whole) = (&outcome.played.given, outcome.schedule.run_mm[1]);
    let partial = runs.iter().filter(|day| day[1] > 0.0 && (day[1] - whole).abs() > 0.1).count();
    let dry = runs.iter().filter(|day| day[1] == 0.0).count();
    assert!(partial * 20 < runs.len() && dry > 50 && dry < 360, "{partial} {dry}");
}

/// Sixteen months of an open history keep the bars, with margin for so few windows.
fn keeps(file: &str, spot: Spot, (from, until): (&str, &str), least_percent: f64, most_excess: f64) {
    let Some(series) = open_series(file, spot, from, until) else { return };
    let setup = Setup { storage_known: true, ..Setup::default() };
    let found = run(series, &setup, NormalsFrom::History, &[]).unwrap().findings;
    println!("{}", summary::text(&found));
    assert!(found.score.windows > 80, "{}", found.score.windows);
    assert!(found.score.pass_percent >= least_percent, "{}", found.score.pass_percent);
    assert!(found.score.excess_mean <= most_excess, "{}", found.score.excess_mean);
    // What messages, rounding and holds change of the daily ledger.
    let alone = found.ledger_without_messages.pass_percent;
    assert!((found.score.pass_percent - alone).abs() < 5.0, "{} beside {alone}", found.score.pass_percent);
    assert!(found.eto.bias_percent.abs() < 5.0 && found.eto.rmse_mm < 0.4, "{:?}", found.eto);
}

#[test]
fn sixteen_months_at_maricopa_keep_the_bar() {
    keeps("maricopa_2003_2020_full.csv", MARICOPA, ("2014-05-01", "2015-09-01"), 95.0, 0.5);
}

#[test]
fn sixteen_months_at_de_bilt_keep_the_bar() {
    keeps("debilt_1980_2019_full.csv", DE_BILT, ("2017-05-01", "2018-09-01"), 98.0, 0.5);
}

#[test]
fn a_dead_sensor_is_told_of_and_its_windows_are_scored_alone() {
    let series = invented(370);
    let outcome = run(series, &Setup::default(), NormalsFrom::History, &[Fault::SensorDead]).unwrap();
    let fault = &outcome.findings.by_fault["sensor-dead"];
    assert_eq!((fault.seasons, fault.alerted, fault.alert_kinds.as_slice()), (1, 1, &["sensor_silent".to_owned()][..]));
    assert!(fault.days_to_alert.is_some_and(|days| days <= 2.0), "{:?}", fault.days_to_alert);
    assert!((1..=39).contains(&fault.score.windows), "{}", fault.score.windows);
}

#[test]
fn a_fault_comes_once_in_each_summer_that_lies_whole_in_the_history() {
    let Some(series) = open_series("maricopa_2003_2020_full.csv", MARICOPA, "2003-07-01", "2007-07-15") else { return };
    let normals = Normals::of(&series.days, MARICOPA).unwrap();
    for fault in Fault::ALL {
        let spells = faults::spells(fault, &series, &normals, 5);
        assert_eq!(spells.iter().map(|spell| spell.year).collect::<Vec<_>>(), [2004, 2005, 2006], "{fault:?}");
        let plan = Plan::of(fault, &series, &normals, 5);
        let days = plan.days(series.len());
        assert_eq!(
            days.iter().filter(|day| **day).count(),
            spells.iter().map(|spell| spell.last + 1 - spell.first).sum::<usize>()
        );
    }
}

#[test]
fn a_history_that_is_too_short_or_lacks_a_quantity_is_refused() {
    let two = weather_file::parse("a.csv", b"date,tmin_c,tmax_c\n2027-01-01,1,9\n2027-01-02,1,9\n").unwrap();
    assert!(Series::of(&two, ORCHARD).unwrap_err().contains("90"));
    let series = invented(120);
    let why =
        run(series, &Setup { sensors: Sensors::FULL, ..Setup::default() }, NormalsFrom::History, &[]).unwrap_err();
    assert!(why.contains("every month"), "{why}");
}
