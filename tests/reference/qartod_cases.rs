//! Cases of the QARTOD tests: forty with their flags written down, and thousands at random, judged by PyPI ioos_qc.
//!
//! `tests/run.sh` makes a Python environment with the package and names its interpreter in `THIRST_REFERENCE_PYTHON`;
//! where that is set, the random cases have to run. Without it they say that they were skipped.

use std::{collections::BTreeMap, env, fs, path::Path, process::Command};

use serde_json::Value;

use super::qartod::{self, Period, Span, SpikeMethod, Strength, Usual, Window};
use thirstd::engine::reading::Flag;

/// Our flags for a case, by number; the error where its settings are refused.
fn flags(case: &Value) -> Result<Vec<u8>, String> {
    let params = &case["params"];
    let number = |key: &str| params[key].as_f64();
    let given = |key: &str| number(key).unwrap_or_else(|| panic!("no {key}: {case}"));
    let whole = |key: &str| params[key].as_i64();
    let values: Vec<f64> = case["values"].as_array().into_iter().flatten().map(value).collect();
    let times: Vec<i64> = case["t_unix_s"].as_array().into_iter().flatten().map(|t| t.as_i64().unwrap()).collect();
    let flags = match case["test"].as_str().unwrap() {
        "gross_range_test" => {
            qartod::gross_range(&values, span(&params["fail_span"]).unwrap(), span(&params["suspect_span"]))?
        }
        "spike_test" => {
            let method = match params["method"].as_str().unwrap() {
                "average" => SpikeMethod::Average,
                "differential" => SpikeMethod::Differential,
                other => panic!("{other}"),
            };
            let (suspect, fail) = (number("suspect_threshold"), number("fail_threshold"));
            qartod::spike(&values, suspect.unwrap_or(0.0), fail.unwrap_or(0.0), method)
        }
        "rate_of_change_test" => qartod::rate_of_change(&values, &times, given("threshold"), number("fail_threshold")),
        "flat_line_test" => {
            let (suspect, fail) = (whole("suspect_threshold").unwrap(), whole("fail_threshold").unwrap());
            qartod::flat_line(&values, &times, suspect, fail, given("tolerance"))
        }
        "attenuated_signal_test" => {
            let strength = match params["check_type"].as_str().unwrap() {
                "std" => Strength::Deviation,
                "range" => Strength::Range,
                other => panic!("{other}"),
            };
            let least = match (whole("min_obs"), whole("min_period")) {
                (Some(count), _) => count as usize,
                (None, Some(seconds)) => qartod::samples_of(seconds, &times),
                (None, None) => 1,
            };
            let window = whole("test_period").map(|seconds| Window { seconds, least });
            let (suspect, fail) = (given("suspect_threshold"), given("fail_threshold"));
            qartod::attenuated_signal(&values, &times, suspect, fail, strength, window)
        }
        "climatology_test" => {
            let members: Vec<Usual> = params["config"].as_array().unwrap().iter().map(usual).collect();
            qartod::climatology(&values, &times, &members)
        }
        "time_gap_test" => qartod::time_gap(&times, given("fail_span_hours")),
        "data_reception_test" => qartod::data_reception(&times, given("fail_span_hours"), whole("from_time").unwrap()),
        "qartod_compare" => qartod::together(&known(&params["a"]), &known(&params["b"])),
        other => panic!("{other}"),
    };
    Ok(flags.into_iter().map(|flag| flag as u8).collect())
}

fn value(value: &Value) -> f64 {
    match value {
        Value::Null => f64::NAN,
        Value::String(text) => text.parse().unwrap(),
        number => number.as_f64().unwrap(),
    }
}

fn span(ends: &Value) -> Option<Span> {
    let ends = ends.as_array()?;
    Some(Span(ends[0].as_f64().unwrap(), ends[1].as_f64().unwrap()))
}

fn usual(member: &Value) -> Usual {
    Usual {
        period: match member["period"].as_str().unwrap() {
            "month" => Period::Month,
            "dayofyear" => Period::DayOfYear,
            "week" => Period::Week,
            other => panic!("{other}"),
        },
        time: span(&member["tspan"]).unwrap(),
        suspect: span(&member["vspan"]).unwrap(),
        fail: span(&member["fspan"]),
    }
}

fn known(numbers: &Value) -> Vec<Flag> {
    let flag = |number: &Value| match number.as_u64() {
        Some(1) => Flag::Good,
        Some(2) => Flag::NotEvaluated,
        Some(3) => Flag::Suspect,
        Some(4) => Flag::Bad,
        Some(9) => Flag::Missing,
        _ => panic!("{number}"),
    };
    numbers.as_array().unwrap().iter().map(flag).collect()
}

/// Judges all cases of a file; says how many of each test there were, and how often which flag was given.
fn check(text: &str) -> BTreeMap<String, (usize, BTreeMap<u64, usize>)> {
    let file: Value = serde_json::from_str(text).unwrap();
    let mut seen: BTreeMap<String, (usize, BTreeMap<u64, usize>)> = BTreeMap::new();
    for case in file["cases"].as_array().unwrap() {
        let (count, given) = seen.entry(case["test"].as_str().unwrap().to_owned()).or_default();
        *count += 1;
        let Some(expected) = case["expected_flags"].as_array() else {
            assert!(case["error"].is_string(), "{case}");
            assert!(flags(case).is_err(), "{case}");
            continue;
        };
        let expected: Vec<u64> = expected.iter().map(|flag| flag.as_u64().unwrap()).collect();
        let ours: Vec<u64> = flags(case).expect("settings that are taken").into_iter().map(u64::from).collect();
        assert_eq!(ours, expected, "{case}");
        expected.iter().for_each(|flag| *given.entry(*flag).or_default() += 1);
    }
    seen
}

#[test]
fn the_forty_cases_have_the_flags_that_the_package_gives() {
    let seen = check(include_str!("../vectors/ioos_qc_cases.json"));
    assert_eq!(seen.values().map(|(count, _)| count).sum::<usize>(), 40);
    assert_eq!(seen.len(), 9);
}

#[test]
fn random_series_have_the_flags_that_the_package_gives() {
    let Some(python) = env::var_os("THIRST_REFERENCE_PYTHON") else {
        println!("skipped: THIRST_REFERENCE_PYTHON names no interpreter with ioos_qc; tests/run.sh makes one");
        return;
    };
    let folder = tempfile::tempdir().expect("a temporary folder");
    let answers = folder.path().join("cases.json");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference/packages/quality.py");
    let seed = env::var("THIRST_REFERENCE_SEED").unwrap_or_else(|_| "20050100".to_owned());
    let output = Command::new(&python).arg(script).arg(&answers).args([&seed, "500"]).output();
    let output = output.unwrap_or_else(|error| panic!("{}: {error}", python.display()));
    let (said, error) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "ioos_qc gave no answers (seed {seed}): {error}");
    print!("{said}");
    let seen = check(&fs::read_to_string(answers).expect("cases"));
    assert_eq!(seen.len(), 9);
    for (test, (count, flags)) in &seen {
        println!("{test}: {count} series, flags {flags:?}");
        assert_eq!(*count, 500);
        assert!(flags.len() > 1, "{test} knows one flag only: {flags:?}");
    }
}
