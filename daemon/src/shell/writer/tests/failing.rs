//! The store fails for a while: what begins to hold is said all the same, and what came is counted once.

use std::fs;
use std::sync::atomic::AtomicBool;

use serde_json::Value as Json;

use super::*;

/// A writer on the yard, connected, its store and its clock.
fn yard(bench: &Bench) -> Writer {
    let loaded = crate::config::load_text("yard.toml", YARD, std::iter::empty()).unwrap();
    let read = |text: &str| Some(crate::config::load_text("yard.toml", text, std::iter::empty()).unwrap().settings);
    let source = Source {
        path: bench.folder.path().join("store.db"),
        limits: Limits { journal_keep: u64::MAX, ..Limits::default() },
        settings: loaded.settings,
        text: loaded.text,
        read_settings: Arc::new(read),
    };
    let state = source.restore(&bench.clock).unwrap();
    let clock = Box::new(bench.clock.clone());
    let mut writer = Writer::new(source, state, clock, Duration::ZERO, bench.links.clone());
    assert!(writer.take_settings());
    let up = Arrival::Up { session_present: true, refused: vec![], granted: vec!["yard/+".into()] };
    bench.turn(&mut writer, vec![up]);
    writer
}

const DECISION: &str = "thirst/v1/site/heron-bend/decision/lawn";
const INSTRUCTION: &str = "thirst/v1/site/heron-bend/instruction/relay";
const FAULT: &str = "thirst/v1/daemon/thirstd/alert/store_fault/store";

fn json(payload: &[u8]) -> Json {
    serde_json::from_slice(payload).unwrap()
}

fn stored(writer: &Writer, topic: &str) -> Json {
    json(&writer.state.store.reader().unwrap().topic(topic).unwrap().unwrap())
}

fn has_freeze(decision: &Json) -> bool {
    decision["holds"].as_array().unwrap().iter().any(|hold| hold["reason"] == "freeze")
}

/// The store cannot be written nor opened until `until` is true.
fn fail_until(bench: &Bench, writer: &mut Writer, arrivals: Vec<Arrival>, until: impl Fn() -> bool + Send + Sync) {
    let path = bench.folder.path().join("store.db");
    let away = bench.folder.path().join("away.db");
    let batch = writer.step(arrivals);
    writer.state.store.refuse_writes();
    fs::rename(&path, &away).unwrap();
    fs::create_dir(&path).unwrap();
    let done = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while !until() && !done.load(Ordering::Relaxed) {
                std::thread::park_timeout(Duration::from_millis(1));
            }
            fs::remove_dir(&path).unwrap();
            fs::rename(&away, &path).unwrap();
        });
        assert!(writer.make_durable(batch));
        done.store(true, Ordering::Relaxed);
    });
}

#[test]
fn frost_that_comes_while_the_store_fails_holds_at_once_and_the_store_has_the_newer_word_afterwards() {
    let bench = Bench::new();
    let mut writer = yard(&bench);
    bench.turn(&mut writer, vec![bench.message(1, r#"{"temp_c":4.2,"rain_mm":5.0}"#, false)]);
    let before = stored(&writer, DECISION);
    assert!(!has_freeze(&before), "{before}");
    let entries = bench.journal().len();

    bench.links.intake.put(bench.message(3, r#"{"temp_c":2.8,"rain_mm":5.0}"#, false));
    bench.links.intake.put(bench.message(4, r#"{"temp_c":2.4,"rain_mm":5.0}"#, false));
    let outbox = bench.links.outbox.clone();
    let told = move || outbox.past_store(DECISION).is_some() && outbox.past_store(FAULT).is_some();
    fail_until(&bench, &mut writer, vec![bench.message(2, r#"{"temp_c":3.6,"rain_mm":5.0}"#, false)], told);
    assert!(!writer.is_failing && bench.links.outbox.past_store(DECISION).is_none());
    assert_eq!(bench.links.acks.sent_first(), [2], "what came meanwhile is not in the store yet");

    // Everything said so far is said anew, and above what the store never saw.
    let again = stored(&writer, INSTRUCTION);
    assert_eq!(again["epoch"].as_u64().unwrap(), before["epoch"].as_u64().unwrap() + 1);
    assert_eq!(bench.links.epoch.load(Ordering::Relaxed), again["epoch"].as_u64().unwrap());

    // What came meanwhile is next, before anything newer, and counts once.
    let arrivals = writer.arrivals();
    bench.turn(&mut writer, arrivals);
    let after = stored(&writer, DECISION);
    assert!(has_freeze(&after) && after["durable"] == true, "{after}");
    assert_eq!(bench.links.acks.sent_first(), [4], "3 woke the client");
    let temperatures: Vec<String> = bench.journal()[entries..].to_vec();
    let heard = |text: &str| temperatures.iter().filter(|entry| entry.contains(text)).count();
    assert_eq!([heard("3.6"), heard("2.8"), heard("2.4")], [1, 1, 1], "{temperatures:?}");
    let arrivals = writer.arrivals();
    bench.turn(&mut writer, arrivals);
    let closed = stored(&writer, FAULT);
    assert_eq!((&closed["state"], &closed["kind"]), (&Json::from("closed"), &Json::from("store_fault")));
}

#[test]
fn what_only_allows_water_waits_for_the_store() {
    let bench = Bench::new();
    let mut writer = yard(&bench);
    bench.turn(&mut writer, vec![bench.message(1, r#"{"temp_c":-4.0,"rain_mm":5.0}"#, false)]);
    let before = stored(&writer, DECISION);
    assert!(has_freeze(&before));
    // Three warm hours while it fails would end the hold.
    for step in 0..18 {
        let payload = format!(r#"{{"temp_c":{}.0,"rain_mm":5.0}}"#, 10 + step % 3);
        bench.links.intake.put(bench.message(10 + step, &payload, false));
    }
    let outbox = bench.links.outbox.clone();
    let clock = bench.clock.clone();
    let told = move || {
        clock.0.0.fetch_add(1_000, Ordering::Relaxed);
        clock.0.1.fetch_add(1_000, Ordering::Relaxed);
        outbox.past_store(FAULT).is_some()
    };
    fail_until(&bench, &mut writer, vec![bench.message(2, r#"{"temp_c":9.0,"rain_mm":5.0}"#, false)], told);
    let said = bench.links.outbox.past_store(INSTRUCTION);
    assert!(said.is_none_or(|payload| json(&payload)["water_allowed"] == false));
}

#[test]
fn a_clock_that_was_set_while_the_store_failed_is_told_to_the_engine_afterwards() {
    let bench = Bench::new();
    let mut writer = yard(&bench);
    let outbox = bench.links.outbox.clone();
    bench.clock.0.0.fetch_add(HOUR, Ordering::Relaxed);
    let clock = bench.clock.clone();
    let stepped = AtomicBool::new(false);
    let told = move || {
        // After the first look at the clock.
        if outbox.past_store(FAULT).is_some() && !stepped.swap(true, Ordering::Relaxed) {
            clock.0.0.fetch_add(2 * HOUR, Ordering::Relaxed);
        }
        stepped.load(Ordering::Relaxed)
    };
    fail_until(&bench, &mut writer, vec![bench.message(2, r#"{"temp_c":9.0}"#, false)], told);
    let steps = bench.journal().iter().filter(|entry| entry.contains("step ")).count();
    assert_eq!(steps, 2, "{:?}", bench.journal());
    assert_eq!(writer.state.driver.last().wall, Stamp(START + 3 * HOUR));
}
