//! The cases of tests/vectors/link_cases.json, each by its name, and the score intervals of link_tables.json.

use serde_json::Value;

use super::*;

fn case(name: &str) -> Value {
    let all: Value = serde_json::from_str(include_str!("../../../../../tests/vectors/link_cases.json")).unwrap();
    all["cases"].as_array().unwrap().iter().find(|case| case["name"] == name).unwrap().clone()
}

fn instants(case: &Value) -> Vec<i64> {
    case["t"].as_array().unwrap().iter().map(|at| (at.as_f64().unwrap() * 1000.0).round() as i64).collect()
}

/// The learnt interval is that of the case within 1 %.
fn check_interval(name: &str) {
    let case = case(name);
    let mut link = Link::started(0);
    for at in instants(&case) {
        link.heard(at, Stamp(at), &LinkSettings::default());
    }
    let learnt = link.interval().map(|interval| interval as f64 / 1000.0);
    match case["expected"]["interval_s"].as_f64() {
        None => assert_eq!(learnt, None, "{name}"),
        Some(expected) => {
            let learnt = learnt.unwrap();
            assert!((learnt - expected).abs() <= expected * 0.01, "{name}: {learnt} beside {expected}");
        }
    }
}

fn check_fewest(name: &str) {
    let case = case(name);
    let number = |key: &str| case[key].as_f64().unwrap();
    let interval = (number("interval_s") * 1000.0) as i64;
    let found = least_missing(interval, number("p"), number("target_per_year"), number("floor") as u16);
    assert_eq!(f64::from(found), number("expected"), "{name}");
}

fn check_numbers(name: &str) {
    let case = case(name);
    let interval = case["interval_s"].as_i64().unwrap() * 1000;
    let mut sequence = Sequence::default();
    let numbers = case["seq"].as_array().unwrap().iter().map(|number| number.as_u64().unwrap());
    let events: Vec<String> = instants(&case)
        .into_iter()
        .zip(numbers)
        .map(|(at, number)| match sequence.note(number, at, Some(interval)) {
            Step::First => "first".to_owned(),
            Step::Same => "dup".to_owned(),
            Step::On(steps) => format!("+{steps}"),
            Step::Restart(_) => "restart".to_owned(),
        })
        .collect();
    let expected = &case["expected"];
    assert_eq!(serde_json::json!(events), expected["events"], "{name}");
    let (sent, came) = sequence.delivered(instants(&case).pop().unwrap());
    assert_eq!((Some(sent), Some(came)), (expected["expected"].as_u64(), expected["received"].as_u64()), "{name}");
    assert!((came as f64 / sent as f64 - expected["pdr"].as_f64().unwrap()).abs() < 1e-4, "{name}");
}

macro_rules! cases {
    ($($test:ident: $check:ident($name:literal);)*) => {$(
        #[test]
        fn $test() {
            $check($name);
        }
    )*};
}

cases! {
    clean_60: check_interval("clean_60");
    loss30_300: check_interval("loss30_300");
    loss50_48: check_interval("loss50_48");
    hourly_loss20: check_interval("hourly_loss20");
    duplicates_removed: check_interval("duplicates_removed");
    too_few: check_interval("too_few");
    kmin_60_0_05: check_fewest("kmin_60_0.05");
    kmin_60_0_2: check_fewest("kmin_60_0.2");
    kmin_60_0_4: check_fewest("kmin_60_0.4");
    kmin_300_0_05: check_fewest("kmin_300_0.05");
    kmin_300_0_2: check_fewest("kmin_300_0.2");
    kmin_300_0_4: check_fewest("kmin_300_0.4");
    kmin_3600_0_05: check_fewest("kmin_3600_0.05");
    kmin_3600_0_2: check_fewest("kmin_3600_0.2");
    kmin_3600_0_4: check_fewest("kmin_3600_0.4");
    seq_wrap: check_numbers("seq_wrap");
    seq_loss: check_numbers("seq_loss");
    seq_dup: check_numbers("seq_dup");
    seq_restart: check_numbers("seq_restart");
    seq_restart_after_gap: check_numbers("seq_restart_after_gap");
}

#[test]
fn the_likely_share_is_the_score_interval_of_the_table() {
    let tables: Value = serde_json::from_str(include_str!("../../../../../tests/vectors/link_tables.json")).unwrap();
    for row in tables["wilson_95"].as_array().unwrap() {
        let (low, high) = likely_share(row["received"].as_u64().unwrap(), row["expected"].as_u64().unwrap());
        let near = |found: f64, key: &str| (found - row[key].as_f64().unwrap()).abs() < 1e-4;
        assert!(near(low, "lo") && near(high, "hi"), "{row}: {low} to {high}");
    }
}

#[test]
fn a_signal_that_fades_for_days_is_told_and_one_that_scatters_is_not() {
    let faded = |level: fn(u16) -> f64| {
        let mut strength = Strength::default();
        for day in 0..16 {
            strength.note(level(day), day);
        }
        strength.fading()
    };
    let fading = faded(|day| -70.0 - 0.7 * f64::from(day)).unwrap();
    assert!((fading.from - fading.to - 9.8).abs() < 0.3 && fading.days == 14, "{fading:?}");
    assert_eq!(faded(|day| -70.0 - f64::from(day * 7 % 5)), None);
    assert_eq!(faded(|day| if day == 9 { -110.0 } else { -70.0 }), None, "one bad day");
}

#[test]
fn a_gauge_that_speaks_only_when_it_rains_is_not_lost_in_a_dry_week() {
    let settings = LinkSettings::default();
    let mut link = Link::started(0);
    link.set_rain_only(true);
    for minutes in [0, 3, 4, 9, 31, 38, 60, 600, 603, 611, 640, 700] {
        link.heard(minutes * 60 * SECOND, Stamp(0), &settings);
    }
    assert!(link.speaks_of_events());
    assert_eq!(link.judge(700 * 60 * SECOND + 7 * DAY, &settings), None);
    assert_eq!(link.judge(700 * 60 * SECOND + 15 * DAY, &settings), Some(LinkChange::Lost));
}
