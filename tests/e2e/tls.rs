//! The daemon reaches a broker over TLS: who is trusted, what is refused and named, and what happens around an expiry.

use std::fs;
use std::path::Path;

use serde_json::Value as Json;

use thirst_tests::broker::{Broker, Options, Tls};
use thirst_tests::certificates::{Authority, Issued};
use thirst_tests::client::{Client, Heard};
use thirst_tests::daemon::Daemon;
use thirst_tests::{schema, wait};

const DAEMON: &str = "thirst/v1/daemon/yard-1";
const OWN_EXPIRY: &str = "thirst/v1/daemon/yard-1/alert/certificate_expiring/broker-client-certificate";

/// `{broker}` is filled in by [`configuration`], `{folder}` where the daemon starts.
const CONFIGURATION: &str = r#"
instance = "yard-1"
store.path = "{folder}/thirstd.db"

[broker]
reconnect_min_ms = 100
reconnect_max_ms = 300
{broker}

[[feeds]]
topic = "yard/{site}/{sensor}/state"
format = "json"
fields."/temp_c" = { quantity = "air_temperature", unit = "Cel" }

[[sites]]
id = "oak"
latitude = 46.31
longitude = -120.04
zone = "America/Los_Angeles"
sensors = [{ id = "mast" }]
groups = [{ id = "lawn", kind = "rotor" }]
controllers = [{ id = "valves" }]
"#;

fn configuration(host: &str, port: u16, more: &str) -> String {
    CONFIGURATION.replace("{broker}", &format!("host = \"{host}\"\nport = {port}\n{more}"))
}

fn trusting(authority: &Authority) -> String {
    format!("tls = {{ ca_file = {:?} }}", authority.certificate())
}

fn showing(authority: &Authority, own: &Issued) -> String {
    let (ca, cert, key) = (authority.certificate(), &own.certificate, &own.key);
    format!("tls = {{ ca_file = {ca:?}, cert_file = {cert:?}, key_file = {key:?} }}")
}

fn speaking(tls: Tls) -> Broker {
    Broker::start(&Options { tls: Some(tls), ..Options::default() })
}

fn wait_until_online(client: &mut Client, daemon: &Daemon) {
    let online = |heard: &Heard| heard.topic == DAEMON && heard.json()["state"] == "online";
    assert!(client.hear_within(wait::LIMIT, online).is_some(), "the daemon is not online:\n{}", daemon.log());
}

/// Waits for `text` in the log of a daemon that goes on trying.
fn wait_for_line(daemon: &mut Daemon, text: &str) {
    let found = wait::within(wait::LIMIT, || daemon.log().contains(text).then_some(()));
    assert!(found.is_some(), "\"{text}\" is not in the log:\n{}", daemon.log());
    assert!(daemon.ended().is_none(), "the daemon gave up:\n{}", daemon.log());
}

