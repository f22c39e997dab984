//! S11, S12: retained values of the past, and cached ones that a bridge says again.

use thirstd::engine::event::Event;
use thirstd::engine::sensor::link::LinkState;
use thirstd::engine::stamp::{DAY, HOUR, MINUTE};

use crate::case::{at, play_events};
use crate::configuration::{STATES, Site, settings, timed_states};
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

/// Plays S12: the combo repeats itself word by word, and the second gauge has a thermometer that moves, for `hours`.
fn s12_repeats(world: &mut World, combo: impl Fn(i64) -> String, gauge: bool) {
    let mut start = None;
    play_events("S12", world, |name, line, world| {
        assert_eq!(name, "repeat_every");
        let from = at(line["at"].as_str().unwrap());
        let step = line["minutes"].as_i64().unwrap() * MINUTE;
        let topic = line["topic"].as_str().unwrap();
        // Both lines run side by side; the first one plays for both.
        if start.replace(from).is_some() {
            return assert_eq!(topic, "yard/oak/gauge2/state");
        }
        for number in 0..line["hours"].as_i64().unwrap() * HOUR / step {
            let when = from.plus(number * step);
            world.heard(when, topic, &combo(number));
            if gauge {
                // The case says: varies from 3 to 14 over the day.
                let warm = 8.5 - 5.5 * ((number % 144) as f64 * std::f64::consts::TAU / 144.0).cos();
                let state = format!("{{\"rain_total_mm\": 55.2, \"temp_c\": {warm:.2}}}");
                world.heard(when, "yard/oak/gauge2/state", &state);
            }
        }
    });
}

const CACHED: &str = r#"{"temp_c":20.95,"rh_pct":48.3,"rain_total_mm":77.0,"lq":94,"batt":95}"#;

#[test]
fn s12_a_value_that_a_bridge_repeats_for_hours_is_a_flat_line_and_leaves_the_decision() {
    let start = at("2027-03-20T12:00:00Z");
    let site = Site { sensors: &[("combo", ""), ("gauge2", "")], ..Site::default() };
    let mut world = World::new(settings(STATES, &[site]), start.plus(-MINUTE));
    s12_repeats(&mut world, |_| CACHED.to_owned(), true);
    world.until(start.plus(30 * HOUR));
    // Good, then suspect from three hours on, bad from six; humidity later, and it alone.
    let flags = |field: &str, flag: &str| world.readings("combo", field, flag);
    let temperatures = flags("air_temperature_celsius", "air_temperature_flag");
    let first = |flag: i64| temperatures.iter().find(|reading| reading.2 == flag).map(|reading| reading.0.since(start));
    assert_eq!((first(3), first(4)), (Some(3 * HOUR), Some(6 * HOUR)));
    assert!(temperatures.iter().all(|(when, _, flag)| (*flag == 4) == (when.since(start) >= 6 * HOUR)));
    let raised: Vec<_> = world.raised("oak").into_iter().filter(|(kind, ..)| kind == "flat_line").collect();
    let subjects: Vec<&str> = raised.iter().map(|(_, subject, _)| subject.as_str()).collect();
    assert_eq!(subjects, ["combo-air-temperature", "combo-relative-humidity"], "{raised:?}");
    assert!(raised[0].2.contains("air temperature: has not changed for 6 h"), "{}", raised[0].2);
    // A counter that stands in dry weather is no fault, nor is the thermometer beside it.
    assert!(world.sensor("oak", "gauge2").flags.is_empty(), "{:?}", world.sensor("oak", "gauge2").flags);
    assert!(world.readings("gauge2", "rain_counter_mm", "rain_counter_flag").iter().all(|(.., flag)| *flag < 3));
    // What is decided on is the other thermometer.
    assert_eq!(world.decision("oak")["confidence"], "measured");
    let celsius = world.decision("oak")["figures"]["air_temperature_celsius"].as_f64().unwrap();
    assert!((3.0..14.1).contains(&celsius), "{celsius}");
}

#[test]
fn s12_without_another_thermometer_it_is_unknown_and_never_warm() {
    let start = at("2027-03-20T12:00:00Z");
    let site = Site { sensors: &[("combo", "")], ..Site::default() };
    let mut world = World::new(settings(STATES, &[site]), start.plus(-MINUTE));
    s12_repeats(&mut world, |_| CACHED.to_owned(), false);
    world.until(start.plus(30 * HOUR));
    let view = world.view("oak");
    assert_eq!(view.coldest_celsius, None, "20.95 is nobody's word any more");
    assert_ne!(world.decision("oak")["confidence"], "measured");
    assert!(world.decision("oak")["figures"]["air_temperature_celsius"].is_null());
    // In March frost is possible: no word of a thermometer is no warmth.
    assert!(world.is_held("oak", "no_evidence"), "{}", world.decision("oak"));
}

#[test]
fn s12_a_time_of_the_last_sight_that_does_not_advance_tells_sooner() {
    let start = at("2027-03-20T12:00:00Z");
    let site = Site { sensors: &[("combo", "")], ..Site::default() };
    let feeds = timed_states("/last_seen", "rfc3339");
    let mut world = World::new(settings(&feeds, &[site]), start.plus(-MINUTE));
    let stuck = |_| CACHED.replace('}', ",\"last_seen\":\"2027-03-20T11:59:30Z\"}");
    s12_repeats(&mut world, stuck, false);
    world.until(start.plus(30 * HOUR));
    assert_eq!(world.rejects("oak", "combo", "repeat"), 179, "all but the first");
    let silent =
        world.history("alert").into_iter().find(|record| record.tags.contains(&("kind", "sensor_silent".to_owned())));
    let after = silent.map(|record| record.at.since(start)).unwrap();
    assert!(after < 3 * HOUR, "{} min", after / MINUTE);
    assert_eq!(world.times_raised("oak", "flat_line"), 0, "silence says it already");
}
