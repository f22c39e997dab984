//! `thirstd survey` with a real broker: what it hears, what it writes, and that the daemon then decides by it.

use std::path::Path;
use std::process::{Command, Output};

use thirst_tests::binaries;
use thirst_tests::broker::{Broker, free_port};
use thirst_tests::client::Client;

fn thirstd(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(binaries::ours("thirstd")).current_dir(folder).args(arguments).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

#[test]
fn a_survey_writes_a_configuration_that_the_check_accepts_and_never_over_one_that_is_there() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::plain();
    let address = format!("127.0.0.1:{}", broker.port());
    let mut client = Client::connect(&broker, "sensors", &[]);
    // Retained, so that it does not matter when the survey begins to listen.
    client.publish_retained("yard/oak/mast/state", r#"{"temp_c":21.5,"rh_pct":61,"rain_total_mm":12.4}"#);
    client.publish_retained("yard/elm/mast/state", r#"{"temp_c":19.5,"rh_pct":66,"rain_total_mm":8.2}"#);
    client.publish_retained("yard/elm/pond/state", r#"{"temp_c":18.0}"#);
    client.publish_retained("yard/elm/pond/status", "online");
    client.wait_for_acknowledgements();

    let survey = ["survey", "--broker", &address, "--seconds", "2", "--topics", "yard/#", "--zone", "Europe/Madrid"];
    let found = thirstd(folder.path(), &survey);
    let (page, faults) = (text(&found.stdout), text(&found.stderr));
    assert!(found.status.success(), "{page}{faults}");
    for part in [
        "4 messages on 4 topics",
        "yard/{site}/{sensor}/state",
        "only retained messages",
        "words, no numbers: \"online\"",
        "1 feed, 2 sites, 3 sensors; 3 fields in force",
        "thirstd check --config thirstd.toml",
    ] {
        assert!(page.contains(part), "{part}:\n{page}");
    }
    let checked = thirstd(folder.path(), &["check", "--config", "thirstd.toml"]);
    assert!(checked.status.success() && text(&checked.stdout).starts_with("No faults. 2 sites."), "{checked:?}");
    let payload = r#"{"temp_c":21.5}"#;
    let decoded = thirstd(folder.path(), &["decode", "--config", "thirstd.toml", "yard/oak/mast/state", payload]);
    assert!(text(&decoded.stdout).contains("air_temperature = 21.5 °C"), "{decoded:?}");

    let again = thirstd(folder.path(), &survey);
    assert!(!again.status.success() && text(&again.stderr).contains("is there already"), "{again:?}");
}

#[test]
fn a_survey_of_a_silent_or_absent_broker_says_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::plain();
    let silent = format!("127.0.0.1:{}", broker.port());
    let found = thirstd(folder.path(), &["survey", "--broker", &silent, "--seconds", "1"]);
    assert!(!found.status.success() && text(&found.stderr).contains("--seconds 600"), "{found:?}");
    let absent = format!("127.0.0.1:{}", free_port());
    let found = thirstd(folder.path(), &["survey", "--broker", &absent]);
    assert!(!found.status.success() && text(&found.stderr).contains("check --broker"), "{found:?}");
    assert!(!folder.path().join("thirstd.toml").exists());
}
