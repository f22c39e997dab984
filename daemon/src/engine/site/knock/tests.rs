//! Knock scores by the reference cases, and what is learnt.

use super::*;

/// tests/vectors/rain_cases.json, the cases of the kind `bump`.
fn reference_cases() -> Vec<serde_json::Value> {
    let text = include_str!("../../../../../tests/vectors/rain_cases.json");
    let file: serde_json::Value = serde_json::from_str(text).unwrap();
    file["cases"].as_array().unwrap().iter().filter(|case| case["kind"] == "bump").cloned().collect()
}

#[test]
fn scores_and_verdicts_are_those_of_the_reference_cases() {
    let cases = reference_cases();
    assert_eq!(cases.len(), 14);
    for case in cases {
        let inputs = &case["inputs"];
        let known = ["service", "rh", "nb", "kc", "burst", "leaf", "soil"];
        assert!(inputs.as_object().unwrap().keys().all(|key| known.contains(&key.as_str())), "{case}");
        let evidence = Evidence {
            service: inputs["service"] == true,
            humidity_percent: inputs["rh"].as_f64().map(|percent| percent as f32),
            neighbor_rain: inputs["nb"].as_str().map(|word| word == "wet"),
            clear_share: inputs["kc"].as_f64().map(|share| share as f32),
            burst: inputs["burst"] == true,
            leaf_wet: inputs["leaf"].as_str().map(|word| word == "wet"),
            soil_rises: inputs["soil"] == "rise",
            ..Evidence::default()
        };
        let score = Score::of(&evidence, &HumidityClimate::default());
        let expected = &case["expected"];
        assert!((score.decibels - expected["score_db"].as_f64().unwrap()).abs() < 1e-9, "{case}: {score:?}");
        let verdict = match score.verdict(&KnockSettings::default()) {
            Verdict::Rain => "rain",
            Verdict::Provisional => "provisional",
            Verdict::Knock => "bump",
        };
        assert_eq!(verdict, expected["verdict"], "{case}");
    }
}

#[test]
fn the_probability_is_the_logistic_of_the_score() {
    for (decibels, probability) in [(0.0, 0.5), (10.0, 10.0 / 11.0), (-10.0, 1.0 / 11.0), (20.0, 100.0 / 101.0)] {
        let score = Score { decibels, clues: vec![] };
        assert!((score.probability() - probability).abs() < 1e-12);
    }
}

#[test]
fn what_sprinklers_do_as_well_is_no_evidence_of_rain() {
    let wet = Evidence {
        humidity_percent: Some(97.0),
        leaf_wet: Some(true),
        soil_rises: true,
        cooled: true,
        ..Evidence::default()
    };
    let climate = HumidityClimate::default();
    assert!(Score::of(&wet, &climate).decibels < -40.0);
    assert_eq!(Score::of(&Evidence { sprinklers: true, ..wet }, &climate).decibels, -17.0);
    let dry = Evidence { humidity_percent: Some(40.0), leaf_wet: Some(false), ..Evidence::default() };
    assert_eq!(Score::of(&Evidence { sprinklers: true, ..dry }, &climate), Score::of(&dry, &climate));
}

#[test]
fn words_name_both_sides_with_their_scores_weightiest_first() {
    let evidence = Evidence {
        service: true,
        humidity_percent: Some(41.0),
        burst: true,
        neighbor_rain: Some(true),
        ..Evidence::default()
    };
    let score = Score::of(&evidence, &HumidityClimate::default());
    assert_eq!(
        score.words(true, &evidence),
        "somebody was at work on the site (+16), the humidity was 41 % (+15), all tips came at once (+2)"
    );
    assert_eq!(
        score.words(false, &evidence),
        "rain is far commoner than a knock (-17), a neighbor's gauge had rain (-13)"
    );
}

#[test]
fn nothing_is_a_knock_where_the_rule_is_off() {
    let evidence = Evidence { service: true, humidity_percent: Some(30.0), ..Evidence::default() };
    let score = Score::of(&evidence, &HumidityClimate::default());
    assert_eq!(score.verdict(&KnockSettings { enabled: false, ..KnockSettings::default() }), Verdict::Rain);
}

#[test]
fn a_foggy_coast_teaches_slowly_that_damp_air_is_no_rain() {
    let mut climate = HumidityClimate::default();
    let at_first = climate.weight(95.0);
    assert!((at_first - -9.0).abs() < 1e-9);
    let mut before = at_first;
    for month in 0..48 {
        for hour in 0..360 {
            climate.dry_hour(if hour % 3 == 0 { 75.0 } else { 96.0 });
        }
        (0..4).for_each(|_| climate.onset(96.0));
        let weight = climate.weight(95.0);
        assert!((weight - before).abs() < 3.0, "month {month}: {before} to {weight}");
        before = weight;
    }
    assert!(before > -4.0 && before <= at_first + 6.0, "{before}");
}

#[test]
fn a_desert_where_showers_begin_in_dry_air_is_believed_within_bounds() {
    let mut climate = HumidityClimate::default();
    for _ in 0..100 {
        climate.onset(45.0);
    }
    assert!((9.0..12.0).contains(&climate.weight(45.0)), "{}", climate.weight(45.0));
    for _ in 0..100_000 {
        climate.onset(45.0);
        climate.dry_hour(30.0);
    }
    let bytes = rmp_serde::to_vec_named(&climate).unwrap();
    assert!(bytes.len() <= 48, "{}", bytes.len());
    assert_eq!(rmp_serde::from_slice::<HumidityClimate>(&bytes).unwrap(), climate);
    assert_eq!(serde_json::from_str::<HumidityClimate>("{}").unwrap(), HumidityClimate::default());
}
