//! The bridge of deploy/bridge as a process, between a real broker, the real daemon and an output that writes a file.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::{Value as Json, json};
use tempfile::TempDir;

use thirst_replay::clock;
use thirst_tests::broker::Broker;
use thirst_tests::client::Client;
use thirst_tests::daemon::Daemon;
use thirst_tests::process::Process;
use thirst_tests::schema::assert_valid;
use thirst_tests::{binaries, wait};
use thirstd::engine::stamp::{HOUR, SECOND, Stamp};

const ALLOWED: &str = "allowed";
const INTERRUPTED: &str = "interrupted";
const INSTRUCTION: &str = "thirst/v1/site/oak/instruction/relay";
const FALLBACK: &str = "thirst/v1/site/oak/fallback";
const REPORT: &str = "thirst/v1/site/oak/report/relay";
const STATUS: &str = "thirst/v1/daemon/thirstd";
const COMMAND: &str = "thirst/v1/site/oak/command";

/// A daemon whose decisions rest on defaults: it lets water run until somebody holds.
const DAEMON: &str = r#"
store.path = "{folder}/thirstd.db"

[broker]
host = "127.0.0.1"
port = {port}
reconnect_min_ms = 100

[[feeds]]
topic = "yard/{site}/{sensor}/state"
format = "json"
fields."/temp_c" = { quantity = "air_temperature", unit = "Cel" }

[[sites]]
id = "oak"
latitude = 46.31
longitude = -120.04
zone = "America/Los_Angeles"
frost_months = []
settle = "0 s"
minimum_dwell = "0 min"
sensors = [{ id = "mast" }]
groups = [{ id = "lawn", kind = "spray" }, { id = "beds", kind = "drip" }]
controllers = [{ id = "relay" }, { id = "valves", capability = "percent_per_group" }]
"#;

/// Two seconds of grace, no waiting between changes.
const RELAY: &str = r#"
kind = "relay"
site = "oak"
controller = "relay"
state_file = "{folder}/state.json"
offline_after_minutes = 0.03

[broker]
host = "127.0.0.1"
port = {port}

[contact]
energized = "watering interrupted"
least_minutes_between_changes = 0

[contact.command]
allowed = ["/bin/sh", "-c", "echo allowed >> '{folder}/contact'"]
interrupted = ["/bin/sh", "-c", "echo interrupted >> '{folder}/contact'"]

[feedback.flow]
topic = "garden/oak/meter"
pointer = "/flow"
"#;

const PERCENT: &str = r#"
kind = "percent"
site = "oak"
controller = "valves"
offline_after_minutes = 0.03

[broker]
host = "127.0.0.1"
port = {port}

[percent]
follows = "percents"
groups = ["lawn", "beds"]
percent_when_unknown = 40

[percent.mqtt]
topic = "garden/oak/{group}/set"
payload = '{"percent": {percent}}'
"#;

/// A folder with a bridge's file, its state and what its contact did; and the bridge, while it runs.
struct Bridge {
    process: Process,
    folder: TempDir,
    python: PathBuf,
}

impl Bridge {
    fn start(broker: &Broker, text: &str) -> Self {
        Self::start_on(2, broker, text)
    }

    fn start_on(paho: u8, broker: &Broker, text: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let text = text.replace("{port}", &broker.port().to_string());
        let text = text.replace("{folder}", &folder.path().display().to_string());
        std::fs::write(folder.path().join("bridge.toml"), text).unwrap();
        let python = binaries::python(paho);
        let process = launch(&python, folder.path(), &[]);
        Self { process, folder, python }
    }

    fn start_again(&mut self, arguments: &[&str]) {
        self.process.kill();
        self.process = launch(&self.python, self.folder.path(), arguments);
    }

    /// What the contact did so far.
    fn story(&self) -> Vec<String> {
        let text = std::fs::read_to_string(self.folder.path().join("contact")).unwrap_or_default();
        text.lines().map(str::to_owned).collect()
    }

