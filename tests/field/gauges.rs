//! Gauges of every kind count the same rain: by counter, by day, by hour, by interval, by rate; and of two one speaks.

use thirstd::engine::stamp::{HOUR, MINUTE};

use crate::case::at;
use crate::configuration::{Site, settings};
use crate::world::{World, near};

/// A feed of one field on `yard/{site}/{sensor}/state`.
fn feed(quantity: &str, unit: &str) -> String {
    format!(
        "[[feeds]]\ntopic = \"yard/{{site}}/{{sensor}}/state\"\nformat = \"json\"\n\
         [feeds.fields]\n\"/r\" = {{ quantity = \"{quantity}\", unit = \"{unit}\" }}\n"
    )
}

/// Rain of 0.6 mm in each ten minutes from 22:10 to 01:00, which crosses midnight: 5.4 mm and 5.4 mm less the last.
fn fallen(minute: i64) -> f64 {
    0.6 * (minute.clamp(0, 180) / 10) as f64
}

/// What a gauge says at a minute after 22:00, if it speaks then.
type Says = fn(i64) -> Option<f64>;

#[test]
fn the_same_rain_counts_the_same_however_the_gauge_reports_it() {
    let cases: [(&str, &str, &str, Says); 5] = [
        ("a counter", "rain_counter", "mm", |minute| Some(40.0 + fallen(minute))),
        // Falls to 0 at midnight.
        ("a total of the day", "rain_counter", "mm", |minute| {
            Some(if minute < 120 { fallen(minute) } else { fallen(minute) - fallen(119) })
        }),
        ("an amount of ten minutes", "rainfall_amount", "mm", |minute| Some(fallen(minute) - fallen(minute - 10))),
        ("an amount of an hour", "rainfall_amount", "mm", |minute| {
            (minute % 60 == 0).then(|| fallen(minute) - fallen(minute - 60))
        }),
        ("a rate", "rainfall_rate", "mm/h", |minute| Some(6.0 * (fallen(minute) - fallen(minute - 10)))),
    ];
    for (name, quantity, unit, says) in cases {
        let start = at("2027-06-10T22:00:00Z");
        let site = Site { sensors: &[("gauge", "")], ..Site::default() };
        let mut world = World::new(settings(&feed(quantity, unit), &[site]), start.plus(-10 * HOUR));
        world.is_quiet = true;
        for minute in (-600..=300).step_by(10) {
            if let Some(value) = says(minute) {
                // Payloads differ, so that no report is taken for a copy of another.
                let payload = format!(r#"{{"r": {value:.2}, "n": {minute}}}"#);
                world.heard(start.plus(minute * MINUTE), "yard/oak/gauge/state", &payload);
            }
        }
        assert!((world.rain_mm("oak") - 10.8).abs() < 0.01, "{name}: {}", world.rain_mm("oak"));
        let first = world.view("oak").day("2027-06-10".parse().unwrap()).unwrap().figures.water.rain_mm;
        assert!((first - fallen(120)).abs() < 0.61, "{name}: {first} before midnight");
    }
}

#[test]
fn of_two_gauges_the_first_counts_and_the_second_only_while_the_first_is_silent() {
    let start = at("2027-06-10T08:00:00Z");
    let site = Site { sensors: &[("gauge", "silence_limit = \"1 h\""), ("second", "")], ..Site::default() };
    let mut world = World::new(settings(&feed("rain_counter", "mm"), &[site]), start);
    world.is_quiet = true;
    for minute in (0..600).step_by(10) {
        let total = 0.2 * (minute / 10) as f64;
        // The first falls silent at noon.
        if minute < 240 {
            world.heard(
                start.plus(minute * MINUTE),
                "yard/oak/gauge/state",
                &format!(r#"{{"r": {:.1}}}"#, 10.0 + total),
            );
        }
        let payload = format!(r#"{{"r": {:.1}}}"#, 70.0 + 1.5 * total);
        world.heard(start.plus((minute + 3) * MINUTE), "yard/oak/second/state", &payload);
    }
    // 23 tips of the first; then the second alone from when the first is given up, an hour later.
    let (first, second) = (23.0 * 0.2, 1.5 * 0.2 * 30.0);
    assert!(
        (first + second - 0.61..=first + second + 0.61).contains(&world.rain_mm("oak")),
        "{}",
        world.rain_mm("oak")
    );

    let site = Site { sensors: &[("second", "rain_counts = false"), ("gauge", "")], ..Site::default() };
    let mut world = World::new(settings(&feed("rain_counter", "mm"), &[site]), start);
    for (minute, total) in [(0, 10.0), (10, 11.0), (20, 12.0)] {
        let payload = format!(r#"{{"r": {total:.1}}}"#);
        world.heard(start.plus(minute * MINUTE), "yard/oak/second/state", &payload);
        world.heard(start.plus((minute + 1) * MINUTE), "yard/oak/gauge/state", &payload);
    }
    assert!(near(world.rain_mm("oak"), 2.0), "{}", world.rain_mm("oak"));
}
