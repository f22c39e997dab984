//! The visit list through the whole engine: told when it changes, bounded in rate, whole after a restart.

use super::*;
use crate::engine::sensor::battery::Chemistry;

const LIST: &str = "thirst/v1/visits";

fn lists(outputs: &[Output]) -> Vec<serde_json::Value> {
    payloads(outputs, LIST)
}

fn sites(list: &serde_json::Value) -> Vec<&str> {
    list["visits"].as_array().unwrap().iter().map(|visit| visit["site"].as_str().unwrap()).collect()
}

/// `oak`, whose sensor runs on two alkaline AA cells.
fn one() -> Settings {
    let mut settings = settings();
    settings.sites[0].sensors[0].battery.chemistry = Chemistry::AlkalineAa2;
    settings
}

/// `oak`, and `ash` like it.
fn two() -> Settings {
    let mut settings = one();
    settings.sites.push(SiteSettings { sensors: settings.sites[0].sensors.clone(), ..oak("ash") });
    settings.sites[1].sensors[0].heard_under = "ash".into();
    settings
}

fn started(settings: &Settings) -> Driver {
    let (engine, _) = Engine::restore(Arc::new(settings.clone()), 1, std::iter::empty());
    Driver::new(engine, now(START))
}

fn battery(driver: &mut Driver, outputs: &mut Vec<Output>, site: &str, at: Stamp, volts: f64) {
    let celsius = 15.0 + (at.0 / MINUTE % 17) as f64 * 0.1;
    let payload = format!(r#"{{"t":{celsius:.2},"b":{volts}}}"#);
    let topic = format!("yard/{site}/combo/state");
    driver.apply(now(at), Event::Message { topic, payload: payload.into(), retain: false, dup: false }, outputs);
}

fn command(driver: &mut Driver, outputs: &mut Vec<Output>, at: Stamp, id: &str, body: &str) -> serde_json::Value {
    let payload = format!(r#"{{"id":"{id}","who":"pat",{body}}}"#);
    let mut own = Vec::new();
    driver.apply(now(at), Event::Command { site: "oak".into(), payload: payload.into(), retain: false }, &mut own);
    let answer = own.iter().find_map(|output| match output {
        Output::Answer { payload, .. } => serde_json::from_slice(payload).ok(),
        _ => None,
    });
    outputs.append(&mut own);
    answer.unwrap()
}

/// The batteries of both sites are low after two days.
fn both_low(settings: &Settings) -> (Driver, Vec<Output>) {
    let (mut driver, mut outputs) = (started(settings), Vec::new());
    for minute in (0..2 * 24 * 60).step_by(10) {
        for site in ["oak", "ash"] {
            battery(&mut driver, &mut outputs, site, START.plus(minute * MINUTE + 1_000), 2.0);
        }
    }
    (driver, outputs)
}

#[test]
fn a_site_that_needs_somebody_comes_on_the_list_once_and_goes_with_its_cause() {
    let settings = two();
    let (mut driver, mut outputs) = both_low(&settings);
    let told = lists(&outputs);
    assert_eq!(sites(&told[0]), Vec::<&str>::new(), "an empty list is told once");
    let last = told.last().unwrap();
    assert!(sites(last).contains(&"oak") && sites(last).contains(&"ash"), "{last}");
    let oak = last["visits"].as_array().unwrap().iter().find(|visit| visit["site"] == "oak").unwrap();
    assert_eq!(oak["sensors"][0], "combo", "{oak}");
    assert!(oak["bring"].to_string().contains(" for combo"), "{oak}");
    assert!(oak["by"].is_string() && oak["reasons"].to_string().contains("battery of sensor combo is low"), "{oak}");
    let sequences: Vec<u64> = told.iter().map(|list| list["sequence"].as_u64().unwrap()).collect();
    assert!(sequences.iter().zip(1..).all(|(sequence, expected)| *sequence == expected), "{sequences:?}");
    let visits: Vec<&serde_json::Value> = told.iter().map(|list| &list["visits"]).collect();
    assert!(visits.windows(2).all(|pair| pair[0] != pair[1]), "told without a change: {told:?}");
    let at = driver.last().wall.plus(MINUTE);
    command(&mut driver, &mut outputs, at, "s1", r#""verb":"service","kind":"battery","sensor":"combo""#);
    driver.advance(now(at.plus(MINUTE)), &mut outputs);
    let reasons = lists(&outputs).pop().unwrap();
    let oak = reasons["visits"].as_array().unwrap().iter().find(|visit| visit["site"] == "oak").cloned();
    assert!(!oak.unwrap_or_default().to_string().contains("battery"), "{reasons}");
}

#[test]
fn what_is_put_off_leaves_the_list_and_speaks_again() {
    let settings = one();
    let (mut driver, mut outputs) = both_low(&settings);
    let at = driver.last().wall.plus(MINUTE);
    for alert in open_alerts(&outputs) {
        if alert.0 != "battery_low" {
            let body = format!(
                r#""verb":"acknowledge","kind":"{}","subject":"{}","until":"{}""#,
                alert.0,
                alert.1,
                at.plus(30 * DAY).text()
            );
            command(&mut driver, &mut outputs, at, &format!("a-{}", alert.0), &body);
        }
    }
    let until = at.plus(3 * HOUR);
    let body = format!(r#""verb":"acknowledge","kind":"battery_low","subject":"combo","until":"{}""#, until.text());
    let answer = command(&mut driver, &mut outputs, at, "a1", &body);
    assert_eq!(answer["outcome"], "done");
    assert!(answer["text"].as_str().unwrap().starts_with("alert battery_low combo acknowledged and put off until "));
    assert!(outputs.iter().any(|output| matches!(output, Output::Audit { text, .. } if text.contains("put off"))));
    let repeated = command(&mut driver, &mut outputs, at.plus(SECOND), "a1", &body);
    assert_eq!((&repeated["outcome"], &repeated["text"]), (&"repeated".into(), &answer["text"]));
    let open = payloads(&outputs, "/alert/battery_low/combo").pop().unwrap();
    assert_eq!((&open["state"], &open["snoozed_until"]), (&"acknowledged".into(), &until.text().into()), "{open}");
    driver.advance(now(at.plus(MINUTE)), &mut outputs);
    assert!(!lists(&outputs).pop().unwrap().to_string().contains("battery of sensor combo is low"));
    let mut later = Vec::new();
    driver.advance(now(until.plus(MINUTE)), &mut later);
    let again = payloads(&later, "/alert/battery_low/combo").pop().unwrap();
    assert_eq!((&again["state"], &again["since"]), (&"open".into(), &open["since"]), "{again}");
    assert!(again["snoozed_until"].is_null() && again["acknowledged_by"].is_null(), "{again}");
    assert!(lists(&later).pop().unwrap().to_string().contains("battery of sensor combo is low"));
    for (until, expected) in [("2020-01-01T00:00:00Z", "in the future"), ("2199-01-01T00:00:00Z", "next 366 days")] {
        let body = format!(r#""verb":"acknowledge","kind":"battery_low","subject":"combo","until":"{until}""#);
        let answer = command(&mut driver, &mut later, at.plus(4 * HOUR), &format!("b{}", &until[..4]), &body);
        assert!(answer["text"].as_str().unwrap().contains(expected), "{answer}");
    }
}

/// Kind and subject of the alerts that are open.
fn open_alerts(outputs: &[Output]) -> std::collections::BTreeSet<(String, String)> {
    let mut open = std::collections::BTreeSet::new();
    for alert in payloads(outputs, "/alert/") {
        let key = (alert["kind"].as_str().unwrap().to_owned(), alert["subject"].as_str().unwrap().to_owned());
        if alert["state"] == "closed" {
            open.remove(&key)
        } else {
            open.insert(key)
        };
    }
    open
}

#[test]
fn a_restart_keeps_the_list_and_its_sequence_and_says_nothing_again() {
    let settings = two();
    let (mut driver, mut outputs) = both_low(&settings);
    driver.advance(now(driver.last().wall.plus(MINUTE)), &mut outputs);
    let before = lists(&outputs).pop().unwrap();
    let (sequence, last) = (driver.engine().sequence(), driver.last());
    driver.engine_mut().mark_all();
    let saved = driver.take_dirty(usize::MAX);
    let (mut engine, _) = Engine::restore(Arc::new(settings.clone()), 1, saved.into_iter());
    engine.set_sequence(sequence);
    let (mut again, mut outputs) = (Driver::new(engine, last), Vec::new());
    again.advance(now(last.wall.plus(2 * MINUTE)), &mut outputs);
    assert_eq!(lists(&outputs), Vec::<serde_json::Value>::new());
    let at = last.wall.plus(3 * MINUTE);
    command(&mut again, &mut outputs, at, "s1", r#""verb":"service","kind":"battery","sensor":"combo""#);
    again.advance(now(at.plus(MINUTE)), &mut outputs);
    let after = lists(&outputs).pop().unwrap();
    assert_eq!(after["sequence"].as_u64().unwrap(), before["sequence"].as_u64().unwrap() + 1, "{after}");
}

#[test]
fn another_prefix_clears_the_old_list_and_tells_it_anew() {
    let settings = two();
    let (mut driver, mut outputs) = both_low(&settings);
    driver.advance(now(driver.last().wall.plus(MINUTE)), &mut outputs);
    let before = lists(&outputs).pop().unwrap();
    let moved = Settings { prefix: "garden".into(), version: 2, ..settings };
    let (at, mut outputs) = (driver.last().wall, Vec::new());
    driver.apply(now(at), Event::Settings(Arc::new(moved)), &mut outputs);
    assert!(outputs.contains(&Output::State { topic: LIST.into(), payload: Vec::new() }));
    driver.advance(now(at.plus(MINUTE)), &mut outputs);
    assert_eq!(payloads(&outputs, "garden/visits").pop().unwrap()["visits"], before["visits"]);
}

#[test]
fn a_thousand_alerts_in_a_minute_are_told_in_four_lists_at_most() {
    let mut settings = settings();
    settings.sites = (0..1_200).map(|number| oak(&format!("site-{number:04}"))).collect();
    let (mut driver, mut outputs) = (started(&settings), Vec::new());
    driver.apply(now(START.plus(1)), Event::BrokerUp { session_present: false, refused: vec![] }, &mut outputs);
    // Nothing comes from any of them: every sensor is silent after two hours.
    driver.advance(now(START.plus(3 * HOUR)), &mut outputs);
    let told = lists(&outputs);
    assert!(told.len() <= 2 + 4, "{} lists", told.len());
    let last = told.last().unwrap();
    assert_eq!((sites(last).len(), last["left_out"].as_u64()), (1_000, Some(200)));
    assert!(sites(last).is_sorted());
    let bytes = serde_json::to_vec(last).unwrap().len();
    assert!(bytes < 600_000, "{bytes}");
}