    fn forget(&self) {
        let _ = std::fs::remove_file(self.folder.path().join("contact"));
    }

    /// Waits until the contact stands so.
    fn wait_for(&self, state: &str) {
        let stands = || self.story().last().is_some_and(|last| last == state).then_some(());
        wait::within(wait::LIMIT, stands)
            .unwrap_or_else(|| panic!("{state}? {:?}\n{}", self.story(), self.process.log()));
    }

    fn wait_for_line(&self, words: &str) {
        let said = || self.process.log().contains(words).then_some(());
        wait::within(wait::LIMIT, said).unwrap_or_else(|| panic!("{words}?\n{}", self.process.log()));
    }
}

fn deployed() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/bridge")
}

fn launch(python: &Path, folder: &Path, arguments: &[&str]) -> Process {
    let mut command = Command::new(python);
    command.env("PYTHONDONTWRITEBYTECODE", "1").arg(deployed()).arg(folder.join("bridge.toml")).args(arguments);
    Process::start("the bridge", &mut command, &folder.join("log"))
}

fn instruction(sequence: u64, allowed: bool, valid_until: Stamp) -> String {
    json!({
        "schema": "thirst/instruction/1", "site": "oak", "controller": "relay", "epoch": 1, "sequence": sequence,
        "issued_at": clock::wall().plus(-HOUR).utc(), "valid_until": valid_until.utc(), "capability": "hold",
        "water_allowed": allowed, "text": "made by hand",
    })
    .to_string()
}

fn fallback(sequence: u64, frost: bool) -> String {
    let months: Vec<u8> = if frost { (1..=12).collect() } else { Vec::new() };
    json!({
        "schema": "thirst/fallback/1", "site": "oak", "epoch": 1, "sequence": sequence,
        "issued_at": clock::wall().utc(), "percents": vec![35; 12], "frost_months": months, "text": "made by hand",
    })
    .to_string()
}

fn in_an_hour() -> Stamp {
    clock::wall().plus(HOUR)
}

/// The report on exactly the instruction that stands last on the wire; it fits its schema.
fn wait_for_confirmation(client: &mut Client, instruction: &str, report: &str, allowed: bool) {
    let told = client.wait_for_json(instruction, "an instruction", |told| told["water_allowed"] == allowed);
    let confirmed = client.wait_for_json(report, "its confirmation", |report| {
        report["in_force"] == json!({"epoch": told["epoch"], "sequence": told["sequence"]})
    });
    assert_eq!(confirmed["water_allowed"], allowed);
    assert_valid(&confirmed);
}

fn hold(client: &mut Client, id: &str) {
    client.publish(COMMAND, json!({"id": id, "who": "office", "verb": "hold", "hours": 2}).to_string());
}

fn release(client: &mut Client, id: &str) {
    client.publish(COMMAND, json!({"id": id, "who": "office", "verb": "release", "reasons": ["operator"]}).to_string());
}

#[test]
fn the_core_of_the_bridge_keeps_its_tables_and_every_report_fits_the_schema() {
    for paho in [1, 2] {
        let reports = tempfile::NamedTempFile::new().unwrap();
        let mut command = Command::new(binaries::python(paho));
        command.args(["-W", "error", "-m", "unittest", "discover", "-s", ".", "-t", "."]).current_dir(deployed());
        command.env("PYTHONDONTWRITEBYTECODE", "1").env("THIRST_REPORTS", reports.path());
        let done = command.output().unwrap();
        let said = String::from_utf8_lossy(&done.stderr);
        assert!(done.status.success(), "{said}");
        let count = said.lines().find_map(|line| line.strip_prefix("Ran ")?.split(' ').next()?.parse::<u32>().ok());
        assert!(count.is_some_and(|count| count >= 50), "{said}");
        let lines = std::fs::read_to_string(reports.path()).unwrap();
        assert!(lines.lines().count() > 20, "{lines}");
        for line in lines.lines() {
            let report: Json = serde_json::from_str(line).unwrap();
            assert_valid(&report);
            assert!(thirst_schemas::Report::parse(line.as_bytes()).is_ok(), "{line}");
        }
    }
}

