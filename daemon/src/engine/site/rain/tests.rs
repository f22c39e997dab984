//! Counters and caps by the reference cases, and the field cases by id.

use serde::Deserialize;

use super::*;
use crate::engine::stamp::SECOND;

#[derive(Deserialize)]
struct CaseFile {
    cases: Vec<serde_json::Value>,
}

#[derive(Deserialize)]
struct CounterCase {
    name: String,
    tip_mm: f64,
    modulus: Option<f64>,
    readings: Vec<(i64, f64)>,
    expected: Vec<(String, f64)>,
}

#[derive(Deserialize)]
struct CapCase {
    expected: Vec<CapLine>,
}

#[derive(Deserialize)]
struct CapLine {
    minutes: f64,
    suspect: f64,
    fail: f64,
}

/// tests/vectors/rain_cases.json, the cases of one kind.
fn reference_cases<Case: serde::de::DeserializeOwned>(kind: &str) -> Vec<Case> {
    let file: CaseFile =
        serde_json::from_str(include_str!("../../../../../tests/vectors/rain_cases.json")).expect("a case file");
    let cases = file.cases.into_iter().filter(|case| case["kind"] == kind);
    cases.map(|case| serde_json::from_value(case).expect("a case of its kind")).collect()
}

#[test]
fn counters_are_judged_as_in_the_reference_cases() {
    let cases: Vec<CounterCase> = reference_cases("counter");
    assert_eq!(cases.len(), 13);
    for case in cases {
        let settings = GaugeSettings { tip_mm: case.tip_mm, modulus: case.modulus, ..GaugeSettings::default() };
        let mut gauge = Gauge::default();
        assert_eq!(case.readings.len(), case.expected.len(), "{}", case.name);
        for ((seconds, raw), (name, mm)) in case.readings.into_iter().zip(case.expected) {
            let catch = gauge.counter(raw, RawUnit::Tips, Stamp(seconds * SECOND), false, &settings);
            let expected = match name.as_str() {
                "ok" => "rain",
                "reset_service" => "after_reset",
                // Overruled by field case S17: the jump counts nothing, as in the file, but does not re-anchor.
                "fail_jump" => "quarantined_jump",
                other => other,
            };
            assert_eq!(catch.outcome.name(), expected, "{} at {seconds}", case.name);
            assert!((catch.mm - mm).abs() < 1e-9, "{} at {seconds}: {}", case.name, catch.mm);
        }
    }
}

#[test]
fn caps_follow_the_reference_table() {
    let cases: Vec<CapCase> = reference_cases("cap");
    let caps = Caps::default();
    for line in &cases[0].expected {
        let millis = (line.minutes * 60_000.0) as i64;
        let (suspect, fail) = (caps.suspect_mm(millis), caps.fail_mm(millis));
        // The table has three decimals.
        assert!((suspect - line.suspect).abs() < 6e-4, "{} min: {suspect}", line.minutes);
        assert!((fail - line.fail).abs() < 6e-4, "{} min: {fail}", line.minutes);
    }
    assert_eq!(cases[0].expected.len(), 11);
}

/// Readings of one counter in mm as (time of day or RFC 3339, total), and per reading the outcome and the mm that count.
fn check(settings: &GaugeSettings, lines: &[(&str, f64, Outcome, f64)]) -> (Gauge, Vec<Catch>) {
    let mut gauge = Gauge::default();
    let mut catches = Vec::new();
    for (at, raw, outcome, mm) in lines {
        let catch = gauge.counter(*raw, RawUnit::Millimeters, stamp(at), false, settings);
        assert_eq!(catch.outcome, *outcome, "{raw} at {at}");
        assert!((catch.mm - mm).abs() < 1e-9, "{raw} at {at}: {} mm", catch.mm);
        catches.push(catch);
    }
    (gauge, catches)
}

fn stamp(text: &str) -> Stamp {
    chrono::DateTime::parse_from_rfc3339(text).expect("RFC 3339").to_utc().into()
}

use Outcome::*;

