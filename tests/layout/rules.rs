//! The house rules. Each takes a file and gives its faults as `line: text`, so that a made-up file can be judged as well.

use super::source::{code_of, paths, tokens};

/// A file of the repository: its path from the top, with `/`, and its text.
#[derive(Clone, Copy)]
pub struct File<'a> {
    pub path: &'a str,
    pub text: &'a str,
}

/// Which stages a stage of the engine may use, beside itself and [`GROUND`]. Evidence flows down this table; nothing flows
/// up. What is not named here (the engine's own files) may use every stage.
const STAGES: &[(&str, &[&str])] = &[
    ("decode", &[]),
    ("formula", &[]),
    ("quality", &["formula"]),
    ("sensor", &["quality", "formula"]),
    ("site", &["sensor", "quality", "formula", "settings", "event", "output"]),
    ("decision", &["site", "sensor", "quality", "formula", "settings", "event", "output"]),
    ("alert", &["site", "sensor", "quality", "formula", "settings", "event", "output"]),
    // What is under the stages.
    ("stamp", &[]),
    ("reading", &["stamp"]),
    ("units", &["stamp", "reading"]),
    ("civil", &["stamp", "units", "reading"]),
];

/// Under every stage.
const GROUND: [&str; 4] = ["stamp", "reading", "units", "civil"];

/// Stages that the shell must not reach into: it knows the engine by what comes in and goes out.
const BEHIND_THE_ENGINE: [&str; 6] = ["quality", "formula", "sensor", "site", "decision", "alert"];

/// Never in the engine, wherever the word stands in the code.
const WORDS_NOT_IN_THE_ENGINE: [&str; 10] =
    ["async", "await", "unsafe", "thread_local", "tokio", "rumqttc", "rusqlite", "rand", "SystemTime", "Instant"];

/// Never in the engine, as paths or beginnings of paths.
const PATHS_NOT_IN_THE_ENGINE: [&str; 16] = [
    "std::time",
    "std::fs",
    "std::net",
    "std::io",
    "std::env",
    "std::process",
    "std::thread",
    "chrono::Local",
    "chrono::Utc::now",
    "Utc::now",
    "Local::now",
    "crate::config",
    "crate::shell",
    "config",
    "tracing",
    "thirst_replay",
];

/// Imports run one way.
pub fn imports(file: &File<'_>) -> Vec<String> {
    let Some((krate, module)) = home(file.path) else {
        return Vec::new();
    };
    let mut faults = Vec::new();
    for (line, path) in paths(file.text, &module) {
        let path = path.replace("thirstd::", if krate == "daemon" { "crate::" } else { "thirstd::" });
        if let Some(why) = wrong_import(krate, &module, &path) {
            faults.push(format!("{line}: {path}: {why}"));
        }
    }
    faults.dedup();
    faults
}

fn wrong_import(krate: &str, module: &str, path: &str) -> Option<String> {
    let levels: Vec<&str> = path.split("::").collect();
    let from: Vec<&str> = module.split("::").collect();
    let refuse = |text: &str| Some(text.to_owned());
    match krate {
        "schemas" => {
            return (levels[0].starts_with("thirst") && levels[0] != "thirst_schemas")
                .then(|| "schemas depends on nothing of ours".into());
        }
        "replay" => {
            return match levels.as_slice() {
                ["thirstd" | "thirst_schemas", ..] if from[0] == "world" => refuse(WORLD_ALONE),
                ["crate", room, ..] if from[0] == "world" && *room != "world" => refuse(WORLD_ALONE),
                ["thirst_tests", ..] => refuse("tests depend on replay, not the other way"),
                ["thirstd", "shell", room, ..] if !["store", "mqtt", "clock"].contains(room) => {
                    refuse("replay uses the shell's store, mqtt and clock alone")
                }
                _ => None,
            };
        }
        "daemon" => {}
        _ => return None,
    }
    if ["thirst_replay", "thirst_tests"].contains(&levels[0]) {
        return refuse("the daemon stands before replay and tests");
    }
    if levels[0] == "thirst_schemas" && !may_know_the_wire(&from) {
        return refuse("only the engine's publish and command files and the shell know the wire types");
    }
    match (from[0], levels.as_slice()) {
        ("config", ["crate", "shell", ..]) => refuse("config stands before the shell"),
        ("shell", ["crate", "engine", stage, ..]) if BEHIND_THE_ENGINE.contains(stage) => {
            refuse("the shell never reaches past the engine")
        }
        ("engine", ["crate", "engine", stage, ..]) => {
            let own = from.get(1)?;
            let (_, allowed) = STAGES.iter().find(|(name, _)| name == own)?;
            let known = STAGES.iter().any(|(name, _)| name == stage) || is_engine_file(stage);
            let fine = own == stage || allowed.contains(stage) || (!GROUND.contains(own) && GROUND.contains(stage));
            (known && !fine).then(|| format!("{own} stands before {stage} in the flow, or beside it"))
        }
        _ => None,
    }
}

