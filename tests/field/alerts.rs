//! S29: values that hover at a limit, and sensors that are late by a little.

use thirstd::engine::stamp::{HOUR, MINUTE};

use crate::case::{at, play_events};
use crate::configuration::{Site, VALUES, settings};
use crate::world::World;

const AIR: &str = "yard/oak/air/temp_c";

#[test]
fn s29_hovering_at_the_limit_is_one_hold_for_the_night() {
    let keys = "freeze = { hold_at = \"2 degC\", release_at = \"4 degC\", release_after = \"60 min\" }";
    let mut world = World::new(settings(VALUES, &[Site { keys, ..Site::default() }]), at("2027-01-05T00:59:00Z"));
    play_events("S29", &mut world, |name, line, world| {
        // An expiry would be ours to judge: five minutes after the usual interval is none.
        assert_eq!(name, "sensor_expired");
        world.until(at(line["at"].as_str().unwrap()));
    });
    let begun = at("2027-01-05T01:10:00Z");
    let said = world.decisions("oak");
    let after: Vec<_> = said.iter().filter(|(at, _)| *at >= begun).collect();
    assert_eq!(after[0].0, begun);
    assert!(after.iter().all(|(_, said)| said == "hold freeze"), "{said:?}");
    assert!(after.len() <= 2, "the hold and its refresh: {said:?}");
    assert_eq!(world.raised("oak"), [], "no expiry, no all-clear");

    // Unknown: the thermometer falls silent. Still cold: it comes back. Neither is news of the hold.
    world.until(at("2027-01-05T04:30:00Z"));
    assert_eq!(world.decision("oak")["confidence"], "unknown");
    assert!(world.is_held("oak", "freeze"));
    let line = |step: i64| format!("1.{}", 5 - step % 3);
    world.goes_on(at("2027-01-05T04:40:00Z"), at("2027-01-05T06:00:00Z"), 10 * MINUTE, AIR, line);
    assert!(world.is_held("oak", "freeze"));
    // In its first days a link is given time; where its silence is told, then once.
    assert!(world.times_raised("oak", "sensor_silent") <= 1);

    // Above the limit, and above the release level for less than the set time: still held.
    world.goes_on(at("2027-01-05T10:10:00Z"), at("2027-01-05T12:00:00Z"), 10 * MINUTE, AIR, |step| {
        ["3.0", "4.1", "4.2", "4.3", "4.4", "3.9"][step as usize % 6].to_owned()
    });
    assert!(world.is_held("oak", "freeze"));
    let ends = at("2027-01-05T12:00:00Z");
    world.goes_on(ends, ends.plus(61 * MINUTE), 10 * MINUTE, AIR, |step| format!("4.{}", 2 + step));
    world.until(ends.plus(61 * MINUTE));
    assert!(!world.is_held("oak", "freeze"));

    // In all one way in and one way out.
    let changes = |world: &World| {
        let said = world.decisions("oak");
        said.windows(2).filter(|pair| pair[0].1.contains("freeze") != pair[1].1.contains("freeze")).count()
    };
    assert_eq!(changes(&world), 2, "{:?}", world.decisions("oak"));
}

#[test]
fn s29_the_decision_does_not_toggle_faster_than_its_least_time() {
    // By hand: limits that invite it, release at the limit and at once.
    let keys = "freeze = { hold_at = \"2 degC\", release_at = \"2.1 degC\", release_after = \"0 min\" }\n\
                minimum_dwell = \"30 min\"";
    let start = at("2027-01-05T11:00:00Z");
    let mut world = World::new(settings(VALUES, &[Site { keys, ..Site::default() }]), start);
    world.goes_on(start, start.plus(6 * HOUR), MINUTE, AIR, |step| format!("{:.1}", 2.0 + (step % 2) as f64 * 0.3));
    let said = world.decisions("oak");
    let toggles: Vec<_> =
        said.windows(2).filter(|pair| pair[0].1.contains("hold") != pair[1].1.contains("hold")).collect();
    let releases: Vec<_> = toggles.iter().filter(|pair| !pair[1].1.contains("hold")).map(|pair| pair[1].0).collect();
    assert!(releases.windows(2).all(|pair| pair[1].since(pair[0]) >= 30 * MINUTE), "{said:?}");
}
