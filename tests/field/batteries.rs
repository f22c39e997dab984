//! S22: a field called battery that means ten different things.

use thirstd::engine::stamp::{HOUR, MINUTE};

use crate::case::{at, play};
use crate::configuration::{Site, settings};
use crate::world::World;

/// One feed for all of them, as somebody with sensors of several makes writes it.
const BATTERIES: &str = r#"
[[feeds]]
topic = "yard/{site}/{sensor}/state"
format = "json"
[feeds.fields]
"/battery_ok" = { quantity = "battery_ok" }
"/battery" = { quantity = "battery_level", unit = "%" }
"/battery_low" = { quantity = "battery_ok", inverted = true }
"/batt_mv" = { quantity = "battery_voltage", unit = "mV" }
"/vbatt" = { quantity = "battery_voltage", unit = "V" }
"#;

const SENSORS: [(&str, &str); 10] = [
    ("s0", ""),
    ("s1", ""),
    ("s2", ""),
    ("s3", ""),
    ("s4", ""),
    ("s5", ""),
    ("s6", ""),
    ("s7", ""),
    ("s8", ""),
    ("s9", ""),
];

fn world(feeds: &str) -> World {
    let site = Site { sensors: &SENSORS, ..Site::default() };
    World::new(settings(feeds, &[site]), at("2027-04-30T23:55:00Z"))
}

/// What is told of a sensor's battery.
fn battery(world: &World, sensor: &str) -> serde_json::Value {
    world.payload(&format!("oak/sensor/{sensor}"))["battery"].clone()
}

#[test]
fn s22_each_meaning_is_told_as_what_it_is() {
    let mut world = world(BATTERIES);
    play("S22", &mut world);
    world.until(at("2027-05-01T01:00:01Z"));
    let said = |sensor: &str, key: &str| battery(&world, sensor)[key].clone();
    assert_eq!((said("s0", "ok"), said("s1", "ok")), (true.into(), false.into()));
    assert_eq!((said("s4", "ok"), said("s5", "ok")), (false.into(), true.into()));
    assert_eq!((said("s2", "percent"), said("s2", "ok")), (40.0.into(), serde_json::Value::Null));
    assert!((said("s6", "volts").as_f64().unwrap() - 2.875).abs() < 0.006);
    assert!((said("s7", "volts").as_f64().unwrap() - 2.9).abs() < 0.006);
    // A state is no percentage.
    for sensor in ["s0", "s1", "s4", "s5"] {
        assert_eq!(said(sensor, "percent"), serde_json::Value::Null, "{sensor}");
        assert_eq!(said(sensor, "forecast"), serde_json::Value::Null, "{sensor}");
    }
    for (sensor, cause) in [("s3", "not_percent"), ("s8", "sentinel"), ("s9", "null")] {
        assert_eq!(world.rejects("oak", sensor, cause), 1, "{sensor}");
        assert_eq!(battery(&world, sensor), serde_json::Value::Null, "{sensor}");
    }
    // What to set instead is said where it is refused.
    assert!(world.warnings("not_percent")[0].contains("scale of the field (0.5"), "{:?}", world.warnings(""));
    assert_eq!(world.raised("oak"), [], "one word alone is no low battery, and 255 is no broken probe");
}

#[test]
fn s22_half_percent_steps_are_percent_where_the_scale_is_set() {
    let scaled = BATTERIES.replace("unit = \"%\"", "unit = \"%\", scale = 0.5");
    let mut world = world(&scaled);
    play("S22", &mut world);
    world.until(at("2027-05-01T01:00:01Z"));
    assert_eq!(battery(&world, "s3")["percent"], 100.0);
    assert_eq!(world.rejects("oak", "s8", "sentinel"), 1, "255 means unknown on every scale");
}

#[test]
fn s22_a_word_that_is_low_from_the_first_day_is_told_once_as_maybe_inverted() {
    let mut world = world(BATTERIES);
    play("S22", &mut world);
    let from = at("2027-05-01T00:20:00Z");
    world.goes_on(from, from.plus(48 * HOUR), 20 * MINUTE, "yard/oak/s1/state", |_| "{\"battery_ok\": 0}".to_owned());
    let low: Vec<_> = world.raised("oak").into_iter().filter(|(kind, ..)| kind == "battery_low").collect();
    assert_eq!(low.len(), 1, "{low:?}");
    assert_eq!(low[0].1, "s1");
    let action = &world.payload("oak/alert/battery_low/s1")["suggested_action"];
    assert!(action.as_str().unwrap().contains("its word may mean the opposite: set inverted"), "{action}");
    // A sensor that says low after it said otherwise is not suspected of that.
    world.goes_on(from.plus(48 * HOUR), from.plus(96 * HOUR), 20 * MINUTE, "yard/oak/s0/state", |_| {
        "{\"battery_ok\": 0}".to_owned()
    });
    let action = &world.payload("oak/alert/battery_low/s0")["suggested_action"];
    assert!(!action.as_str().unwrap().contains("opposite"), "{action}");
}
