//! The store against files: restart, kill, damage, limits.

use std::fs;
use std::path::Path;

use tempfile::TempDir;

use super::*;
use crate::engine::event::Event;

mod copy;
mod diary;

fn now(wall: i64) -> Now {
    Now { wall: Stamp(wall), uptime: wall / 2, listening: wall / 4, trusted: true }
}

fn message(payload: &[u8]) -> Event {
    Event::Message { topic: "yard/a".into(), payload: payload.to_vec(), retain: false, dup: false }
}

fn journal(first: u64, count: u64, wall: i64) -> JournalBlob {
    let mut blob = JournalBlob::default();
    for sequence in first..first + count {
        blob.push(sequence, now(wall), Some(&message(&sequence.to_be_bytes())));
    }
    blob
}

/// A commit of `count` messages from `first` on.
fn messages(first: u64, count: u64) -> Commit {
    Commit {
        last: now(1_000 + first as i64),
        next_sequence: first + count,
        journal: journal(first, count, 1_000 + first as i64),
        ..Commit::default()
    }
}

fn site(id: &str, applied: u64) -> SavedSite {
    SavedSite { id: id.into(), applied, state: vec![1, applied as u8] }
}

fn topic(name: &str, payload: &str) -> Topic {
    Topic { topic: name.into(), owner: "oak".into(), payload: payload.as_bytes().to_vec() }
}

fn open(path: &Path) -> (Store, Recovered) {
    Store::open(path, Limits::default()).unwrap()
}

fn tail(store: &Store) -> Vec<u64> {
    store.reader().unwrap().tail().map(|entry| entry.unwrap().sequence).collect()
}

fn topics(store: &Store) -> Vec<(String, String)> {
    let (topics, _) = store.reader().unwrap().topics(i64::MIN, 1_000).unwrap();
    topics.into_iter().map(|topic| (topic.topic, String::from_utf8(topic.payload).unwrap())).collect()
}

#[test]
fn a_new_store_is_empty_at_epoch_1_and_stays_there_over_restarts() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("new.db");
    for _ in 0..2 {
        let (store, recovered) = open(&path);
        assert_eq!(recovered.epoch, 1);
        assert_eq!(recovered.last, None);
        assert_eq!(recovered.next_sequence, 1);
        assert_eq!(recovered.settings, None);
        assert_eq!(store.reader().unwrap().sites().count(), 0);
        assert_eq!(tail(&store), Vec::<u64>::new());
    }
}

#[test]
fn everything_committed_is_there_after_a_restart() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let (mut store, _) = open(&path);
    let id = store.next_answer();
    let answer = Answer { id, topic: "t/result".into(), payload: b"done".to_vec() };
    let unacked = UnackedRow { id: 4, packets: vec![(1, u64::MAX), (65_535, 0)] };
    let commit = Commit {
        sites: vec![site("", 0), site("oak", 1)],
        topics: vec![topic("t/a", "1"), topic("t/b", "2")],
        answers: vec![answer.clone()],
        audit: vec![AuditRow { at: Stamp(5), site: "oak".into(), who: "ann".into(), text: "hold".into() }],
        history: vec![HistoryLines { lane: Lane::Account, lines: 1, bytes: b"daily rain_mm=1 5\n".to_vec() }],
        unacked: UnackedChange { add: vec![unacked.clone()], ..UnackedChange::default() },
        subscriptions: Some(vec!["yard/#".into(), "wood/+".into()]),
        settings: Some((3, "text".into())),
        journal_settings: 3,
        ..messages(0, 2)
    };
    store.commit(&commit).unwrap();
    drop(store);

    let (mut store, recovered) = open(&path);
    assert_eq!(recovered.last, Some(now(1_000)));
    assert_eq!(recovered.next_sequence, 2);
    assert_eq!(recovered.settings, Some((3, "text".into())));
    assert_eq!(recovered.answers, vec![answer]);
    assert_eq!(recovered.subscriptions, vec!["wood/+".to_owned(), "yard/#".to_owned()]);
    assert_eq!(recovered.unacked, vec![unacked]);
    let sites: Vec<_> = store.reader().unwrap().sites().map(Result::unwrap).collect();
    assert_eq!(sites, vec![site("", 0), site("oak", 1)]);
    assert_eq!(tail(&store), vec![0, 1]);
    assert_eq!(topics(&store), vec![("t/a".into(), "1".into()), ("t/b".into(), "2".into())]);
    assert_eq!(store.next_answer(), id + 1);
    assert_eq!(store.tail(), (2, Some(Stamp(1_000))));
    let counted = |table: &str| -> i64 {
        store.connection.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get(0)).unwrap()
    };
    assert_eq!((counted("audit"), counted("history")), (1, 1));
}

