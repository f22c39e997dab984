//! The visit list: named by a low battery, put off by a command, back when its time has come, gone with a new battery.

use std::time::Duration;

use serde_json::{Value as Json, json};

use thirst_replay::clock;
use thirst_tests::broker::Broker;
use thirst_tests::client::Client;
use thirst_tests::daemon::Daemon;
use thirst_tests::schema::assert_valid;
use thirst_tests::wait;
use thirstd::engine::stamp::SECOND;

use crate::yard::{COMMAND, RESULT, rank};

const LIST: &str = "thirst/v1/visits";
const ALERT: &str = "thirst/v1/site/oak/alert/battery_low/mast";

/// The list is looked at every 15 seconds.
const LIMIT: Duration = Duration::from_secs(90);

const CONFIGURATION: &str = r#"
instance = "yard-1"

[broker]
host = "127.0.0.1"
port = {port}
client_id = "thirstd-yard-1"
reconnect_min_ms = 100
reconnect_max_ms = 500

[store]
path = "{folder}/thirstd.db"

[[feeds]]
topic = "yard/{site}/{sensor}/state"
format = "json"
time = { pointer = "/at", format = "unix_s" }

[feeds.fields]
"/temp_c" = { quantity = "air_temperature", unit = "Cel" }
"/battery" = { quantity = "battery_ok", unit = "1" }

[[sites]]
id = "oak"
label = "=Oak, \"east\""
latitude = 46.31
longitude = 14.2
elevation_m = 260
zone = "Europe/Ljubljana"

[[sites.sensors]]
id = "mast"

[sites.sensors.battery]
chemistry = "cr2032"

[[sites.groups]]
id = "lawn"
kind = "rotor"
planting = "cool_turf"

[[sites.controllers]]
id = "valves"
capability = "percent"
"#;

/// Waits for a list later than `after` that `fits`; every list on the way fits its schema.
fn list(client: &mut Client, daemon: &Daemon, what: &str, after: (u64, u64), fits: impl Fn(&[Json]) -> bool) -> Json {
    let wanted = client.hear_within(LIMIT, |heard| {
        heard.topic == LIST && {
            let list = heard.json();
            assert_valid(&list);
            after < rank(&list) && fits(list["visits"].as_array().unwrap())
        }
    });
    wanted.unwrap_or_else(|| panic!("no list {what}:\n{}", daemon.log())).json()
}

fn ordered(client: &mut Client, id: &str, body: &Json) -> Json {
    let mut order = json!({"id": id, "who": "office"});
    order.as_object_mut().unwrap().extend(body.as_object().unwrap().clone());
    client.publish(COMMAND, order.to_string());
    client.wait_for_json(RESULT, "the answer", |answer| answer["id"] == id)
}

#[test]
fn a_low_battery_is_on_the_list_until_it_is_put_off_or_changed() {
    let broker = Broker::plain();
    let mut client = Client::connect(&broker, "test", &["thirst/v1/#"]);
    let mut daemon = Daemon::start(&broker, CONFIGURATION);
    let first = list(&mut client, &daemon, "without a visit", (0, 0), <[Json]>::is_empty);
    assert!(daemon.asked(&["visits"]).contains("No site needs a visit."), "{}", daemon.asked(&["visits"]));

    let now = clock::wall().0 / SECOND;
    for second in -3..0 {
        client.publish("yard/oak/mast/state", json!({"at": now + second, "temp_c": 18.2, "battery": 0}).to_string());
    }
    let named = list(&mut client, &daemon, "that names the site", rank(&first), |visits| visits.len() == 1);
    let visit = &named["visits"][0];
    assert_eq!((&visit["site"], &visit["sensors"]), (&json!("oak"), &json!(["mast"])));
    assert_eq!((&visit["bring"], &visit["confidence"]), (&json!(["one CR2032 coin cell for mast"]), &json!("certain")));
    assert!(visit["by"].is_string(), "{named}");

    let page = daemon.asked(&["visits", "--audience", "technician"]);
    for wanted in ["One site needs the technician.", "[ ] oak (=Oak, \"east\"): today", "one CR2032 coin cell for mast"]
    {
        assert!(page.contains(wanted), "{wanted}:\n{page}");
    }
    assert!(daemon.asked(&["visits", "--until", "2026-01-01"]).contains("No site needs a visit until"));
    let sheet = daemon.asked(&["visits", "--csv"]);
    assert!(sheet.contains("\r\noak,\"'=Oak, \"\"east\"\"\","), "{sheet}");
    let payload: Json = serde_json::from_str(&daemon.asked(&["visits", "--json"])).unwrap();
    assert_valid(&payload);
    assert_eq!((&payload["visits"], rank(&payload)), (&named["visits"], rank(&named)));

    let until = clock::wall().plus(25 * SECOND);
    let body = json!({"verb": "acknowledge", "kind": "battery_low", "subject": "mast", "until": until.text()});
    let answer = ordered(&mut client, "put-off", &body);
    assert_eq!(answer["outcome"], "done", "{answer}");
    assert!(answer["text"].as_str().unwrap().contains("acknowledged and put off until"), "{answer}");
    let without = list(&mut client, &daemon, "without what was put off", rank(&named), <[Json]>::is_empty);
    let open = client.last_json(ALERT).unwrap();
    assert_valid(&open);
    assert_eq!((&open["state"], &open["acknowledged_by"]), (&json!("acknowledged"), &json!("office")), "{open}");

    // A restart in between forgets nothing of it.
    daemon.kill();
    daemon.start_again();
    let back = list(&mut client, &daemon, "with what was put off", rank(&without), |visits| visits.len() == 1);
    assert_eq!(back["visits"], named["visits"]);
    assert_eq!(client.last_json(ALERT).unwrap()["state"], "open");

    let answer = ordered(&mut client, "changed", &json!({"verb": "service", "kind": "battery", "sensor": "mast"}));
    assert_eq!(answer["outcome"], "done", "{answer}");
    list(&mut client, &daemon, "without the changed battery", rank(&back), <[Json]>::is_empty);
    wait::until("the alert to be cleared", || {
        client.heard().iter().any(|heard| heard.topic == ALERT && heard.payload.is_empty()).then_some(())
    });
}
