//! Batteries through the whole engine: asked for in time, once, and settled by a change.

use super::*;
use crate::engine::sensor::battery::Chemistry;

/// A site whose sensor runs on two alkaline AA cells.
fn alkaline() -> Settings {
    let mut settings = settings();
    settings.sites[0].sensors[0].battery.chemistry = Chemistry::AlkalineAa2;
    settings
}

fn started(settings: &Settings) -> Driver {
    let (engine, _) = Engine::restore(Arc::new(settings.clone()), 1, std::iter::empty());
    Driver::new(engine, now(START))
}

/// Half-hourly readings of the days `from..to`, with volts by the day.
fn days(
    driver: &mut Driver,
    outputs: &mut Vec<Output>,
    (from, to): (i64, i64),
    trusted: bool,
    volts: impl Fn(f64) -> f64,
) {
    for step in from * 48..to * 48 {
        let at = START.plus(step * 30 * MINUTE + 1);
        let day = step as f64 / 48.0;
        let event = message(&format!(r#"{{"t":{:.2},"h":60,"b":{:.3}}}"#, 18.0 + (step % 7) as f64 * 0.1, volts(day)));
        driver.apply(Now { trusted, ..now(at) }, event, outputs);
    }
}

/// Half is used, and a thirtieth of the rest a day: slowly, then behind the knee faster; at 2.1 V on the 36th day.
fn falling(day: f64) -> f64 {
    2.53 - 0.0088 * day.min(25.0) - 0.0192 * (day - 25.0).max(0.0)
}

fn command(driver: &mut Driver, outputs: &mut Vec<Output>, at: Stamp, body: &str) {
    let payload = format!(r#"{{"id":"c{}","who":"pat",{body}}}"#, at.0);
    driver.apply(now(at), Event::Command { site: "oak".into(), payload: payload.into(), retain: false }, outputs);
}

#[test]
fn a_falling_battery_is_asked_for_once_with_a_range_of_days_and_what_to_bring() {
    let (mut driver, mut outputs) = (started(&alkaline()), Vec::new());
    days(&mut driver, &mut outputs, (0, 12), true, falling);
    let alerts = payloads(&outputs, "/alert/battery_forecast/combo");
    let first = alerts.first().expect("a forecast");
    assert_eq!((&first["state"], &first["urgency"]), (&"open".into(), &"next_visit".into()), "{first}");
    let text = first["text"].as_str().unwrap();
    assert!(
        text.starts_with("The battery of sensor combo will soon be empty: likely between 2") && text.contains(" July"),
        "{text}"
    );
    assert!(first["suggested_action"].as_str().unwrap().contains("two AA alkaline cells"), "{first}");
    let left = |alert: &serde_json::Value, key: &str| alert["figures"][key].as_f64().unwrap();
    assert!(left(first, "days_left_earliest") < left(first, "days_left_likely"));
    // Raised on the ninth morning, 28 days before the end.
    assert!(left(first, "days_left_earliest") < 28.0 && left(first, "days_left_latest") > 28.0, "{first}");
    let sensor = payloads(&outputs, "/sensor/combo").pop().unwrap();
    assert_eq!(sensor["battery"]["chemistry"], "alkaline_aa_2");
    assert_eq!(sensor["battery"]["forecast"]["basis"], "trend");
    assert_eq!(sensor["battery"]["forecast"]["low_at"]["likely"], sensor["forecast"]["silent_by"]);
    // As the end comes near the same alert becomes urgent; it is not raised again.
    days(&mut driver, &mut outputs, (12, 37), true, falling);
    let alerts = payloads(&outputs, "/alert/battery_forecast/combo");
    assert!(alerts.iter().all(|alert| alert["since"] == alerts[0]["since"]), "{alerts:?}");
    assert!(alerts.len() <= 8, "{alerts:?}");
    let urgencies: Vec<&str> = alerts.iter().map(|alert| alert["urgency"].as_str().unwrap()).collect();
    assert!(urgencies.contains(&"today") && urgencies.last() == Some(&"now"), "{urgencies:?}");
}

#[test]
fn an_open_forecast_is_not_raised_again_after_a_restart_and_closes_with_the_change() {
    let settings = alkaline();
    let (mut driver, mut outputs) = (started(&settings), Vec::new());
    days(&mut driver, &mut outputs, (0, 14), true, falling);
    assert_eq!(payloads(&outputs, "/alert/battery_forecast/").len(), 1, "{:?}", payloads(&outputs, "/alert/battery"));
    let (sequence, last) = (driver.engine().sequence(), driver.last());
    let saved = saved_all(&mut driver);
    let (mut engine, unreadable) = Engine::restore(Arc::new(settings), 1, saved.into_iter());
    assert!(unreadable.is_empty());
    engine.set_sequence(sequence);
    let (mut driver, mut outputs) = (Driver::new(engine, last), Vec::new());
    days(&mut driver, &mut outputs, (14, 15), true, falling);
    assert!(payloads(&outputs, "/alert/battery_forecast/").is_empty());
    // Nobody says so, but the volts step up and stay: closed on the second evening.
    days(&mut driver, &mut outputs, (15, 19), true, |_| 3.15);
    let closed = payloads(&outputs, "/alert/battery_forecast/").pop().unwrap();
    assert_eq!(closed["state"], "closed");
    assert!(closed["closed_at"].as_str().unwrap() < "2027-06-18T12", "{closed}");
}

/// The states of alerts of a kind, oldest first.
fn states(outputs: &[Output], kind: &str) -> Vec<String> {
    let alerts = payloads(outputs, &format!("/alert/{kind}/"));
    alerts.iter().map(|alert| alert["state"].as_str().unwrap().to_owned()).collect()
}

const CHANGED: &str = r#""verb":"service","sensor":"combo","kind":"battery""#;

#[test]
fn a_change_that_shows_closes_the_forecast_for_good() {
    let (mut driver, mut outputs) = (started(&alkaline()), Vec::new());
    days(&mut driver, &mut outputs, (0, 12), true, falling);
    command(&mut driver, &mut outputs, START.plus(12 * DAY), CHANGED);
    assert_eq!(states(&outputs, "battery_forecast"), ["open", "closed"]);
    days(&mut driver, &mut outputs, (12, 30), true, |day| 3.15 - 0.002 * day);
    assert_eq!(states(&outputs, "battery_forecast"), ["open", "closed"]);
    assert!(states(&outputs, "battery_unchanged").is_empty());
    let sensor = payloads(&outputs, "/sensor/combo").pop().unwrap();
    assert!(sensor["battery"]["forecast"]["used_percent"].as_u64().is_none_or(|used| used < 30), "{sensor}");
}

#[test]
fn a_change_that_does_not_show_within_a_day_is_said_once_and_the_old_forecast_stands() {
    let (mut driver, mut outputs) = (started(&alkaline()), Vec::new());
    days(&mut driver, &mut outputs, (0, 12), true, falling);
    command(&mut driver, &mut outputs, START.plus(12 * DAY), CHANGED);
    // Silence proves nothing: not heard for two days, nothing is said.
    driver.advance(now(START.plus(14 * DAY)), &mut outputs);
    assert!(states(&outputs, "battery_unchanged").is_empty());
    days(&mut driver, &mut outputs, (14, 17), true, falling);
    assert_eq!(states(&outputs, "battery_unchanged"), ["open"]);
    let text = payloads(&outputs, "/alert/battery_unchanged/").pop().unwrap()["text"].to_string();
    assert!(text.contains("a day later it still says 2.4"), "{text}");
    assert_eq!(states(&outputs, "battery_forecast")[..3], ["open", "closed", "open"]);
    // Now it is done.
    command(&mut driver, &mut outputs, START.plus(17 * DAY), CHANGED);
    days(&mut driver, &mut outputs, (17, 19), true, |_| 3.15);
    assert_eq!(states(&outputs, "battery_unchanged"), ["open", "closed"]);
}

#[test]
fn low_by_volts_waits_while_the_trend_says_that_there_is_time() {
    let (mut driver, mut outputs) = (started(&alkaline()), Vec::new());
    // Below the threshold of 2.3 V on the 40th day, with months to go at this rate.
    days(&mut driver, &mut outputs, (0, 45), true, |day| 2.34 - 0.001 * day);
    assert!(states(&outputs, "battery_low").is_empty(), "{:?}", payloads(&outputs, "/alert/battery_low/"));
    days(&mut driver, &mut outputs, (45, 70), true, |day| 2.295 - 0.01 * (day - 45.0));
    assert_eq!(states(&outputs, "battery_low"), ["open"]);
}

#[test]
fn neither_silence_nor_days_of_a_clock_that_is_not_trusted_are_evidence() {
    let (mut driver, mut outputs) = (started(&alkaline()), Vec::new());
    days(&mut driver, &mut outputs, (0, 16), false, falling);
    assert!(payloads(&outputs, "/alert/battery_forecast/").is_empty());
    // Four days of readings, then weeks of silence: four days are no trend, and silence adds none.
    let (mut driver, mut outputs) = (started(&alkaline()), Vec::new());
    days(&mut driver, &mut outputs, (0, 4), true, falling);
    driver.advance(now(START.plus(40 * DAY)), &mut outputs);
    assert!(payloads(&outputs, "/alert/battery_forecast/").is_empty());
}
