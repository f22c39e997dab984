//! S23: a signal that nobody measured, and a gateway whose word on its sensors is worth nothing.

use thirstd::engine::sensor::link::LinkState;
use thirstd::engine::stamp::{DAY, HOUR, MINUTE, Stamp};

use crate::case::{at, play_events};
use crate::configuration::{STATES, Site, settings};
use crate::world::World;

const AIR: &str = "yard/oak/air/state";
const SOIL: &str = "yard/oak/soil/state";

/// The states with a signal; and a feed that hears what the gateway says of itself, as careless settings may.
fn feeds() -> String {
    format!(
        "{STATES}\"/rssi\" = {{ quantity = \"rssi\", unit = \"dBm\" }}\n[[feeds]]\ntopic = \"yard/{{site}}/{{sensor}}/status\"\n\
         format = \"value\"\nreading = {{ quantity = \"air_temperature\", unit = \"Cel\" }}\n"
    )
}

/// A day before the case in which both speak every ten minutes, the air with its signal where `signal` says so.
fn world(signal: bool) -> World {
    let first = at("2027-05-02T00:00:00Z").plus(-DAY);
    let site = Site { sensors: &[("air", ""), ("soil", ""), ("gw", "")], ..Site::default() };
    let mut world = World::new(settings(&feeds(), &[site]), first);
    let mut when = first;
    while when < first.plus(DAY) {
        both_speak(&mut world, when, if signal { ", \"rssi\": -71" } else { "" });
        when = when.plus(10 * MINUTE);
    }
    world
}

fn both_speak(world: &mut World, when: Stamp, more: &str) {
    let tenths = when.0 / MINUTE % 17;
    world.heard(when, AIR, &format!("{{\"temp_c\": 8.{tenths}{more}}}"));
    world.heard(when.plus(30_000), SOIL, &format!("{{\"temp_c\": 9.{tenths}}}"));
}

/// Subjects of the open alerts of a kind.
fn open(world: &World, kind: &str) -> Vec<String> {
    world.open("oak").into_iter().filter(|(open, _)| open == kind).map(|(_, subject)| subject).collect()
}

/// Plays the case; between its lines the soil goes on every ten minutes by hand.
fn play(world: &mut World) {
    let soil = |world: &mut World, from: &str, to: &str| {
        world.goes_on(at(from), at(to), 10 * MINUTE, SOIL, |step| format!("{{\"temp_c\": 8.{}}}", step % 10));
    };
    play_events("S23", world, |name, line, world| {
        assert_eq!((name, line["sensor"].as_str(), line["hours"].as_i64()), ("sensor_silent", Some("air"), Some(5)));
        soil(world, "2027-05-02T00:10:00Z", "2027-05-02T03:00:00Z");
    });
    soil(world, "2027-05-02T06:02:00Z", "2027-05-02T07:00:00Z");
}

#[test]
fn s23_a_signal_that_is_not_reported_is_neither_the_best_nor_a_loss() {
    for signal in [false, true] {
        let mut world = world(signal);
        world.heard(at("2027-05-02T00:01:00Z"), AIR, "{\"temp_c\": 8.0, \"rssi\": null}");
        world.until(at("2027-05-02T00:15:00Z"));
        let told = world.payload("oak/sensor/air");
        let expected = signal.then_some(-71.0);
        assert_eq!(told["link"]["rssi_dbm"].as_f64(), expected, "{told:#}");
        assert_eq!((told["link"]["state"].as_str(), &told["flags"]), (Some("present"), &serde_json::json!({})));
        assert_eq!(world.sensor("oak", "air").values["air_temperature"], 8.0);
        let soil = world.payload("oak/sensor/soil");
        assert!(soil["link"]["rssi_dbm"].is_null() && soil["link"]["state"] == "present", "{soil:#}");
        // Link health rests on arrivals.
        assert!(soil["link"]["delivery_ratio"].as_f64().unwrap() > 0.95, "{soil:#}");
        assert_eq!(open(&world, "link_weak"), Vec::<String>::new());
    }
}

#[test]
fn s23_what_a_gateway_says_of_itself_makes_no_sensor_present_and_none_silent() {
    let mut world = world(false);
    play(&mut world);
    let links = ["air", "soil"].map(|sensor| world.sensor("oak", sensor).link);
    assert_eq!(links, [LinkState::Lost, LinkState::Present]);
    assert_eq!(open(&world, "sensor_silent").iter().filter(|subject| *subject != "gw").collect::<Vec<_>>(), ["air"]);
    assert_eq!(open(&world, "gateway_silent"), Vec::<String>::new());
    // Its words are no readings.
    assert_eq!(world.temperatures("gw"), []);
    assert!(!world.sensor("oak", "gw").values.contains_key("air_temperature"));
}

#[test]
fn s23_all_that_fall_silent_together_are_one_alert_about_their_gateway() {
    let mut world = world(false);
    let gone = at("2027-05-02T00:00:00Z");
    world.until(gone.plus(8 * HOUR));
    assert_eq!(open(&world, "gateway_silent"), ["oak"]);
    let of_both = |(kind, subject): &(String, String)| kind == "sensor_silent" && subject != "gw";
    let raised = world.raised("oak").into_iter().map(|(kind, subject, _)| (kind, subject));
    assert_eq!(raised.filter(of_both).count(), 0, "{:?}", world.raised("oak"));
    // Back together: all over, and nothing else is said.
    for round in 0..6 {
        both_speak(&mut world, gone.plus(8 * HOUR + round * 10 * MINUTE), "");
    }
    assert_eq!(open(&world, "gateway_silent"), Vec::<String>::new());
    assert!(!world.open("oak").iter().any(of_both), "{:?}", world.open("oak"));
}
