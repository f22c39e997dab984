//! One site with one mast, its daemon and what its sensor says.

use std::path::Path;

use serde_json::{Value as Json, json};

use thirst_replay::clock;
use thirst_tests::broker::Broker;
use thirst_tests::client::Client;
use thirst_tests::daemon::Daemon;
use thirst_tests::wait;
use thirstd::engine::stamp::{DAY, HOUR, SECOND, Stamp};

pub const DAEMON: &str = "thirst/v1/daemon/yard-1";
pub const DECISION: &str = "thirst/v1/site/oak/decision/lawn";
pub const INSTRUCTION: &str = "thirst/v1/site/oak/instruction/valves";
pub const TOTALS: &str = "thirst/v1/site/oak/totals";
pub const STATUS: &str = "thirst/v1/site/oak/sensor/mast";
pub const COMMAND: &str = "thirst/v1/site/oak/command";
pub const RESULT: &str = "thirst/v1/site/oak/result";
const MAST: &str = "yard/oak/mast/state";

/// `{zone}` and `{longitude}` are filled in by [`afternoon`], `{port}` and `{folder}` where it starts.
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
"/rain_mm" = { quantity = "rainfall_amount", unit = "mm" }

[[sites]]
id = "oak"
latitude = 46.31
longitude = {longitude}
elevation_m = 260
zone = "{zone}"
settle = "0 s"
minimum_dwell = "0 min"

[[sites.sensors]]
id = "mast"

[[sites.groups]]
id = "lawn"
kind = "rotor"
planting = "cool_turf"

[[sites.controllers]]
id = "valves"
capability = "percent"
"#;

/// Broker, daemon and a client that hears all that the daemon publishes.
pub struct Yard {
    pub daemon: Daemon,
    pub client: Client,
    pub broker: Broker,
    given: Rain,
    asked: u32,
}

/// What the gauge has said so far.
#[derive(Default)]
struct Rain {
    messages: i64,
    hundredths: i64,
    first: Option<Stamp>,
}

impl Yard {
    /// Starts a daemon on `broker` and waits until it is online and has decided.
    pub fn open(broker: Broker) -> Self {
        let mut yard = Self::begin(broker);
        yard.wait_until_online();
        yard.client.wait_for(DECISION, |heard| heard.topic == DECISION);
        yard
    }

    /// The same with its store at `path`.
    pub fn open_with_store(broker: Broker, path: &Path) -> Self {
        let configuration = afternoon(clock::wall()).replace("{folder}/thirstd.db", &path.display().to_string());
        let mut yard = Self::begin_with(broker, &configuration);
        yard.wait_until_online();
        yard.client.wait_for(DECISION, |heard| heard.topic == DECISION);
        yard
    }

    /// Starts a daemon on `broker` and waits for nothing.
    pub fn begin(broker: Broker) -> Self {
        Self::begin_with(broker, &afternoon(clock::wall()))
    }

    fn begin_with(broker: Broker, configuration: &str) -> Self {
        let client = Client::connect(&broker, "test", &["thirst/v1/#"]);
        let daemon = Daemon::start(&broker, configuration);
        Self { daemon, client, broker, given: Rain::default(), asked: 0 }
    }

    pub fn wait_until_online(&mut self) {
        let Self { daemon, client, .. } = self;
        wait::until("the daemon to be online", || {
            if let Some(status) = daemon.ended() {
                panic!("the daemon ended with {status}:\n{}", daemon.log());
            }
            (client.last_json(DAEMON)?["state"] == "online").then_some(())
        });
    }

    /// The mast measures `celsius` now.
    pub fn measure(&mut self, celsius: f64) {
        let at = clock::wall().0 / SECOND;
        self.client.publish(MAST, json!({"at": at, "temp_c": celsius}).to_string());
    }

