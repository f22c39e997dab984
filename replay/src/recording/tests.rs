//! What a recording may and may not say.

use proptest::prelude::*;

use super::*;

fn read(text: &[u8]) -> Vec<Result<Line, String>> {
    Reader::new("yard.ndjson", text).map(|line| line.map_err(|fault| fault.to_string())).collect()
}

fn message(payload: &[u8], retain: bool) -> Entry {
    Entry::Message { topic: "yard/oak/mast/state".into(), payload: payload.to_vec(), retain, dup: false }
}

#[test]
fn lines_tell_messages_and_events_in_the_order_of_the_file() {
    let text = concat!(
        "\u{feff}{\"at\":\"2027-04-03T06:00:00Z\",\"topic\":\"yard/oak/mast/state\",\"payload\":\"{\\\"temp_c\\\":4.1}\"}\r\n",
        "\n",
        "  \n",
        r#"{"at":"2027-04-03T08:00:01.250+02:00","topic":"yard/oak/mast/state","payload_base64":"/wA=","retain":true}"#,
        "\n",
        r#"{"at":"2027-04-03T06:00:02Z","event":"broker_down"}"#,
        "\n",
        r#"{"at":"2027-04-03T06:09:00Z","event":"broker_up","session_present":true,"refused":["yard/+/x"]}"#,
        "\n",
        r#"{"at":"2027-04-03T07:10:00Z","event":"clock_step","by_seconds":-3600.5}"#,
    );
    let six = 1_806_732_000_000; // 2027-04-03T06:00:00Z
    let line = |offset: i64, entry: Entry| Ok(Line { at: Stamp(six + offset), entry });
    assert_eq!(
        read(text.as_bytes()),
        vec![
            line(0, message(b"{\"temp_c\":4.1}", false)),
            line(1_250, message(&[0xff, 0x00], true)),
            line(2_000, Entry::BrokerDown),
            line(540_000, Entry::BrokerUp { session_present: true, refused: vec!["yard/+/x".into()] }),
            line(4_200_000, Entry::ClockStep { by: -3_600_500 }),
        ]
    );
}