#[test]
fn a_contact_follows_a_hold_and_a_release_of_the_daemon_and_confirms_both() {
    for paho in [1, 2] {
        let broker = Broker::plain();
        let mut client = Client::connect(&broker, "office", &["thirst/v1/#"]);
        let bridge = Bridge::start_on(paho, &broker, RELAY);
        bridge.wait_for_line("Connected to the broker");
        let daemon = Daemon::start(&broker, DAEMON);
        bridge.wait_for(ALLOWED);
        wait_for_confirmation(&mut client, INSTRUCTION, REPORT, true);
        hold(&mut client, "one");
        bridge.wait_for(INTERRUPTED);
        wait_for_confirmation(&mut client, INSTRUCTION, REPORT, false);
        client.forget();
        release(&mut client, "two");
        bridge.wait_for(ALLOWED);
        wait_for_confirmation(&mut client, INSTRUCTION, REPORT, true);
        assert_eq!(bridge.story(), [ALLOWED, INTERRUPTED, ALLOWED]);
        wait::until("the daemon to take the reports in", || {
            daemon.log().contains("controller relay: its bridge reports for the first time").then_some(())
        });
        assert!(!daemon.log().contains("report refused"), "{}", daemon.log());
        assert!(client.heard().iter().all(|heard| !heard.topic.contains("not_obeyed")));
        assert!(client.heard().iter().all(|heard| !(heard.topic == REPORT && heard.retain)));
    }
}

#[test]
fn when_the_daemon_is_killed_the_month_decides_after_the_grace() {
    let broker = Broker::plain();
    let mut client = Client::connect(&broker, "office", &["thirst/v1/#"]);
    let mut daemon = Daemon::start(&broker, DAEMON);
    client.wait_for(INSTRUCTION, |heard| heard.topic == INSTRUCTION);
    hold(&mut client, "one");
    let bridge = Bridge::start(&broker, RELAY);
    bridge.wait_for(INTERRUPTED);
    daemon.kill();
    client.wait_for_json(STATUS, "the will", |status| status["state"] == "offline");
    bridge.wait_for(ALLOWED);
    let without = client.wait_for_json(REPORT, "a report on the fallback", |report| report["water_allowed"] == true);
    assert!(without.get("in_force").is_none(), "{without}");
    assert_valid(&without);
    bridge.wait_for_line("has been offline for more than 1.8 seconds, and");
    daemon.start_again();
    bridge.wait_for(INTERRUPTED);
    bridge.wait_for_line("Daemon thirstd is online again");
}

#[test]
fn in_a_frost_month_a_contact_stays_held_without_a_daemon() {
    let broker = Broker::plain();
    let mut client = Client::connect(&broker, "office", &["thirst/v1/#"]);
    let months = "frost_months = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]";
    let mut daemon = Daemon::start(&broker, &DAEMON.replace("frost_months = []", months));
    client.wait_for_json(INSTRUCTION, "a hold, as no thermometer is heard", |told| told["water_allowed"] == false);
    // A bridge that is told to let water run, so that what holds it afterwards is the fallback.
    client.publish_retained(INSTRUCTION, instruction(1_000_000, true, in_an_hour()));
    let bridge = Bridge::start(&broker, RELAY);
    bridge.wait_for(ALLOWED);
    daemon.kill();
    bridge.wait_for(INTERRUPTED);
    bridge.wait_for_line("is a frost month");
}

