//! A small writer of YAML 1.2: block style, texts plain, folded or quoted. It writes what the contract needs.

use serde_json::Value;

use super::order::ordered;

/// `value` as a YAML document.
pub(super) fn text(value: &Value) -> String {
    let mut out = String::new();
    match value {
        Value::Object(fields) if !fields.is_empty() => block(value, 0, &mut out),
        Value::Array(list) if !list.is_empty() => block(value, 0, &mut out),
        plain => {
            out.push_str(&scalar(plain));
            out.push('\n');
        }
    }
    out
}

/// A map or list that is not empty, each entry on lines of its own at `depth`.
fn block(value: &Value, depth: usize, out: &mut String) {
    match value {
        Value::Object(fields) => {
            for (key, value) in ordered(fields, &[]) {
                indent(depth, out);
                out.push_str(&key_text(key));
                out.push(':');
                after_key(value, depth, out);
            }
        }
        Value::Array(list) => {
            for value in list {
                indent(depth, out);
                out.push('-');
                match value {
                    Value::Object(fields) if !fields.is_empty() => {
                        // The first key stands on the line of the hyphen.
                        let mut nested = String::new();
                        block(value, depth + 1, &mut nested);
                        out.push(' ');
                        out.push_str(nested.trim_start());
                    }
                    other => after_key(other, depth, out),
                }
            }
        }
        _ => {}
    }
}

fn after_key(value: &Value, depth: usize, out: &mut String) {
    match value {
        Value::Object(fields) if !fields.is_empty() => {
            out.push('\n');
            block(value, depth + 1, out);
        }
        Value::Array(list) if !list.is_empty() => {
            out.push('\n');
            block(value, depth + 1, out);
        }
        Value::String(text) if text.chars().count() > WIDTH && can_fold(text) => {
            out.push_str(" >-\n");
            fold(text, depth + 1, out);
        }
        plain => {
            out.push(' ');
            out.push_str(&scalar(plain));
            out.push('\n');
        }
    }
}

fn scalar(value: &Value) -> String {
    match value {
        Value::String(text) if is_plain(text) => text.clone(),
        // JSON is YAML: numbers, quoted texts with their escapes, and what is empty.
        other => other.to_string(),
    }
}

fn key_text(key: &str) -> String {
    scalar(&Value::String(key.to_owned()))
}

/// True for a text that means itself without quotes, to readers of YAML 1.1 too.
fn is_plain(text: &str) -> bool {
    let word = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '.' | '/' | '-' | ',' | '(' | ')' | ' ' | ';');
    text.starts_with(|c: char| c.is_ascii_alphabetic() || c == '$')
        && text.chars().skip(1).all(word)
        && !text.ends_with(' ')
        && !["true", "false", "null", "yes", "no", "on", "off", "y", "n"].contains(&text.to_ascii_lowercase().as_str())
}

/// True for a text that comes back unchanged from folding: words with one space between them.
fn can_fold(text: &str) -> bool {
    !text.chars().any(char::is_control) && text.split(' ').all(|word| !word.is_empty())
}

fn fold(text: &str, depth: usize, out: &mut String) {
    let mut column = 0;
    for word in text.split(' ') {
        let length = word.chars().count();
        if column == 0 {
            indent(depth, out);
        } else if column + 1 + length > WIDTH {
            out.push('\n');
            indent(depth, out);
            column = 0;
        } else {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += length;
    }
    out.push('\n');
}

fn indent(depth: usize, out: &mut String) {
    out.extend(std::iter::repeat_n("  ", depth));
}

/// Longest line of a folded text, characters without its indentation.
const WIDTH: usize = 100;

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn check(value: Value, wanted: &str) {
        assert_eq!(text(&value), wanted, "{value}");
    }

    #[test]
    fn maps_and_lists_are_blocks() {
        check(
            json!({"a": {"b": 1, "c": {}}, "d": [], "e": ["x", {"f": true, "g": {"h": "i"}}, ["j"]]}),
            "a:\n  b: 1\n  c: {}\nd: []\ne:\n  - x\n  - f: true\n    g:\n      h: i\n  -\n    - j\n",
        );
        check(json!({}), "{}\n");
    }

    #[test]
    fn what_another_reader_would_take_for_something_else_is_quoted() {
        for (text, wanted) in [
            ("plain words, and (more)", "plain words, and (more)"),
            ("yes", "\"yes\""),
            ("Null", "\"Null\""),
            ("n", "\"n\""),
            ("", "\"\""),
            ("1.0", "\"1.0\""),
            ("2026-06-17", "\"2026-06-17\""),
            ("- a", "\"- a\""),
            ("a: b", "\"a: b\""),
            ("a #b", "\"a #b\""),
            ("a ", "\"a \""),
            ("{a}", "\"{a}\""),
            ("#/components", "\"#/components\""),
            ("./json/a.json", "\"./json/a.json\""),
            ("two\nlines \"and\" \\", "\"two\\nlines \\\"and\\\" \\\\\""),
            ("$ref", "$ref"),
            ("°C", "\"°C\""),
        ] {
            check(json!({ "k": text }), &format!("k: {wanted}\n"));
        }
    }

    #[test]
    fn long_texts_are_folded_at_spaces_where_nothing_is_lost() {
        let words = vec!["word"; 25].join(" ");
        let (first, second) = (vec!["word"; 20].join(" "), ["word"; 5].join(" "));
        check(json!({ "a": { "k": words } }), &format!("a:\n  k: >-\n    {first}\n    {second}\n"));
        let gap = format!("{words}  {words}");
        check(json!({ "k": gap }), &format!("k: {gap}\n"));
    }
}
