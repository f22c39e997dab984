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

    /// The outside judge: the parser of a database of this kind, crate `influxdb-line-protocol`.
    mod oracle {
        use influxdb_line_protocol::{FieldValue, parse_lines};
        use proptest::prelude::*;

        use super::*;

        fn text() -> impl Strategy<Value = String> {
            prop_oneof![
                "[a-z0-9-]{0,12}",
                any::<String>(),
                "[ ,=\\\\\"\n\r\t#a\u{7f}\u{85}]{0,10}",
                Just("x\nreading,site=other f=1 1".to_owned()),
            ]
        }

        fn value() -> impl Strategy<Value = Value> {
            prop_oneof![
                any::<f64>().prop_map(Value::Float),
                any::<i64>().prop_map(Value::Integer),
                any::<bool>().prop_map(Value::Boolean),
                text().prop_map(Value::Text),
            ]
        }

        /// As the parser gives it back.
        fn same(read: &FieldValue<'_>, written: &Value) -> bool {
            match (read, written) {
                (FieldValue::F64(read), Value::Float(written)) => read == written,
                (FieldValue::I64(read), Value::Integer(written)) => read == written,
                (FieldValue::Boolean(read), Value::Boolean(written)) => read == written,
                (FieldValue::String(read), Value::Text(written)) => {
                    let plain: String = written.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
                    read.as_str() == plain
                }
                _ => false,
            }
        }

        proptest! {
            #[test]
            fn what_is_written_is_read_back_as_one_line_whatever_text_is_in_it(
                site in text(), sensor in text(), values in prop::collection::vec(value(), 0..4), at in any::<i64>(),
                fleet in text()
            ) {
                let names = ["a_mm", "b_code", "c_flag", "text"];
                let fields: Vec<_> = names.into_iter().zip(values).collect();
                let tags = vec![("site", site), ("sensor", sensor)];
                let at = Stamp(at);
                let record = Record { lane: Lane::Reading, measurement: "reading", tags, fields: fields.clone(), at };
                let mut bytes = Vec::new();
                let written = append(&record, Some(&fleet), &mut bytes);
                let finite: Vec<_> = fields
                    .iter()
                    .filter(|(_, value)| !matches!(value, Value::Float(number) if !number.is_finite()))
                    .collect();
                prop_assert_eq!(written, !finite.is_empty());
                let line = String::from_utf8(bytes).unwrap();
                let parsed: Vec<_> = parse_lines(&line).collect::<Result<_, _>>().unwrap();
                prop_assert_eq!(parsed.len(), usize::from(written), "{}", line);
                for parsed in &parsed {
                    prop_assert_eq!(parsed.series.measurement.as_str(), "reading");
                    prop_assert_eq!(parsed.timestamp, Some(record.at.0));
                    prop_assert_eq!(parsed.field_set.len(), finite.len());
                    for ((read_name, read), (name, value)) in parsed.field_set.iter().zip(&finite) {
                        prop_assert_eq!(read_name.as_str(), *name);
                        prop_assert!(same(read, value), "{:?} from {:?}", read, value);
                    }
                    let plain = |text: &str| -> String {
                        text.chars().map(|c| if c.is_control() || c == '\\' { '_' } else { c }).collect()
                    };
                    let tags = parsed.series.tag_set.iter().flatten();
                    let read: Vec<_> = tags.map(|(name, value)| (name.to_string(), value.to_string())).collect();
                    let sent = [("fleet", &fleet), ("site", &record.tags[0].1), ("sensor", &record.tags[1].1)];
                    let sent: Vec<_> = sent
                        .into_iter()
                        .filter(|(_, value)| !value.is_empty())
                        .map(|(name, value)| (name.to_owned(), plain(value)))
                        .collect();
                    prop_assert_eq!(read, sent);
                }
            }
        }
    }
}
