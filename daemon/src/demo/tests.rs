//! The demo as somebody sees it who watches.

use std::sync::{Arc, Mutex};

use tokio::sync::Notify;

use super::*;

/// All lines of a run as fast as it goes, up to the first that contains `last`.
async fn played(seed: u64, last: &'static str) -> Vec<String> {
    let lines: Arc<Mutex<Vec<String>>> = Arc::default();
    let (kept, seen) = (lines.clone(), Arc::new(Notify::new()));
    let told = seen.clone();
    let say = move |line: &str| {
        kept.lock().unwrap().push(line.to_owned());
        if line.contains(last) {
            told.notify_one();
        }
    };
    let options = Options { seconds: 300, seed, pace: 0.0, color: false };
    run(options, async move { seen.notified().await }, say).await.unwrap();
    std::mem::take(&mut *lines.lock().unwrap())
}

/// In the order in which they are promised: a line that contains every part.
const SCENES: [(&str, &[&str]); 17] = [
    ("a scaled day", &["fern-gate", "day", "ETo", "watered lawn"]),
    ("a percentage per group", &["Water may run: the lawn", "%, the beds"]),
    ("an impossible jump", &["dune-row", "ALERT", "reading_implausible", "jumped"]),
    ("a knocked gauge", &["fern-gate", "ALERT", "gauge_knocked"]),
    ("the word on it", &["fern-gate", "command", "operator asks: discard_rain"]),
    ("which settles it", &["fern-gate", "alert over", "gauge_knocked"]),
    ("a rain hold", &["fern-gate", "HOLD", "Rain:"]),
    ("its end", &["fern-gate", "hold ends", "The rain hold is over"]),
    ("a freeze hold", &["granite-step", "HOLD", "Frost:"]),
    ("its end", &["granite-step", "hold ends", "The freeze hold is over"]),
    ("a lost link", &["granite-step", "ALERT", "sensor_silent"]),
    ("its recovery", &["granite-step", "alert over", "sensor_silent"]),
    ("a release", &["dune-row", "command", "operator asks: release rain"]),
    ("its answer", &["dune-row", "command", "done: lawn released from rain"]),
    ("the end of a battery foreseen", &["granite-step", "ALERT", "battery_forecast", "two AA alkaline cells"]),
    ("a low battery", &["granite-step", "ALERT", "battery_low"]),
    ("a battery forecast", &["dune-row", "ALERT", "battery_forecast"]),
];

#[tokio::test(flavor = "multi_thread")]
async fn every_promised_scene_appears_in_eight_days_and_nothing_floods() {
    for seed in [1, 2, 77] {
        // Eight days take 26 seconds at the usual pace.
        let lines = played(seed, "Mon 10 May 21:00").await;
        let text = lines.join("\n");
        for (scene, parts) in SCENES {
            // A wrapped line goes on below.
            let shown = lines.windows(3).any(|lines| parts.iter().all(|part| lines.join(" ").contains(part)));
            assert!(shown, "{scene} is missing with seed {seed}:\n{text}");
        }
        assert!(!text.contains("not_obeyed") && !text.contains("clock_wrong"), "{text}");
        assert!((60..=125).contains(&lines.len()), "{} lines with seed {seed}:\n{text}", lines.len());
        assert!(lines.iter().all(|line| line.chars().count() <= 124), "{text}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn equal_seeds_tell_the_same_story() {
    let story = async || -> Vec<String> {
        let lines = played(5, "Wed  5 May 21:00").await;
        // The port differs, and how much is read before the end.
        lines
            .into_iter()
            .filter(|line| !line.contains(" port ") && !line.contains("mosquitto_sub") && !line.starts_with("The end"))
            .collect()
    };
    assert_eq!(story().await, story().await);
}

#[tokio::test(flavor = "multi_thread")]
async fn it_stops_by_itself_and_runs_no_faster_than_its_pace() {
    let options = Options { seconds: 1, pace: 0.5, ..Options::default() };
    let lines: Arc<Mutex<Vec<String>>> = Arc::default();
    let kept = lines.clone();
    run(options, std::future::pending(), move |line: &str| kept.lock().unwrap().push(line.to_owned())).await.unwrap();
    let lines = lines.lock().unwrap();
    let end = lines.iter().find_map(|line| line.strip_prefix("The end after ")).expect("it says goodbye");
    let days: f64 = end.split(' ').next().and_then(|days| days.parse().ok()).expect("a number of days");
    assert!(days > 0.0 && days <= 0.55, "{end}");
}