#[test]
fn s17_a_phantom_jump_and_its_return_count_nothing() {
    let settings = GaugeSettings { tip_mm: 0.254, ..GaugeSettings::default() };
    let (_, catches) = check(
        &settings,
        &[
            ("2027-07-07T01:18:57Z", 4.83, Anchor, 0.0),
            ("2027-07-07T01:19:57Z", 645.92, QuarantinedJump, 0.0),
            ("2027-07-07T02:00:57Z", 645.92, StillQuarantined, 0.0),
            ("2027-07-07T02:45:58Z", 645.92, StillQuarantined, 0.0),
            ("2027-07-07T02:46:57Z", 4.83, BackFromJump, 0.0),
            ("2027-07-07T03:16:57Z", 5.08, Rain, 0.25),
        ],
    );
    let quarantined: f64 = catches.iter().map(|catch| catch.quarantined_mm).sum();
    assert!((quarantined - 641.09).abs() < 1e-9, "{quarantined}");
    check(
        &settings,
        &[
            ("2027-07-07T04:00:00Z", 232.8, Anchor, 0.0),
            ("2027-07-07T04:00:15Z", 69917.6, QuarantinedJump, 0.0),
            ("2027-07-07T04:00:30Z", 232.8, BackFromJump, 0.0),
            ("2027-07-07T04:00:45Z", 69917.6, QuarantinedJump, 0.0),
        ],
    );
}

#[test]
fn s17_a_level_that_persists_for_a_day_is_the_baseline_and_adds_nothing() {
    let (gauge, _) = check(
        &GaugeSettings::default(),
        &[
            ("2027-07-07T01:00:00Z", 4.8, Anchor, 0.0),
            ("2027-07-07T01:01:00Z", 645.8, QuarantinedJump, 0.0),
            ("2027-07-07T13:00:00Z", 646.8, StillQuarantined, 0.0),
            ("2027-07-08T01:00:00Z", 646.8, StillQuarantined, 0.0),
            ("2027-07-08T01:01:00Z", 646.8, NewLevelAccepted, 0.0),
            ("2027-07-08T02:00:00Z", 647.0, Rain, 0.2),
        ],
    );
    assert_eq!(gauge.quarantined_since(), None);
}

#[test]
fn time_alone_does_not_make_a_jump_believed() {
    // After 3 h more than 641 mm are below the cap: the level of the jump stays nearer than the old one.
    let (gauge, catches) = check(
        &GaugeSettings::default(),
        &[
            ("2027-07-07T01:00:00Z", 4.8, Anchor, 0.0),
            ("2027-07-07T01:01:00Z", 645.8, QuarantinedJump, 0.0),
            ("2027-07-07T07:00:00Z", 645.7, StillQuarantined, 0.0),
            ("2027-07-07T08:00:00Z", 646.0, StillQuarantined, 0.0),
            ("2027-07-07T09:00:00Z", 5.0, BackFromJump, 0.2),
        ],
    );
    assert!((catches[3].quarantined_mm - 0.2).abs() < 1e-9);
    assert_eq!(gauge.quarantined_since(), None);
}

#[test]
fn jumps_to_ever_new_levels_never_become_the_baseline() {
    check(
        &GaugeSettings::default(),
        &[
            ("2027-07-07T01:00:00Z", 4.8, Anchor, 0.0),
            ("2027-07-07T01:01:00Z", 645.8, QuarantinedJump, 0.0),
            ("2027-07-07T20:00:00Z", 500.0, QuarantinedJump, 0.0),
            ("2027-07-08T02:00:00Z", 500.0, StillQuarantined, 0.0),
            ("2027-07-08T02:01:00Z", 4.8, BackFromJump, 0.0),
        ],
    );
}

#[test]
fn s18_a_counter_that_restarts_counts_what_it_shows_since() {
    let (_, catches) = check(
        &GaugeSettings::default(),
        &[
            ("2027-05-05T08:00:00Z", 439.2, Anchor, 0.0),
            ("2027-05-05T08:20:00Z", 439.6, Rain, 0.4),
            ("2027-05-05T08:40:00Z", 0.0, AfterReset, 0.0),
            ("2027-05-05T09:00:00Z", 0.4, Rain, 0.4),
            ("2027-05-05T09:20:00Z", 1.2, Rain, 0.8),
        ],
    );
    assert!((catches.iter().map(|catch| catch.mm).sum::<f64>() - 1.6).abs() < 1e-9);
    check(
        &GaugeSettings::default(),
        &[
            ("2027-05-05T08:00:00Z", 439.6, Anchor, 0.0),
            ("2027-05-05T08:40:00Z", 0.8, AfterReset, 0.8),
            ("2027-05-05T09:00:00Z", 0.8, Zero, 0.0),
        ],
    );
}

#[test]
fn a_false_zero_is_no_reset_once_the_old_level_returns() {
    check(
        &GaugeSettings::default(),
        &[
            ("2027-05-05T08:00:00Z", 439.6, Anchor, 0.0),
            ("2027-05-05T08:05:00Z", 0.4, AfterReset, 0.4),
            ("2027-05-05T08:10:00Z", 440.2, BackFromJump, 0.2),
            ("2027-05-05T08:15:00Z", 440.4, Rain, 0.2),
        ],
    );
}

