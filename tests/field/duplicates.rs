//! S10: one transmission heard several times.

use thirstd::engine::stamp::{MINUTE, SECOND};

use crate::case::{at, play};
use crate::configuration::{Site, settings};
use crate::world::{World, near};

/// A gauge that sends each tip of 0.2 mm with a number, and a thermometer without one.
const FEEDS: &str = r#"
[[feeds]]
topic = "yard/{site}/{sensor}/tip"
format = "json"
fields."/tips" = { quantity = "rainfall_amount", unit = "mm", scale = 0.2 }
fields."/seq" = { quantity = "sequence_number" }
fields."/rssi" = { quantity = "rssi", unit = "dBm" }
[[feeds]]
topic = "yard/{site}/{sensor}"
format = "json"
fields."/temp_c" = { quantity = "air_temperature", unit = "Cel" }
fields."/rssi" = { quantity = "rssi", unit = "dBm" }
"#;

#[test]
fn s10_one_transmission_heard_several_times_counts_once() {
    let site = Site { sensors: &[("gauge", ""), ("air", "")], ..Site::default() };
    let mut world = World::new(settings(FEEDS, &[site]), at("2027-05-05T05:55:00Z"));
    play("S10", &mut world);
    world.until(at("2027-05-05T06:04:00Z"));

    // Two tips, not five: the number wins over the signal strength and over the window in time.
    assert!(near(world.rain_mm("oak"), 0.4), "{}", world.rain_mm("oak"));
    assert_eq!(world.rejects("oak", "gauge", "repeat"), 3);
    assert_eq!(world.temperatures("air").len(), 1);
    assert_eq!(world.rejects("oak", "air", "repeat"), 1);
}

#[test]
fn s10_copies_teach_no_interval_and_are_no_deliveries() {
    let start = at("2027-05-05T06:01:00Z");
    let site = Site { sensors: &[("gauge", "")], ..Site::default() };
    let mut world = World::new(settings(FEEDS, &[site]), start);
    let tip = |number: i64| format!("{{\"tips\": 1, \"seq\": {number}, \"rssi\": -7{}}}", number % 10);
    for number in 0..24 {
        let sent = start.plus(number * 10 * MINUTE);
        for copy in [0, 320, 800, 4_800] {
            world.heard(sent.plus(copy), "yard/oak/gauge/tip", &tip(77 + number));
        }
    }
    world.until(start.plus(23 * 10 * MINUTE + MINUTE));
    let site = world.sensor("oak", "gauge");
    assert_eq!(site.rejects["repeat"], 24 * 3);
    // The status says so at the latest at the next full hour; 23 intervals, 23 deliveries.
    world.heard(start.plus(24 * 10 * MINUTE), "yard/oak/gauge/tip", &tip(101));
    let link = &world.payload("oak/sensor/gauge")["link"];
    let interval = link["interval_seconds"].as_f64().unwrap();
    assert!((595.0..=605.0).contains(&interval), "{interval}");
    assert!(near(link["delivery_ratio"].as_f64().unwrap(), 1.0), "{link}");
    assert!(near(world.rain_mm("oak"), 25.0 * 0.2));
}

#[test]
fn s10_tips_with_other_numbers_count_within_the_window_too() {
    let start = at("2027-05-05T06:00:00Z");
    let site = Site { sensors: &[("gauge", "")], ..Site::default() };
    let mut world = World::new(settings(FEEDS, &[site]), start);
    for number in 0..5 {
        let payload = format!("{{\"tips\": 1, \"seq\": {number}}}");
        world.heard(start.plus(number * SECOND), "yard/oak/gauge/tip", &payload);
    }
    world.until(start.plus(MINUTE));
    assert!(near(world.rain_mm("oak"), 1.0), "{}", world.rain_mm("oak"));
}