/// The demo of the daemon compiles the world too, under another path.
const WORLD_ALONE: &str = "the world is compiled by two crates and uses nothing of either";

/// Files of the engine that are no stage.
fn is_engine_file(name: &str) -> bool {
    ["settings", "event", "output", "driver", "snapshot", "view", "Engine", "SavedSite"].contains(&name)
        || name.starts_with("publish")
        || name.starts_with("command")
}

fn may_know_the_wire(from: &[&str]) -> bool {
    match from {
        ["engine", room, ..] => room.starts_with("publish") || room.starts_with("command"),
        ["shell", ..] | ["main", ..] => true,
        _ => false,
    }
}

/// The engine has no IO, no clock, no async, no randomness.
pub fn pure_engine(file: &File<'_>) -> Vec<String> {
    if !file.path.starts_with("daemon/src/engine/") {
        return Vec::new();
    }
    let module = home(file.path).map(|(_, module)| module).unwrap_or_default();
    let words = tokens(&code_of(file.text)).into_iter();
    let words = words.filter(|(_, word)| WORDS_NOT_IN_THE_ENGINE.contains(&word.as_str()));
    let begins = |path: &str, banned: &str| {
        path.strip_prefix(banned).is_some_and(|rest| rest.is_empty() || rest.starts_with("::"))
    };
    let named = paths(file.text, &module).into_iter();
    let named = named.filter(|(_, path)| PATHS_NOT_IN_THE_ENGINE.iter().any(|banned| begins(path, banned)));
    let mut faults: Vec<(usize, String)> = words.chain(named).collect();
    faults.sort();
    faults.dedup_by_key(|(line, _)| *line);
    faults.into_iter().map(|(line, what)| format!("{line}: {what} has no place in the engine")).collect()
}

/// A file has one job, and says it first.
pub fn shape(file: &File<'_>) -> Vec<String> {
    let mut faults = Vec::new();
    if !file.path.ends_with(".rs") {
        return faults;
    }
    let first = file.text.lines().next().unwrap_or_default();
    if !first.starts_with("//! ") || first.len() < 10 {
        faults.push("1: the first line says the job of the file, behind //!".to_owned());
    }
    let lines = file.text.lines().count();
    if lines > LONGEST {
        faults.push(format!("{lines}: more than {LONGEST} lines: split the file"));
    }
    faults
}

/// True where the file is long enough to think of splitting it.
pub fn is_long(file: &File<'_>) -> bool {
    file.path.ends_with(".rs") && file.text.lines().count() > LONG
}

const LONG: usize = 400;
const LONGEST: usize = 500;

