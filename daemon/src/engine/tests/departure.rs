//! What leaves the settings leaves the broker, and speaks again when it comes back.

use super::*;

/// What a broker would hold after `outputs`, without payloads.
fn retained(outputs: &[Output]) -> std::collections::BTreeSet<String> {
    let mut topics = std::collections::BTreeSet::new();
    for output in outputs {
        match output {
            Output::State { topic, payload } if payload.is_empty() => topics.remove(topic),
            Output::State { topic, .. } => topics.insert(topic.clone()),
            _ => false,
        };
    }
    topics
}

/// A site whose sensor spoke once and then fell silent for a day.
fn silent(outputs: &mut Vec<Output>) -> Driver {
    let mut driver = driver(vec![], START);
    driver.apply(now(START.plus(MINUTE)), message(r#"{"t":20.0,"r":10.0}"#), outputs);
    driver.advance(now(START.plus(DAY)), outputs);
    assert!(retained(outputs).contains("thirst/v1/site/oak/alert/sensor_silent/combo"), "{:?}", retained(outputs));
    driver
}

#[test]
fn a_site_that_left_leaves_nothing_retained_and_says_everything_anew_when_it_comes_back() {
    let mut outputs = Vec::new();
    let mut driver = silent(&mut outputs);
    let before = retained(&outputs);
    let without = Settings { version: 2, sites: vec![oak("elm")], ..settings() };
    driver.apply(now(START.plus(DAY + MINUTE)), Event::Settings(Arc::new(without)), &mut outputs);
    let left: Vec<_> = retained(&outputs).into_iter().filter(|topic| topic.contains("/oak/")).collect();
    assert_eq!(left, Vec::<String>::new());
    let with = Settings { version: 3, ..settings() };
    driver.apply(now(START.plus(DAY + 2 * MINUTE)), Event::Settings(Arc::new(with)), &mut outputs);
    driver.advance(now(START.plus(2 * DAY)), &mut outputs);
    let again = retained(&outputs);
    let missing: Vec<_> = before.difference(&again).collect();
    assert!(missing.is_empty(), "{missing:?}");
}

#[test]
fn parts_that_left_a_site_are_cleared_with_their_alerts_and_the_rest_stays() {
    let mut outputs = Vec::new();
    let mut driver = silent(&mut outputs);
    let before = retained(&outputs);
    let mut other = Settings { version: 2, ..settings() };
    other.sites[0].sensors[0].id = "mast".into();
    other.sites[0].controllers[0].id = "panel".into();
    driver.apply(now(START.plus(DAY + MINUTE)), Event::Settings(Arc::new(other)), &mut outputs);
    let gone: Vec<_> = before.difference(&retained(&outputs)).cloned().collect();
    let expected = ["alert/sensor_silent/combo", "instruction/relay", "sensor/combo"];
    assert_eq!(gone, expected.map(|topic| format!("thirst/v1/site/oak/{topic}")));
}

#[test]
fn another_prefix_clears_the_old_one_and_everything_is_said_below_the_new_one() {
    let mut outputs = Vec::new();
    let mut driver = silent(&mut outputs);
    let before = retained(&outputs);
    let other = Settings { version: 2, prefix: "garden".into(), ..settings() };
    driver.apply(now(START.plus(DAY + MINUTE)), Event::Settings(Arc::new(other)), &mut outputs);
    driver.advance(now(START.plus(2 * DAY)), &mut outputs);
    let moved: std::collections::BTreeSet<_> =
        before.iter().map(|topic| topic.replacen("thirst/v1", "garden", 1)).collect();
    assert!(retained(&outputs).iter().all(|topic| topic.starts_with("garden/")));
    let missing: Vec<_> = moved.difference(&retained(&outputs)).cloned().collect();
    assert!(missing.is_empty(), "{missing:?}");
}