#[test]
fn the_audit_trail_keeps_the_newest_commands() {
    let folder = TempDir::new().unwrap();
    let limits = Limits { audit_rows: 3, ..Limits::default() };
    let (mut store, _) = Store::open(&folder.path().join("store.db"), limits).unwrap();
    for number in 0..5u64 {
        let row = AuditRow { at: Stamp(5), site: "oak".into(), who: "ann".into(), text: number.to_string() };
        store.commit(&Commit { audit: vec![row], ..messages(number, 1) }).unwrap();
    }
    let kept = store.reader().unwrap().audit("oak", Stamp(0), Stamp(9)).unwrap();
    assert_eq!(kept.iter().map(|row| row.text.as_str()).collect::<Vec<_>>(), ["2", "3", "4"]);
}

#[test]
fn a_killed_process_leaves_every_commit_and_nothing_else() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let (mut store, _) = open(&path);
    for first in 0..20 {
        store.commit(&messages(first * 3, 3)).unwrap();
        // What a kill leaves: the files as they are now, the log not yet moved into the table file.
        let copy = TempDir::new().unwrap();
        let copied = copy.path().join("store.db");
        for suffix in ["", "-wal"] {
            fs::copy(format!("{}{suffix}", path.display()), format!("{}{suffix}", copied.display())).unwrap();
        }
        let (killed, recovered) = open(&copied);
        assert_eq!(recovered.next_sequence, first * 3 + 3);
        assert_eq!(tail(&killed), (0..first * 3 + 3).collect::<Vec<_>>());
    }
}

#[test]
fn a_log_torn_by_a_power_cut_gives_back_a_whole_number_of_commits() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let (mut store, _) = open(&path);
    for first in 1..9 {
        store.commit(&messages(first, 1)).unwrap();
    }
    let log = fs::read(format!("{}-wal", path.display())).unwrap();
    let mut last_seen = 0;
    for end in (0..log.len()).step_by(log.len() / 23) {
        let copy = TempDir::new().unwrap();
        let copied = copy.path().join("store.db");
        fs::copy(&path, &copied).unwrap();
        fs::write(format!("{}-wal", copied.display()), &log[..end]).unwrap();
        let (killed, recovered) = open(&copied);
        assert_eq!(tail(&killed), (1..recovered.next_sequence).collect::<Vec<_>>(), "log cut at {end}");
        assert!(last_seen <= recovered.next_sequence);
        last_seen = recovered.next_sequence;
    }
    assert!(last_seen > 4);
}

#[test]
fn the_journal_is_trimmed_below_what_every_site_has() {
    let folder = TempDir::new().unwrap();
    let (mut store, _) = open(&folder.path().join("store.db"));
    store.commit(&messages(0, 10)).unwrap();
    store.commit(&messages(10, 10)).unwrap();
    store.commit(&Commit { keep_from: 10, ..messages(20, 1) }).unwrap();
    assert_eq!(tail(&store), (10..21).collect::<Vec<_>>());
    // Half of a row is kept with the row.
    store.commit(&Commit { keep_from: 19, ..messages(21, 1) }).unwrap();
    assert_eq!(tail(&store), (10..22).collect::<Vec<_>>());
    assert_eq!(store.tail(), (12, Some(Stamp(1_010))));
}

#[test]
fn a_few_entries_can_be_kept_for_looking_back() {
    let folder = TempDir::new().unwrap();
    let limits = Limits { journal_keep: 5, ..Limits::default() };
    let (mut store, _) = Store::open(&folder.path().join("store.db"), limits).unwrap();
    for first in 0..10 {
        store.commit(&Commit { keep_from: first + 1, ..messages(first, 1) }).unwrap();
    }
    assert_eq!(tail(&store), vec![5, 6, 7, 8, 9]);
}

#[test]
fn a_full_journal_asks_for_every_site() {
    let folder = TempDir::new().unwrap();
    let limits = Limits { journal_bytes: 200, ..Limits::default() };
    let (mut store, _) = Store::open(&folder.path().join("store.db"), limits).unwrap();
    store.commit(&messages(0, 2)).unwrap();
    assert!(!store.journal_is_full());
    store.commit(&messages(2, 20)).unwrap();
    assert!(store.journal_is_full());
    store.commit(&Commit { keep_from: 22, ..messages(22, 1) }).unwrap();
    assert!(!store.journal_is_full());
}

#[test]
fn an_emptied_topic_stays_until_the_broker_has_it_and_a_refilled_one_stays_for_good() {
    let folder = TempDir::new().unwrap();
    let (mut store, _) = open(&folder.path().join("store.db"));
    store.commit(&Commit { topics: vec![topic("t/a", "1"), topic("t/b", "1")], ..messages(0, 1) }).unwrap();
    store.commit(&Commit { topics: vec![topic("t/a", ""), topic("t/b", "")], ..messages(1, 1) }).unwrap();
    assert_eq!(topics(&store), vec![("t/a".into(), "".into()), ("t/b".into(), "".into())]);
    store.commit(&Commit { topics: vec![topic("t/b", "2")], ..messages(2, 1) }).unwrap();
    store.commit(&Commit { cleared: vec!["t/a".into(), "t/b".into()], ..messages(3, 1) }).unwrap();
    assert_eq!(topics(&store), vec![("t/b".into(), "2".into())]);
}

