//! Batteries against reference values: robust trends, curves, replacements, temperature, the sensor's own word.
//!
//! Source: tests/vectors/battery_cases.json, see the note beside it.

use serde_json::Value;
use thirstd::engine::sensor::battery::chemistry::depth;
use thirstd::engine::sensor::battery::forecast::straight;
use thirstd::engine::sensor::battery::replacement::{self, stepped_up};
use thirstd::engine::sensor::battery::trend::{Line, falling, median, theil_sen};
use thirstd::engine::sensor::battery::warmth::{Sums, Warmth};
use thirstd::engine::sensor::battery::{Battery, BatteryChange, BatteryReading, BatterySettings};

const CASES: &str = include_str!("../vectors/battery_cases.json");

fn cases(kind: &str, least: usize) -> Vec<Value> {
    let all: Value = serde_json::from_str(CASES).unwrap();
    let cases: Vec<Value> =
        all["cases"].as_array().unwrap().iter().filter(|case| case["kind"] == kind).cloned().collect();
    assert!(cases.len() >= least, "{kind}: {} cases", cases.len());
    cases
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
}

fn points(x: &[f64], y: &[f64]) -> Vec<(f64, f64)> {
    x.iter().copied().zip(y.iter().copied()).collect()
}

fn near(name: &str, what: &str, ours: f64, expected: f64, tolerance: f64) {
    assert!((ours - expected).abs() <= tolerance, "{name}: {what} {ours}, expected {expected}");
}

#[test]
fn every_kind_of_case_is_checked_here() {
    let all: Value = serde_json::from_str(CASES).unwrap();
    let known = [
        "theil_sen",
        "curve_forecast",
        "isotonic",
        "temp_coeff",
        "replacement",
        "median",
        "flag_debounce",
        "curve_theil_sen",
    ];
    for case in all["cases"].as_array().unwrap() {
        assert!(known.contains(&case["kind"].as_str().unwrap()), "{}", case["kind"]);
    }
}

#[test]
fn robust_slopes_and_their_limits_are_those_of_the_library() {
    for case in cases("theil_sen", 11) {
        let name = case["name"].as_str().unwrap();
        let (x, y) = (numbers(&case["x_days"]), numbers(&case["y_volts"]));
        let line = theil_sen(&points(&x, &y)).unwrap();
        let expected = &case["expected"]["theilslopes"];
        let of = |key: &str| expected[key].as_f64().unwrap();
        near(name, "slope", line.slope, of("slope"), 1e-12);
        near(name, "low slope", line.low_slope, of("low_slope"), 1e-12);
        near(name, "high slope", line.high_slope, of("high_slope"), 1e-12);
        near(name, "intercept", line.intercept, of("intercept_joint"), 1e-12);
        near(name, "median", median(&mut y.clone()).unwrap(), case["expected"]["median_y"].as_f64().unwrap(), 1e-12);
        let last = *x.last().unwrap();
        near(name, "level", line.at(last), case["expected"]["level_at_last_x_from_joint"].as_f64().unwrap(), 1e-12);
        let end = case["expected"]["v_end"].as_f64().unwrap();
        let days = |slope: f64| (slope < 0.0).then(|| (line.at(last) - end) / -slope);
        let Line { slope, low_slope, high_slope, .. } = line;
        for (key, ours) in [
            ("days_to_end_point", days(slope)),
            ("days_to_end_early", days(low_slope)),
            ("days_to_end_late", days(high_slope)),
        ] {
            match (ours, case["expected"][key].as_f64()) {
                (Some(ours), Some(expected)) => near(name, key, ours, expected, 1e-6 * expected.max(1.0)),
                (None, None) => {}
                other => panic!("{name}: {key}: {other:?}"),
            }
        }
        // A forecast is made exactly where the fall can be told from scatter.
        let mirrored: Vec<(f64, f64)> = x.iter().zip(&y).map(|(x, y)| (*x, -y)).collect();
        assert_eq!(straight(&mirrored, -end).is_some(), high_slope < 0.0, "{name}");
    }
}

#[test]
fn medians_are_those_of_the_library() {
    for case in cases("median", 4) {
        let expected = case["expected"]["median"].as_f64();
        assert_eq!(median(&mut numbers(&case["y"])), expected, "{}", case["name"]);
    }
    assert_eq!(median(&mut []), None);
}

#[test]
fn levels_that_must_fall_are_those_of_the_library() {
    for case in cases("isotonic", 1) {
        for (ours, expected) in falling(&numbers(&case["y"])).iter().zip(numbers(&case["expected"]["x"])) {
            near("isotonic", "value", *ours, expected, 1e-6);
        }
    }
}

/// Depth of discharge against volts, as the case gives them.
fn curve(case: &Value, volts: &str) -> Vec<(f64, f64)> {
    points(&numbers(&case["curve"]["dod"]), &numbers(&case["curve"][volts]))
}