#[test]
fn a_confirmed_drop_is_void_once_the_old_level_returns() {
    check(
        &GaugeSettings::default(),
        &[
            ("2027-05-05T08:00:00Z", 200.0, Anchor, 0.0),
            ("2027-05-05T08:05:00Z", 140.0, DropPending, 0.0),
            ("2027-05-05T08:10:00Z", 140.2, ReanchorConfirmed, 0.2),
            ("2027-05-05T08:15:00Z", 200.4, BackFromJump, 0.2),
        ],
    );
}

#[test]
fn s19_a_total_in_another_unit_counts_nothing_until_confirmed() {
    let lines = [
        ("2027-04-02T02:00:00Z", 38.1, Anchor, 0.0),
        ("2027-04-02T03:00:00Z", 1.5, UnitSuspect, 0.0),
        ("2027-04-02T04:00:00Z", 1.8, UnitSuspect, 0.0),
    ];
    let (mut gauge, _) = check(&GaugeSettings::default(), &lines);
    assert_eq!(gauge.unit_suspect_since(), Some(stamp("2027-04-02T03:00:00Z")));
    let mut corrected = gauge.clone();
    let next = stamp("2027-04-02T05:00:00Z");
    gauge.confirm_unit();
    assert_eq!(gauge.unit_suspect_since(), None);
    let catch = gauge.counter(2.0, RawUnit::Millimeters, next, false, &GaugeSettings::default());
    assert_eq!(catch.outcome, Rain);
    assert!((catch.mm - 0.2).abs() < 1e-9);
    // The other way out: the unit in the settings is corrected, and counting starts anew.
    corrected.reanchor();
    let catch = corrected.counter(2.0 * 25.4, RawUnit::Millimeters, next, false, &GaugeSettings::default());
    assert_eq!((catch.outcome, catch.mm), (Anchor, 0.0));
}

#[test]
fn s19_a_total_that_grows_by_25_4_is_in_doubt_too_and_can_come_back() {
    check(
        &GaugeSettings::default(),
        &[
            ("2027-04-02T02:00:00Z", 1.5, Anchor, 0.0),
            ("2027-04-02T03:00:00Z", 38.1, UnitSuspect, 0.0),
            ("2027-04-02T04:00:00Z", 1.8, BackFromJump, 0.3),
        ],
    );
}

#[test]
fn a_reset_that_happens_to_be_near_one_twenty_fifth_is_still_a_reset() {
    // Less than 10 mm: 5.08 / 25.4 is 0.2, but one tip after a reset shows the same.
    let settings = GaugeSettings { tip_mm: 0.2, ..GaugeSettings::default() };
    check(&settings, &[("2027-04-02T02:00:00Z", 5.08, Anchor, 0.0), ("2027-04-02T03:00:00Z", 0.2, AfterReset, 0.2)]);
}

#[test]
fn s20_rain_of_a_gap_is_kept_and_dated_over_the_gap() {
    // The reading at 20:50 is ours: the last one heard before the daemon was away.
    let lines = [
        ("2027-05-06T13:50:00Z", 118.4, Anchor, 0.0),
        ("2027-05-06T14:05:01Z", 118.4, Zero, 0.0),
        ("2027-05-06T14:06:00Z", 118.6, Rain, 0.2),
        ("2027-05-06T20:50:00Z", 118.6, Zero, 0.0),
        ("2027-05-07T04:10:40Z", 121.0, Rain, 2.4),
    ];
    let (_, catches) = check(&GaugeSettings::default(), &lines);
    let gap = catches.last().unwrap();
    assert_eq!((gap.from, gap.to), (stamp("2027-05-06T20:50:00Z"), stamp("2027-05-07T04:10:40Z")));
    // Midnight in Europe/Berlin is 22:00Z: 70 of 440.67 min belong to 6 May.
    let midnight = stamp("2027-05-06T22:00:00Z");
    let days = [(stamp("2027-05-05T22:00:00Z"), midnight), (midnight, stamp("2027-05-07T22:00:00Z"))];
    let shares: Vec<_> = spread(gap.from, gap.to, gap.mm, days.into_iter()).collect();
    assert_eq!(shares.len(), 2);
    assert!((shares[0].1 - 2.4 * 4_200.0 / 26_440.0).abs() < 1e-9);
    assert!((shares[0].1 + shares[1].1 - 2.4).abs() < 1e-12);
}

