//! History on its way to a real database that goes away and comes back, from a daemon that is killed in between.

use serde_json::{Value as Json, json};

use thirst_replay::clock;
use thirst_tests::broker::Broker;
use thirst_tests::client::Client;
use thirst_tests::daemon::Daemon;
use thirst_tests::database::{Database, Kind};
use thirst_tests::wait;
use thirstd::engine::stamp::{HOUR, SECOND, Stamp};

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

[history]
url = "{url}"
organization = "garden"
bucket = "weather"
fleet = "valley"
gather = "100 ms"
connect_timeout = "1 s"
{more}

[[feeds]]
topic = "yard/{site}/{sensor}/state"
format = "json"
time = { pointer = "/at", format = "unix_s" }
fields."/temp_c" = { quantity = "air_temperature", unit = "Cel" }
fields."/bat" = { quantity = "battery_voltage", unit = "V" }

[[sites]]
id = "oak"
latitude = 46.31
longitude = 0
elevation_m = 260
zone = "Etc/UTC"
sensors = [{ id = "mast" }]
groups = [{ id = "lawn", kind = "rotor" }]
controllers = [{ id = "valves" }]
"#;

pub struct Stage {
    pub daemon: Daemon,
    pub client: Client,
    first: Stamp,
    pub given: i64,
    _broker: Broker,
}

impl Stage {
    /// A daemon that sends history to `url`; `more`: further keys of that section.
    pub fn open(url: &str, more: &str) -> Self {
        let broker = Broker::plain();
        let text = CONFIGURATION.replace("{url}", url).replace("{more}", more);
        let client = Client::connect(&broker, "test", &["thirst/v1/#"]);
        let daemon = Daemon::start(&broker, &text);
        let first = Stamp(clock::wall().plus(-6 * HOUR).0 / SECOND * SECOND);
        let mut stage = Self { daemon, client, first, given: 0, _broker: broker };
        stage.wait_until_online();
        stage
    }

    fn wait_until_online(&mut self) {
        self.client
            .wait_for_json("thirst/v1/daemon/yard-1", "the daemon to be online", |status| status["state"] == "online");
    }

    /// The mast speaks `count` times more, each time of a second of its own.
    pub fn measure(&mut self, count: i64) {
        for _ in 0..count {
            let at = self.first.plus(self.given * SECOND).0 / SECOND;
            // Without a jump: a reading that stands out is written twice, the second time with what was judged of it.
            let celsius = 15.0 + (self.given % 80 - 40).abs() as f64 / 10.0;
            let payload = json!({"at": at, "temp_c": celsius, "bat": 3.1}).to_string();
            self.client.hand_over("yard/oak/mast/state", payload.into_bytes(), false);
            self.given += 1;
        }
        self.client.wait_for_acknowledgements();
    }

    /// What `thirstd status` says of history.
    pub fn status(&self) -> Json {
        let answer: Json = serde_json::from_str(&self.daemon.asked(&["status", "--json"])).unwrap_or_default();
        answer["history"].clone()
    }

    /// Waits until the store has kept so many lines that nobody has sent.
    pub fn wait_until_waiting(&self, lines: i64) {
        wait::until("lines to wait in the store", || (self.status()["waiting_lines"].as_i64()? >= lines).then_some(()));
    }

    fn wait_until_counted(&self, database: &Database, field: &str) {
        let given = self.given as u64;
        let counted = wait::within(wait::LIMIT, || (database.count("reading", field) >= given).then_some(()));
        let count = database.count("reading", field);
        assert!(counted.is_some() && count == given, "{given} given, {count} there:\n{}", self.daemon.log());
    }
}