#[test]
fn depth_of_discharge_and_its_trend_give_the_days_left() {
    for case in cases("curve_theil_sen", 3) {
        let name = case["name"].as_str().unwrap();
        let curve = curve(&case, "volts");
        let depths: Vec<f64> = numbers(&case["volts_per_cell"]).iter().map(|volts| depth(&curve, *volts)).collect();
        for (ours, expected) in depths.iter().zip(numbers(&case["expected"]["dod"])) {
            near(name, "depth", *ours, expected, 1e-6);
        }
        let end = depth(&curve, case["v_end_per_cell"].as_f64().unwrap());
        near(name, "end", end, case["expected"]["dod_end"].as_f64().unwrap(), 1e-9);
        let days = numbers(&case["x_days"]);
        let line = theil_sen(&points(&days, &depths)).unwrap();
        let now = line.at(*days.last().unwrap());
        near(name, "slope", line.slope, case["expected"]["slope_per_day"].as_f64().unwrap(), 1e-8);
        near(name, "now", now, case["expected"]["dod_now"].as_f64().unwrap(), 1e-6);
        near(name, "days", (end - now) / line.slope, case["expected"]["days_left"].as_f64().unwrap(), 1e-3);
    }
}

#[test]
fn without_a_curve_the_sooner_of_two_straight_lines_counts() {
    for case in cases("curve_forecast", 1) {
        let curve = curve(&case, "volts_per_cell");
        let cells = case["curve"]["cells"].as_f64().unwrap();
        let life = case["curve"]["life_days"].as_f64().unwrap();
        let volts = |day: f64| {
            let used = day / life;
            let pair = curve.windows(2).find(|pair| used <= pair[1].0).unwrap();
            let share = (used - pair[0].0) / (pair[1].0 - pair[0].0);
            let volts = cells * (pair[0].1 + (pair[1].1 - pair[0].1) * share);
            (volts * 1e4).round() / 1e4
        };
        for row in case["expected"].as_array().unwrap() {
            let day = row["day"].as_f64().unwrap();
            let points: Vec<(f64, f64)> =
                (0..60).rev().map(f64::from).map(|back| (day - back, -volts(day - back))).collect();
            let ours = straight(&points, -case["v_end"].as_f64().unwrap()).unwrap();
            let expected = row["min_of_both"].as_f64().unwrap();
            near("straight", &format!("days left on day {day}"), ours, expected, 0.002 * expected);
        }
    }
}

#[test]
fn volts_against_temperature_are_learnt_within_days() {
    for case in cases("temp_coeff", 1) {
        let (days, celsius, volts) = (numbers(&case["day"]), numbers(&case["temp_c"]), numbers(&case["volts"]));
        let mut warmth = Warmth::default();
        for day in 0..5 {
            let mut sums = Sums::default();
            let readings = days.iter().zip(&celsius).zip(&volts);
            for ((_, celsius), volts) in readings.filter(|((of, _), _)| **of == f64::from(day)) {
                sums.add(*celsius, *volts);
            }
            warmth.learn(&sums);
        }
        let expected = case["expected"]["beta_v_per_c"].as_f64().unwrap();
        near("warmth", "V/K", warmth.volts_per_kelvin(1.0), expected, 1e-6);
    }
}

#[test]
fn replacements_are_seen_on_the_day_the_volts_step_up_and_stay() {
    for case in cases("replacement", 4) {
        let volts = numbers(&case["daily_volts"]);
        let least = replacement::LEAST_VOLTS_PER_CELL * case["cells"].as_f64().unwrap();
        let (mut from, mut changes) = (0, Vec::new());
        for today in 1..=volts.len() {
            let start = today.saturating_sub(replacement::BEFORE + replacement::AFTER).max(from).min(today);
            if stepped_up(&volts[start..today], least) {
                from = today - replacement::AFTER;
                changes.push(from as f64);
            }
        }
        assert_eq!(changes, numbers(&case["expected"]["change_days"]), "{}", case["name"]);
    }
}

#[test]
fn the_sensors_own_word_is_believed_when_it_is_said_often_enough() {
    for case in cases("flag_debounce", 4) {
        let mut battery = Battery::default();
        let mut changes = Vec::new();
        for (second, low) in numbers(&case["t_unix_s"]).iter().zip(numbers(&case["low"])) {
            let listening = (*second * 1000.0) as i64;
            match battery.read(listening, BatteryReading::Ok(low == 0.0), &BatterySettings::default()) {
                Some(BatteryChange::Low) => changes.push(serde_json::json!([*second as i64, "low"])),
                Some(BatteryChange::Recovered) => changes.push(serde_json::json!([*second as i64, "ok"])),
                None => {}
            }
        }
        assert_eq!(Value::Array(changes), case["expected"]["events"], "{}", case["name"]);
    }
}
