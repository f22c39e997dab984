//! Batteries that fade, dip in the cold, are replaced, and talk nonsense.

use proptest::prelude::*;

use super::*;
use crate::engine::stamp::{HOUR, MINUTE};

const MINUTES: i64 = MINUTE;

/// Readings at minutes, and the changes expected, by minute.
fn check(settings: BatterySettings, readings: &[(i64, BatteryReading)], expected: &[(i64, BatteryChange)]) {
    let mut battery = Battery::default();
    let changes: Vec<(i64, BatteryChange)> = readings
        .iter()
        .filter_map(|(minute, reading)| {
            battery.read(minute * MINUTES, *reading, &settings).map(|change| (*minute, change))
        })
        .collect();
    assert_eq!(changes, expected);
}

fn volts(volts: f64) -> BatteryReading {
    BatteryReading::Volts(Volts(volts))
}

fn percent(percent: f64) -> BatteryReading {
    BatteryReading::Percent(Percent(percent))
}

fn alkaline() -> BatterySettings {
    BatterySettings { chemistry: Chemistry::AlkalineAa2, ..BatterySettings::default() }
}

#[test]
fn three_low_readings_over_an_hour_are_a_low_battery() {
    check(alkaline(), &[(0, volts(2.29)), (30, volts(2.28)), (60, volts(2.29))], &[(60, BatteryChange::Low)]);
    check(alkaline(), &[(0, volts(2.29)), (90, volts(2.28))], &[]);
    check(alkaline(), &[(0, volts(2.29)), (20, volts(2.28)), (40, volts(2.2)), (59, volts(2.2))], &[]);
}

#[test]
fn one_good_reading_between_starts_the_count_again() {
    check(alkaline(), &[(0, volts(2.2)), (30, volts(2.2)), (45, volts(2.3)), (60, volts(2.2)), (90, volts(2.2))], &[]);
}

#[test]
fn a_low_battery_recovers_only_well_above_the_threshold() {
    let low = [(0, volts(2.2)), (30, volts(2.2)), (60, volts(2.2))];
    let near = [(70, volts(2.35)), (80, volts(2.36)), (90, volts(2.36)), (100, volts(2.36))];
    let fresh = [(110, volts(3.1)), (111, volts(3.1)), (112, volts(3.1))];
    check(alkaline(), &[&low[..], &near[..]].concat(), &[(60, BatteryChange::Low)]);
    let expected = [(60, BatteryChange::Low), (112, BatteryChange::Recovered)];
    check(alkaline(), &[&low[..], &near[..], &fresh[..]].concat(), &expected);
    check(alkaline(), &[&low[..], &fresh[..2], &near[..], &fresh[..2]].concat(), &expected[..1]);
}

#[test]
fn the_sensors_own_word_counts_at_its_third_repetition_and_is_taken_back_after_a_day() {
    let bad = |minute| (minute, BatteryReading::Ok(false));
    let good = |minute| (minute, BatteryReading::Ok(true));
    check(alkaline(), &[bad(0), good(1), good(2), good(3), bad(4), good(5), good(6), bad(7)], &[]);
    check(
        alkaline(),
        &[bad(0), bad(1), bad(2), good(3), good(4), good(5), good(1442), good(1443)],
        &[(2, BatteryChange::Low), (1443, BatteryChange::Recovered)],
    );
}

#[test]
fn low_by_two_kinds_is_one_change_and_recovers_with_the_last_of_them() {
    let settings = alkaline();
    let mut battery = Battery::default();
    let mut changes = Vec::new();
    let low = [0, 30, 60].into_iter().flat_map(|at| [(at, volts(2.0)), (at, percent(5.0))]);
    let half = [70, 71, 72].map(|at| (at, volts(3.0)));
    let whole = [80, 81, 82].map(|at| (at, percent(90.0)));
    for (minute, reading) in low.chain(half).chain(whole) {
        changes.extend(battery.read(minute * MINUTES, reading, &settings).map(|change| (minute, change)));
    }
    assert_eq!(changes, [(60, BatteryChange::Low), (82, BatteryChange::Recovered)]);
    assert_eq!((battery.volts(), battery.percent(), battery.ok()), (Some(Volts(3.0)), Some(Percent(90.0)), None));
}

