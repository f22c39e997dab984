//! History points as line protocol: finished bytes, so that sending them again sends the same.
//!
//! Text from messages ends up in tags and fields. A line feed in it would begin a second point, so control characters are
//! replaced, and everything that has a meaning in the protocol is escaped or, where there is no escape, replaced.

use crate::engine::output::{Record, Value};

/// Appends `record` as one line with its time in milliseconds, its `fleet` as the first tag. False, and nothing appended, when no field of it can be
/// written.
pub fn append(record: &Record, fleet: Option<&str>, line: &mut Vec<u8>) -> bool {
    let start = line.len();
    push_name(line, record.measurement);
    let fleet = fleet.map(|fleet| ("fleet", fleet));
    let tags = record.tags.iter().map(|(name, value)| (*name, value.as_str()));
    for (name, value) in fleet.into_iter().chain(tags) {
        // An empty tag is an error to the database: none is meant.
        if !value.is_empty() {
            line.push(b',');
            push_name(line, name);
            line.push(b'=');
            push_name(line, value);
        }
    }
    let mut separator = b' ';
    for (name, value) in &record.fields {
        let Some(text) = field(value) else { continue };
        line.push(separator);
        push_name(line, name);
        line.push(b'=');
        line.extend_from_slice(text.as_bytes());
        separator = b',';
    }
    if separator == b' ' {
        line.truncate(start);
        return false;
    }
    line.push(b' ');
    line.extend_from_slice(record.at.0.to_string().as_bytes());
    line.push(b'\n');
    true
}

/// A field's value; None for a number that no database takes.
fn field(value: &Value) -> Option<String> {
    match value {
        Value::Float(number) => number.is_finite().then(|| number.to_string()),
        Value::Integer(number) => Some(format!("{number}i")),
        Value::Boolean(value) => Some(value.to_string()),
        Value::Text(text) => {
            let mut quoted = String::with_capacity(text.len() + 2);
            quoted.push('"');
            for character in text.chars() {
                match character {
                    '"' | '\\' => {
                        quoted.push('\\');
                        quoted.push(character);
                    }
                    character if character.is_control() => quoted.push(' '),
                    character => quoted.push(character),
                }
            }
            quoted.push('"');
            Some(quoted)
        }
    }
}

/// A name or a tag's value. A backslash cannot be escaped there and would escape what follows it.
fn push_name(line: &mut Vec<u8>, text: &str) {
    for character in text.chars() {
        let character = if character.is_control() || character == '\\' { '_' } else { character };
        if matches!(character, ' ' | ',' | '=') {
            line.push(b'\\');
        }
        let mut bytes = [0; 4];
        line.extend_from_slice(character.encode_utf8(&mut bytes).as_bytes());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::output::Lane;
    use crate::engine::stamp::Stamp;

    fn check(tags: &[(&'static str, &str)], fields: &[(&'static str, Value)], expected: Option<&str>) {
        let record = Record {
            lane: Lane::Reading,
            measurement: "reading",
            tags: tags.iter().map(|(name, value)| (*name, (*value).to_owned())).collect(),
            fields: fields.to_vec(),
            at: Stamp(1_700_000_000_123),
        };
        let mut line = b"before\n".to_vec();
        let written = append(&record, None, &mut line);
        let text = String::from_utf8(line).unwrap();
        let line = text.strip_prefix("before\n").unwrap();
        assert_eq!(written, expected.is_some());
        assert_eq!(line, expected.map_or(String::new(), |line| format!("{line}\n")));
    }

    // The escapes are those of the InfluxDB v2 line protocol reference.
    #[test]
    fn a_record_becomes_one_line_and_its_text_cannot_begin_another() {
        let one = [("a", Value::Float(1.0))];
        check(&[("site", "oak")], &one, Some("reading,site=oak a=1 1700000000123"));
        check(
            &[],
            &[
                ("f", Value::Float(-0.25)),
                ("i", Value::Integer(7)),
                ("b", Value::Boolean(true)),
                ("t", Value::Text("x y".into())),
            ],
            Some("reading f=-0.25,i=7i,b=true,t=\"x y\" 1700000000123"),
        );
        check(&[("site", "")], &one, Some("reading a=1 1700000000123"));
        check(&[("site", "a b,c=d")], &one, Some("reading,site=a\\ b\\,c\\=d a=1 1700000000123"));
        check(&[("site", "x\ny\\")], &one, Some("reading,site=x_y_ a=1 1700000000123"));
        check(&[], &[("t", Value::Text("a\"b\\c\nd".into()))], Some("reading t=\"a\\\"b\\\\c d\" 1700000000123"));
    }

    #[test]
    fn numbers_that_no_database_takes_are_left_out_and_a_point_without_fields_is_none() {
        let fields = [("a", Value::Float(f64::NAN)), ("b", Value::Float(2.0))];
        check(&[], &fields, Some("reading b=2 1700000000123"));
        check(&[("site", "oak")], &[("a", Value::Float(f64::INFINITY))], None);
        check(&[], &[], None);
    }
}
