//! The made-up weather holds what its comments promise.

use std::path::Path;

use chrono::{Datelike, Timelike};
use serde_json::Value as Json;

use super::*;
use crate::recording::Writer;

fn bytes(lines: impl IntoIterator<Item = Line>) -> Vec<u8> {
    let mut writer = Writer::new(Vec::new());
    lines.into_iter().for_each(|line| writer.write(&line).unwrap());
    writer.into_inner()
}

/// Local time of day and fields of every sensor message; local is UTC-7.
fn messages(lines: &[Line]) -> Vec<(chrono::NaiveDateTime, Json)> {
    let fields = |line: &Line| match &line.entry {
        Entry::Message { topic, payload, .. } if topic.starts_with("yard/") => {
            Some((line.at.plus(-7 * 60 * MINUTE).utc().naive_utc(), serde_json::from_slice(payload).unwrap()))
        }
        _ => None,
    };
    lines.iter().filter_map(fields).collect()
}

fn number(fields: &Json, key: &str) -> f64 {
    fields[key].as_f64().unwrap()
}

#[test]
fn the_shipped_sample_is_what_the_program_writes() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/orchard-week.ndjson");
    let shipped = std::fs::read(&path).unwrap();
    assert!(shipped.len() <= 300_000, "{} bytes", shipped.len());
    assert!(shipped == bytes(sample()), "write it anew: thirst-replay sample --out replay/samples/orchard-week.ndjson");
}

#[test]
fn the_sample_tells_its_story() {
    let lines = sample();
    let messages = messages(&lines);
    let of_day = |day: u32| messages.iter().filter(move |(at, _)| at.day() == day);
    let lowest = |day| of_day(day).map(|(_, fields)| number(fields, "temp_c")).fold(f64::INFINITY, f64::min);
    let rain = |day| {
        let mut counter = of_day(day).map(|(_, fields)| number(fields, "rain_mm"));
        let first = counter.next().unwrap();
        ((counter.next_back().unwrap() - first) * 10.0).round() / 10.0
    };
    assert_eq!([9, 10, 11, 12, 13, 14, 15, 16, 17].map(rain), [0.0, 0.0, 0.0, 14.0, 0.0, 0.0, 0.0, 0.0, 0.0]);
    for mild in [9, 10, 11, 12, 13, 16, 17] {
        assert!(lowest(mild) > 3.5, "{mild} April: {}", lowest(mild));
    }
    assert!((-4.0..-0.5).contains(&lowest(15)), "{}", lowest(15));
    let noon_wind =
        |day| of_day(day).filter(|(at, _)| (14..16).contains(&at.hour())).map(|(_, f)| number(f, "wind_ms"));
    assert!(noon_wind(11).sum::<f64>() / noon_wind(11).count() as f64 > 5.0);
    assert!(noon_wind(10).all(|wind| wind < 4.0));
    let silent = |(at, _): &&(chrono::NaiveDateTime, Json)| (10..22).contains(&at.hour());
    assert_eq!((of_day(15).filter(silent).count(), of_day(15).count()), (0, 72));
    assert_eq!(
        lines
            .iter()
            .filter(|line| matches!(&line.entry, Entry::Message { topic, .. } if topic.ends_with("/command")))
            .count(),
        1
    );
}

#[test]
fn a_year_is_one_message_a_minute_and_equal_for_equal_seeds() {
    let two_days: Vec<Line> = year(2, 7).collect();
    assert_eq!(two_days.len(), 2_880);
    assert_eq!(two_days[2_879].at.text(), "2027-01-02T23:59:00Z");
    assert!(bytes(year(2, 7)) == bytes(two_days));
    assert!(bytes(year(2, 7)) != bytes(year(2, 8)));
}

#[test]
fn a_years_weather_stays_plausible() {
    let hourly: Vec<Line> = year(365, 1).step_by(60).collect();
    let messages = messages(&hourly);
    assert_eq!(messages.len(), 365 * 24);
    let mean = |month: u32, key: &str| {
        let values: Vec<f64> =
            messages.iter().filter(|(at, _)| at.month() == month).map(|(_, fields)| number(fields, key)).collect();
        values.iter().sum::<f64>() / values.len() as f64
    };
    assert!(mean(1, "temp_c") < 5.0 && mean(7, "temp_c") > 18.0, "{} {}", mean(1, "temp_c"), mean(7, "temp_c"));
    assert!(mean(1, "sun_wm2") * 3.0 < mean(7, "sun_wm2"));
    assert!(mean(7, "rh_pct") < mean(1, "rh_pct") + 15.0);
    for (at, fields) in &messages {
        let within = |key: &str, low: f64, high: f64| {
            let value = number(fields, key);
            assert!((low..=high).contains(&value), "{at} {key} {value}");
        };
        within("temp_c", -35.0, 48.0);
        within("rh_pct", 5.0, 100.0);
        within("wind_ms", 0.0, 20.0);
        within("sun_wm2", 0.0, 1_150.0);
        within("batt_v", 2.4, 3.3);
    }
    let counters: Vec<f64> = messages.iter().map(|(_, fields)| number(fields, "rain_mm")).collect();
    assert!(counters.is_sorted(), "a counter never falls");
    let fallen = counters.last().unwrap() - counters[0];
    assert!((150.0..900.0).contains(&fallen), "{fallen} mm a year");
    assert!(counters.windows(2).all(|pair| pair[1] - pair[0] < 25.0), "no cloudburst in an hour");
}
