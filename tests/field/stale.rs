//! S11: retained values of the past.

use thirstd::engine::event::Event;
use thirstd::engine::sensor::link::LinkState;
use thirstd::engine::stamp::{DAY, HOUR, MINUTE};

use crate::case::{at, play_events};
use crate::configuration::{STATES, Site, settings};
use crate::world::{World, near};

#[test]
fn s11_a_retained_value_without_its_own_time_is_no_evidence() {
    let feeds = format!("{STATES}[feeds.time]\npointer = \"/ts\"\nformat = \"rfc3339\"\n");
    let site = Site { sensors: &[("combo", ""), ("air2", "")], ..Site::default() };
    // By hand: the sensor spoke every ten minutes until it died three days before the restart.
    let died = at("2027-05-07T06:00:00Z");
    let mut world = World::new(settings(&feeds, &[site]), died.plus(-DAY));
    let state = |step: i64| format!("{{\"temp_c\": 19.{}, \"rain_total_mm\": 300.2}}", step % 7);
    world.goes_on(died.plus(-DAY), died.plus(1), 10 * MINUTE, "yard/oak/combo/state", state);
    world.until(died.plus(3 * DAY - HOUR));
    assert!(world.open("oak").contains(&("sensor_silent".to_owned(), "combo".to_owned())));
    let (rain, points) = (world.rain_mm("oak"), world.history("reading").len());

    play_events("S11", &mut world, |name, line, world| {
        let when = at(line["at"].as_str().unwrap());
        match name {
            "daemon_start" => world.restart(when.plus(-MINUTE), when),
            "mqtt_reconnect" => {
                world.event(when.plus(-1000), Event::BrokerDown);
                world.event(when, Event::BrokerUp { session_present: false, refused: vec![] });
            }
            other => panic!("{other}"),
        }
    });
    world.until(at("2027-05-10T06:20:00Z"));

    // Not fresh, no rain, no point of history, and the alarm stands, through the reconnect too.
    assert_eq!(world.sensor("oak", "combo").link, LinkState::Lost);
    assert_eq!(world.rejects("oak", "combo", "retained_without_time"), 2);
    assert_eq!(world.warnings("age unknown").len(), 1);
    assert!(near(world.rain_mm("oak"), rain));
    assert_eq!(world.payload("oak/sensor/combo")["last_seen"], "2027-05-07T06:00:00Z");
    assert_eq!(world.times_raised("oak", "sensor_silent"), 2, "combo and air2, once each: {:?}", world.raised("oak"));
    assert!(world.open("oak").contains(&("sensor_silent".to_owned(), "combo".to_owned())));
    let decision = world.decision("oak");
    assert_eq!(decision["confidence"], "substituted");
    assert!(decision["text"].as_str().unwrap().contains("rain gauge is silent"), "{}", decision["text"]);

    // The retained value with its own time is used at its age: one point, dated 05:57:40.
    let new = world.history("reading").len() - points;
    assert_eq!(new, 1);
    assert_eq!(world.temperatures("air2"), [(at("2027-05-10T05:57:40Z"), 7.5)]);
    assert_eq!(decision["figures"]["air_temperature_celsius"], 7.5);
    world.until(at("2027-05-10T07:57:40Z"));
    assert_eq!(world.decision("oak")["confidence"], "substituted", "fresh until two hours after it was made");
    world.until(at("2027-05-10T07:58:00Z"));
    assert_eq!(world.decision("oak")["confidence"], "unknown");

    // A live message is accepted at once.
    let live = at("2027-05-10T08:00:00Z");
    world.heard(live, "yard/oak/combo/state", "{\"temp_c\": 9.0, \"rain_total_mm\": 300.4}");
    assert_eq!(world.temperatures("combo").last(), Some(&(live, 9.0)));
    // A scale that changed a moment ago stands for its ten minutes.
    world.until(live.plus(11 * MINUTE));
    assert_eq!(world.decision("oak")["confidence"], "measured");
    // Of the 0.2 mm of three silent days, what fell on the first of them is too late: that day is final.
    let day = |date: &str| world.view("oak").day(date.parse().unwrap()).unwrap().figures.water.rain_mm;
    let share = |hours: f64| 0.2 * hours / 73.0;
    assert_eq!(day("2027-05-07"), 0.0);
    for date in ["2027-05-08", "2027-05-09"] {
        assert!(near(day(date), share(24.0)), "{date}: {}", day(date));
    }
    assert!(near(world.rain_mm("oak"), rain + share(56.0)), "{}", world.rain_mm("oak"));
}
