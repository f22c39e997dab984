//! The survey against payload shapes of different origin: the share of right guesses, and that every configuration it writes loads and
//! reads the recording that it was made from.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test that cannot go on has failed")]

mod truth;

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use thirstd::config;
use thirstd::engine::decode;
use thirstd::engine::stamp::Stamp;
use thirstd::survey::{Place, Report, Survey, write};

use truth::{Score, Truth, score};

/// One line of a recording.
struct Line {
    at: Stamp,
    topic: String,
    payload: String,
    retain: bool,
}

fn vectors() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("vectors/survey")
}

fn shapes() -> Vec<String> {
    let names = std::fs::read_dir(vectors()).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let mut names: Vec<String> = names.filter_map(|name| Some(name.strip_suffix(".ndjson")?.to_owned())).collect();
    names.sort();
    names
}

fn lines(name: &str) -> Vec<Line> {
    let text = std::fs::read_to_string(vectors().join(format!("{name}.ndjson"))).unwrap();
    let line = |text: &str| {
        let line: serde_json::Value = serde_json::from_str(text).unwrap();
        let at: chrono::DateTime<chrono::Utc> = line["at"].as_str().unwrap().parse().unwrap();
        Line {
            at: at.into(),
            topic: line["topic"].as_str().unwrap().to_owned(),
            payload: line["payload"].as_str().unwrap().to_owned(),
            retain: line["retain"].as_bool().unwrap_or(false),
        }
    };
    text.lines().map(line).collect()
}

fn surveyed(lines: &[Line]) -> Report {
    let mut survey = Survey::default();
    for line in lines {
        survey.take(line.at, &line.topic, line.payload.as_bytes(), line.retain);
    }
    survey.report()
}

fn place(truth: &Truth) -> Place {
    Place { broker_host: "localhost".into(), broker_port: 1883, zone: truth.zone.clone(), ..Place::default() }
}

fn truth(name: &str) -> Truth {
    let text = std::fs::read_to_string(vectors().join(format!("{name}.expected.json"))).unwrap();
    serde_json::from_str(&text).unwrap()
}

#[test]
fn most_guesses_are_right_and_none_in_force_is_wrong() {
    let mut table =
        String::from("shape                          parts    quantity    unit    in force  wrong in force\n");
    let mut sum = Score::default();
    for name in shapes() {
        let report = surveyed(&lines(&name));
        let found = score(&report, &truth(&name));
        writeln!(table, "{name:28} {}", found.row()).unwrap();
        for miss in &found.misses {
            writeln!(table, "    {miss}").unwrap();
        }
        sum.add(found);
    }
    writeln!(table, "{:28} {}", "all", sum.row()).unwrap();
    println!("{table}");
    assert_eq!(sum.wrong_in_force, 0, "\n{table}");
    assert!(sum.parts.share() >= 0.9 && sum.quantities.share() >= 0.9 && sum.units.share() >= 0.9, "\n{table}");
    assert!(sum.in_force.share() >= 0.8, "\n{table}");
}

#[test]
fn every_configuration_loads_and_reads_its_recording() {
    for name in shapes() {
        let lines = lines(&name);
        let written = write(&surveyed(&lines), &place(&truth(&name)));
        if name == "22-nothing-but-numbers" {
            assert_eq!((written.feeds, written.fields), (0, 0), "{name}: nothing is sure\n{}", written.text);
            continue;
        }
        let loaded = config::load_text("survey.toml", &written.text, std::iter::empty())
            .unwrap_or_else(|faults| panic!("{name}: {faults}\n{}", written.text));
        let (mut readings, mut losses) = (0, Vec::new());
        let settings = &loaded.settings;
        for line in &lines {
            let heard = settings.feeds.iter().find_map(|feed| Some((feed, feed.template.capture(&line.topic)?)));
            let Some((feed, captures)) = heard else { continue };
            let Ok(parsed) = decode::parse(feed, &captures, line.payload.as_bytes()) else { continue };
            let (site, sensor) = (parsed.site().unwrap(), parsed.sensor().unwrap());
            let known = settings
                .sites
                .iter()
                .any(|known| known.sensors.iter().any(|heard| heard.heard_under == site && heard.heard_as == sensor));
            assert!(known, "{name}: {site}/{sensor} is in no site\n{}", written.text);
            let zone = settings.sites.first().map(|site| site.zone);
            let decoded = parsed.readings(line.at, zone, None);
            readings += decoded.readings.len();
            losses.extend(decoded.losses.iter().map(|loss| format!("{}: {}", loss.key, loss.cause.name())));
            assert_eq!(decoded.time_problem, None, "{name}: {}", line.payload);
        }
        losses.retain(|loss| !loss.ends_with("sentinel"));
        assert!(readings > 20, "{name}: {readings} readings\n{}", written.text);
        assert!(losses.is_empty(), "{name}: {losses:?}\n{}", written.text);
    }
}