/// Names that say nothing, and tests that never run.
pub fn words(file: &File<'_>) -> Vec<String> {
    let mut faults = Vec::new();
    if !file.path.ends_with(".rs") {
        return faults;
    }
    for empty in ["utils", "util", "helpers", "helper", "common", "manager", "misc"] {
        if file.path.trim_end_matches(".rs").split('/').any(|level| level == empty) {
            faults.push(format!("1: a file named {empty} can hold anything: name its job"));
        }
    }
    let tokens = tokens(&code_of(file.text));
    for (index, (line, word)) in tokens.iter().enumerate() {
        let after = |n: usize| tokens.get(index + n).map_or("", |(_, token)| token.as_str());
        if word == "fn" && after(1).starts_with("get_") {
            faults.push(format!("{line}: {}: leave out get_", after(1)));
        }
        // #[ignore], #[ignore = ""], #[cfg_attr(x, ignore)]
        if word == "ignore" && ["]", "=", ")"].contains(&after(1)) && in_attribute(&tokens, index) {
            faults.push(format!("{line}: a test that is ignored does not exist: assert what happens today"));
        }
    }
    for (number, line) in file.text.lines().enumerate() {
        let doc = line.trim_start();
        if (doc.starts_with("///") || doc.starts_with("//!")) && doc.contains(concat!("```", "ignore")) {
            faults.push(format!("{}: an example that is ignored does not exist", number + 1));
        }
    }
    faults
}

fn in_attribute(tokens: &[(usize, String)], index: usize) -> bool {
    let open = tokens[..index].iter().rposition(|(_, token)| token == "[");
    open.is_some_and(|open| {
        let hash = tokens[..open].iter().rev().find(|(_, token)| token != "!").is_some_and(|(_, token)| token == "#");
        hash && !tokens[open..index].iter().any(|(_, token)| token == "]")
    })
}

/// Nothing of the machine that it was written on, and no place to fetch from.
pub fn places(file: &File<'_>) -> Vec<String> {
    let mut faults = Vec::new();
    if file.path == "Cargo.lock" {
        return faults; // cargo writes the name of its index there
    }
    for (number, line) in file.text.lines().enumerate() {
        for folder in MACHINE_FOLDERS {
            let begins = |at: usize| !line[..at].ends_with(|c: char| c.is_alphanumeric() || "_-.}+#/*$~".contains(c));
            if line.match_indices(folder).any(|(at, _)| begins(at)) {
                faults.push(format!("{}: {folder} is a folder of one machine", number + 1));
            }
        }
        for host in REGISTRY_HOSTS {
            if line.contains(host) {
                faults.push(format!("{}: {host} is a registry", number + 1));
            }
        }
    }
    faults
}

// Written in two parts: this file is judged too.
const MACHINE_FOLDERS: [&str; 3] = [concat!("/wo", "rk/"), concat!("/ro", "ot/"), concat!("/ho", "me/")];
const REGISTRY_HOSTS: [&str; 9] = [
    concat!("crates", ".io"),
    concat!("pypi", ".org"),
    concat!("python", "hosted.org"),
    concat!("npmjs", ".org"),
    concat!("npmjs", ".com"),
    concat!("proxy.golang", ".org"),
    concat!("docker", ".io"),
    concat!("ghcr", ".io"),
    concat!("quay", ".io"),
];

/// The top of the house is fixed.
pub fn top_level(name: &str) -> bool {
    const KNOWN: [&str; 14] = [
        "Cargo.toml",
        "Cargo.lock",
        "README.md",
        "DEVELOPERS.md",
        "LICENSE-MIT",
        "LICENSE-APACHE",
        "clippy.toml",
        "deny.toml",
        "rustfmt.toml",
        "daemon",
        "schemas",
        "deploy",
        "tests",
        "replay",
    ];
    const DOTTED: [&str; 6] = [".ci", ".cargo", ".config", ".dockerignore", ".gitattributes", ".gitignore"];
    KNOWN.contains(&name) || DOTTED.contains(&name) || name == "rust-toolchain.toml"
}

/// Crate folder and module of a source file: `daemon/src/engine/site/rain.rs` is `daemon`, `engine::site::rain`.
fn home(path: &str) -> Option<(&str, String)> {
    let (krate, below) = path.split_once('/')?;
    let module = below.strip_prefix("src/")?.strip_suffix(".rs")?;
    let module = module.strip_suffix("/mod").unwrap_or(module);
    let module = if module == "lib" { String::new() } else { module.replace('/', "::") };
    Some((krate, module))
}