#[test]
fn a_wrong_line_is_named_with_file_line_and_what_to_write() {
    let check = |line: &str, expected: &str| {
        let good = r#"{"at":"2027-04-03T06:00:00Z","event":"broker_down"}"#;
        let lines = read(format!("{good}\n{line}\n{good}\n").as_bytes());
        assert_eq!(lines.len(), 2, "reading ends after the fault: {line}");
        assert_eq!(lines[1].as_ref().unwrap_err(), &format!("yard.ndjson:2: {expected}"), "{line}");
    };
    check("# note", "a recording has no comments: remove the line");
    check(
        r#"{"topic":"a","payload":""}"#,
        r#""at" is missing: write when it arrived, for example "at":"2027-04-03T06:00:00Z""#,
    );
    for wrong in ["2027-04-03 06:00", "1969-12-31T23:59:59Z", "2200-01-01T00:00:00Z", "2027-02-30T00:00:00Z", ""] {
        check(
            &format!(r#"{{"at":"{wrong}","topic":"a","payload":""}}"#),
            &format!(
                "\"at\" is {wrong:?}: write RFC 3339 with an offset, between 1970 and 2199, for example \
                 \"2027-04-03T06:00:00Z\""
            ),
        );
    }
    let at = r#"{"at":"2027-04-03T06:00:00Z""#;
    check(&format!("{at}}}"), r#"neither "topic" nor "event": write "topic" and "payload" for a message, or "event""#);
    check(&format!(r#"{at},"topic":"a","event":"tick"}}"#), r#"both "topic" and "event": write them on two lines"#);
    check(
        &format!(r#"{at},"topic":"a"}}"#),
        r#"neither "payload" nor "payload_base64": write "payload":"" where it was empty"#,
    );
    check(
        &format!(r#"{at},"topic":"a","payload":"","payload_base64":""}}"#),
        r#"both "payload" and "payload_base64": write one of them"#,
    );
    check(
        &format!(r#"{at},"topic":"yard/+","payload":""}}"#),
        r#""topic" is "yard/+": write the topic of one message: 1 to 65535 bytes, without + # or NUL"#,
    );
    check(
        &format!(r#"{at},"event":"tick"}}"#),
        r#""event" is "tick": write broker_up, broker_down, clock_step or neighbor_digest"#,
    );
    check(&format!(r#"{at},"event":"clock_step"}}"#), r#""by_seconds" is missing: this event needs it"#);
    check(
        &format!(r#"{at},"event":"clock_step","by_seconds":1e300}}"#),
        r#""by_seconds" is out of range: write the step in seconds, not 0 and less than 100 years"#,
    );
    check(
        &format!(r#"{at},"event":"broker_down","retain":true}}"#),
        r#""retain" does not belong to an event: remove it"#,
    );
    check(
        &format!(r#"{at},"event":"broker_up","by_seconds":1}}"#),
        r#""by_seconds" does not belong to broker_up: remove it"#,
    );
    check(
        &format!(r#"{at},"topic":"a","payload":"","refused":[]}}"#),
        r#""refused" does not belong to a message: remove it"#,
    );
}

#[test]
fn what_is_not_json_or_has_an_unknown_key_says_where() {
    let fault = |line: &[u8]| read(line).remove(0).unwrap_err();
    assert!(fault(br#"{"at":"2027-04-03T06:00:00Z","topik":"a"}"#).contains("unknown field `topik`"));
    assert!(fault(br#"[1,2]"#).starts_with("yard.ndjson:1: not one JSON object of a recording: "));
    assert!(fault(b"{\"at\":\"2027\xff\"}").contains("not UTF-8"));
    assert!(fault(br#"{"at":"2027-04-03T06:00:00Z","topic":"a","payload_base64":"_w"}"#).contains("padded base64"));
}

#[test]
fn a_line_of_one_mebibyte_is_read_and_a_longer_one_is_refused_unread() {
    let line_of = |bytes: usize| {
        let head = r#"{"at":"2027-04-03T06:00:00Z","topic":"a","payload":""#;
        format!("{head}{}\"}}", "x".repeat(bytes - head.len() - 2))
    };
    let longest = usize::try_from(LONGEST_LINE_BYTES).unwrap();
    assert!(read(line_of(longest).as_bytes())[0].is_ok());
    assert!(read(format!("{}\n", line_of(longest)).as_bytes())[0].is_ok());
    let fault = read(line_of(longest + 1).as_bytes()).remove(0).unwrap_err();
    assert_eq!(fault, "yard.ndjson:1: the line is longer than 1 MiB: end every JSON object with a line end");
    // An endless line is given up after the limit.
    let endless = Reader::new("zero", BufReader::new(io::repeat(b' '))).next();
    assert!(matches!(endless, Some(Err(RecordingError::Line { problem: Problem::TooLong, .. }))));
}

#[test]
fn going_back_in_time_is_told_once_and_nothing_is_reordered() {
    let at = |time: &str| format!("{{\"at\":\"2027-04-03T{time}Z\",\"event\":\"broker_down\"}}\n");
    let text = [at("06:00:00"), at("05:00:00"), at("04:00:00"), at("07:00:00")].concat();
    let mut reader = Reader::new("yard.ndjson", text.as_bytes());
    assert!(reader.next().unwrap().is_ok());
    assert_eq!(reader.take_went_back(), None);
    let second = reader.next().unwrap().unwrap();
    assert_eq!(second.at.text(), "2027-04-03T05:00:00Z");
    let told = reader.take_went_back().unwrap().to_string();
    assert!(told.starts_with("yard.ndjson:2: goes back in time from 2027-04-03T06:00:00Z to 2027-04-03T05:00:00Z;"));
    assert_eq!(reader.by_ref().count(), 2);
    assert_eq!(reader.take_went_back(), None);
}

#[test]
fn a_missing_file_is_named() {
    let fault = Reader::open(Path::new("no-such.ndjson")).err().unwrap().to_string();
    assert!(fault.starts_with("no-such.ndjson: cannot be opened: "), "{fault}");
}

#[test]
fn a_neighbors_digest_survives_writing() {
    let digest = Digest {
        from: "heron-bank".into(),
        hour: Stamp(1_806_732_000_000),
        air_temperature_celsius: Some(4.5),
        relative_humidity_percent: None,
        wind_speed_m_per_s: Some(0.0),
        shortwave_w_per_m2: None,
        rain_mm: Some(0.4),
        latitude_degrees: 39.5,
        longitude_degrees: -119.8,
        elevation_m: 1370.0,
    };
    let line = Line { at: Stamp(1_806_735_600_000), entry: Entry::NeighborDigest(digest) };
    let mut writer = Writer::new(Vec::new());
    writer.write(&line).unwrap();
    assert_eq!(read(&writer.into_inner()), vec![Ok(line)]);
}

proptest! {
    #[test]
    fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        read(&bytes);
    }

    #[test]
    fn what_was_written_is_read_back(
        at in 0_i64..7_258_118_400_000, // up to the end of 2199
        topic in "[^+#\0]{1,20}",
        payload in proptest::collection::vec(any::<u8>(), 0..60),
        retain: bool,
        dup: bool,
    ) {
        let line = Line { at: Stamp(at), entry: Entry::Message { topic, payload, retain, dup } };
        let mut writer = Writer::new(Vec::new());
        writer.write(&line).unwrap();
        prop_assert_eq!(read(&writer.into_inner()), vec![Ok(line)]);
    }
}
