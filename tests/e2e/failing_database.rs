//! S28: a database that says no for a while and then says nothing at all. What it was to have waits, decisions go on, and it
//! is told once.
//!
//! That what waits is bounded, the oldest going first and counted, is tested where it is kept (`shell/store/tests.rs`); a
//! full disk in `full_disk.rs`.

use std::collections::BTreeSet;
use std::io::Write;
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::json;

use thirst_replay::clock;
use thirst_tests::{database, wait};
use thirstd::engine::stamp::SECOND;

use crate::history::Stage;
use crate::yard::reasons;

const ALERT: &str = "thirst/v1/daemon/yard-1/alert/history_behind/database";
const DECISION: &str = "thirst/v1/site/oak/decision/lawn";

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Mood {
    #[default]
    Unavailable,
    Silent,
    Well,
}

/// What knocks, and what came of it.
#[derive(Debug, Default)]
struct Desk {
    mood: Mood,
    /// Requests in each of the moods.
    asked: [u32; 3],
    /// Lines that were taken.
    taken: BTreeSet<String>,
    most_lines: usize,
}

/// A database that answers as its mood is. Ends with the program.
fn open() -> (String, Arc<Mutex<Desk>>) {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
    let url = format!("http://127.0.0.1:{}", listener.local_addr().unwrap().port());
    let desk = Arc::new(Mutex::new(Desk::default()));
    let shared = desk.clone();
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let desk = shared.clone();
            std::thread::spawn(move || answer(stream, &desk));
        }
    });
    (url, desk)
}

fn answer(mut stream: TcpStream, desk: &Mutex<Desk>) -> Option<()> {
    let (_, body) = database::read_request(&mut stream)?;
    let mood = {
        let mut desk = desk.lock().unwrap();
        let mood = desk.mood;
        desk.asked[mood as usize] += 1;
        if mood == Mood::Well {
            let text = String::from_utf8(body).unwrap();
            desk.most_lines = desk.most_lines.max(text.lines().count());
            desk.taken.extend(text.lines().map(str::to_owned));
        }
        mood
    };
    let line = match mood {
        Mood::Unavailable => "503 Service Unavailable",
        Mood::Well => "204 No Content",
        // Until the one who asks has had enough.
        Mood::Silent => {
            return stream
                .set_read_timeout(None)
                .ok()
                .and_then(|()| std::io::copy(&mut stream, &mut std::io::sink()).ok())
                .map(|_| ());
        }
    };
    let end = if mood == Mood::Well { "" } else { "content-length: 0\r\n" };
    stream.write_all(format!("HTTP/1.1 {line}\r\n{end}connection: close\r\n\r\n").as_bytes()).ok()
}

#[test]
fn s28_a_database_that_fails_and_then_hangs_costs_no_decision_and_gets_every_point_in_its_own_time() {
    let (url, desk) = open();
    let set = |mood| desk.lock().unwrap().mood = mood;
    let asked = |mood: Mood| desk.lock().unwrap().asked[mood as usize];
    let more = "gzip = false\ntimeout = \"1 s\"\nbehind_after = \"1 min\"\nbatch_lines = 500";
    let mut stage = Stage::open(&url, more);
    stage.measure(1_000);
    stage.wait_until_waiting(2_000);
    wait::until("it to be asked", || (asked(Mood::Unavailable) >= 2).then_some(()));

    // Nothing answers now: a request ends by its time limit, and another is made.
    set(Mood::Silent);
    wait::until("it to be asked again and again", || (asked(Mood::Silent) >= 2).then_some(()));
    // Decisions need no database.
    let now = clock::wall().0 / SECOND;
    stage.client.publish("yard/oak/mast/state", json!({"at": now, "temp_c": -2.0}).to_string());
    stage.client.wait_for_json(DECISION, "a freeze hold", |decision| reasons(decision).contains(&"freeze"));
    let opened = wait::within(Duration::from_secs(120), || {
        stage.client.last_json(ALERT).filter(|alert| alert["state"] == "open")
    });
    let opened = opened.unwrap_or_else(|| panic!("no alert:\n{}", stage.daemon.log()));
    thirst_tests::schema::assert_valid(&opened);
    set(Mood::Unavailable);
    wait::until("another no", || (asked(Mood::Unavailable) >= 3).then_some(()));

    set(Mood::Well);
    // It is tried once a minute at the latest.
    let is_over = |stage: &mut Stage| {
        let last = stage.client.heard().iter().rfind(|heard| heard.topic == ALERT)?;
        (last.payload.is_empty() || last.json()["state"] == "closed").then_some(())
    };
    let over = wait::within(Duration::from_secs(150), || is_over(&mut stage));
    assert!(over.is_some(), "the alert stands:\n{}", stage.daemon.log());
    wait::until("everything to be there", || (stage.status()["waiting_lines"].as_i64()? == 0).then_some(()));
    let told = stage.client.heard().iter().filter(|heard| heard.topic == ALERT && !heard.payload.is_empty());
    let opened: Vec<_> = told.filter(|heard| heard.json()["state"] == "open").collect();
    assert_eq!(opened.len(), 1, "one alert for the outage");

    let desk = desk.lock().unwrap();
    let times: BTreeSet<&str> = desk
        .taken
        .iter()
        .filter(|line| line.starts_with("reading,") && line.contains("air_temperature_celsius="))
        .map(|line| line.rsplit(' ').next().unwrap())
        .collect();
    assert_eq!(times.len() as i64, stage.given + 1, "each reading once, under its own time");
    assert!(desk.most_lines <= 500, "{} lines at once", desk.most_lines);
    let status = stage.status();
    assert_eq!((&status["refused_lines"], &status["dropped_lines"]), (&json!(0), &json!(0)), "{status}");
    let log = stage.daemon.log();
    assert!(log.lines().count() < 60, "{log}");
}
