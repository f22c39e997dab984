//! The house rules, checked on every file of the repository; each rule is shown to catch what breaks it.

use std::path::{Path, PathBuf};
use std::process::Command;

#[path = "layout/rules.rs"]
mod rules;
#[path = "layout/source.rs"]
mod source;

use rules::File;

#[test]
fn imports_run_one_way() {
    hold(rules::imports);
}

#[test]
fn the_engine_is_pure() {
    hold(rules::pure_engine);
}

#[test]
fn every_source_file_says_its_job_and_stays_short() {
    hold(rules::shape);
    for (path, text) in files() {
        if rules::is_long(&File { path: &path, text: &text }) {
            println!("long: {path}: {} lines", text.lines().count());
        }
    }
}

#[test]
fn names_say_something_and_no_test_is_ignored() {
    hold(rules::words);
}

#[test]
fn nothing_names_a_machine_or_a_registry() {
    hold(rules::places);
}

#[test]
fn the_top_of_the_house_is_fixed() {
    let mut strangers: Vec<String> = files()
        .into_iter()
        .filter_map(|(path, _)| path.split('/').next().map(str::to_owned))
        .filter(|name| !rules::top_level(name))
        .collect();
    strangers.dedup();
    assert!(strangers.is_empty(), "not part of the top level: {strangers:?}");
}

#[test]
fn an_import_against_the_flow_is_caught() {
    let check = |path: &str, text: &str, caught: bool| {
        let faults = rules::imports(&File { path, text });
        assert_eq!(!faults.is_empty(), caught, "{path}: {text}: {faults:?}");
    };
    let rain = "daemon/src/engine/site/rain.rs";
    check(rain, "use super::super::decision::hold;", true);
    check(rain, "use crate::engine::{units::Celsius, alert};", true);
    check(rain, "use super::super::{quality, sensor::{link, battery}, settings::GroupSettings};", false);
    check(rain, "fn f() { crate::engine::decision::hold::judge(); }", true);
    check(rain, "use thirstd::engine::alert::raise;", true);
    check(rain, "// use crate::engine::alert;\nconst A: &str = \"crate::engine::alert::x\";", false);
    check(rain, "mod tests { use super::*; use super::super::day_book; use super::super::super::alert::raise; }", true);
    check(rain, "mod tests { use super::super::day_book; }", false);
    check(rain, "use thirst_schemas::totals;", true);
    check("daemon/src/engine/quality/spike.rs", "use super::super::sensor;", true);
    check("daemon/src/engine/quality/mod.rs", "use super::sensor::link;", true);
    check("daemon/src/engine/quality/mod.rs", "use super::formula::vapor;", false);
    check("daemon/src/engine/decode/mod.rs", "use super::quality;", true);
    check("daemon/src/engine/formula/solar.rs", "use super::super::{stamp::Stamp, units::Degrees};", false);
    check("daemon/src/engine/decision/hold.rs", "use super::super::alert::raise;", true);
    check("daemon/src/engine/alert/raise.rs", "use super::super::decision::reason::Reason;", true);
    check("daemon/src/engine/alert/raise.rs", "use super::super::site::rain;", false);
    check("daemon/src/engine/units.rs", "use super::formula::vapor;", true);
    check("daemon/src/engine/mod.rs", "use decision::hold; use self::alert::raise; pub mod site;", false);
    check("daemon/src/engine/publish.rs", "use thirst_schemas::decision::Decision;", false);
    check("daemon/src/engine/publish/alert.rs", "use thirst_schemas::alert::Alert;", false);
    check("daemon/src/engine/driver.rs", "use thirst_schemas::alert::Alert;", true);
    check("replay/src/world/weather.rs", "use super::random::Random; use serde_json::Value;", false);
    check("replay/src/world/weather.rs", "use thirstd::engine::stamp::Stamp;", true);
    check("replay/src/world/mod.rs", "use crate::recording::Line;", true);
    check("daemon/src/config/mod.rs", "use crate::shell::mqtt;", true);
    check("daemon/src/config/mod.rs", "use crate::engine::{quality, decode::FeedSettings};", false);
    check("daemon/src/config/mod.rs", "use thirst_schemas::topics;", true);
    check("daemon/src/shell/mqtt.rs", "use crate::engine::site::rain;", true);
    check(
        "daemon/src/shell/mqtt.rs",
        "use crate::engine::event::Event; use thirst_schemas::daemon::DaemonStatus;",
        false,
    );
    check("daemon/src/shell/run.rs", "use thirst_replay::offline;", true);
    check("schemas/src/lib.rs", "use thirstd::engine;", true);
    check("replay/src/offline.rs", "use thirstd::shell::web::pages;", true);
    check("replay/src/offline.rs", "use thirstd::shell::store::Store; use thirstd::engine::site::rain;", false);
    check("replay/src/offline.rs", "use thirst_tests::broker;", true);
}

#[test]
fn io_and_clocks_in_the_engine_are_caught() {
    let check = |text: &str, caught: bool| {
        let faults = rules::pure_engine(&File { path: "daemon/src/engine/site/rain.rs", text });
        assert_eq!(!faults.is_empty(), caught, "{text}: {faults:?}");
    };
    for bad in [
        "use std::time::Duration;",
        "use std::{fmt, time::Instant};",
        "fn f() { let now = chrono::Utc::now(); }",
        "use chrono::Utc; fn f() { Utc::now(); }",
        "use chrono::{Local, Utc};",
        "use std::fs;",
        "use std::net::TcpStream;",
        "fn f() { std::thread::spawn(f); }",
        "use tokio::sync::mpsc;",
        "fn f(r: rumqttc::QoS) {}",
        "use rusqlite as database;",
        "use rand::random;",
        "use crate::config::load;",
        "use super::super::super::shell::clock;",
        "async fn f() {}",
        "fn f() { unsafe {} }",
    ] {
        check(bad, true);
    }
    for fine in [
        "use std::{fmt, collections::BTreeMap};",
        "// tokio, std::fs\nuse chrono::{NaiveTime, Utc};",
        "fn config() {} const NAME: &str = \"tokio\";",
        "/* rand /* Instant */ async */ const C: char = '\"'; const T: &str = r#\"std::fs::\"#;",
        "fn f<'a>(x: &'a str) -> &'a str { x }",
    ] {
        check(fine, false);
    }
    let shell = File { path: "daemon/src/shell/clock.rs", text: "use std::time::Instant;" };
    assert!(rules::pure_engine(&shell).is_empty());
}

