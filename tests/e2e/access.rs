//! The broker as it ships: its configuration, and who may do what by its access list.

use serde_json::json;

use thirst_schemas::{AlertKind, topics};
use thirst_tests::broker::{Broker, Options, Tls};
use thirst_tests::certificates::{Authority, Issued};
use thirst_tests::client::Client;
use thirst_tests::daemon::Daemon;
use thirst_tests::process::Process;
use thirstd::engine::stamp::HOUR;

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
            users: ["thirstd", "sensors-heron-bend", "bridge-heron-bend", "devices-heron-bend", "office"]
                .map(|name| (name, name))
                .to_vec(),
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
fn a_bridge_sets_the_devices_of_its_own_site_and_hears_them() {
    let house = House::open();
    let device = |site: &str, level: &str| format!("garden/{site}/relay/{level}");
    let mut bridge = house.enter("bridge-heron-bend", &["garden/#"]);
    let mut devices = house.enter("devices-heron-bend", &["garden/#", "thirst/v1/#"]);
    for (writer, refused, allowed) in [
        (&mut bridge, device(SITE, "state"), device(SITE, "set")),
        (&mut devices, device(SITE, "set"), device(SITE, "state")),
    ] {
        writer.publish(&refused, "refused");
        writer.publish(&device(OTHER_SITE, "set"), "refused");
        writer.publish(&device(OTHER_SITE, "state"), "refused");
        writer.publish(&allowed, "allowed");
    }
    house.enter("thirstd", &[]).publish(&topics::fallback(PREFIX, SITE), "not for devices");
    bridge.wait_for("the state", |heard| heard.topic == device(SITE, "state"));
    devices.wait_for("the order", |heard| heard.topic == device(SITE, "set"));
    for client in [&mut bridge, &mut devices] {
        assert!(client.heard().iter().all(|heard| heard.payload == b"allowed"), "{:?}", client.heard());
    }
}

#[test]
fn the_bridge_comes_in_over_tls_with_its_password_and_needs_no_more_than_its_account_may_do() {
    let house = House::open();
    let folder = tempfile::tempdir().unwrap();
    let password = folder.path().join("password");
    std::fs::write(&password, "bridge-heron-bend\n").unwrap();
    let fill = [
        ("{tls_port}", house.broker.tls_port().to_string()),
        ("{password}", password.display().to_string()),
        ("{ca}", house.authority.certificate().display().to_string()),
        ("{cert}", house.own.certificate.display().to_string()),
        ("{key}", house.own.key.display().to_string()),
    ];
    let text = fill.iter().fold(BRIDGE.to_owned(), |text, (name, value)| text.replace(name, value));
    let file = folder.path().join("bridge.toml");
    let mut office = house.enter("office", &["thirst/v1/#"]);
    let mut devices = house.enter("devices-heron-bend", &["garden/heron-bend/+/set"]);
    let mut daemon = house.enter("thirstd", &[]);
    let instruction = json!({
        "schema": "thirst/instruction/1", "site": SITE, "controller": "relay", "epoch": 1, "sequence": 7,
        "issued_at": "2027-01-01T00:00:00Z", "valid_until": "2027-01-01T01:00:00Z", "capability": "hold",
        "water_allowed": false, "text": "made by hand",
    });
    let times = [("2027-01-01T00:00:00Z", -HOUR), ("2027-01-01T01:00:00Z", HOUR)];
    let instruction = times.iter().fold(instruction.to_string(), |text, (from, by)| {
        text.replace(from, &thirst_replay::clock::wall().plus(*by).text())
    });
    daemon.publish_retained(&topics::instruction(PREFIX, SITE, "relay"), instruction);
    for paho in [1, 2] {
        // A password that is wrong is said in plain words, and never itself.
        std::fs::write(&file, text.replace("user = \"bridge-heron-bend\"", "user = \"office\"")).unwrap();
        let stranger = bridge(paho, folder.path());
        thirst_tests::wait::until("the refusal", || stranger.log().contains("password is wrong").then_some(()));
        drop(stranger);
        std::fs::write(&file, &text).unwrap();
        office.forget();
        devices.forget();
        let process = bridge(paho, folder.path());
        let order = devices.wait_for("the order to the relay", |heard| heard.topic == "garden/heron-bend/relay/set");
        assert_eq!(order.payload, b"ON");
        let report = topics::report(PREFIX, SITE, "relay");
        office.wait_for_json(&report, "a confirmation", |report| report["in_force"]["sequence"] == 7);
        devices.publish("garden/heron-bend/meter/state", "3.5");
        office.wait_for_json(&report, "the flow", |report| report["flow_liters_per_minute"] == 3.5);
        assert!(!process.log().contains("refuses"), "{}", process.log());
    }
}

/// The bridge as a process; its file stands in `folder`.
fn bridge(paho: u8, folder: &std::path::Path) -> Process {
    let mut command = std::process::Command::new(thirst_tests::binaries::python(paho));
    let program = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/bridge");
    command.env("PYTHONDONTWRITEBYTECODE", "1").arg(program).arg(folder.join("bridge.toml"));
    Process::start("the bridge", &mut command, &folder.join(format!("log-{paho}")))
}

const BRIDGE: &str = r#"
kind = "relay"
site = "heron-bend"
controller = "relay"

[broker]
host = "localhost"
port = {tls_port}
user = "bridge-heron-bend"
password_file = "{password}"
tls = { ca_file = "{ca}", cert_file = "{cert}", key_file = "{key}" }

[contact]
energized = "watering interrupted"

[contact.mqtt]
topic = "garden/heron-bend/relay/set"
allowed = "OFF"
interrupted = "ON"

[feedback.flow]
topic = "garden/heron-bend/meter/state"
"#;

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
