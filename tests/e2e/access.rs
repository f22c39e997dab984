//! The broker as it ships: its configuration, and who may do what by its access list.

use serde_json::json;

use thirst_schemas::{AlertKind, topics};
use thirst_tests::broker::{Broker, Options, Tls};
use thirst_tests::certificates::{Authority, Issued};
use thirst_tests::client::Client;
use thirst_tests::daemon::Daemon;

const PREFIX: &str = topics::DEFAULT_PREFIX;
const SITE: &str = "heron-bend";
const OTHER_SITE: &str = "mill-terrace";

const CONFIGURATION: &str = r#"
store.path = "{folder}/thirstd.db"

[broker]
host = "localhost"
port = {tls_port}
user = "thirstd"
password_file = "{password}"
tls = { ca_file = "{ca}", cert_file = "{cert}", key_file = "{key}" }

[[feeds]]
topic = "yard/{site}/{sensor}/state"
format = "json"
fields."/temp_c" = { quantity = "air_temperature", unit = "Cel" }

[[sites]]
id = "heron-bend"
latitude = 39.74
longitude = -104.99
zone = "America/Denver"
sensors = [{ id = "mast" }]
groups = [{ id = "lawn", kind = "spray" }]
controllers = [{ id = "relay" }]
"#;

/// The shipped broker, and a certificate for whoever comes over TLS.
struct House {
    broker: Broker,
    authority: Authority,
    own: Issued,
}

impl House {
    fn open() -> Self {
        let authority = Authority::found();
        let own = authority.issue("thirstd", "DNS:thirstd", 30);
        let tls = Tls { wants: Some(authority.certificate()), ..Tls::of(&authority) };
        let broker = Broker::start(&Options {
            // Every account has its name for a password.
            users: ["thirstd", "sensors-heron-bend", "bridge-heron-bend", "office"].map(|name| (name, name)).to_vec(),
            access_list: Some(include_str!("../../deploy/broker/access.acl")),
            shipped: Some(include_str!("../../deploy/broker/mosquitto.conf")),
            tls: Some(tls),
            ..Options::default()
        });
        Self { broker, authority, own }
    }

    fn enter(&self, name: &str, filters: &[&str]) -> Client {
        self.enter_as(&format!("{name}-test"), name, filters)
    }

    fn enter_as(&self, id: &str, name: &str, filters: &[&str]) -> Client {
        Client::connect_as(&self.broker, id, Some((name, name)), filters)
    }
}

/// All topics of `site` that only the daemon may write.
fn of_the_daemon(site: &str) -> Vec<String> {
    vec![
        topics::decision(PREFIX, site, "lawn"),
        topics::instruction(PREFIX, site, "relay"),
        topics::fallback(PREFIX, site),
        topics::totals(PREFIX, site),
        topics::sensor(PREFIX, site, "mast"),
        topics::alert(PREFIX, site, AlertKind::FlatLine, "mast"),
        topics::result(PREFIX, site),
        topics::daemon(PREFIX, "thirstd"),
        topics::daemon_alert(PREFIX, "thirstd", AlertKind::CertificateExpiring, "broker-authority"),
        topics::visits(PREFIX),
    ]
}

/// `account` publishes on `refused` in vain, and on `allowed` with success.
fn check(account: &str, refused: &[String], allowed: &[String]) {
    let house = House::open();
    // Together these two hear all there is.
    let mut office = house.enter("office", &["thirst/v1/#"]);
    let mut daemon =
        house.enter("thirstd", &["yard/#", &topics::command_filter(PREFIX), &topics::report_filter(PREFIX)]);
    assert!(office.all_granted() && daemon.all_granted());
    let mut other = house.enter_as("writer", account, &[]);
    for topic in refused {
        other.publish(topic, "refused");
        other.publish_retained(topic, "refused");
    }
    for topic in allowed {
        other.publish(topic, "allowed");
        let hearer = if topic.starts_with("yard/") { &mut daemon } else { &mut office };
        hearer.wait_for(topic, |heard| heard.topic == *topic && heard.payload == b"allowed");
    }
    let heard: Vec<String> = [office.heard(), daemon.heard()].concat().into_iter().map(|heard| heard.topic).collect();
    for topic in refused {
        assert!(!heard.contains(topic), "{account} wrote {topic}");
    }
}

