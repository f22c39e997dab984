//! The diary in the store, an older store, and looking in from outside.

use rusqlite::params;
use tempfile::TempDir;

use super::*;
use crate::engine::output::{DiaryKind, DiaryLine};
use crate::engine::stamp::DAY;

fn line(at: Stamp, kind: DiaryKind, subject: &str, payload: &str) -> DiaryLine {
    DiaryLine { site: "oak".into(), at, kind, subject: subject.into(), payload: payload.as_bytes().to_vec() }
}

/// A commit of `diary` on `day`.
fn on(day: i64, trusted: bool, diary: Vec<DiaryLine>) -> Commit {
    let last = Now { wall: Stamp(day * DAY), trusted, ..Now::default() };
    Commit { last, diary, ..Commit::default() }
}

fn kept(store: &Store) -> Vec<String> {
    let (reader, kind) = (store.reader().unwrap(), DiaryKind::Decision);
    let lines = reader.diary("oak", kind, Stamp(i64::MIN), Stamp(i64::MAX)).unwrap();
    lines.into_iter().map(|line| String::from_utf8(line.payload).unwrap()).collect()
}

fn decision(day: i64, payload: &str) -> DiaryLine {
    line(Stamp(day * DAY), DiaryKind::Decision, "lawn", payload)
}

#[test]
fn a_day_is_read_back_in_order_with_what_stood_before_it() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let (mut store, _) = open(&path);
    let lines = vec![
        decision(1, "a"),
        line(Stamp(DAY), DiaryKind::Decision, "beds", "b"),
        decision(2, "c"),
        line(Stamp(3 * DAY), DiaryKind::Alert, "sensor_silent/mast", "d"),
        decision(3, "e"),
        DiaryLine { site: "ash".into(), ..decision(3, "not ours") },
        decision(4, "f"),
    ];
    store.commit(&Commit { audit: vec![], ..on(4, true, lines) }).unwrap();
    let ann = AuditRow { at: Stamp(3 * DAY), site: "oak".into(), who: "ann".into(), text: "hold".into() };
    store.commit(&Commit { audit: vec![ann.clone()], is_last: true, ..on(4, true, vec![]) }).unwrap();
    drop(store);

    let reader = Reader::look(&path).unwrap();
    let text = |lines: Vec<DiaryLine>| {
        lines.into_iter().map(|line| String::from_utf8(line.payload).unwrap()).collect::<String>()
    };
    let of_day = |kind| text(reader.diary("oak", kind, Stamp(3 * DAY), Stamp(4 * DAY)).unwrap());
    assert_eq!((of_day(DiaryKind::Decision), of_day(DiaryKind::Alert)), ("e".to_owned(), "d".to_owned()));
    assert_eq!(reader.diary_begins("oak").unwrap(), Some(Stamp(DAY)));
    assert_eq!(reader.diary_begins("elm").unwrap(), None);
    assert_eq!(text(reader.diary_before("oak", DiaryKind::Decision, Stamp(3 * DAY)).unwrap()), "bc");
    assert_eq!(text(reader.diary_about("oak", DiaryKind::Decision, "lawn").unwrap()), "acef");
    assert_eq!(reader.audit("oak", Stamp(3 * DAY), Stamp(4 * DAY)).unwrap(), [ann]);
    let saved = reader.saved().unwrap();
    assert_eq!((saved.last.unwrap().wall, saved.stopped), (Stamp(4 * DAY), true));
}

#[test]
fn lines_go_oldest_first_beyond_their_age_and_size() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let limits = Limits { diary_bytes: 10, diary_days: 30, ..Limits::default() };
    let (mut store, _) = Store::open(&path, limits).unwrap();
    store.commit(&on(1, true, vec![decision(1, "aaa"), decision(1, "bbb")])).unwrap();
    store.commit(&on(2, true, vec![decision(2, "ccc")])).unwrap();
    assert_eq!(kept(&store), ["aaa", "bbb", "ccc"]);
    store.commit(&on(3, true, vec![decision(3, "ddd")])).unwrap();
    assert_eq!(kept(&store), ["bbb", "ccc", "ddd"]);
    drop(store);
    // What it holds is known after a restart.
    let (mut store, _) = Store::open(&path, limits).unwrap();
    store.commit(&on(4, true, vec![decision(4, "eeee")])).unwrap();
    assert_eq!(kept(&store), ["ccc", "ddd", "eeee"]);
    // A clock that is not believed makes nothing old.
    store.commit(&on(900, false, vec![decision(4, "")])).unwrap();
    assert_eq!(kept(&store), ["ccc", "ddd", "eeee", ""]);
    store.commit(&on(33, true, vec![decision(33, "f")])).unwrap();
    assert_eq!(kept(&store), ["ddd", "eeee", "", "f"]);
}

#[test]
fn a_clock_that_lies_for_a_moment_costs_few_lines() {
    let folder = TempDir::new().unwrap();
    let (mut store, _) = open(&folder.path().join("store.db"));
    store.commit(&on(1, true, (0..100).map(|_| decision(1, "x")).collect())).unwrap();
    store.commit(&on(9_000, true, vec![decision(9_000, "y")])).unwrap();
    assert_eq!(kept(&store).len(), 92);
}

