//! From a reading or a command on the wire to a decision on the wire.

use serde_json::json;

use thirst_tests::broker::Broker;
use thirst_tests::client::Client;
use thirst_tests::daemon::Daemon;
use thirst_tests::schema::assert_valid;

use crate::yard::{COMMAND, DECISION, INSTRUCTION, RESULT, Yard, reasons};

#[test]
fn a_cold_reading_holds_the_lawn_and_every_payload_fits_its_schema() {
    let mut yard = Yard::open(Broker::plain());
    yard.measure(-2.0);
    let decision =
        yard.client.wait_for_json(DECISION, "a freeze hold", |decision| reasons(decision).contains(&"freeze"));
    assert_eq!(decision["action"], "hold");
    assert!(decision["text"].as_str().is_some_and(|text| !text.is_empty()), "{decision}");
    let instruction =
        yard.client.wait_for_json(INSTRUCTION, "no water", |instruction| instruction["water_allowed"] == false);
    assert_eq!((&instruction["capability"], &instruction["percent"]), (&json!("percent"), &json!(0)));

    let mut kinds = Vec::new();
    for heard in yard.client.heard().iter().filter(|heard| !heard.payload.is_empty()) {
        let payload = heard.json();
        assert_valid(&payload);
        kinds.push(payload["schema"].as_str().unwrap_or_default().to_owned());
    }
    for kind in ["daemon", "decision", "instruction", "fallback", "totals", "sensor"] {
        let schema = format!("thirst/{kind}/1");
        assert!(kinds.contains(&schema), "nothing published as {schema}: {kinds:?}");
    }
    // What is state is there for who comes later.
    let mut late = Client::connect(&yard.broker, "late", &[DECISION, INSTRUCTION]);
    let kept = late.wait_for("the retained decision", |heard| heard.topic == DECISION);
    assert!(kept.retain);
    assert_eq!(reasons(&kept.json()), reasons(&decision));
    assert!(late.wait_for("the retained instruction", |heard| heard.topic == INSTRUCTION).retain);
}

#[test]
fn a_retained_command_is_refused_and_a_live_one_is_carried_out() {
    let broker = Broker::plain();
    let command = |id: &str| json!({"id": id, "who": "office", "verb": "hold", "hours": 2}).to_string();
    // Somebody left it on the broker long ago: nobody knows what it was for.
    Client::connect(&broker, "yesterday", &[]).publish_retained(COMMAND, command("old-1"));
    let mut yard = Yard::open(broker);
    let refused = yard.client.wait_for_json(RESULT, "an answer", |result| result["outcome"].is_string());
    assert_eq!(refused["outcome"], "refused", "{refused}");
    assert_valid(&refused);
    let decision = yard.client.last_json(DECISION).unwrap();
    assert!(!reasons(&decision).contains(&"operator"), "{decision}");

    yard.client.publish(COMMAND, command("new-1"));
    let done = yard.client.wait_for_json(RESULT, "an answer", |result| result["id"] == "new-1");
    assert_eq!((&done["outcome"], &done["who"]), (&json!("done"), &json!("office")));
    assert_valid(&done);
    yard.client.wait_for_json(DECISION, "an operator hold", |decision| reasons(decision).contains(&"operator"));
    // The same command again is answered and has no further effect.
    yard.client.forget();
    yard.client.publish(COMMAND, command("new-1"));
    let again = yard.client.wait_for_json(RESULT, "an answer", |result| result["id"] == "new-1");
    assert_eq!(again["outcome"], "repeated");
}

#[test]
fn frost_months_that_were_changed_in_the_settings_reach_the_bridges() {
    let broker = Broker::plain();
    let mut client = Client::connect(&broker, "bridge", &["thirst/v1/site/oak/fallback"]);
    let folder = tempfile::tempdir().unwrap();
    let text = format!(
        r#"
store.path = "{}/thirstd.db"
broker = {{ host = "127.0.0.1", port = {{port}} }}

[[feeds]]
topic = "yard/{{site}}/{{sensor}}/state"
format = "json"
fields."/temp_c" = {{ quantity = "air_temperature", unit = "Cel" }}

[[sites]]
id = "oak"
latitude = 46.31
longitude = -120.04
zone = "America/Los_Angeles"
frost_months = [1, 12]
sensors = [{{ id = "mast" }}]
groups = [{{ id = "lawn", kind = "spray" }}]
controllers = [{{ id = "relay" }}]
"#,
        folder.path().display()
    );
    let fallback = "thirst/v1/site/oak/fallback";
    let mut daemon = Daemon::start(&broker, &text);
    let first = client.wait_for_json(fallback, "January and December", |told| told["frost_months"] == json!([1, 12]));
    daemon.terminate();
    let _daemon = Daemon::start(&broker, &text.replace("[1, 12]", "[1, 2, 12]"));
    let second = client.wait_for_json(fallback, "February", |told| told["frost_months"] == json!([1, 2, 12]));
    assert_eq!(second["percents"], first["percents"]);
    assert!(crate::yard::rank(&first) < crate::yard::rank(&second), "{first} {second}");
}