#[test]
fn past_valid_until_the_fallback_applies() {
    for (frost, before, after) in [(false, INTERRUPTED, ALLOWED), (true, ALLOWED, INTERRUPTED)] {
        let broker = Broker::plain();
        let mut client = Client::connect(&broker, "hand", &[REPORT]);
        client.publish_retained(FALLBACK, fallback(1, frost));
        let soon = clock::wall().plus(4 * SECOND);
        client.publish_retained(INSTRUCTION, instruction(2, before == ALLOWED, soon));
        let bridge = Bridge::start(&broker, RELAY);
        bridge.wait_for(before);
        bridge.wait_for(after);
        assert_eq!(bridge.story(), [before, after]);
        assert!(soon <= clock::wall());
        bridge.wait_for_line("the last instruction was valid until");
        let report = client.wait_for_json(REPORT, "a report", |report| report["water_allowed"] == (after == ALLOWED));
        assert!(report.get("in_force").is_none(), "{report}");
        // Lower pairs change nothing; a later one does.
        client.publish(INSTRUCTION, instruction(1, before == ALLOWED, in_an_hour()));
        bridge.wait_for_line("An instruction that is older than the one known was ignored");
        client.publish(INSTRUCTION, instruction(3, before == ALLOWED, in_an_hour()));
        bridge.wait_for(before);
    }
}

