//! The canonical text of a configuration: one file, sorted, with what came from `sites.d` and the environment in it.
//!
//! It holds what the engine is told and nothing else, so that a change of the log or of the broker is no new version, and
//! no path or user name is kept with the history.

use std::fmt::Write;

use super::tree::{Kind, Node};

/// The text of `root` and the sites from other files. Reading it again gives the same settings.
pub(super) fn text(root: &Node, sites: &[&Node]) -> String {
    let mut text = String::new();
    let Kind::Table(entries) = &root.kind else { return text };
    for (key, node) in entries {
        if NOT_OF_THE_ENGINE.contains(&key.as_str()) || key == "sites" {
            continue;
        }
        // The engine makes points or does not; where they go is the shell's.
        if key == "history" && matches!(node.kind, Kind::Table(_)) {
            text.push_str("history = true\n");
            continue;
        }
        push_key(&mut text, key);
        text.push_str(" = ");
        push(&mut text, &node.kind);
        text.push('\n');
    }
    text.push_str("sites = [\n");
    let own: &[Node] = match entries.get("sites").map(|node| &node.kind) {
        Some(Kind::Array(nodes)) => nodes,
        _ => &[],
    };
    for site in own.iter().chain(sites.iter().copied()) {
        push(&mut text, &site.kind);
        text.push_str(",\n");
    }
    text.push_str("]\n");
    text
}

/// 32 bits that stand for a text: FNV-1a (draft-eastlake-fnv).
pub(super) fn version(text: &str) -> u32 {
    text.bytes().fold(0x811c_9dc5, |hash, byte| (hash ^ u32::from(byte)).wrapping_mul(0x0100_0193))
}

fn push(text: &mut String, kind: &Kind) {
    match kind {
        Kind::Table(entries) => {
            text.push('{');
            for (index, (key, node)) in entries.iter().enumerate() {
                text.push_str(if index == 0 { " " } else { ", " });
                push_key(text, key);
                text.push_str(" = ");
                push(text, &node.kind);
            }
            text.push_str(" }");
        }
        Kind::Array(nodes) => {
            text.push('[');
            for (index, node) in nodes.iter().enumerate() {
                if index > 0 {
                    text.push_str(", ");
                }
                push(text, &node.kind);
            }
            text.push(']');
        }
        Kind::Text(own) => push_text(text, own),
        Kind::Whole(number) => push_shown(text, number),
        Kind::Truth(truth) => push_shown(text, truth),
        Kind::Number(number) if number.is_finite() => push_debug(text, *number),
        Kind::Number(number) => push_shown(text, number.to_string().to_lowercase()),
    }
}

fn push_key(text: &mut String, key: &str) {
    let bare = !key.is_empty() && key.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_' || b == b'-');
    if bare { text.push_str(key) } else { push_text(text, key) }
}

/// A basic string of TOML 1.0.
fn push_text(text: &mut String, own: &str) {
    text.push('"');
    for letter in own.chars() {
        match letter {
            '"' | '\\' => text.extend(['\\', letter]),
            _ if letter.is_control() => push_shown(text, format_args!("\\u{:04X}", u32::from(letter))),
            _ => text.push(letter),
        }
    }
    text.push('"');
}

fn push_shown(text: &mut String, value: impl std::fmt::Display) {
    // Writing to a string cannot fail.
    let _ = write!(text, "{value}");
}

/// With a point or an exponent, so that it stays a float.
fn push_debug(text: &mut String, value: f64) {
    let _ = write!(text, "{value:?}");
}

/// Tables of the shell.
const NOT_OF_THE_ENGINE: [&str; 3] = ["broker", "log", "store"];
