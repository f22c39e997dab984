//! The daemon ends, by force or in order, and begins again: nothing lost, nothing twice, sequences go on.

use serde_json::Value as Json;

use thirst_tests::broker::{Broker, Options};
use thirst_tests::client::Client;
use thirst_tests::wait;

use crate::yard::{DAEMON, DECISION, TOTALS, Yard, counted, rank};

/// Publishes rain until the daemon is in the middle of it.
fn rain_in_midstream(yard: &mut Yard) {
    yard.hand_over_rain(300);
    wait::until("the first rain to be counted", || {
        let totals = yard.client.last_json(TOTALS)?;
        (counted(&totals) > 0).then_some(())
    });
    yard.hand_over_rain(100);
}

/// Sequences on each topic never fall within an epoch, and epochs never fall.
fn assert_ranks_rise(client: &mut Client) {
    for topic in [DECISION, TOTALS] {
        let payloads: Vec<Json> =
            client.heard().iter().filter(|heard| heard.topic == topic).map(|heard| heard.json()).collect();
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
    let before = rank(&yard.client.last_json(TOTALS).unwrap());
    yard.hand_over_rain(100); // the broker keeps these for the session
    yard.daemon.start_again();
    yard.wait_until_online();
    let after = yard.wait_for_all_rain();
    assert_eq!(rank(&after).0, before.0, "a plain restart keeps the epoch");
    assert!(rank(&after) > before);
    // Nothing that was counted comes in a second time behind it.
    yard.hand_over_rain(1);
    yard.wait_for_all_rain();
    let most =
        yard.client.heard().iter().filter(|heard| heard.topic == TOTALS).map(|heard| counted(&heard.json())).max();
    assert_eq!(most, Some(yard.rain_given()));
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
    yard.wait_until_online();
    yard.wait_for_all_rain();
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
    yard.wait_until_online();
    yard.wait_for_all_rain();
    assert_ranks_rise(&mut yard.client);
}