#[test]
fn percentages_of_groups_reach_a_device_and_a_hold_is_zero() {
    let broker = Broker::plain();
    let mut client = Client::connect(&broker, "device", &["garden/#", "thirst/v1/#"]);
    let mut daemon = Daemon::start(&broker, DAEMON);
    let bridge = Bridge::start(&broker, PERCENT);
    let (lawn, beds) = ("garden/oak/lawn/set", "garden/oak/beds/set");
    client.wait_for_json(lawn, "60 %, the configured default", |set| set["percent"] == 60);
    client.wait_for_json(beds, "60 %, the configured default", |set| set["percent"] == 60);
    let (told, report) = ("thirst/v1/site/oak/instruction/valves", "thirst/v1/site/oak/report/valves");
    wait_for_confirmation(&mut client, told, report, true);
    client.publish(COMMAND, r#"{"id": "a", "who": "office", "verb": "hold", "hours": 2, "groups": ["beds"]}"#);
    client.wait_for_json(beds, "no water", |set| set["percent"] == 0);
    hold(&mut client, "all");
    client.wait_for_json(lawn, "no water", |set| set["percent"] == 0);
    wait_for_confirmation(&mut client, told, report, false);
    client.forget();
    daemon.kill();
    client.wait_for_json(lawn, "the fallback", |set| set["percent"] == 60);
    client.wait_for_json(beds, "the fallback", |set| set["percent"] == 60);
    bridge.wait_for_line("so the fallback for");
}

#[test]
fn the_test_holds_reports_and_returns() {
    let broker = Broker::plain();
    let mut client = Client::connect(&broker, "hand", &[REPORT]);
    client.publish_retained(INSTRUCTION, instruction(1, true, in_an_hour()));
    let mut bridge = Bridge::start(&broker, RELAY);
    bridge.wait_for(ALLOWED);
    // Beside a bridge that runs there is no test.
    let mut second = launch(&bridge.python, bridge.folder.path(), &["--test"]);
    assert_eq!(second.wait().code(), Some(1));
    bridge.wait_for_line("Another bridge uses");

    bridge.process.terminate();
    bridge.forget();
    client.forget();
    bridge.start_again(&["--test", "--test-seconds", "1"]);
    assert_eq!(bridge.process.wait().code(), Some(0), "{}", bridge.process.log());
    assert_eq!(bridge.story(), [ALLOWED, INTERRUPTED, ALLOWED]);
    for step in 1..=4 {
        assert!(bridge.process.log().contains(&format!("Step {step} of 4")), "{}", bridge.process.log());
    }
    let held = client.wait_for_json(REPORT, "the test", |report| report["water_allowed"] == false);
    assert!(held["note"].as_str().is_some_and(|note| note.contains("a test of the contact")), "{held}");
    assert_valid(&held);
    wait::until("the report of the end", || (client.last_json(REPORT)?["water_allowed"] == true).then_some(()));

    // Cut short, and killed.
    bridge.forget();
    bridge.start_again(&["--test", "--test-seconds", "600"]);
    bridge.wait_for(INTERRUPTED);
    assert_eq!(bridge.process.terminate().code(), Some(1));
    assert_eq!(bridge.story(), [ALLOWED, INTERRUPTED, ALLOWED]);
    bridge.wait_for_line("the test is cut short");
    bridge.forget();
    bridge.start_again(&["--test", "--test-seconds", "600"]);
    bridge.wait_for(INTERRUPTED);
    bridge.process.kill();
    bridge.wait_for(ALLOWED);
    bridge.wait_for_line("The test was killed, and the output is set back: watering is allowed.");
}

#[test]
fn what_is_no_message_of_ours_changes_nothing_and_is_said_once() {
    let broker = Broker::plain();
    let mut client = Client::connect(&broker, "hand", &[REPORT]);
    client.publish_retained(FALLBACK, fallback(1, false));
    client.publish_retained(INSTRUCTION, instruction(1, false, in_an_hour()));
    let bridge = Bridge::start(&broker, RELAY);
    bridge.wait_for(INTERRUPTED);
    let junk: [Vec<u8>; 6] = [
        vec![0xff; 3],
        vec![b'['; 60_000],
        vec![b' '; 1_000_000],
        b"NaN".to_vec(),
        b"{\"schema\": \"thirst/instruction/1\"}".to_vec(),
        b"\"text\"".to_vec(),
    ];
    for topic in [INSTRUCTION, FALLBACK, STATUS, "garden/oak/meter"] {
        for payload in [&junk[..], &junk[..]].concat() {
            client.hand_over(topic, payload, false);
        }
    }
    client.wait_for_acknowledgements();
    // Messages come in their order: with the flow all the others have been read.
    client.publish("garden/oak/meter", r#"{"flow": 12.5}"#);
    let report = client.wait_for_json(REPORT, "the flow", |report| report["flow_liters_per_minute"] == 12.5);
    assert_eq!((&report["water_allowed"], &report["in_force"]["sequence"]), (&json!(false), &json!(1)));
    assert_valid(&report);
    assert_eq!(bridge.story(), [INTERRUPTED]);
    let log = bridge.process.log();
    assert_eq!(log.matches("the topic of the instruction was ignored: it is not JSON").count(), 1, "{log}");
    assert!(log.lines().count() < 24, "{log}");
}

#[test]
fn a_rebooted_bridge_holds_before_the_broker_is_back_and_a_stopped_one_stands_as_without_power() {
    let mut broker = Broker::plain();
    let mut client = Client::connect(&broker, "hand", &[REPORT]);
    client.publish_retained(INSTRUCTION, instruction(1, false, in_an_hour()));
    let mut bridge = Bridge::start(&broker, RELAY);
    bridge.wait_for(INTERRUPTED);
    client.wait_for_json(REPORT, "a report", |report| report["water_allowed"] == false);
    assert_eq!(bridge.process.terminate().code(), Some(0), "{}", bridge.process.log());
    assert_eq!(bridge.story(), [INTERRUPTED, ALLOWED]);
    let last = client.wait_for_json(REPORT, "the last report", |report| report["water_allowed"] == true);
    assert!(last["note"].as_str().is_some_and(|note| note.contains("the bridge was stopped")), "{last}");

    broker.kill();
    bridge.forget();
    bridge.start_again(&[]);
    bridge.wait_for(INTERRUPTED);
    bridge.wait_for_line("No connection to the broker at 127.0.0.1");
    broker.start_again();
    bridge.wait_for_line("Connected to the broker");
    client.wait_for_json(REPORT, "the report", |report| report["water_allowed"] == false);
    assert_eq!(bridge.story(), [INTERRUPTED]);
}