#[test]
fn a_private_authority_is_trusted_and_a_password_comes_from_its_file() {
    let authority = Authority::found();
    let broker = Broker::start(&Options {
        tls: Some(Tls::of(&authority)),
        users: vec![("thirstd", "opensesame"), ("test", "test")],
        ..Options::default()
    });
    let mut client = Client::connect_as(&broker, "test", Some(("test", "test")), &["thirst/v1/#"]);
    let secret = tempfile::NamedTempFile::new().unwrap();
    fs::write(secret.path(), "opensesame\n").unwrap();
    let more = format!("user = \"thirstd\"\npassword_file = {:?}\n{}", secret.path(), trusting(&authority));
    let daemon = Daemon::start(&broker, &configuration("localhost", broker.tls_port(), &more));
    wait_until_online(&mut client, &daemon);
    client.wait_for_json("thirst/v1/site/oak/decision/lawn", "a decision", |_| true);

    // Both connections go over TLS: the reading one hears.
    client.publish("yard/oak/mast/state", r#"{"temp_c": 11.5}"#);
    client.wait_for_json("thirst/v1/site/oak/sensor/mast", "the reading", |sensor| sensor.to_string().contains("11.5"));
}

#[test]
fn a_broker_signed_by_another_authority_is_refused() {
    let (trusted, other) = (Authority::found(), Authority::found());
    let broker = speaking(Tls::of(&other));
    let mut client = Client::connect(&broker, "test", &["thirst/v1/#"]);
    let more = trusting(&trusted);
    let mut daemon = Daemon::start(&broker, &configuration("localhost", broker.tls_port(), &more));
    wait_for_line(&mut daemon, "no authority that we trust has signed the broker's certificate");
    assert!(client.last_json(DAEMON).is_none());
}

#[test]
fn a_broker_by_another_name_is_refused() {
    let authority = Authority::found();
    let issued = authority.issue("broker", "DNS:other.example", 30);
    let broker = speaking(Tls { issued, wants: None });
    let mut client = Client::connect(&broker, "test", &["thirst/v1/#"]);
    let more = trusting(&authority);
    for (host, name) in [("localhost", "localhost"), ("127.0.0.1", "127.0.0.1")] {
        let mut daemon = Daemon::start(&broker, &configuration(host, broker.tls_port(), &more));
        wait_for_line(&mut daemon, &format!("the broker's certificate is for other.example, not for {name}"));
    }
    assert!(client.last_json(DAEMON).is_none());
}

#[test]
fn a_port_without_tls_is_named() {
    let broker = Broker::plain();
    let authority = Authority::found();
    let more = trusting(&authority);
    let mut daemon = Daemon::start(&broker, &configuration("localhost", broker.port(), &more));
    wait_for_line(&mut daemon, "the broker does not speak TLS on this port, or ended the connection");
}

#[test]
fn a_broker_that_wants_a_certificate_of_ours_gets_it() {
    let authority = Authority::found();
    let wants = Some(authority.certificate());
    let broker = speaking(Tls { wants, ..Tls::of(&authority) });
    let mut client = Client::connect(&broker, "test", &["thirst/v1/#"]);
    let mut without = Daemon::start(&broker, &configuration("localhost", broker.tls_port(), &trusting(&authority)));
    wait_for_line(&mut without, "the broker wants a certificate from us");
    drop(without);

    let own = authority.issue("thirstd", "DNS:thirstd", 30);
    let more = showing(&authority, &own);
    let daemon = Daemon::start(&broker, &configuration("localhost", broker.tls_port(), &more));
    wait_until_online(&mut client, &daemon);
}

#[test]
fn s27_an_expired_certificate_is_named_and_one_renewed_in_place_needs_no_restart_of_ours() {
    let authority = Authority::found();
    let issued = authority.issue("broker", "DNS:localhost", -1);
    let mut broker = speaking(Tls { issued, wants: None });
    let more = trusting(&authority);
    let mut daemon = Daemon::start(&broker, &configuration("localhost", broker.tls_port(), &more));
    wait_for_line(&mut daemon, "the broker's certificate expired on 20");

    let mut start_again_with = |from, until| {
        authority.issue_between("broker", "DNS:localhost", from, until);
        broker.stop();
        broker.start_again();
    };
    start_again_with(1, 30);
    wait_for_line(&mut daemon, "the broker's certificate is not valid before 20");
    start_again_with(-1, 30);
    let mut client = Client::connect(&broker, "test", &["thirst/v1/#"]);
    wait_until_online(&mut client, &daemon);
}

/// What we trust is replaced in place too.
#[test]
fn s27_a_new_authority_in_the_same_file_is_taken_at_the_next_attempt() {
    let (old, new) = (Authority::found(), Authority::found());
    let broker = speaking(Tls::of(&new));
    let mut client = Client::connect(&broker, "test", &["thirst/v1/#"]);
    let mut daemon = Daemon::start(&broker, &configuration("localhost", broker.tls_port(), &trusting(&old)));
    wait_for_line(&mut daemon, "no authority that we trust");
    fs::remove_file(old.certificate()).unwrap();
    wait_for_line(&mut daemon, "ca.pem: cannot be read: No such file or directory");
    fs::copy(new.certificate(), old.certificate()).unwrap();
    wait_until_online(&mut client, &daemon);
}

#[test]
fn a_certificate_of_ours_that_runs_out_is_an_alert_until_it_is_renewed() {
    let authority = Authority::found();
    let wants = Some(authority.certificate());
    let broker = speaking(Tls { wants, ..Tls::of(&authority) });
    let mut client = Client::connect(&broker, "test", &["thirst/v1/#"]);
    let own = authority.issue("thirstd", "DNS:thirstd", 10);
    let more = showing(&authority, &own);
    let mut daemon = Daemon::start(&broker, &configuration("localhost", broker.tls_port(), &more));
    let opened = client.wait_for_json(OWN_EXPIRY, "an alert", |alert| alert["state"] == "open");
    schema::assert_valid(&opened);
    assert!(opened.get("site").is_none());
    let left = opened["figures"]["left_days"].as_f64().unwrap();
    assert!((9.9..=10.0).contains(&left), "{opened}");
    assert!(opened["text"].as_str().unwrap().contains("thirstd.pem expires on 20"), "{opened}");

    // A restart says the same, to the byte.
    assert!(daemon.terminate().success());
    client.forget();
    daemon.start_again();
    let again = client.wait_for_json(OWN_EXPIRY, "the same alert", |_| true);
    assert_eq!(again, opened);

    authority.issue("thirstd", "DNS:thirstd", 25);
    let closed = client.wait_for_json(OWN_EXPIRY, "its end", |alert| alert["state"] == "closed");
    schema::assert_valid(&closed);
    assert!(closed["sequence"].as_u64() > opened["sequence"].as_u64());
    client.wait_for("the empty message", |heard| heard.topic == OWN_EXPIRY && heard.payload.is_empty());
    let told: Vec<Json> = client.heard().iter().filter(|heard| heard.topic == OWN_EXPIRY).map(Heard::json).collect();
    assert_eq!(told, [again, closed, Json::Null]);
}

#[test]
fn files_that_cannot_be_used_are_faults_of_the_configuration_with_their_key() {
    let authority = Authority::found();
    let folder = authority.certificate().parent().unwrap().to_owned();
    let (own, other) = (authority.issue("own", "DNS:own", 5), authority.issue("other", "DNS:other", 5));
    fs::write(folder.join("nothing"), "no certificate").unwrap();
    let damaged = "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n";
    fs::write(folder.join("damaged"), damaged).unwrap();
    let check = |tls: &str, expected: &[&str]| {
        let path = folder.join("thirstd.toml");
        fs::write(&path, configuration("localhost", 8883, &format!("tls = {tls}"))).unwrap();
        let read = thirstd::config::load(&path, std::iter::empty());
        let text = read.map_or_else(|faults| faults.to_string(), |loaded| thirstd::config::describe(&loaded));
        for part in expected {
            assert!(text.contains(part), "{part}\nis not in\n{text}");
        }
    };
    let name = |path: &Path| path.file_name().unwrap().to_string_lossy().into_owned();
    let (certificate, key) = (name(&own.certificate), name(&own.key));
    let with_key = |key: &str| format!("{{ cert_file = \"{certificate}\", key_file = \"{key}\" }}");

    check(
        "{ ca_file = \"none.pem\" }",
        &["thirstd.toml: broker.tls.ca_file = ", "none.pem\": cannot be read: No such file"],
    );
    check("{ ca_file = \"nothing\" }", &["broker.tls.ca_file = ", "holds no certificate; it must be PEM"]);
    check(
        "{ ca_file = \"damaged\" }",
        &["broker.tls.ca_file = ", "is damaged: it holds something that is no certificate"],
    );
    check(&format!("{{ cert_file = \"{certificate}\" }}"), &["broker.tls.key_file is missing"]);
    check(&format!("{{ key_file = \"{key}\" }}"), &["broker.tls.cert_file is missing"]);
    check(&with_key(&certificate), &["broker.tls.key_file = ", "holds no private key; it must be PEM"]);
    check(&with_key(&name(&other.key)), &["broker.tls.key_file = ", "is not the key of the certificate in cert_file"]);
    let until = |days| {
        let end = thirst_replay::clock::wall().plus(days * thirstd::engine::stamp::DAY);
        format!("valid until {}", end.utc().date_naive())
    };
    check(
        &format!("{{ ca_file = \"ca.pem\", cert_file = \"{certificate}\", key_file = \"{key}\" }}"),
        &["signed by the authority in ", "ca.pem, valid until ", "our certificate is ", &until(5)],
    );
    check("{ }", &["TLS        signed by an authority that this system trusts"]);
}
