//! S04–S07: codes and failures of probes that look like heat or frost.

use thirstd::engine::stamp::{HOUR, MINUTE};

use crate::case::{Line, at, lines, play};
use crate::configuration::{Site, VALUES, settings};
use crate::world::World;

const AIR: &str = "yard/oak/air/temp_c";
const FREEZE_BELOW_2: &str = "freeze = { hold_at = \"2 degC\", release_at = \"4 degC\", release_after = \"60 min\" }";

#[test]
fn s04_power_on_and_disconnect_codes_are_no_temperatures() {
    let start = at("2027-06-01T11:55:00Z");
    let mut world = World::new(settings(VALUES, &[Site::default()]), start);
    play("S04", &mut world);
    assert_eq!(world.temperatures("air").iter().map(|(_, value)| *value).collect::<Vec<_>>(), [21.3, 21.4, 21.4, 21.6]);
    assert!(!world.is_held("oak", "freeze"));
    // Four codes in 20 minutes: one alert about the probe, none about heat or frost.
    let raised = world.raised("oak");
    assert_eq!(raised.len(), 1, "{raised:?}");
    assert_eq!((raised[0].0.as_str(), raised[0].1.as_str()), ("reading_implausible", "air"));
    assert!(
        world.payload("oak/alert/reading_implausible/air")["suggested_action"].as_str().unwrap().contains("wiring")
    );

    world.until(at("2027-06-02T00:01:00Z"));
    let day = *world.view("oak").closed_days.last().unwrap();
    assert_eq!((day.figures.warmest_celsius, day.figures.coldest_celsius), (Some(21.6), Some(21.3)));
    assert!((0.2..6.0).contains(&day.figures.water.eto_mm), "{}", day.figures.water.eto_mm);
    assert_eq!(world.raised("oak").iter().filter(|(kind, ..)| kind == "reading_implausible").count(), 1);
}

#[test]
fn s04_codes_do_not_end_a_freeze_hold() {
    let start = at("2027-01-10T22:00:00Z");
    let mut world = World::new(settings(VALUES, &[Site { keys: FREEZE_BELOW_2, ..Site::default() }]), start);
    world.heard(start, AIR, "1.0");
    for (step, code) in ["85", "85.0", "-127", "85", "85", "85", "85", "85", "85", "85"].into_iter().enumerate() {
        world.heard(start.plus((step as i64 + 1) * 10 * MINUTE), AIR, code);
    }
    assert!(world.is_held("oak", "freeze"));
    assert_eq!(world.temperatures("air").len(), 1);
}

#[test]
fn s05_an_unplugged_probe_is_no_frost() {
    let start = at("2027-07-10T12:55:00Z");
    let site = Site { keys: FREEZE_BELOW_2, sensors: &[("air", ""), ("air2", "")], ..Site::default() };
    let mut world = World::new(settings(VALUES, &[site]), start);
    for line in lines("S05") {
        if let Line::Message { at, topic, payload, retain } = line {
            world.heard_bytes(at, &topic, payload, retain);
        }
    }
    world.until(at("2027-07-10T13:59:00Z"));
    assert!(world.decisions("oak").iter().all(|(_, said)| !said.contains("freeze")), "{:?}", world.decisions("oak"));
    let raised = world.raised("oak");
    assert_eq!(raised.iter().filter(|(kind, ..)| kind == "reading_implausible").count(), 1, "{raised:?}");
    assert_eq!(raised[0].1, "air");
    assert!(raised[0].2.contains("changed by 26.9"), "{}", raised[0].2);

    world.until(at("2027-07-11T00:01:00Z"));
    let day = *world.view("oak").closed_days.last().unwrap();
    assert_eq!(day.figures.coldest_celsius, Some(26.8));
}

#[test]
fn s05_real_frost_through_zero_is_believed() {
    let Some(Line::Event { line, .. }) = lines("S05").into_iter().find(|line| matches!(line, Line::Event { .. }))
    else {
        panic!("the control sequence is gone");
    };
    let start = at("2027-10-20T14:00:00Z");
    let mut world = World::new(settings(VALUES, &[Site { keys: FREEZE_BELOW_2, ..Site::default() }]), start);
    let step = line["step_min"].as_i64().unwrap() * MINUTE;
    for (number, value) in line["values"].as_array().unwrap().iter().enumerate() {
        world.heard(start.plus(number as i64 * step), AIR, value.as_str().unwrap());
        assert_eq!(world.is_held("oak", "freeze"), number > 0, "{value}");
    }
    assert_eq!(world.temperatures("air").len(), 6);
    world.until(start.plus(50 * MINUTE + 1));
    assert_eq!(world.view("oak").coldest_celsius, Some(-0.4));
}

#[test]
fn s06_an_invalid_code_at_the_coldest_hour_never_releases_a_freeze_hold() {
    let start = at("2027-01-20T01:55:00Z");
    let mut world = World::new(settings(VALUES, &[Site { keys: FREEZE_BELOW_2, ..Site::default() }]), start);
    play("S06", &mut world);
    assert_eq!(
        world.temperatures("air").iter().map(|(_, value)| *value).collect::<Vec<_>>(),
        [-17.5, -18.9, -19.8, -19.6]
    );
    let held_without_break = |world: &World| {
        let said = world.decisions("oak");
        let from = said.iter().position(|(_, said)| said.contains("freeze")).unwrap();
        assert_eq!(said[from].0, at("2027-01-20T02:00:00Z"));
        assert!(said[from..].iter().all(|(_, said)| said.contains("freeze")), "{said:?}");
    };
    held_without_break(&world);

    // Nothing valid for longer than the limit: unknown, last known freezing, still held.
    world.goes_on(at("2027-01-20T07:00:00Z"), at("2027-01-22T07:00:00Z"), 30 * MINUTE, AIR, |_| "327.67".to_owned());
    held_without_break(&world);
    let decision = world.decision("oak");
    assert_eq!(decision["confidence"], "unknown");
    assert!(decision["text"].as_str().unwrap().contains("it was freezing then"), "{}", decision["text"]);

    // A valid warm time releases it: an hour at 4 °C, by the settings of this case.
    let warm = at("2027-01-22T12:00:00Z");
    world.heard(warm, AIR, "6.0");
    world.until(warm.plus(5 * MINUTE));
    held_without_break(&world);
    world.goes_on(warm.plus(10 * MINUTE), warm.plus(2 * HOUR), 10 * MINUTE, AIR, |step| format!("6.{}", step % 10));
    assert!(!world.is_held("oak", "freeze"));
    assert_eq!(world.decision("oak")["confidence"], "measured");
}

#[test]
fn s07_plus_55_where_minus_01_is_meant_is_an_impossible_step() {
    let start = at("2027-01-13T19:35:00Z");
    let mut world = World::new(settings(VALUES, &[Site { keys: FREEZE_BELOW_2, ..Site::default() }]), start);
    play("S07", &mut world);
    assert_eq!(
        world.temperatures("air").iter().map(|(_, value)| *value).collect::<Vec<_>>(),
        [0.6, 0.3, 0.1, -0.3, -0.4]
    );
    let said = world.decisions("oak");
    let held = said.iter().position(|(_, said)| said.contains("freeze")).unwrap();
    assert_eq!(said[held].0, at("2027-01-13T19:40:00Z"));
    assert!(said[held..].iter().all(|(_, said)| said.contains("freeze")), "{said:?}");
    world.until(at("2027-01-14T00:01:00Z"));
    let day = *world.view("oak").closed_days.last().unwrap();
    assert_eq!((day.figures.warmest_celsius, day.figures.coldest_celsius), (Some(0.6), Some(-0.4)));
}