#[test]
fn sensors_write_readings_of_their_own_site_and_nothing_else() {
    let mut refused = [of_the_daemon(SITE), of_the_daemon(OTHER_SITE)].concat();
    refused.push(format!("yard/{OTHER_SITE}/mast/state"));
    refused.push(topics::command(PREFIX, SITE));
    refused.push(topics::report(PREFIX, SITE, "relay"));
    check("sensors-heron-bend", &refused, &[format!("yard/{SITE}/mast/state")]);
}

#[test]
fn a_bridge_reports_on_its_own_site_and_commands_nobody() {
    let mut refused = [of_the_daemon(SITE), of_the_daemon(OTHER_SITE)].concat();
    refused.push(topics::command(PREFIX, SITE));
    refused.push(topics::report(PREFIX, OTHER_SITE, "relay"));
    refused.push(format!("yard/{SITE}/mast/state"));
    check("bridge-heron-bend", &refused, &[topics::report(PREFIX, SITE, "relay")]);
}

#[test]
fn the_office_commands_every_site_and_decides_nothing() {
    let mut refused = of_the_daemon(SITE);
    refused.push(topics::report(PREFIX, SITE, "relay"));
    refused.push(format!("yard/{SITE}/mast/state"));
    check("office", &refused, &[topics::command(PREFIX, SITE), topics::command(PREFIX, OTHER_SITE)]);
}

#[test]
fn the_daemon_writes_all_that_is_its_own_and_no_reading_or_command() {
    let refused =
        [format!("yard/{SITE}/mast/state"), topics::command(PREFIX, SITE), topics::report(PREFIX, SITE, "relay")];
    check("thirstd", &refused, &[of_the_daemon(SITE), of_the_daemon(OTHER_SITE)].concat());
}

#[test]
fn a_bridge_hears_the_instructions_of_its_own_site_alone() {
    let house = House::open();
    let own =
        [topics::instruction(PREFIX, SITE, "relay"), topics::fallback(PREFIX, SITE), topics::daemon(PREFIX, "thirstd")];
    let mut bridge = house.enter(
        "bridge-heron-bend",
        &["thirst/v1/daemon/+", "thirst/v1/site/+/instruction/+", "thirst/v1/site/+/fallback"],
    );
    let mut daemon = house.enter("thirstd", &[]);
    daemon.publish(&topics::instruction(PREFIX, OTHER_SITE, "relay"), "theirs");
    daemon.publish(&topics::fallback(PREFIX, OTHER_SITE), "theirs");
    for topic in &own {
        daemon.publish(topic, "ours");
    }
    for topic in &own {
        bridge.wait_for(topic, |heard| heard.topic == *topic);
    }
    assert!(bridge.heard().iter().all(|heard| heard.payload == b"ours"));
}

#[test]
fn with_everything_as_it_ships_a_reading_becomes_a_decision_and_a_command_an_answer() {
    let house = House::open();
    let password = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(password.path(), "thirstd\n").unwrap();
    let fill = [
        ("{tls_port}", house.broker.tls_port().to_string()),
        ("{password}", password.path().display().to_string()),
        ("{ca}", house.authority.certificate().display().to_string()),
        ("{cert}", house.own.certificate.display().to_string()),
        ("{key}", house.own.key.display().to_string()),
    ];
    let text = fill.iter().fold(CONFIGURATION.to_owned(), |text, (name, value)| text.replace(name, value));
    let mut office = house.enter("office", &["thirst/v1/#"]);
    let daemon = Daemon::start(&house.broker, &text);
    office.wait_for_json(&topics::daemon(PREFIX, "thirstd"), "a daemon", |status| status["state"] == "online");
    // Before its subscriptions stand nobody keeps a message for it: it says in its log when they do.
    thirst_tests::wait::until("the daemon to listen", || daemon.log().contains("broker is up").then_some(()));
    let mut sensor = house.enter("sensors-heron-bend", &[]);
    sensor.publish("yard/heron-bend/mast/state", r#"{"temp_c": 1.5}"#);
    office.wait_for_json(&topics::decision(PREFIX, SITE, "lawn"), "a freeze hold", |decision| {
        decision["figures"]["air_temperature_celsius"] == 1.5 && decision["action"] == "hold"
    });
    let command = json!({"id": "one", "who": "office", "verb": "hold", "hours": 2});
    office.publish(&topics::command(PREFIX, SITE), command.to_string());
    office.wait_for_json(&topics::result(PREFIX, SITE), "an answer", |result| result["id"] == "one");
    office.wait_for_json(&topics::instruction(PREFIX, SITE, "relay"), "an instruction", |told| {
        told["water_allowed"] == false
    });
}