#[test]
fn thresholds_come_from_the_setting_then_the_chemistry() {
    let own = BatterySettings { low_volts: Some(3.0), low_percent: Some(35.0), ..alkaline() };
    assert_eq!((own.volts_threshold(), own.percent_threshold()), (Some(Volts(3.0)), Percent(35.0)));
    assert_eq!((alkaline().volts_threshold(), alkaline().percent_threshold()), (Some(Volts(2.3)), Percent(20.0)));
    let custom = BatterySettings::default();
    assert_eq!(custom.volts_threshold(), None);
    check(custom, &[(0, volts(0.1)), (60, volts(0.1)), (120, volts(0.1))], &[]);
    check(custom, &[(0, percent(19.0)), (60, percent(19.0)), (120, percent(19.0))], &[(120, BatteryChange::Low)]);
}

#[test]
fn what_cannot_be_a_battery_is_no_evidence() {
    let nonsense = [0.0, -1.0, f64::NAN, f64::INFINITY, 65_535.0].map(volts);
    let nonsense = nonsense.into_iter().chain([-1.0, 101.0, 255.0, f64::NAN].map(percent));
    let mut battery = Battery::default();
    for (hour, reading) in (0..).zip(nonsense) {
        assert_eq!(battery.read(hour * HOUR, reading, &alkaline()), None);
    }
    assert_eq!(battery, Battery::default());
}

#[test]
fn a_threshold_that_is_taken_away_takes_its_judgment_along() {
    let mut battery = Battery::default();
    for hour in 0..3 {
        battery.read(hour * HOUR, volts(2.0), &alkaline());
    }
    assert!(battery.is_low());
    let custom = BatterySettings::default();
    assert_eq!(battery.read(3 * HOUR, volts(2.0), &custom), Some(BatteryChange::Recovered));
}

#[test]
fn every_chemistry_has_a_name_and_the_state_survives_the_store() {
    let names: Vec<String> = Chemistry::ALL.iter().map(|kind| serde_json::to_string(kind).unwrap()).collect();
    assert_eq!(
        names.join(" "),
        "\"alkaline_9v\" \"lithium_9v\" \"nimh_9v\" \"alkaline_aa_2\" \"lithium_iron_aa_2\" \"cr2032\" \"cr123a\" \
         \"li_socl2\" \"nimh_sun\" \"custom\""
    );
    let mut battery = Battery::default();
    battery.read(HOUR, volts(2.2), &alkaline());
    battery.read(HOUR, BatteryReading::Ok(false), &alkaline());
    let saved = rmp_serde::to_vec_named(&battery).unwrap();
    assert!(saved.len() < 100, "{}", saved.len());
    assert_eq!(rmp_serde::from_slice::<Battery>(&saved).unwrap(), battery);
}

proptest! {
    #[test]
    fn no_readings_break_a_battery(
        readings in proptest::collection::vec((any::<i64>(), proptest::num::f64::ANY, 0..3_u8), 0..60),
        low in proptest::option::of(proptest::num::f64::ANY),
        margin in proptest::num::f64::ANY,
        needed in any::<u8>(),
    ) {
        let settings = BatterySettings {
            low_volts: low,
            low_percent: low,
            recovery_margin_percent: margin,
            readings_to_change: needed,
            ..alkaline()
        };
        let mut battery = Battery::default();
        for (at, value, kind) in readings {
            let was_low = battery.is_low();
            let reading = match kind {
                0 => volts(value),
                1 => percent(value),
                _ => BatteryReading::Ok(value > 0.0),
            };
            let change = battery.read(at, reading, &settings);
            prop_assert_eq!(change.is_some(), was_low != battery.is_low());
        }
    }
}
