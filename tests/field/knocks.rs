//! S21 and its kin: a gauge that was knocked, and rain that looks like it.

use thirstd::engine::event::Event;
use thirstd::engine::stamp::{HOUR, MINUTE, SECOND, Stamp};

use crate::case::{at, play};
use crate::configuration::{Site, settings};
use crate::world::{World, near};

/// A counter on a topic of its own, and weather in JSON.
const FEEDS: &str = r#"
[[feeds]]
topic = "yard/{site}/{sensor}/rain_total_mm"
format = "value"
reading = { quantity = "rain_counter", unit = "mm" }
[[feeds]]
topic = "yard/{site}/{sensor}/state"
format = "json"
[feeds.fields]
"/temp_c" = { quantity = "air_temperature", unit = "Cel" }
"/rh_pct" = { quantity = "relative_humidity", unit = "%" }
"/sun_wm2" = { quantity = "surface_downwelling_shortwave_flux", unit = "W/m2" }
"/wind_mps" = { quantity = "wind_speed", unit = "m/s" }
"#;

const GAUGE: &str = "yard/oak/gauge/rain_total_mm";
const COMBO: &str = "yard/oak/combo/state";

fn oak_and_ash(keys: &str) -> World {
    let oak = Site { sensors: &[("gauge", ""), ("combo", "rain_counts = false")], keys, ..Site::default() };
    let ash = Site { id: "ash", sensors: &[("gauge", "")], ..Site::default() };
    World::new(settings(FEEDS, &[oak, ash]), at("2027-07-12T08:00:00Z"))
}

/// Weather every ten minutes and the counter at `mm`, from `from` to before `to`.
fn weather(world: &mut World, from: Stamp, to: Stamp, mm: f64, humidity: f64, sun: f64) {
    let mut now = from;
    while now < to {
        world.heard(now, COMBO, &air(now, humidity, sun));
        world.heard(now.plus(SECOND), GAUGE, &format!("{mm:.1}"));
        now = now.plus(10 * MINUTE);
    }
}

/// Readings that move a little, as real ones do.
fn air(now: Stamp, humidity: f64, sun: f64) -> String {
    let jitter = (now.0 / MINUTE % 7) as f64 / 10.0;
    let (celsius, humidity, sun) = (27.0 + jitter, humidity + jitter / 2.0, sun + 10.0 * jitter);
    format!(
        r#"{{"temp_c": {celsius:.1}, "rh_pct": {humidity:.1}, "sun_wm2": {sun:.0}, "wind_mps": 1.{}}}"#,
        (jitter * 10.0) as u8
    )
}

