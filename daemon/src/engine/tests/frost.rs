//! Frost that is there, frost that is expected, and readings that must not end a hold.

use super::watering::{D, H, yard};
use super::*;
use crate::engine::decision::reason::Reason;

fn is_frozen(driver: &Driver) -> bool {
    let standing = driver.engine().view("oak").unwrap().groups[0].standing.clone();
    standing.is_some_and(|standing| standing.said.hold(Reason::Freeze).is_some())
}

fn read(driver: &mut Driver, minute: i64, fields: &str, outputs: &mut Vec<Output>) {
    driver.apply(now(START.plus(minute * MINUTE)), message(&format!("{{{fields}}}")), outputs);
}

/// Temperature of a day between 20 °C in the afternoon and `low` at dawn, local time two hours ahead of UTC.
fn of_hour(minute: i64, low: f64) -> f64 {
    let hour = (minute % D) as f64 / 60.0;
    // Coldest at 3 o'clock UTC, warmest at 15.
    let share = (1.0 - ((hour - 3.0) / 12.0 * std::f64::consts::PI).cos()) / 2.0;
    low + (20.0 - low) * share
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 32, ..ProptestConfig::default() })]

    /// Values out of range, sentinels, words and warm spikes: none of them ends a freeze hold, in any number and order.
    #[test]
    fn a_bad_reading_never_releases_a_freeze_hold(bad in proptest::collection::vec((0usize..6, 1i64..40), 1..30)) {
        let (mut driver, mut outputs) = (yard(Capability::Percent, |_| {}), Vec::new());
        for minute in 0..12 {
            read(&mut driver, minute * 10, &format!(r#""t":1.{}"#, minute % 5), &mut outputs);
        }
        prop_assert!(is_frozen(&driver));
        let mut minute = 120;
        for (which, wait) in bad {
            minute += wait;
            let fields = [r#""t":85"#, r#""t":-999"#, r#""t":"unavailable""#, r#""t":null"#, r#""t":60.5"#, r#""r":5"#];
            read(&mut driver, minute, fields[which], &mut outputs);
            prop_assert!(is_frozen(&driver), "minute {minute}");
        }
        outputs.clear();
        driver.advance(now(START.plus((minute + 3 * D) * MINUTE)), &mut outputs);
        prop_assert!(is_frozen(&driver), "silence is not warmth");
    }
}

#[test]
fn after_some_cold_mornings_the_evening_holds_for_the_next_one_and_a_warm_morning_ends_it() {
    let (mut driver, mut outputs) = (yard(Capability::Percent, |_| {}), Vec::new());
    for day in 0..24 {
        for step in 0..144 {
            let minute = day * D + step * 10 + 1;
            let fields = format!(r#""t":{:.2},"r":100.0"#, of_hour(minute, 2.0) + (step % 3) as f64 * 0.02);
            read(&mut driver, minute, &fields, &mut outputs);
        }
    }
    // The sun sets at about 19:45 UTC; it is still some 14 °C then, and the live hold of the morning is long over.
    let mut held_at = None;
    outputs.clear();
    for step in 0..24 * 6 {
        let minute = 24 * D + 15 * H + step * 10 + 1;
        // An evening like those before, and then clouds: it stays mild.
        let usual = of_hour(minute, 2.0);
        let celsius = if step < 30 { usual } else { usual.max(9.0) };
        let fields = format!(r#""t":{:.2},"r":100.0"#, celsius + (step % 3) as f64 * 0.02);
        read(&mut driver, minute, &fields, &mut outputs);
        if is_frozen(&driver) && held_at.is_none() {
            held_at = Some(minute % D / 60);
        }
    }
    assert_eq!(held_at, Some(19), "at sunset");
    let said = payloads(&outputs, "/decision/");
    let held = said.iter().find(|said| said["action"] == "hold").unwrap();
    let text = held["holds"][0]["text"].as_str().unwrap();
    assert!(text.contains("the nights here fall to about "), "{text}");
    // Falls are counted in whole degrees: 2 °C, or a degree less.
    let expected = held["figures"]["coldest_expected_celsius"].as_f64().unwrap();
    assert!((1.0..=2.2).contains(&expected), "{expected}");
    assert!(!is_frozen(&driver), "the night stayed mild");
}