    /// Hands `count` more messages of the gauge to the broker and does not wait: ten seconds of a long, light rain each.
    /// The first fell ten hours ago.
    pub fn hand_over_rain(&mut self, count: i64) {
        let first = *self.given.first.get_or_insert_with(|| clock::wall().plus(-10 * HOUR));
        for _ in 0..count {
            let index = self.given.messages;
            assert!(index < 3_500, "rain from the future");
            let hundredths = 1 + index % 3;
            let at = first.plus(index * 10 * SECOND).0 / SECOND;
            let payload = json!({"at": at, "rain_mm": hundredths as f64 / 100.0}).to_string();
            self.client.hand_over(MAST, payload.into_bytes(), false);
            self.given.messages += 1;
            self.given.hundredths += hundredths;
        }
    }

    /// Waits until the daemon has taken in everything published so far, and gives its decision on that. It asks by a
    /// command: a hold begins at once, and messages come in the order in which they were published.
    pub fn ask(&mut self) -> Json {
        self.asked += 1;
        let who = format!("asker-{}", self.asked);
        self.client
            .publish(COMMAND, json!({"id": who, "who": who, "verb": "hold", "hours": 2 + self.asked}).to_string());
        let Self { client, daemon, .. } = self;
        let held_by =
            |decision: &Json| holds(decision).any(|hold| hold["text"].as_str().is_some_and(|text| text.contains(&who)));
        let answer = client.hear_within(wait::LIMIT, |heard| heard.topic == DECISION && held_by(&heard.json()));
        let answer = answer.unwrap_or_else(|| panic!("no decision on the hold of {who}:\n{}", daemon.log())).json();
        // Nothing is left behind for the next question.
        let release = json!({"id": format!("{who}-release"), "who": who, "verb": "release", "reasons": ["operator"]});
        client.publish(COMMAND, release.to_string());
        wait::until("the release of the asker's hold", || (!held_by(&client.last_json(DECISION)?)).then_some(()));
        answer
    }

    /// All rain that was given has been counted, and none of it twice.
    pub fn assert_all_rain_counted(&mut self) {
        let decision = self.ask();
        let counted = decision["figures"]["rain_24h_mm"].as_f64().unwrap_or(f64::NAN);
        let given = self.given.hundredths as f64 / 100.0;
        let log = self.daemon.log();
        assert!((counted - given).abs() < 0.005, "{given} mm were given, {counted} mm counted:\n{decision}\n{log}");
    }
}

/// The configuration of a yard where it is between four and five in the afternoon: ten hours back and a long test ahead lie
/// within one civil day, whenever the test runs. What fell before a site's first day does not count.
fn afternoon(now: Stamp) -> String {
    let hour = now.0.rem_euclid(DAY) / HOUR;
    let offset = (16 - hour + 12).rem_euclid(24) - 12; // hours ahead of UTC, -12 to 11
    // In these names of the zone database a plus lies west of Greenwich.
    let zone = format!("Etc/GMT{:+}", -offset);
    CONFIGURATION.replace("{zone}", &zone).replace("{longitude}", &format!("{}", 15 * offset))
}

fn holds(decision: &Json) -> impl Iterator<Item = &Json> {
    decision["holds"].as_array().into_iter().flatten()
}

/// (`epoch`, `sequence`) of a payload.
pub fn rank(payload: &Json) -> (u64, u64) {
    let number = |key: &str| payload[key].as_u64().unwrap_or_else(|| panic!("{key} is missing: {payload}"));
    (number("epoch"), number("sequence"))
}

/// The reasons in a decision.
pub fn reasons(decision: &Json) -> Vec<&str> {
    holds(decision).filter_map(|hold| hold["reason"].as_str()).collect()
}

#[test]
fn the_yards_configuration_has_no_fault() {
    for hour in 0..24 {
        let text = afternoon(Stamp(0).plus(hour * HOUR)).replace("{port}", "1883");
        if let Err(faults) = thirstd::config::load_text("yard.toml", &text, std::iter::empty()) {
            panic!("at {hour} UTC: {faults}");
        }
    }
}