#[test]
fn s26_older_points_of_a_backlog_are_no_resets() {
    let (_, catches) = check(
        &GaugeSettings::default(),
        &[
            ("2027-05-11T00:10:00Z", 210.0, Anchor, 0.0),
            ("2027-05-11T08:59:58Z", 215.2, Rain, 5.2),
            ("2027-05-11T03:10:00Z", 211.4, DuplicateOrOld, 0.0),
            ("2027-05-11T02:10:00Z", 210.6, DuplicateOrOld, 0.0),
            ("2027-05-11T06:10:00Z", 214.0, DuplicateOrOld, 0.0),
            ("2027-05-11T05:10:00Z", 213.0, DuplicateOrOld, 0.0),
        ],
    );
    assert!((catches.iter().map(|catch| catch.mm).sum::<f64>() - 5.2).abs() < 1e-9);
}

#[test]
fn a_reading_timed_by_arrival_is_never_old() {
    let settings = GaugeSettings::default();
    let mut gauge = Gauge::default();
    let at = stamp("2027-05-11T08:00:00Z");
    gauge.counter(100.0, RawUnit::Tips, at, true, &settings);
    for (minutes, raw) in [(0, 101.0), (-30, 102.0), (-25, 103.0)] {
        let catch = gauge.counter(raw, RawUnit::Tips, at.plus(minutes * MINUTE), true, &settings);
        assert_eq!(catch.outcome, Rain, "{raw}");
        assert!((catch.mm - 0.2).abs() < 1e-9);
        assert!(catch.from <= catch.to);
    }
}

#[test]
fn a_small_modulus_rolls_over_in_heavy_rain_and_a_low_counter_is_reset() {
    let settings = GaugeSettings { modulus: Some(256.0), ..GaugeSettings::default() };
    for (before, after, outcome, mm) in
        [(200.0, 94.0, Rollover, 30.0), (250.0, 2.0, Rollover, 1.6), (20.0, 0.0, AfterReset, 0.0)]
    {
        let mut gauge = Gauge::default();
        gauge.counter(before, RawUnit::Tips, Stamp(0), false, &settings);
        let catch = gauge.counter(after, RawUnit::Tips, Stamp(6 * HOUR), false, &settings);
        assert_eq!(catch.outcome, outcome, "{before} to {after}");
        assert!((catch.mm - mm).abs() < 1e-9, "{}", catch.mm);
    }
}

#[test]
fn interval_amounts_are_judged_by_the_caps_of_their_interval() {
    let settings = GaugeSettings::default();
    let five = Some(5 * MINUTE);
    for (mm, interval, outcome, counts, quarantined) in [
        (0.0, five, Zero, 0.0, 0.0),
        (14.0, five, Rain, 14.0, 0.0),
        (16.0, five, SuspectJump, 16.0, 0.0),
        (101.0, five, QuarantinedJump, 0.0, 101.0),
        (16.0, None, Rain, 16.0, 0.0),
        (-0.2, five, Impossible, 0.0, 0.0),
        (f64::NAN, five, Impossible, 0.0, 0.0),
    ] {
        let catch = Gauge::default().interval(mm, Stamp(DAY), interval, &settings);
        assert_eq!((catch.outcome, catch.mm, catch.quarantined_mm), (outcome, counts, quarantined), "{mm}");
    }
}

#[test]
fn an_amount_without_an_interval_reaches_back_to_the_last_one() {
    let settings = GaugeSettings::default();
    let mut gauge = Gauge::default();
    for (minutes, back) in [(0, 60), (10, 10), (200, 60)] {
        let at = Stamp(DAY + minutes * MINUTE);
        let catch = gauge.interval(0.2, at, None, &settings);
        assert_eq!((catch.from, catch.to), (at.plus(-back * MINUTE), at));
    }
}

#[test]
fn an_instant_goes_whole_into_the_bin_that_ends_with_it() {
    let bins = [(Stamp(0), Stamp(10)), (Stamp(10), Stamp(20))];
    for (at, index) in [(5, 0), (10, 0), (11, 1), (20, 1)] {
        let shares: Vec<_> = spread(Stamp(at), Stamp(at), 0.2, bins.into_iter()).collect();
        assert_eq!(shares, [(index, 0.2)], "{at}");
    }
    assert_eq!(spread(Stamp(21), Stamp(30), 0.2, bins.into_iter()).count(), 0);
}

#[test]
fn the_state_survives_saving() {
    let settings = GaugeSettings::default();
    let mut gauge = Gauge::default();
    for (hour, raw) in [(0, 400.0), (1, 0.0), (2, 5_000.0)] {
        gauge.counter(raw, RawUnit::Tips, Stamp(hour * HOUR), false, &settings);
    }
    let bytes = rmp_serde::to_vec_named(&gauge).unwrap();
    assert!(bytes.len() < 128, "{}", bytes.len());
    assert_eq!(rmp_serde::from_slice::<Gauge>(&bytes).unwrap(), gauge);
    assert_eq!(serde_json::from_str::<Gauge>("{}").unwrap(), Gauge::default());
}
