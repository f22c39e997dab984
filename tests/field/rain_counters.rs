//! S17–S19: jumps, restarts and units of rain counters.

use thirstd::engine::stamp::{HOUR, MINUTE};

use crate::case::{at, play, play_events};
use crate::configuration::{Site, VALUES, load, settings};
use crate::world::{World, near};

const RAIN: &str = "yard/oak/gauge/rain_total_mm";

fn two_gauges() -> [Site<'static>; 2] {
    ["oak", "ash"].map(|id| Site { id, sensors: &[("gauge", "")], ..Site::default() })
}

#[test]
fn s17_a_phantom_jump_and_its_return_add_no_rain() {
    let mut world = World::new(settings(VALUES, &two_gauges()), at("2027-07-07T01:10:00Z"));
    play("S17", &mut world);
    world.until(at("2027-07-07T04:05:00Z"));
    assert!(near(world.rain_mm("oak"), 0.25), "{}", world.rain_mm("oak"));
    assert!(near(world.rain_mm("ash"), 0.0), "{}", world.rain_mm("ash"));
    for site in ["oak", "ash"] {
        assert!(world.decisions(site).iter().all(|(_, said)| !said.contains("rain")), "{site}");
        // One alert an episode, be it a jump on every second message.
        assert_eq!(world.times_raised(site, "reading_implausible"), 1, "{site}: {:?}", world.raised(site));
    }
    assert_eq!(world.log("counter started anew"), Vec::<String>::new(), "the return is no reset");
    assert_eq!(world.payload("oak/totals")["rain"]["quarantined_mm"], 0.0, "what never fell is gone");
    assert!(world.payload("ash/totals")["rain"]["quarantined_mm"].as_f64().unwrap() > 60_000.0);

    // Quiet for some hours: the alert is over.
    world.goes_on(at("2027-07-07T04:20:00Z"), at("2027-07-07T11:00:00Z"), 20 * MINUTE, RAIN, |_| "5.08".to_owned());
    assert!(!world.open("oak").iter().any(|(kind, _)| kind == "reading_implausible"), "{:?}", world.open("oak"));
}

#[test]
fn s17_a_level_that_persists_becomes_the_baseline_and_adds_no_rain() {
    let start = at("2027-07-07T01:00:00Z");
    let mut world = World::new(settings(VALUES, &[Site { sensors: &[("gauge", "")], ..Site::default() }]), start);
    world.heard(start, RAIN, "4.8");
    let to = start.plus(25 * HOUR);
    world.goes_on(start.plus(5 * MINUTE), to, 5 * MINUTE, RAIN, |_| "645.8".to_owned());
    assert_eq!(world.log("new level of the rain counter is believed").len(), 1);
    world.heard(to, RAIN, "646.2");
    assert!(near(world.rain_mm("oak"), 0.4), "{}", world.rain_mm("oak"));
    assert_eq!(world.times_raised("oak", "reading_implausible"), 1);
    assert!(!world.decisions("oak").iter().any(|(_, said)| said.contains("rain")));
}

#[test]
fn s18_a_counter_that_restarts_keeps_the_rain_it_counted() {
    let mut world = World::new(settings(VALUES, &two_gauges()), at("2027-05-05T07:55:00Z"));
    play("S18", &mut world);
    assert!(near(world.rain_mm("oak"), 1.6), "{}", world.rain_mm("oak"));
    assert!(near(world.rain_mm("ash"), 0.8), "{}", world.rain_mm("ash"));
    let resets = world.log("counter started anew");
    assert_eq!(resets.len(), 2, "{resets:?}");
    assert!(resets.iter().any(|line| line.contains("0.8 mm since")), "{resets:?}");
    for site in ["oak", "ash"] {
        assert_eq!(world.sensor(site, "gauge").flags["after_reset"], 1, "{site}");
        world.until(at("2027-05-05T10:00:00Z"));
        assert_eq!(world.payload(&format!("{site}/sensor/gauge"))["flags"]["after_reset"], 1);
        assert_eq!(world.raised(site).iter().filter(|(kind, ..)| kind != "sensor_silent").count(), 0);
    }
}

/// `combo` names the unit in its field; `gauge` says only "rain", so the configuration names it.
const INCHES: &str = r#"
[[feeds]]
topic = "yard/{site}/{sensor}/state"
format = "json"
fields."/rain_in" = { quantity = "rain_counter", unit = "in" }
[[feeds]]
topic = "yard/{site}/gauge"
sensor = "gauge"
format = "json"
fields."/rain" = { quantity = "rain_counter", unit = "mm" }
"#;

fn inches() -> [Site<'static>; 2] {
    [
        Site { id: "oak", sensors: &[("combo", "")], ..Site::default() },
        Site { id: "ash", sensors: &[("gauge", "")], ..Site::default() },
    ]
}

#[test]
fn s19_inches_are_inches_and_a_unit_that_flips_is_asked_about() {
    let mut world = World::new(settings(INCHES, &inches()), at("2027-04-01T01:55:00Z"));
    // The software of the gateway is updated without a word to us.
    play_events("S19", &mut world, |name, _, _| assert_eq!(name, "gateway_software_update"));
    assert!(near(world.view("oak").closed_days[0].figures.water.rain_mm, 7.62));
    assert!(world.decisions("oak").iter().any(|(_, said)| said == "hold rain"), "{:?}", world.decisions("oak"));

    assert!(near(world.rain_mm("ash"), 0.0), "{}", world.rain_mm("ash"));
    let raised = world.raised("ash");
    assert_eq!(raised.iter().filter(|(kind, ..)| kind == "reading_implausible").count(), 1, "{raised:?}");
    assert!(raised.iter().any(|(.., text)| text.contains("unit may have changed")), "{raised:?}");

    // Until somebody says that the unit is right.
    world.heard(at("2027-04-02T05:00:00Z"), "yard/ash/gauge", "{\"rain\": 2.4}");
    assert!(near(world.rain_mm("ash"), 0.0));
    let service = r#"{"schema":"thirst/command/1","id":"s19","who":"pat","verb":"service","sensor":"gauge","kind":"calibration"}"#;
    world.command(at("2027-04-02T05:30:00Z"), "ash", service);
    assert!(!world.open("ash").iter().any(|(kind, _)| kind == "reading_implausible"), "{:?}", world.open("ash"));
    world.heard(at("2027-04-02T06:00:00Z"), "yard/ash/gauge", "{\"rain\": 3.0}");
    assert!(near(world.rain_mm("ash"), 0.6), "{}", world.rain_mm("ash"));
}

#[test]
fn s19_a_rain_field_without_a_unit_is_refused_at_start() {
    let feeds = INCHES.replace(", unit = \"mm\"", "");
    let faults = load(&feeds, &inches()).unwrap_err().to_string();
    assert!(faults.contains("unit") && faults.contains("25.4"), "{faults}");
}
