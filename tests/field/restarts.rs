//! S20: daily totals across restarts.

use thirstd::engine::stamp::{HOUR, MINUTE, SECOND};

use crate::case::{Line, at, lines};
use crate::configuration::{Site, VALUES, settings};
use crate::world::{World, near};

const RAIN: &str = "yard/oak/gauge/rain_total_mm";

#[test]
fn s20_a_restart_adds_nothing_and_forgets_nothing() {
    let site = Site { zone: "Europe/Berlin", sensors: &[("gauge", "")], ..Site::default() };
    // By hand: 3.2 mm fell before the first line, and the gauge went on reporting every ten minutes.
    let noon = at("2027-05-06T12:00:00Z");
    let mut world = World::new(settings(VALUES, &[site]), noon);
    world.heard(noon, RAIN, "115.2");
    world.until(noon.plus(MINUTE));
    assert!(near(world.rain_mm("oak"), 0.0), "the first baseline adds nothing");
    for step in 1..=10 {
        world.heard(noon.plus(step * 10 * MINUTE), RAIN, &format!("{:.1}", 115.2 + 0.32 * step as f64));
    }
    let mut down = None;
    for line in lines("S20") {
        match line {
            Line::Message { at: when, topic, payload, retain } => {
                world.heard_bytes(when, &topic, payload, retain);
                if when == at("2027-05-06T13:50:00Z") {
                    assert!(near(world.rain_mm("oak"), 3.2), "{}", world.rain_mm("oak"));
                }
                if when == at("2027-05-06T14:06:00Z") {
                    assert!(near(world.rain_mm("oak"), 3.4), "{}", world.rain_mm("oak"));
                    let to = at("2027-05-06T20:50:01Z");
                    world.goes_on(when.plus(4 * MINUTE), to, 10 * MINUTE, RAIN, |_| "118.6".to_owned());
                }
            }
            Line::Event { at, name, .. } => match name.as_str() {
                "daemon_stop" | "daemon_kill_9" => down = Some(at),
                "daemon_start" => world.restart(down.take().unwrap(), at),
                other => panic!("{other}"),
            },
        }
    }
    assert_eq!(world.rejects("oak", "gauge", "retained_without_time"), 1);

    // The 2.4 mm of the gap are kept and marked, by their share of the time on both days.
    let late = world.log("unknown time between");
    assert_eq!(late.len(), 1, "{late:?}");
    assert!(late[0].contains("2.4 mm") && late[0].contains("22:50") && late[0].contains("06:10"), "{}", late[0]);
    world.until(at("2027-05-07T04:20:00Z"));
    let view = world.view("oak");
    let share = 2.4 * 70.0 / (7.0 * 60.0 + 20.0 + 40.0 / 60.0);
    let sixth = view.day("2027-05-06".parse().unwrap()).unwrap();
    assert!((sixth.figures.water.rain_mm - (3.4 + share)).abs() < 0.01, "{}", sixth.figures.water.rain_mm);
    assert_eq!((sixth.revision, sixth.late), (1, true));
    let today = view.today.unwrap();
    assert_eq!(today.date.to_string(), "2027-05-07");
    assert!((today.figures.water.rain_mm - (2.4 - share)).abs() < 0.01, "{}", today.figures.water.rain_mm);
    assert!(sixth.figures.spread && today.figures.spread);
    let totals = world.payload("oak/totals");
    assert!(totals["marks"].as_array().unwrap().contains(&"rain_spread_over_gap".into()), "{totals:#}");
    assert!(near(totals["rain"]["last_24h_mm"].as_f64().unwrap(), 5.8), "{}", totals["rain"]);
    assert!(near(totals["rain"]["last_7_days_mm"].as_f64().unwrap(), 5.8), "{}", totals["rain"]);
    // The ledger and the history have the same: one point of the day, rewritten.
    let days = world.closed_days();
    assert!(days.iter().filter(|day| day.at == at("2027-05-05T22:00:00Z")).count() >= 2, "{days:?}");
}

#[test]
fn s20_an_alert_is_not_raised_again_by_a_restart() {
    let start = at("2027-05-06T12:00:00Z");
    let mut world = World::new(settings(VALUES, &[Site { sensors: &[("gauge", "")], ..Site::default() }]), start);
    world.heard(start, RAIN, "1.0");
    world.until(start.plus(3 * HOUR));
    assert_eq!(world.times_raised("oak", "sensor_silent"), 1);
    let said = world.decisions("oak").len();
    world.restart(start.plus(3 * HOUR + SECOND), start.plus(3 * HOUR + MINUTE));
    world.until(start.plus(3 * HOUR + 2 * MINUTE));
    assert_eq!(world.times_raised("oak", "sensor_silent"), 1);
    assert_eq!(world.decisions("oak").len(), said, "what stands is sent again by the shell, not decided again");
}