/// Up, down, up again; the daemon killed and started while it is down.
fn outage(kind: Kind) {
    let mut database = Database::start(kind);
    let mut stage = Stage::open(&database.url(), "");
    stage.measure(300);
    stage.wait_until_counted(&database, "air_temperature_celsius");

    database.stop();
    // What is handed over is acknowledged by the broker and taken in by the daemon as if nothing were wrong.
    stage.measure(3_000);
    stage.wait_until_waiting(6_000);
    stage.daemon.kill();
    stage.measure(200);
    stage.daemon.start_again();
    stage.wait_until_waiting(6_400);
    database.start_again();
    stage.wait_until_counted(&database, "air_temperature_celsius");
    assert_eq!(database.count("sensor", "battery_volts"), stage.given as u64);
    assert!(database.count("daemon", "outbox_bytes") > 0 && database.count("decision", "scale_percent") > 0);
    assert_eq!(database.invalid().unwrap_or(0), 0, "every line can be read");
    let status = stage.status();
    assert_eq!((&status["refused_lines"], &status["dropped_lines"]), (&json!(0), &json!(0)), "{status}");
    let words = stage.daemon.asked(&["status"]);
    assert!(words.contains("history"), "{words}");
}

#[test]
fn every_line_reaches_victoria_metrics_once_after_an_outage_and_a_kill_of_the_daemon() {
    outage(Kind::VictoriaMetrics);
}

#[test]
fn every_line_reaches_influxd_once_after_an_outage_and_a_kill_of_the_daemon() {
    outage(Kind::Influxd);
}

#[test]
fn a_database_that_does_not_know_us_raises_an_alert_and_loses_nothing() {
    // It answers 404 or 200 to what it does not know, never 204.
    let stranger = Database::start(Kind::Influxd);
    let port = stranger.url().rsplit(':').next().unwrap().parse::<u16>().unwrap();
    assert_ne!(thirst_tests::database::ask(port, "GET", "/", "").0, 204);
    let mut stage = Stage::open(&stranger.url(), "bucket_long = \"nowhere\"");
    stage.measure(50);
    stage.wait_until_counted(&stranger, "air_temperature_celsius");
    let topic = "thirst/v1/daemon/yard-1/alert/history_behind/database";
    let alert = stage.client.wait_for_json(topic, "the alert", |alert| alert["state"] == "open");
    thirst_tests::schema::assert_valid(&alert);
    assert!(alert["text"].as_str().unwrap().contains("404"), "{alert}");
    assert!(stage.status()["waiting_lines"].as_i64().unwrap() > 0);
}

/// A server of version 2, where the environment names one: `THIRST_INFLUX_URL`, `…_ORGANIZATION`, `…_BUCKET`, `…_TOKEN`.
#[test]
fn every_line_is_taken_by_a_server_of_version_2_where_there_is_one() {
    let named = |name: &str| std::env::var(format!("THIRST_INFLUX_{name}")).ok();
    let (Some(url), Some(organization), Some(bucket), Some(token)) =
        (named("URL"), named("ORGANIZATION"), named("BUCKET"), named("TOKEN"))
    else {
        println!(
            "skipped: no THIRST_INFLUX_URL, THIRST_INFLUX_ORGANIZATION, THIRST_INFLUX_BUCKET, THIRST_INFLUX_TOKEN"
        );
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("token");
    std::fs::write(&path, token).unwrap();
    let text = CONFIGURATION
        .replace("{more}", &format!("token_file = {:?}", path.display().to_string()))
        .replace("\"garden\"", &format!("{organization:?}"))
        .replace("\"weather\"", &format!("{bucket:?}"))
        .replace("{url}", &url);
    let broker = Broker::plain();
    let client = Client::connect(&broker, "test", &["thirst/v1/#"]);
    let daemon = Daemon::start(&broker, &text);
    let first = Stamp(clock::wall().plus(-HOUR).0 / SECOND * SECOND);
    let mut stage = Stage { daemon, client, first, given: 0, _broker: broker };
    stage.wait_until_online();
    stage.measure(1_000);
    wait::until("everything to be sent", || (stage.status()["sent_lines"].as_i64()? >= 2_000).then_some(()));
    assert_eq!(stage.status()["refused_lines"], 0);
}
