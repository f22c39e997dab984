//! Copies of a store in use, and copies put back.

use super::*;
use crate::engine::stamp::SECOND;

const LATER: Stamp = Stamp(1_800_000_000 * SECOND);

/// A store with a site, a topic of ours, one of another shape, an answer and messages that may come again.
fn filled(path: &Path) -> Store {
    let (mut store, _) = open(path);
    let id = store.next_answer();
    let commit = Commit {
        sites: vec![site("", 0), site("oak", 2)],
        topics: vec![
            topic("t/a", r#"{"schema":"x/1","epoch":1,"sequence":7,"text":"b"}"#),
            topic("t/b", "no JSON"),
            topic("t/c", ""),
        ],
        answers: vec![Answer { id, topic: "t/result".into(), payload: b"done".to_vec() }],
        unacked: UnackedChange { add: vec![UnackedRow { id: 4, packets: vec![(1, 2)] }], ..UnackedChange::default() },
        ..messages(1, 2)
    };
    store.commit(&commit).unwrap();
    store
}

#[test]
fn a_copy_of_a_store_in_use_holds_what_was_committed_and_can_be_opened() {
    let folder = TempDir::new().unwrap();
    let (path, to) = (folder.path().join("store.db"), folder.path().join("copy.db"));
    let mut store = filled(&path);
    let copied = copy(&path, &to).unwrap();
    assert_eq!((copied.sites, copied.last), (1, Some(Stamp(1_001))));
    assert_eq!(copied.bytes, fs::metadata(&to).unwrap().len());
    // The store goes on, the copy stays what it was, and nothing lies beside it.
    store.commit(&messages(3, 5)).unwrap();
    let (kept, recovered) = open(&to);
    assert_eq!((recovered.next_sequence, tail(&kept)), (3, vec![1, 2]));
    drop(kept);
    assert!(!folder.path().join("copy.db.part").exists());
}

#[test]
fn a_copy_is_one_moment_while_another_thread_commits() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let mut store = filled(&path);
    let (started, began) = std::sync::mpsc::channel();
    let done = std::sync::Arc::new(std::sync::atomic::AtomicBool::new(false));
    let over = done.clone();
    let writer = std::thread::spawn(move || {
        let mut first = 3;
        while !over.load(std::sync::atomic::Ordering::Relaxed) {
            store.commit(&messages(first, 3)).unwrap();
            first += 3;
            let _ = started.send(());
        }
        store
    });
    for number in 0..5 {
        began.recv().unwrap();
        let to = folder.path().join(format!("copy-{number}.db"));
        copy(&path, &to).unwrap();
        let (kept, recovered) = open(&to);
        assert_eq!(tail(&kept), (1..recovered.next_sequence).collect::<Vec<_>>());
    }
    done.store(true, std::sync::atomic::Ordering::Relaxed);
    writer.join().unwrap();
}

#[test]
fn nothing_is_overwritten_and_what_is_no_store_is_refused() {
    let folder = TempDir::new().unwrap();
    let at = |name: &str| folder.path().join(name);
    drop(filled(&at("store.db")));
    fs::write(at("taken"), "mine").unwrap();
    assert!(matches!(copy(&at("store.db"), &at("taken")), Err(StoreError::Exists { .. })));
    assert_eq!(fs::read(at("taken")).unwrap(), b"mine");
    assert!(matches!(copy(&at("none.db"), &at("new")), Err(StoreError::Missing { .. })));
    assert!(matches!(copy(&at("store.db"), &at("no/folder")), Err(StoreError::Copy { .. })));
    assert!(copy(&at("taken"), &at("new")).is_err());
    assert!(!at("new").exists() && !at("new.part").exists());

    let check = |from: &str| {
        put_back(&at(from), &at("store.db"), LATER).unwrap_err();
        let (store, recovered) = open(&at("store.db"));
        assert_eq!((recovered.epoch, tail(&store)), (1, vec![1, 2]), "after {from}");
    };
    check("none.db");
    check("taken");
    // A copy that lost its middle on the way.
    copy(&at("store.db"), &at("whole.db")).unwrap();
    let mut bytes = fs::read(at("whole.db")).unwrap();
    let pages = bytes.len() / 4096;
    bytes[4096..4096 * (pages - 1)].fill(0xa5);
    fs::write(at("torn.db"), bytes).unwrap();
    check("torn.db");
}

#[test]
fn a_store_in_use_makes_no_way() {
    let folder = TempDir::new().unwrap();
    let (path, to) = (folder.path().join("store.db"), folder.path().join("copy.db"));
    let store = filled(&path);
    copy(&path, &to).unwrap();
    assert!(matches!(put_back(&to, &path, LATER), Err(StoreError::InUse { .. })));
    drop(store);
    put_back(&to, &path, LATER).unwrap();
}

#[test]
fn a_copy_comes_back_under_a_higher_epoch_and_the_store_before_it_is_set_aside() {
    let folder = TempDir::new().unwrap();
    let (path, to) = (folder.path().join("store.db"), folder.path().join("copy.db"));
    let mut store = filled(&path);
    copy(&path, &to).unwrap();
    store.commit(&messages(3, 5)).unwrap();
    drop(store);

    let back = put_back(&to, &path, LATER).unwrap();
    assert_eq!((back.epoch, back.copied.sites, back.copied.last), (1_800_000_000, 1, Some(Stamp(1_001))));
    let (store, recovered) = open(&path);
    assert_eq!((recovered.epoch, recovered.next_sequence), (1_800_000_000, 3));
    assert_eq!((recovered.answers, recovered.unacked), (vec![], vec![]));
    let expected =
        [("t/a", r#"{"schema":"x/1","epoch":1800000000,"sequence":7,"text":"b"}"#), ("t/b", "no JSON"), ("t/c", "")];
    assert_eq!(topics(&store), expected.map(|(name, text)| (name.to_owned(), text.to_owned())));
    drop(store);
    let (aside, before) = open(&back.moved_to.unwrap());
    assert_eq!((before.next_sequence, before.epoch), (8, 1));
    drop(aside);

    // Once more, with a clock that lags: the epoch rises all the same.
    let again = put_back(&to, &path, Stamp(5)).unwrap();
    assert_eq!(again.epoch, 1_800_000_001);
    // Where there is no store, there is nothing to set aside.
    let elsewhere = put_back(&to, &folder.path().join("other.db"), LATER).unwrap();
    assert_eq!((elsewhere.moved_to, elsewhere.epoch), (None, 1_800_000_000));
}
