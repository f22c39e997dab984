//! The stage itself: if this does not stand, no other test here means anything.

use thirst_tests::broker::{Broker, Options};
use thirst_tests::client::Client;

#[test]
fn a_retained_message_and_a_session_survive_a_clean_restart_of_a_broker_that_persists() {
    let mut broker = Broker::start(&Options { persistence: true, ..Options::default() });
    Client::connect(&broker, "writer", &[]).publish_retained("yard/oak", "kept");
    broker.stop();
    broker.start_again();
    let mut reader = Client::connect(&broker, "reader", &["yard/#"]);
    let heard = reader.wait_for("the retained message", |heard| heard.topic == "yard/oak");
    assert_eq!((heard.payload.as_slice(), heard.retain), (b"kept".as_slice(), true));
}

#[test]
fn a_client_comes_back_after_the_broker_was_killed() {
    let mut broker = Broker::plain();
    let mut client = Client::connect(&broker, "reader", &["yard/#"]);
    broker.kill();
    broker.start_again();
    let mut writer = Client::connect(&broker, "writer", &[]);
    // Until the reader is back nobody keeps for it what is published.
    let heard = (0..100).find_map(|round| {
        writer.publish("yard/oak", round.to_string());
        client.hear_within(std::time::Duration::from_millis(200), |heard| heard.topic == "yard/oak")
    });
    assert!(heard.is_some(), "{}", broker.log());
}

#[test]
fn an_access_list_keeps_a_stranger_out() {
    let broker = Broker::start(&Options {
        users: vec![("gate", "open"), ("bench", "sit")],
        access_list: Some("user gate\ntopic readwrite yard/#\nuser bench\ntopic read yard/bench\ntopic read quiet/#\n"),
        ..Options::default()
    });
    let mut gate = Client::connect_as(&broker, "gate", Some(("gate", "open")), &["yard/#"]);
    let mut bench = Client::connect_as(&broker, "bench", Some(("bench", "sit")), &["yard/#"]);
    gate.publish("yard/bench", "for all");
    gate.publish("yard/oak", "for some");
    gate.publish("yard/bench", "again");
    bench.wait_for("the second message", |heard| heard.payload == b"again");
    assert!(bench.heard().iter().all(|heard| heard.topic == "yard/bench"));
    assert_eq!(gate.wait_for("both", |heard| heard.topic == "yard/oak").payload, b"for some");
}
