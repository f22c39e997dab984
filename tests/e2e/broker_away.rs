//! The broker goes away and comes back, with what it knew or without.

use std::time::Duration;

use serde_json::json;

use thirst_tests::broker::{Broker, Options};
use thirst_tests::client::Client;
use thirst_tests::wait;

use crate::yard::{COMMAND, DECISION, RESULT, Yard, rank, reasons};

#[test]
fn with_its_session_kept_no_message_is_lost_over_a_restart_of_the_broker() {
    let mut yard = Yard::open(Broker::start(&Options { persistence: true, ..Options::default() }));
    yard.hand_over_rain(200);
    yard.client.wait_for_acknowledgements();
    yard.broker.stop();
    yard.broker.start_again();
    yard.hand_over_rain(200);
    yard.assert_all_rain_counted();
}

#[test]
fn without_its_session_the_daemon_subscribes_anew_and_publishes_its_state_again_unchanged() {
    let mut yard = Yard::open(Broker::plain());
    yard.measure(-2.0);
    let before = yard
        .client
        .wait_for("a freeze hold", |heard| heard.topic == DECISION && reasons(&heard.json()).contains(&"freeze"));
    yard.broker.kill();
    yard.broker.start_again();

    let mut late = Client::connect(&yard.broker, "late", &["thirst/v1/#"]);
    let again = late.wait_for("the decision again", |heard| heard.topic == DECISION);
    if rank(&again.json()) == rank(&before.json()) {
        assert_eq!(again.payload, before.payload, "one rank is one payload, byte for byte");
    }
    assert!(rank(&again.json()) >= rank(&before.json()));
    // Nobody kept for it what came before its new subscriptions, so somebody speaks until they are heard.
    let mut round = 0;
    wait::until("a command to be heard after the restart", || {
        round += 1;
        let id = format!("knock-{round}");
        late.publish(COMMAND, json!({"id": id, "who": "Mara", "verb": "release", "reasons": ["operator"]}).to_string());
        late.hear_within(Duration::from_millis(200), |heard| heard.topic == RESULT && heard.json()["id"] == *id)
    });
    yard.measure(-2.6);
    assert_eq!(yard.ask()["figures"]["air_temperature_celsius"], -2.6);
}