#[test]
fn a_delivered_answer_is_forgotten_and_its_number_is_not_used_again() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let (mut store, _) = open(&path);
    let answers: Vec<_> =
        (0..2).map(|_| Answer { id: store.next_answer(), topic: "t".into(), payload: vec![] }).collect();
    let (first, second) = (answers[0].id, answers[1].clone());
    store.commit(&Commit { answers, ..messages(0, 1) }).unwrap();
    store.commit(&Commit { answered: vec![first], ..messages(1, 1) }).unwrap();
    assert_eq!(store.next_answer(), second.id + 1);
    drop(store);
    assert_eq!(open(&path).1.answers, vec![second]);
}

#[test]
fn history_over_its_limit_loses_the_oldest_readings_first_and_counts_them() {
    let folder = TempDir::new().unwrap();
    let limits = Limits { history_bytes: 100, ..Limits::default() };
    let (mut store, _) = Store::open(&folder.path().join("store.db"), limits).unwrap();
    let lines = |lane, lines| HistoryLines { lane, lines, bytes: vec![b'x'; 40] };
    let commit = |store: &mut Store, history| store.commit(&Commit { history, ..messages(0, 1) }).unwrap();
    assert_eq!(commit(&mut store, vec![lines(Lane::Account, 1), lines(Lane::Reading, 7)]).history_dropped, 0);
    assert_eq!(commit(&mut store, vec![lines(Lane::Reading, 5)]).history_dropped, 7);
    assert_eq!(commit(&mut store, vec![lines(Lane::Account, 1)]).history_dropped, 5);
    assert_eq!(commit(&mut store, vec![lines(Lane::Account, 1)]).history_dropped, 1);
    assert!(store.history().bytes <= 100);
}

#[test]
fn unacknowledged_messages_are_added_removed_and_cleared_with_their_session() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let row = |id| UnackedRow { id, packets: vec![(id as u16, 9)] };
    let commit = |unacked| {
        let (mut store, _) = open(&path);
        store.commit(&Commit { unacked, ..messages(0, 1) }).unwrap();
        drop(store);
        open(&path).1.unacked
    };
    let add = commit(UnackedChange { add: vec![row(1), row(2)], ..UnackedChange::default() });
    assert_eq!(add, vec![row(1), row(2)]);
    let remove = commit(UnackedChange { remove: vec![1], ..UnackedChange::default() });
    assert_eq!(remove, vec![row(2)]);
    let clear = commit(UnackedChange { clear: true, remove: vec![], add: vec![row(3)] });
    assert_eq!(clear, vec![row(3)]);
}

#[test]
fn settings_stay_as_long_as_the_tail_ran_under_them() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let (mut store, _) = open(&path);
    let first = Commit { settings: Some((1, "one".into())), journal_settings: 1, ..messages(0, 1) };
    store.commit(&Commit { journal_since: now(77), ..first }).unwrap();
    store.commit(&Commit { settings: Some((2, "two".into())), journal_settings: 1, ..messages(1, 1) }).unwrap();
    drop(store);
    let (mut store, recovered) = open(&path);
    assert_eq!(recovered.settings, Some((2, "two".into())));
    let begun = TailStart { since: now(77), settings: Some((1, "one".into())) };
    assert_eq!(recovered.tail, Some(begun));
    let last = Commit { settings: Some((3, "three".into())), journal_settings: 2, keep_from: 2, ..messages(2, 1) };
    store.commit(&last).unwrap();
    let reader = store.reader().unwrap();
    assert_eq!(reader.settings(1).unwrap(), None);
    assert_eq!(reader.settings(2).unwrap(), Some("two".into()));
}

#[test]
fn many_sites_and_topics_come_in_pieces() {
    let folder = TempDir::new().unwrap();
    let (mut store, _) = open(&folder.path().join("store.db"));
    let sites: Vec<_> = (0..700).map(|index| site(&format!("site-{index}"), index)).collect();
    let rows = (0..700).map(|index| topic(&format!("t/{index}"), "1")).collect();
    store.commit(&Commit { sites: sites.clone(), topics: rows, ..messages(0, 1) }).unwrap();
    let read: Vec<_> = store.reader().unwrap().sites().map(Result::unwrap).collect();
    assert_eq!(read, sites);
    let (reader, mut after, mut names) = (store.reader().unwrap(), i64::MIN, Vec::new());
    loop {
        let (piece, next) = reader.topics(after, 300).unwrap();
        names.extend(piece.iter().map(|topic| topic.topic.clone()));
        after = next;
        if piece.len() < 300 {
            break;
        }
    }
    assert_eq!(names, (0..700).map(|index| format!("t/{index}")).collect::<Vec<_>>());
}