fn command(world: &mut World, now: Stamp, id: &str, body: &str) {
    world.command(now, "oak", &format!(r#"{{"id":"{id}","who":"pat",{body}}}"#));
}

/// Somebody cleans the gauge at 10:00 in dry air; two minutes later it has tipped six times.
fn knocked(keys: &str) -> World {
    let mut world = oak_and_ash(keys);
    let (start, noon) = (at("2027-07-12T08:00:00Z"), at("2027-07-12T10:00:00Z"));
    weather(&mut world, start, noon, 50.0, 42.0, 600.0);
    command(&mut world, noon, "visit", r#""verb":"service","sensor":"gauge","kind":"cleaned""#);
    world.heard(noon.plus(2 * MINUTE), GAUGE, "51.2");
    world
}

fn quarantined_mm(world: &World) -> f64 {
    world.view("oak").today.unwrap().figures.quarantined_mm
}

#[test]
fn s21_tips_in_dry_sun_within_seconds_are_a_knock_and_a_large_rise_is_marked() {
    let mut world = oak_and_ash("");
    world.heard(at("2027-07-12T11:00:00Z"), GAUGE, "50.0");
    play("S21", &mut world);
    assert!(near(world.rain_mm("oak"), 0.0), "{}", world.rain_mm("oak"));
    assert!(near(quarantined_mm(&world), 1.8), "{}", quarantined_mm(&world));
    assert_eq!(world.times_raised("oak", "gauge_knocked"), 1, "{:?}", world.raised("oak"));
    let alert = world.payload("oak/alert/gauge_knocked/gauge");
    for part in ["humidity was 31 % (+15)", "less than a second apart (+12)", "sun was at", "counts for nothing"] {
        assert!(alert["text"].as_str().unwrap().contains(part), "{part}: {alert}");
    }
    assert!(alert["suggested_action"].as_str().unwrap().contains("confirm_rain"));
    assert_eq!(alert["figures"]["score_humidity_db"], 15.0);
    assert!(alert["figures"]["probability_percent"].as_f64().unwrap() > 95.0);
    assert!(world.decisions("oak").iter().all(|(_, said)| !said.contains("rain")));
    let suspect = world.readings("gauge", "rain_counter_mm", "rain_counter_flag");
    assert!(suspect.iter().filter(|(_, value, flag)| *value > 50.5 && *flag == 3).count() >= 6, "{suspect:?}");
    // The other site's rise can be rain: it counts, and is marked.
    assert!(near(world.rain_mm("ash"), 5.28), "{}", world.rain_mm("ash"));
    assert_eq!(world.sensor("ash", "gauge").flags["rain_unchecked"], 1);
}

#[test]
fn s21_a_cloudburst_in_wet_dark_air_is_rain_however_quick_the_tips() {
    let mut world = oak_and_ash("");
    let start = at("2027-07-12T11:00:00Z");
    world.heard(start, COMBO, r#"{"temp_c": 18.2, "rh_pct": 95, "sun_wm2": 40, "wind_mps": 4.5}"#);
    world.heard(start, GAUGE, "50.0");
    let (mut now, mut mm) = (start, 50.0);
    for tip in 0..200 {
        now = now.plus((2 + tip % 3) * SECOND);
        mm += 0.2;
        world.heard(now, GAUGE, &format!("{mm:.1}"));
    }
    assert!(near(world.rain_mm("oak"), 40.0), "{}", world.rain_mm("oak"));
    assert_eq!(world.times_raised("oak", "gauge_knocked"), 0);
    assert!(world.is_held("oak", "rain"));
}

#[test]
fn tips_after_a_service_in_dry_air_wait_in_quarantine_and_hold_nothing() {
    let world = knocked("rain.threshold = \"1 mm\"");
    assert!(near(world.rain_mm("oak"), 0.0), "{}", world.rain_mm("oak"));
    assert!(near(quarantined_mm(&world), 1.2), "{}", quarantined_mm(&world));
    assert_eq!(world.open("oak"), [("gauge_knocked".to_owned(), "gauge".to_owned())]);
    assert!(!world.is_held("oak", "rain"));
    let text = world.raised("oak")[0].2.clone();
    assert!(text.contains("somebody was at work on the site (+16)") && text.contains("1.2 mm"), "{text}");
}

#[test]
fn confirmed_rain_counts_and_holds_and_discarded_rain_is_gone() {
    for (verb, rain_mm) in [("confirm_rain", 1.2), ("discard_rain", 0.0)] {
        let mut world = knocked("rain.threshold = \"1 mm\"");
        let later = at("2027-07-12T10:30:00Z");
        command(&mut world, later, "verdict", &format!(r#""verb":"{verb}","sensor":"gauge""#));
        world.until(later.plus(MINUTE));
        assert!(near(world.rain_mm("oak"), rain_mm), "{verb}: {}", world.rain_mm("oak"));
        assert!(near(quarantined_mm(&world), 0.0));
        assert_eq!(world.open("oak"), []);
        assert_eq!(world.is_held("oak", "rain"), rain_mm > 0.0, "{verb}");
        // There is nothing left to settle.
        command(&mut world, later.plus(MINUTE), "again", &format!(r#""verb":"{verb}","sensor":"gauge""#));
        assert_eq!(world.log("command confirm_rain by pat").len() + world.log("command discard_rain by pat").len(), 2);
        assert!(near(world.rain_mm("oak"), rain_mm));
    }
}

#[test]
fn rain_that_is_confirmed_the_next_day_counts_on_the_day_it_fell_and_the_ledger_follows() {
    let mut world = knocked("");
    weather(&mut world, at("2027-07-12T10:10:00Z"), at("2027-07-13T09:00:00Z"), 51.2, 42.0, 300.0);
    let day = || "2027-07-12".parse().unwrap();
    let before = world.view("oak");
    assert!(near(before.day(day()).unwrap().figures.water.rain_mm, 0.0));
    command(&mut world, at("2027-07-13T09:00:00Z"), "late", r#""verb":"confirm_rain","sensor":"gauge""#);
    world.until(at("2027-07-13T09:05:00Z"));
    let after = world.view("oak");
    let closed = after.day(day()).unwrap();
    assert!(near(closed.figures.water.rain_mm, 1.2), "{}", closed.figures.water.rain_mm);
    assert_eq!(closed.revision, before.day(day()).unwrap().revision + 1);
    let owed = before.groups[0].owed_mm - after.groups[0].owed_mm;
    assert!((owed - 1.2).abs() < 0.05, "{owed}");
}

#[test]
fn what_nobody_settles_is_discarded_when_its_time_is_over() {
    let mut world = knocked("knock.discard_after = \"6 h\"");
    weather(&mut world, at("2027-07-12T10:10:00Z"), at("2027-07-12T15:50:00Z"), 51.2, 42.0, 500.0);
    assert!(near(quarantined_mm(&world), 1.2), "{}", quarantined_mm(&world));
    world.until(at("2027-07-12T16:10:00Z"));
    assert!(near(quarantined_mm(&world), 0.0) && near(world.rain_mm("oak"), 0.0));
    assert_eq!(world.log("nobody confirmed it in time").len(), 1);
    assert!(!world.open("oak").iter().any(|(kind, _)| kind == "gauge_knocked"));
}

#[test]
fn rain_that_goes_on_after_a_service_leaves_quarantine_by_itself() {
    let mut world = knocked("");
    let mut mm = 51.2;
    for step in 1..=9 {
        let now = at("2027-07-12T10:02:00Z").plus(step * 10 * MINUTE);
        mm += 0.6;
        world.heard(now.plus(-MINUTE), COMBO, &air(now, 42.0 + 6.0 * step as f64, 200.0));
        world.heard(now, GAUGE, &format!("{mm:.1}"));
    }
    assert!(near(world.rain_mm("oak"), 1.2 + 9.0 * 0.6), "{}", world.rain_mm("oak"));
    assert!(near(quarantined_mm(&world), 0.0));
    assert_eq!(world.log("out of quarantine, it was rain").len(), 1);
    assert_eq!(world.open("oak"), []);
}

#[test]
fn a_service_mark_that_comes_later_takes_the_tips_out_of_the_totals_and_ends_their_hold() {
    let mut world = oak_and_ash("rain.threshold = \"1 mm\"");
    weather(&mut world, at("2027-07-12T08:00:00Z"), at("2027-07-12T10:00:00Z"), 50.0, 42.0, 600.0);
    world.heard(at("2027-07-12T10:02:00Z"), GAUGE, "51.2");
    assert!(near(world.rain_mm("oak"), 1.2), "without a service it counts: {}", world.rain_mm("oak"));
    weather(&mut world, at("2027-07-12T10:10:00Z"), at("2027-07-12T13:00:00Z"), 51.2, 42.0, 600.0);
    assert!(world.is_held("oak", "rain"));
    let mark = r#""verb":"service","sensor":"combo","kind":"battery","at":"2027-07-12T09:50:00Z""#;
    command(&mut world, at("2027-07-12T13:00:00Z"), "diary", mark);
    world.until(at("2027-07-12T13:20:00Z"));
    assert!(near(world.rain_mm("oak"), 0.0), "{}", world.rain_mm("oak"));
    assert!(near(quarantined_mm(&world), 1.2));
    assert!(!world.is_held("oak", "rain"));
    assert_eq!(world.times_raised("oak", "gauge_knocked"), 1);
}

#[test]
fn water_poured_through_for_calibration_leaves_the_totals() {
    let mut world = oak_and_ash("");
    // No word of it before: it counts for some minutes.
    weather(&mut world, at("2027-07-12T08:00:00Z"), at("2027-07-12T10:00:00Z"), 50.0, 75.0, 200.0);
    for tips in 1..=5 {
        let now = at("2027-07-12T10:00:00Z").plus(tips * MINUTE);
        world.heard(now, GAUGE, &format!("{:.1}", 50.0 + 2.0 * tips as f64));
    }
    weather(&mut world, at("2027-07-12T10:10:00Z"), at("2027-07-12T10:20:00Z"), 60.0, 75.0, 200.0);
    command(&mut world, at("2027-07-12T10:20:00Z"), "cal", r#""verb":"service","sensor":"gauge","kind":"calibration""#);
    world.until(at("2027-07-12T10:30:00Z"));
    assert!(near(world.rain_mm("oak"), 0.0), "{}", world.rain_mm("oak"));
    assert_eq!(world.log("10.0 mm of water poured through it left the totals").len(), 1);
    assert!(!world.is_held("oak", "rain"), "the hold that it began is over");
    assert_eq!(world.open("oak"), []);
}

#[test]
fn a_quarantine_survives_a_restart_and_the_state_stays_small() {
    let mut world = knocked("");
    world.restart(at("2027-07-12T10:05:00Z"), at("2027-07-12T10:20:00Z"));
    assert!(near(quarantined_mm(&world), 1.2));
    let bytes = world.saved_bytes("oak");
    assert!(bytes < 4_500, "{bytes}");
    command(&mut world, at("2027-07-12T10:30:00Z"), "yes", r#""verb":"confirm_rain","sensor":"gauge""#);
    assert!(near(world.rain_mm("oak"), 1.2));
    assert_eq!(world.times_raised("oak", "gauge_knocked"), 1);
    assert!(world.view("oak").today.unwrap().end > at("2027-07-12T10:30:00Z").plus(HOUR));
}

#[test]
fn frost_that_the_sprinklers_made_holds_no_longer_than_the_air_is_cold() {
    // Dry, warm air; a run from 02:00 to 02:20 wets the thermometer.
    for (persists, with_run, held_later) in [(false, true, false), (true, true, true), (false, false, true)] {
        let mut world = oak_and_ash("");
        let night = at("2027-07-13T02:00:00Z");
        for minute in (0..120).step_by(10) {
            let celsius = 9.0 + (minute % 7) as f64 / 10.0;
            world.heard(night.plus((minute - 120) * MINUTE), COMBO, &format!(r#"{{"temp_c": {celsius:.1}}}"#));
        }
        for minute in (0..240).step_by(5) {
            let now = night.plus(minute * MINUTE);
            // Small steps, as real air: from 9 °C down to 2 °C, and back unless it persists.
            let celsius = match minute {
                0..10 => 6.0,
                10..60 => 2.0,
                _ if persists => 2.0,
                60..65 => 5.5,
                _ => 9.0,
            } + (minute % 3) as f64 / 10.0;
            world.heard(now, COMBO, &format!(r#"{{"temp_c": {celsius:.1}, "rh_pct": 97.{}}}"#, minute % 7));
            if minute == 25 && with_run {
                let run = r#"{"runs":[{"group":"lawn","start":"2027-07-13T02:00:00Z","end":"2027-07-13T02:20:00Z","depth_mm":5.0}]}"#;
                let report = Event::Report {
                    site: "oak".into(),
                    controller: "relay".into(),
                    payload: run.into(),
                    retain: false,
                };
                world.event(now.plus(SECOND), report);
            }
            if minute == 30 {
                assert!(world.is_held("oak", "freeze"), "cold holds at once, {persists} {with_run}");
            }
            if minute == 95 {
                assert_eq!(world.is_held("oak", "freeze"), held_later, "persists {persists}, run {with_run}");
            }
        }
    }
}

#[test]
fn wet_air_of_a_run_is_no_evidence_of_rain_for_tips_after_a_service() {
    for (with_run, knocked) in [(true, 1), (false, 0)] {
        let mut world = oak_and_ash("knock.knock_at = \"70 %\"");
        let run = at("2027-07-12T10:00:00Z");
        weather(&mut world, at("2027-07-12T08:00:00Z"), run, 50.0, 45.0, 600.0);
        if with_run {
            let body = r#"{"runs":[{"group":"lawn","start":"2027-07-12T10:00:00Z","end":"2027-07-12T10:20:00Z","depth_mm":5.0}]}"#;
            let report =
                Event::Report { site: "oak".into(), controller: "relay".into(), payload: body.into(), retain: false };
            world.event(run.plus(20 * MINUTE), report);
        }
        for step in 0..8i64 {
            weather(
                &mut world,
                run.plus((22 + 5 * step) * MINUTE),
                run.plus((23 + 5 * step) * MINUTE),
                50.0,
                50.0 + 6.0 * step as f64,
                400.0,
            );
        }
        let mark = r#""verb":"service","sensor":"gauge","kind":"cleaned""#;
        command(&mut world, run.plus(62 * MINUTE), "visit", mark);
        world.heard(run.plus(63 * MINUTE), GAUGE, "50.8");
        weather(&mut world, run.plus(70 * MINUTE), run.plus(180 * MINUTE), 50.8, 92.0, 400.0);
        let text = format!("{:?}", world.raised("oak"));
        assert_eq!(world.times_raised("oak", "gauge_knocked"), knocked, "{with_run}: {text}");
    }
}

#[test]
fn where_nobody_reports_runs_the_third_day_at_the_same_time_is_a_sprinkler() {
    let mut world = oak_and_ash("rain.threshold = \"6 mm\"");
    let mut mm = 50.0;
    for day in 0..6 {
        let start = at("2027-07-13T00:00:00Z").plus(day * 24 * HOUR);
        weather(&mut world, start, start.plus(5 * HOUR), mm, 40.0, 0.0);
        for part in 0..3 {
            mm += 2.2;
            let now = start.plus(5 * HOUR + (10 * part + day) * MINUTE);
            world.heard(now, GAUGE, &format!("{mm:.1}"));
        }
        weather(&mut world, start.plus(6 * HOUR), start.plus(24 * HOUR), mm, 40.0, 400.0);
    }
    assert_eq!(world.times_raised("oak", "gauge_sprayed"), 1, "{:?}", world.raised("oak"));
    let alert = world.payload("oak/alert/gauge_sprayed/gauge");
    assert!(alert["text"].as_str().unwrap().contains("is being sprayed"), "{alert}");
    assert!(alert["figures"]["rate_mm_per_hour"].as_f64().unwrap() > 10.0);
    assert!(near(world.rain_mm("oak"), 0.0) || world.rain_mm("oak") <= 13.3, "{}", world.rain_mm("oak"));
    let said: Vec<bool> = world.decisions("oak").iter().map(|(_, said)| said.contains("rain")).collect();
    let holds = said.windows(2).filter(|pair| pair == &[false, true]).count();
    assert!((1..=3).contains(&holds), "{:?}", world.decisions("oak"));
    // The gauge is moved: from now on it is believed.
    let now = at("2027-07-19T00:30:00Z");
    command(&mut world, now, "moved", r#""verb":"service","sensor":"gauge","kind":"moved""#);
    assert!(!world.open("oak").iter().any(|(kind, _)| kind == "gauge_sprayed"), "{:?}", world.open("oak"));
}
