//! The daemon ends, by force or in order, and begins again: nothing lost, nothing twice, sequences go on.

use serde_json::Value as Json;

use thirst_tests::broker::{Broker, Options};
use thirst_tests::client::Client;

use crate::yard::{DAEMON, DECISION, INSTRUCTION, STATUS, TOTALS, Yard, rank};

/// Leaves the daemon in the middle of a stream: the first of it is taken in, the last of it not even sent.
fn rain_in_midstream(yard: &mut Yard) {
    yard.hand_over_rain(500);
    yard.client.wait_for_json(STATUS, "the mast to be heard", |status| status["link"]["state"] == "present");
    yard.hand_over_rain(500);
}

/// Sequences on each topic never fall within an epoch, and epochs never fall.
fn assert_ranks_rise(client: &mut Client) {
    for topic in [DECISION, INSTRUCTION, STATUS, TOTALS] {
        let payloads: Vec<Json> =
            client.heard().iter().filter(|heard| heard.topic == topic).map(|heard| heard.json()).collect();
        assert!(!payloads.is_empty(), "nothing on {topic}");
        let ranks: Vec<(u64, u64)> = payloads.iter().map(rank).collect();
        assert!(ranks.is_sorted(), "{topic}: {ranks:?}");
        // One rank is one payload.
        for (earlier, later) in payloads.iter().zip(&payloads[1..]) {
            assert!(rank(earlier) < rank(later) || earlier == later, "{earlier}\n{later}");
        }
    }
}

#[test]
fn a_daemon_killed_in_midstream_loses_nothing_and_counts_nothing_twice() {
    let mut yard = Yard::open(Broker::plain());
    rain_in_midstream(&mut yard);
    yard.daemon.kill();
    yard.client.wait_for_json(DAEMON, "the will", |status| status["state"] == "offline");
    let before = rank(&yard.client.last_json(DECISION).unwrap());
    yard.hand_over_rain(200); // the broker keeps these for the session
    yard.daemon.start_again();
    yard.assert_all_rain_counted();
    let after = rank(&yard.client.last_json(DECISION).unwrap());
    assert_eq!(after.0, before.0, "a plain restart keeps the epoch");
    assert!(after > before);
    // Nothing that was counted comes in a second time behind it.
    yard.hand_over_rain(1);
    yard.assert_all_rain_counted();
    assert_ranks_rise(&mut yard.client);
}

#[test]
fn a_daemon_killed_again_and_again_still_counts_right() {
    let mut yard = Yard::open(Broker::plain());
    for _ in 0..5 {
        yard.hand_over_rain(80);
        yard.daemon.kill();
        yard.daemon.start_again();
    }
    yard.assert_all_rain_counted();
    assert_ranks_rise(&mut yard.client);
}

#[test]
fn a_killed_daemon_is_reported_by_its_will_and_takes_the_word_back() {
    let mut yard = Yard::open(Broker::plain());
    yard.daemon.kill();
    let offline = yard.client.wait_for(DAEMON, |heard| heard.topic == DAEMON && heard.json()["state"] == "offline");
    thirst_tests::schema::assert_valid(&offline.json());
    let mut late = Client::connect(&yard.broker, "late", &[DAEMON]);
    assert!(late.wait_for("the retained will", |heard| heard.json()["state"] == "offline").retain);
    yard.client.forget();
    yard.daemon.start_again();
    yard.client.wait_for_json(DAEMON, "online again", |status| status["state"] == "online");
}

#[test]
fn sigterm_commits_acknowledges_and_says_goodbye() {
    let mut yard = Yard::open(Broker::start(&Options { persistence: true, ..Options::default() }));
    rain_in_midstream(&mut yard);
    let status = yard.daemon.terminate();
    assert!(status.success(), "{status}:\n{}", yard.daemon.log());
    yard.client.wait_for_json(DAEMON, "goodbye", |status| status["state"] == "offline");
    yard.daemon.start_again();
    yard.assert_all_rain_counted();
    assert_ranks_rise(&mut yard.client);
}

#[test]
fn a_copy_made_while_it_runs_comes_back_in_place_and_is_the_newer_word() {
    let mut yard = Yard::open(Broker::plain());
    rain_in_midstream(&mut yard);
    yard.assert_all_rain_counted();
    let before = rank(&yard.client.last_json(DECISION).unwrap());
    let folder = tempfile::tempdir().unwrap();
    let copy = folder.path().join("copy.db").display().to_string();
    let said = yard.daemon.asked(&["backup", "--to", &copy]);
    assert!(said.contains("copy.db: 1 site as of ") && said.contains(", checked, "), "{said}");
    let said = yard.daemon.asked(&["backup", "--to", &copy]);
    assert!(said.contains("exists already"), "{said}");

    let said = yard.daemon.asked(&["restore", "--from", &copy]);
    assert!(said.contains("in use by another thirstd"), "{said}");
    yard.daemon.terminate();
    let said = yard.daemon.asked(&["restore", "--from", &copy]);
    assert!(said.contains("back in place with epoch ") && said.contains("set-aside-1"), "{said}");

    yard.client.forget();
    yard.daemon.start_again();
    // What it last said comes anew, and whoever follows takes it for newer than all before.
    let again = yard.client.wait_for(DECISION, |heard| heard.topic == DECISION && rank(&heard.json()).0 > before.0);
    thirst_tests::schema::assert_valid(&again.json());
    yard.hand_over_rain(200);
    yard.assert_all_rain_counted();
    assert_ranks_rise(&mut yard.client);
}