#[test]
fn a_store_in_use_is_refused_until_it_is_free() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let (store, _) = open(&path);
    let refused = Store::open(&path, Limits::default()).unwrap_err();
    assert!(refused.to_string().contains("store.db is in use by another thirstd"), "{refused}");
    drop(store);
    open(&path);
}

#[test]
fn a_newer_store_and_a_foreign_database_are_refused_and_left_alone() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let (store, _) = open(&path);
    store.connection.pragma_update(None, "user_version", 99).unwrap();
    drop(store);
    let refused = Store::open_or_begin_anew(&path, Limits::default(), Stamp(0)).unwrap_err();
    assert!(refused.to_string().contains("its version 99, this program knows 3"), "{refused}");

    let foreign = folder.path().join("foreign.db");
    Connection::open(&foreign).unwrap().execute_batch("CREATE TABLE people (name TEXT)").unwrap();
    let refused = Store::open_or_begin_anew(&foreign, Limits::default(), Stamp(0)).unwrap_err();
    assert!(refused.to_string().contains("foreign.db is a database of another program"), "{refused}");
}

#[test]
fn a_missing_folder_is_named() {
    let folder = TempDir::new().unwrap();
    let refused = Store::open(&folder.path().join("no/store.db"), Limits::default()).unwrap_err();
    assert!(refused.to_string().contains("no/store.db"), "{refused}");
    assert!(refused.to_string().contains("the folder must exist"), "{refused}");
}

#[test]
fn a_damaged_store_is_set_aside_and_the_new_one_has_a_higher_epoch() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    // None there, or none any more: the same holds.
    let begun = Store::open_or_begin_anew(&path, Limits::default(), Stamp(1_790_000_000_000)).unwrap();
    assert_eq!((begun.recovered.epoch, begun.set_aside), (1_790_000_000, None));
    drop(begun.store);
    for suffix in ["-wal", "-shm"] {
        let _ = fs::remove_file(format!("{}{suffix}", path.display()));
    }
    let mut seen = Vec::new();
    for round in 1..=2 {
        let garbage = vec![round as u8; 10_000];
        fs::write(&path, &garbage).unwrap();
        assert!(Store::open(&path, Limits::default()).unwrap_err().is_damage());
        let opened = Store::open_or_begin_anew(&path, Limits::default(), Stamp(1_800_000_000_000 + round)).unwrap();
        let aside = opened.set_aside.unwrap();
        assert_eq!(aside.moved_to, folder.path().join(format!("store.db.set-aside-{round}")));
        assert_eq!(fs::read(&aside.moved_to).unwrap(), garbage);
        assert_eq!(opened.recovered.epoch, 1_800_000_000);
        assert_eq!(opened.recovered.last, None);
        drop(opened.store);
        let (store, recovered) = open(&path);
        assert_eq!(recovered.epoch, 1_800_000_000, "kept on a plain restart");
        seen.push(recovered.epoch);
        drop(store);
        for suffix in ["-wal", "-shm"] {
            let _ = fs::remove_file(format!("{}{suffix}", path.display()));
        }
    }
}

#[test]
fn damage_in_the_middle_is_found_while_reading_and_named() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let (mut store, _) = open(&path);
    store.commit(&messages(0, 3)).unwrap();
    store.connection.execute("UPDATE journal SET blob = x'01ff'", []).unwrap();
    let entries: Vec<_> = store.reader().unwrap().tail().collect();
    assert_eq!(entries.len(), 1);
    let error = entries.into_iter().next().unwrap().unwrap_err();
    assert!(error.is_damage(), "{error}");
    assert!(error.to_string().contains("journal 1"), "{error}");
}

#[test]
fn a_failed_commit_leaves_nothing_behind_and_the_next_one_works() {
    let folder = TempDir::new().unwrap();
    let (mut store, _) = open(&folder.path().join("store.db"));
    store.commit(&messages(0, 1)).unwrap();
    store.refuse_writes();
    let error = store.commit(&Commit { sites: vec![site("oak", 1)], ..messages(1, 1) }).unwrap_err();
    assert!(error.to_string().contains("cannot write to the store"), "{error}");
    store.connection.execute_batch("PRAGMA query_only = OFF").unwrap();
    assert_eq!(tail(&store), vec![0]);
    assert_eq!(store.tail().0, 1);
    store.commit(&messages(1, 1)).unwrap();
    assert_eq!(tail(&store), vec![0, 1]);
    assert_eq!(store.reader().unwrap().sites().count(), 0);
}