#[test]
fn a_file_without_a_job_or_of_501_lines_is_caught() {
    let check = |text: &str, faults: usize| {
        assert_eq!(
            rules::shape(&File { path: "daemon/src/a.rs", text }).len(),
            faults,
            "{}",
            &text[..text.len().min(40)]
        );
    };
    let lines = |count: usize| format!("//! The job of it.\n{}", "\n".repeat(count - 1));
    check(&lines(500), 0);
    check(&lines(501), 1);
    check("fn main() {}", 1);
    check("//!\n", 1);
    check("", 1);
    assert!(!rules::is_long(&File { path: "a.rs", text: &lines(400) }));
    assert!(rules::is_long(&File { path: "a.rs", text: &lines(401) }));
}

#[test]
fn ignored_tests_and_empty_names_are_caught() {
    let check = |path: &str, text: &str, caught: bool| {
        let faults = rules::words(&File { path, text });
        assert_eq!(!faults.is_empty(), caught, "{path}: {text}: {faults:?}");
    };
    let path = "daemon/src/engine/site/rain.rs";
    check(path, "#[test]\n#[ignore]\nfn a() {}", true);
    check(path, "#[ignore = \"slow\"]", true);
    check(path, "#[cfg_attr(windows, ignore)]", true);
    check(path, concat!("/// ```", "ignore\n/// a\n/// ```"), true);
    check(path, "// #[ignore]\nlet ignore = list[ignore]; f(ignore);", false);
    check(path, "fn get_rain() {}", true);
    check(path, "fn budget_rain() { map.get_mut(a); }", false);
    check("daemon/src/utils.rs", "", true);
    check("daemon/src/common/mod.rs", "", true);
    check("daemon/src/command.rs", "", false);
}

#[test]
fn machine_folders_and_registries_are_caught() {
    let check = |text: &str, caught: bool| {
        let faults = rules::places(&File { path: "deploy/a.toml", text });
        assert_eq!(!faults.is_empty(), caught, "{text}: {faults:?}");
    };
    check(concat!("path = \"/wo", "rk/main\""), true);
    check(concat!("cd /ho", "me/someone"), true);
    check(concat!("cp a /ro", "ot/b"), true);
    check(concat!("https://index.crates", ".io/"), true);
    check(concat!("FROM docker", ".io/debian"), true);
    check("topic = \"yard/home/mast\"", false);
    check("/var/lib/thirstd", false);
    let lock = File { path: "Cargo.lock", text: concat!("registry+https://github.com/rust-lang/crates", ".io-index") };
    assert!(rules::places(&lock).is_empty());
}

#[test]
fn a_stranger_at_the_top_is_caught() {
    for known in ["Cargo.toml", "README.md", "daemon", ".ci", "LICENSE-MIT", "rust-toolchain.toml"] {
        assert!(rules::top_level(known), "{known}");
    }
    for stranger in ["src", "notes.md", "scripts", "Makefile", "docs", ".idea"] {
        assert!(!rules::top_level(stranger), "{stranger}");
    }
}

/// Every file keeps `rule`; all faults are shown at once.
fn hold(rule: fn(&File<'_>) -> Vec<String>) {
    let files = files();
    assert!(files.iter().any(|(path, _)| path == "daemon/src/engine/mod.rs"), "the repository was not found");
    let mut faults = Vec::new();
    for (path, text) in &files {
        faults.extend(rule(&File { path, text }).into_iter().map(|fault| format!("{path}:{fault}")));
    }
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
}

/// Path from the top and text of every file that is or could be committed; what is not UTF-8 has no text.
fn files() -> Vec<(String, String)> {
    let top = Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the tests crate stands in the repository");
    let listed = Command::new("git").arg("-C").arg(top).args(["ls-files", "-coz", "--exclude-standard"]).output();
    let paths = match listed {
        Ok(listed) if listed.status.success() && !listed.stdout.is_empty() => String::from_utf8_lossy(&listed.stdout)
            .split('\0')
            .filter(|path| !path.is_empty())
            .map(str::to_owned)
            .collect(),
        // A copy without git: everything but what is built.
        _ => walk(top, &mut Vec::new(), &PathBuf::new()),
    };
    let text =
        |path: &String| std::fs::read(top.join(path)).ok().map(|bytes| String::from_utf8(bytes).unwrap_or_default());
    paths.into_iter().filter_map(|path| text(&path).map(|text| (path, text))).collect()
}

fn walk(top: &Path, found: &mut Vec<String>, below: &Path) -> Vec<String> {
    for entry in std::fs::read_dir(top.join(below)).into_iter().flatten().flatten() {
        let path = below.join(entry.file_name());
        let name = entry.file_name().to_string_lossy().into_owned();
        if entry.path().is_dir() {
            if ![".git", "target", ".venv", "__pycache__"].contains(&name.as_str()) {
                walk(top, found, &path);
            }
        } else {
            found.push(path.to_string_lossy().replace('\\', "/"));
        }
    }
    found.clone()
}
