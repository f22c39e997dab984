//! `thirstd status` and `thirstd why`: what happened, told from the store.

use std::io;
use std::path::Path;
use std::sync::Arc;

use serde_json::{Value as Json, json};
use tempfile::TempDir;

use thirst_replay::offline::{self, Options, Sink};
use thirst_replay::recording::Reader;
use thirst_tests::broker::Broker;
use thirst_tests::schema::assert_valid;
use thirstd::config::{self, Loaded};
use thirstd::engine::event::Now;
use thirstd::engine::output::Output;
use thirstd::engine::stamp::Stamp;
use thirstd::shell::store::{AuditRow, Commit, Limits, Store, Topic};
use thirstd::shell::terminal::{self, Day, Form, Screen};

use crate::yard::{COMMAND, DECISION, Yard, reasons};

/// Keeps what a daemon would keep.
struct Kept {
    store: Store,
    commit: Commit,
}

impl Sink for Kept {
    fn output(&mut self, at: Stamp, output: &Output) -> io::Result<()> {
        match output {
            Output::State { topic, payload } => {
                self.commit.topics.retain(|kept| kept.topic != *topic);
                let owner = topic.split('/').nth(3).unwrap_or_default().to_owned();
                self.commit.topics.push(Topic { topic: topic.clone(), owner, payload: payload.clone() });
            }
            Output::Diary(line) => self.commit.diary.push(line.clone()),
            Output::Audit { site, who, text } => {
                let row = AuditRow { at, site: site.clone(), who: who.clone(), text: text.clone() };
                self.commit.audit.push(row);
            }
            _ => {}
        }
        self.commit.last = Now { wall: at, trusted: true, ..Now::default() };
        Ok(())
    }

    fn warning(&mut self, _: &str) -> io::Result<()> {
        Ok(())
    }
}

/// The recorded week of an invented orchard, as a daemon would have stored it, and the time at which it ends.
struct Orchard {
    loaded: Loaded,
    now: Stamp,
    _folder: TempDir,
}

impl Orchard {
    fn remembered() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("../replay/samples");
        let mut loaded = config::load(&samples.join("orchard-week.toml"), std::iter::empty()).unwrap();
        loaded.store_path = folder.path().join("store.db");
        let (store, _) = Store::open(&loaded.store_path, Limits::default()).unwrap();
        let mut kept = Kept { store, commit: Commit::default() };
        let reader = Reader::open(&samples.join("orchard-week.ndjson")).unwrap();
        let summary = offline::run(reader, Arc::clone(&loaded.settings), Options::default(), &mut kept).unwrap();
        kept.store.commit(&kept.commit).unwrap();
        Self { loaded, now: summary.until, _folder: folder }
    }

    fn why(&self, day: &str, group: Option<&str>) -> String {
        let form = Form::Text(Screen { width: 80, color: false });
        terminal::why(&self.loaded, "tern-hollow", day.parse::<Day>().unwrap(), group, form, self.now).unwrap()
    }
}

#[test]
fn a_recorded_week_is_answered_for_day_by_day() {
    let orchard = Orchard::remembered();
    let first = |day: &str, group: &str| {
        let text = orchard.why(day, Some(group));
        let (answer, _) = text.split_once("\n\n").unwrap();
        answer.lines().skip(1).map(str::trim).collect::<Vec<_>>().join(" ")
    };
    for (day, group, wanted) in [
        (
            "2027-04-10",
            "lawn",
            "it was held while it could have run. Watering restriction \"no watering on Saturdays\"",
        ),
        ("2027-04-11", "lawn", "Watered between 02:00 and 03:00:"),
        ("2027-04-11", "trees", "as decided; no bridge says what really ran. The decision then was 120 %"),
        ("2027-04-13", "lawn", "Not watered: it was held while it could have run. Rain: 14.0 mm fell in the last rain"),
        ("2027-04-15", "trees", "because of rain and frost."),
        ("2027-04-01", "lawn", "Not known: the diary of the site begins on Friday, 9 April 2027."),
        ("yesterday", "lawn", "an operator's hold"),
        ("today", "lawn", "Not watered so far"),
    ] {
        assert!(first(day, group).contains(wanted), "{day}: {}", first(day, group));
    }
    let whole = orchard.why("2027-04-16", None);
    for wanted in ["command by office: hold (phone-17): trees, lawn held until Fri 17:30", "Held by office (Grafting"] {
        assert!(whole.replace("\n             ", " ").contains(wanted), "{whole}");
    }
    assert!(orchard.why("2027-04-15", None).contains("alert: Sensor mast has not been heard"));
    assert!(whole.lines().all(|line| line.chars().count() <= 80), "{whole}");
    let future = "2027-05-01".parse().unwrap();
    let refused = terminal::why(&orchard.loaded, "tern-hollow", future, None, Form::Json, orchard.now).unwrap_err();
    assert!(refused.to_string().contains("has not come yet: at tern-hollow it is 2027-04-17"), "{refused}");
}

#[test]
fn what_a_running_daemon_did_is_answered_while_it_runs_and_after_it_stopped() {
    let mut yard = Yard::open(Broker::plain());
    yard.measure(-2.0);
    yard.client.wait_for_json(DECISION, "a freeze hold", |decision| reasons(decision).contains(&"freeze"));
    let order = json!({"id": "e-1", "who": "office", "verb": "hold", "hours": 2, "note": "pipe repair"});
    yard.client.publish(COMMAND, order.to_string());
    yard.client.wait_for_json(DECISION, "an operator hold", |decision| reasons(decision).contains(&"operator"));

    let status = yard.daemon.asked(&["status"]);
    for wanted in ["thirstd seems to be running.", "lawn No water, no end known yet: frost and", "mast heard "] {
        assert!(flat(&status).contains(wanted), "{wanted}:\n{status}");
    }
    let why = yard.daemon.asked(&["why", "oak"]);
    for wanted in
        ["Frost: down to -2.0 °C", "command by office: hold (e-1): lawn held until", "Held by office (pipe repair)"]
    {
        assert!(flat(&why).contains(wanted), "{wanted}:\n{why}");
    }
    assert!(!why.contains('\u{1b}'), "color into a pipe: {why}");

    let status: Json = serde_json::from_str(&yard.daemon.asked(&["status", "--site", "oak", "--json"])).unwrap();
    assert_eq!((&status["daemon"], &status["sites"][0]["site"]), (&json!("running"), &json!("oak")));
    assert_valid(&status["sites"][0]["decisions"][0]);
    assert_valid(&status["sites"][0]["totals"]);
    let why: Json =
        serde_json::from_str(&yard.daemon.asked(&["why", "oak", "today", "--group", "lawn", "--json"])).unwrap();
    let decisions = why["decisions"].as_array().unwrap();
    assert!(decisions.len() >= 2, "{why}");
    decisions.iter().for_each(|line| assert_valid(&line["decision"]));
    assert_eq!(why["commands"][0]["who"], "office");

    yard.daemon.terminate();
    assert!(flat(&yard.daemon.asked(&["status"])).contains("thirstd was stopped then"));
    let refused = yard.daemon.asked(&["why", "elm"]);
    assert_eq!(refused.trim(), "there is no site elm; the configuration has oak");
}

/// Without the breaks of lines.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}