#[test]
fn an_older_store_is_brought_up_to_date_and_its_diary_begins_with_what_stands() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let old = Connection::open(&path).unwrap();
    old.execute_batch(VERSION_1).unwrap();
    for (topic, payload) in [
        (
            "t/site/oak/decision/lawn",
            r#"{"schema":"thirst/decision/1","site":"oak","group":"lawn","issued_at":"2027-06-01T04:00:00Z"}"#,
        ),
        (
            "t/site/oak/alert/sensor_silent/mast",
            r#"{"schema":"thirst/alert/1","site":"oak","kind":"sensor_silent","subject":"mast",
                "issued_at":"2027-06-01T06:00:00Z","since":"2027-05-30T04:00:00Z"}"#,
        ),
        ("t/site/oak/totals", r#"{"schema":"thirst/totals/1","site":"oak","issued_at":"2027-06-01T04:00:00Z"}"#),
        ("t/site/oak/decision/beds", "no JSON"),
        ("t/site/oak/alert/battery_low/mast", ""),
    ] {
        let sql = "INSERT INTO topics (topic, owner, payload) VALUES (?1, 'oak', CAST(?2 AS BLOB))";
        old.execute(sql, params![topic, payload]).unwrap();
    }
    drop(old);
    let refused = Reader::look(&path).unwrap_err().to_string();
    assert!(
        refused.contains("older thirstd (its version 1, this program knows 3); start thirstd run once"),
        "{refused}"
    );

    let (mut store, recovered) = open(&path);
    assert_eq!((recovered.epoch, recovered.commits, recovered.next_sequence), (7, 3, 42));
    let reader = store.reader().unwrap();
    let begun: Vec<_> = DiaryKind::ALL
        .into_iter()
        .flat_map(|kind| reader.diary("oak", kind, Stamp(0), Stamp(i64::MAX)).unwrap())
        .map(|line| (line.at.text(), line.kind, line.subject))
        .collect();
    assert_eq!(
        begun,
        [
            ("2027-06-01T04:00:00Z".to_owned(), DiaryKind::Decision, "lawn".to_owned()),
            ("2027-05-30T04:00:00Z".to_owned(), DiaryKind::Alert, "sensor_silent/mast".to_owned()),
        ]
    );
    assert!(store.diary_bytes > 0);
    store.commit(&on(30_000, true, vec![decision(30_000, "new")])).unwrap();
    drop(store);
    let (store, _) = open(&path);
    assert_eq!(kept(&store).last().unwrap(), "new");
}

#[test]
fn what_cannot_be_looked_into_is_said_and_nothing_is_made() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let missing = Reader::look(&path).unwrap_err().to_string();
    assert!(missing.contains("there is no store at") && missing.contains("thirstd run makes it"), "{missing}");
    assert!(!path.exists());
    Connection::open(&path).unwrap().execute_batch("CREATE TABLE people (name TEXT)").unwrap();
    assert!(Reader::look(&path).unwrap_err().to_string().contains("another program"));
}

#[test]
fn a_look_while_the_store_is_written_sees_one_moment_and_changes_nothing() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("a b#%.db");
    let (mut store, _) = open(&path);
    store.commit(&Commit { topics: vec![topic("t/site/oak/a", "1")], ..messages(0, 1) }).unwrap();
    let reader = Reader::look(&path).unwrap();
    let seen = |reader: &Reader| reader.topics_below("t/site/oak/").unwrap().len();
    assert_eq!(seen(&reader), 1);
    let topics = vec![topic("t/site/oak/b", "2"), topic("t/site/oak-2/b", "2"), topic("t/site/oak/c", "")];
    store.commit(&Commit { topics, ..messages(1, 1) }).unwrap();
    assert_eq!(seen(&reader), 1);
    assert_eq!(seen(&Reader::look(&path).unwrap()), 2);
    drop((reader, store));
    assert_eq!(seen(&Reader::look_at_rest(&path).unwrap()), 2);
}

/// The tables as version 1 made them.
const VERSION_1: &str = "
    PRAGMA application_id = 1953002099;
    PRAGMA user_version = 1;
    CREATE TABLE meta (
        only INTEGER PRIMARY KEY CHECK (only = 1), epoch INTEGER NOT NULL, next_sequence INTEGER NOT NULL,
        settings INTEGER, commits INTEGER NOT NULL DEFAULT 0, wall INTEGER NOT NULL, uptime INTEGER NOT NULL,
        listening INTEGER NOT NULL, trusted INTEGER NOT NULL
    );
    CREATE TABLE journal (
        id INTEGER PRIMARY KEY, first_sequence INTEGER NOT NULL, last_sequence INTEGER NOT NULL,
        entries INTEGER NOT NULL, settings INTEGER NOT NULL, since BLOB NOT NULL, wall INTEGER NOT NULL,
        blob BLOB NOT NULL
    );
    CREATE TABLE sites (row INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, applied INTEGER NOT NULL, state BLOB NOT NULL);
    CREATE TABLE topics (row INTEGER PRIMARY KEY, topic TEXT NOT NULL UNIQUE, owner TEXT NOT NULL, payload BLOB NOT NULL);
    CREATE TABLE answers (id INTEGER PRIMARY KEY, topic TEXT NOT NULL, payload BLOB NOT NULL);
    CREATE TABLE history (id INTEGER PRIMARY KEY, lane INTEGER NOT NULL, lines INTEGER NOT NULL, bytes BLOB NOT NULL);
    CREATE INDEX history_by_lane ON history (lane, id);
    CREATE TABLE audit (
        id INTEGER PRIMARY KEY, at INTEGER NOT NULL, site TEXT NOT NULL, who TEXT NOT NULL, text TEXT NOT NULL
    );
    CREATE TABLE subscriptions (filter TEXT PRIMARY KEY) WITHOUT ROWID;
    CREATE TABLE settings (version INTEGER PRIMARY KEY, text TEXT NOT NULL);
    CREATE TABLE unacked (id INTEGER PRIMARY KEY, packets BLOB NOT NULL);
    INSERT INTO meta VALUES (1, 7, 42, NULL, 3, 1000, 10, 5, 1);
";
