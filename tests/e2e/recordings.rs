//! `thirst-replay record` and `play` with a real broker.

use std::path::Path;
use std::process::Command;

use tempfile::TempDir;

use thirst_replay::recording::{Entry, Line, Reader, Writer};
use thirst_tests::broker::{Broker, Options, free_port};
use thirst_tests::client::Client;
use thirst_tests::process::Process;
use thirst_tests::{binaries, wait};
use thirstd::engine::stamp::Stamp;

fn replay(folder: &TempDir, name: &str, arguments: &[&str]) -> Process {
    let mut command = Command::new(binaries::ours("thirst-replay"));
    Process::start(name, command.args(arguments), &folder.path().join(name))
}

fn recorded(path: &Path) -> Vec<Line> {
    Reader::open(path).unwrap().map(Result::unwrap).collect()
}

fn message(topic: &str, payload: &[u8], retain: bool) -> Entry {
    Entry::Message { topic: topic.to_owned(), payload: payload.to_vec(), retain, dup: false }
}

fn write(path: &Path, lines: &[Line]) {
    let mut writer = Writer::new(std::fs::File::create(path).unwrap());
    lines.iter().for_each(|line| writer.write(line).unwrap());
}

#[test]
fn what_is_played_is_what_is_recorded_and_a_broken_connection_stands_in_the_recording() {
    let folder = tempfile::tempdir().unwrap();
    let mut broker = Broker::plain();
    let address = format!("127.0.0.1:{}", broker.port());
    let (given, taken) = (folder.path().join("given.ndjson"), folder.path().join("taken.ndjson"));
    let entries = [
        message("yard/oak/mast", b"{\"temp_c\":4.1}", false),
        message("yard/oak/mast", &[0xff, 0x00], false),
        message("yard/oak/long", &vec![b'x'; 200_000], false),
    ];
    let line = |index: usize| Line { at: Stamp(1_000 * i64::try_from(index).unwrap()), entry: entries[index].clone() };
    let down = Line { at: Stamp(500), entry: Entry::BrokerDown };
    write(&given, &[line(0), down, line(1), line(2)]);

    let out = taken.to_str().unwrap();
    let mut record = replay(&folder, "record", &["record", "--broker", &address, "--topics", "yard/#,other", out]);
    let has = |wanted: fn(&Entry) -> bool, times: usize| {
        wait::until("the recording to grow", || {
            // A line that is being written is no line yet.
            let lines = Reader::open(&taken).ok()?.map_while(Result::ok);
            (lines.filter(|line| wanted(&line.entry)).count() >= times).then_some(())
        });
    };
    has(|entry| matches!(entry, Entry::BrokerUp { .. }), 1);
    let path = given.to_str().unwrap();
    let mut play = replay(&folder, "play", &["play", path, "--broker", &address, "--speed", "100"]);
    assert!(play.wait().success(), "{}", play.log());
    assert_eq!(play.log(), "3 messages published, 3 acknowledged, 1 other lines left out\n");
    has(|entry| matches!(entry, Entry::Message { .. }), 3);
    broker.kill();
    has(|entry| matches!(entry, Entry::BrokerDown), 1);
    broker.start_again();
    has(|entry| matches!(entry, Entry::BrokerUp { .. }), 2);
    assert!(record.interrupt().success(), "{}", record.log());

    let up = Entry::BrokerUp { session_present: false, refused: Vec::new() };
    let expected = [vec![up.clone()], entries.to_vec(), vec![Entry::BrokerDown, up]].concat();
    let lines = recorded(&taken);
    assert!(lines.is_sorted_by_key(|line| line.at));
    assert_eq!(lines.into_iter().map(|line| line.entry).collect::<Vec<_>>(), expected);
}

#[test]
fn a_message_recorded_as_retained_is_played_as_retained() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::plain();
    let given = folder.path().join("given.ndjson");
    write(&given, &[Line { at: Stamp(0), entry: message("yard/oak", b"kept", true) }]);
    let address = format!("127.0.0.1:{}", broker.port());
    let mut play = replay(&folder, "play", &["play", given.to_str().unwrap(), "--broker", &address, "--speed", "0"]);
    assert!(play.wait().success(), "{}", play.log());
    let mut late = Client::connect(&broker, "late", &["yard/#"]);
    assert!(late.wait_for("the retained message", |heard| heard.payload == b"kept").retain);
}

#[test]
fn without_a_broker_or_with_a_wrong_password_both_say_what_to_do_and_leave_nothing_behind() {
    let folder = tempfile::tempdir().unwrap();
    let (given, out) = (folder.path().join("given.ndjson"), folder.path().join("out.ndjson"));
    write(&given, &[Line { at: Stamp(0), entry: message("yard/oak", b"1", false) }]);
    let check = |name: &str, arguments: &[&str], expected: &str| {
        let mut process = replay(&folder, name, arguments);
        assert!(!process.wait().success());
        assert!(process.log().contains(expected), "{}", process.log());
        assert!(!out.exists());
    };
    let (given, out_text) = (given.to_str().unwrap(), out.to_str().unwrap());
    let nobody = format!("127.0.0.1:{}", free_port());
    check("play-nobody", &["play", given, "--broker", &nobody], "check --broker HOST:PORT");
    check("record-nobody", &["record", "--broker", &nobody, "--topics", "#", out_text], "check --broker HOST:PORT");

    let broker = Broker::start(&Options { users: vec![("gate", "open")], ..Options::default() });
    let password = folder.path().join("password");
    std::fs::write(&password, "wrong\n").unwrap();
    let address = format!("127.0.0.1:{}", broker.port());
    let login = ["--broker", &address, "--user", "gate", "--password-file", password.to_str().unwrap()];
    check("play-refused", &[&["play", given], login.as_slice()].concat(), "check --user and --password-file");
    let record = [&["record", "--topics", "#", out_text], login.as_slice()].concat();
    check("record-refused", &record, "check --user and --password-file");
    // The right password is taken from the first line.
    std::fs::write(&password, "open\nnot this\n").unwrap();
    let mut play = replay(&folder, "play-granted", &[&["play", given], login.as_slice()].concat());
    assert!(play.wait().success(), "{}", play.log());
}
