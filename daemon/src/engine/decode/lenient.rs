//! JSON as the field sends it: with a byte-order mark, trailing NULs, or a bare `NaN` where a number should be.

use serde_json::Value;

/// The text without what surrounds a payload by accident: byte-order marks, NULs and white space.
pub fn trimmed(text: &str) -> &str {
    text.trim_matches(|character: char| character.is_whitespace() || matches!(character, '\u{feff}' | '\0'))
}

/// Reads JSON. A bare token that is not JSON (`NaN`, `-inf`, `None`, `1e400`, `+12.5`) is kept as text, so that it
/// costs only its own field and can still be shown; `convert` judges it like any other text.
///
/// serde_json limits the depth (128 levels); time is linear in the length.
///
/// # Errors
/// The text that could be read before it went wrong.
pub fn parse(text: &str) -> Result<Value, &str> {
    let body = trimmed(text);
    serde_json::from_str(body).or_else(|error| {
        let repaired = quote_bare_tokens(body).and_then(|quoted| serde_json::from_str(&quoted).ok());
        repaired.ok_or_else(|| readable(body, &error))
    })
}

/// The JSON text with every bare token that is neither a literal nor a finite number put in quotation marks; `None`
/// when there is no such token. What stands in strings is left alone.
fn quote_bare_tokens(text: &str) -> Option<String> {
    let mut quoted = String::new();
    let mut rest = text;
    let mut changed = false;
    while let Some(first) = rest.chars().next() {
        let length = match first {
            '"' => string_length(rest),
            _ if ends_token(first) => first.len_utf8(),
            _ => rest.find(ends_token).unwrap_or(rest.len()),
        };
        let (token, after) = rest.split_at(length);
        if first == '"' || ends_token(first) || is_json_scalar(token) {
            quoted.push_str(token);
        } else {
            changed = true;
            quoted.push('"');
            quoted.push_str(token);
            quoted.push('"');
        }
        rest = after;
    }
    changed.then_some(quoted)
}

/// Length in bytes of the string literal that `text` starts with, quotation marks included; all of it when unclosed.
fn string_length(text: &str) -> usize {
    let mut escaped = false;
    for (index, byte) in text.bytes().enumerate().skip(1) {
        match byte {
            _ if escaped => escaped = false,
            b'\\' => escaped = true,
            b'"' => return index + 1,
            _ => {}
        }
    }
    text.len()
}

fn ends_token(character: char) -> bool {
    character.is_ascii_whitespace() || matches!(character, '"' | ',' | ':' | '[' | ']' | '{' | '}')
}

/// True when serde_json takes the bare token.
fn is_json_scalar(token: &str) -> bool {
    matches!(token, "true" | "false" | "null")
        || token.starts_with(|first: char| first == '-' || first.is_ascii_digit())
            && serde_json::from_str::<f64>(token).is_ok()
}

/// What serde_json had read when it gave up. Its columns count bytes from 1.
fn readable<'t>(text: &'t str, error: &serde_json::Error) -> &'t str {
    let lines_before = error.line().saturating_sub(1);
    let before: usize = text.split_inclusive('\n').take(lines_before).map(str::len).sum();
    let mut end = before.saturating_add(error.column()).min(text.len());
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    text.get(..end).unwrap_or(text)
}

#[cfg(test)]
mod tests;
