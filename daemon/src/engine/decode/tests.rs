//! Whole messages: readings, losses, hostile input.

use proptest::prelude::*;

use super::*;
use crate::engine::{reading::TimeSource, units::Unit};

fn feed(template: &str, format: Format, fields: &[(&str, Quantity, &str)]) -> FeedSettings {
    let fields = fields.iter().map(|&(key, quantity, unit)| Field::new(key, quantity, Unit::parse(unit).unwrap()));
    let template = TopicTemplate::parse(template).unwrap();
    FeedSettings { fields: fields.collect(), ..FeedSettings::new("test", template, format) }
}

fn combo() -> FeedSettings {
    feed(
        "yard/{site}/{sensor}/state",
        Format::Json,
        &[
            ("/temp_c", Quantity::AirTemperature, "Cel"),
            ("/rh_pct", Quantity::RelativeHumidity, "%"),
            ("/rain_total_mm", Quantity::RainCounter, "mm"),
            ("/batt_v", Quantity::BatteryVoltage, "V"),
        ],
    )
}

fn values() -> FeedSettings {
    feed(
        "yard/{site}/{sensor}/{field}",
        Format::Value,
        &[("temp_c", Quantity::AirTemperature, "Cel"), ("press_hpa", Quantity::AirPressure, "hPa")],
    )
}

fn at(text: &str) -> Stamp {
    Stamp::from(text.parse::<chrono::DateTime<chrono::Utc>>().unwrap())
}

fn arrival() -> Stamp {
    at("2027-06-01T04:00:00Z")
}

fn parsed<'a>(feed: &'a FeedSettings, topic: &'a str, payload: &'a [u8]) -> Result<Parsed<'a>, MessageLoss> {
    parse(feed, &feed.template.capture(topic).unwrap(), payload)
}

fn decoded<'a>(feed: &'a FeedSettings, topic: &'a str, payload: &'a str) -> Decoded<'a> {
    parsed(feed, topic, payload.as_bytes()).unwrap().readings(arrival(), None, None)
}

/// One line per outcome: `quantity=value`, then `key!cause(seen)`.
fn check(feed: &FeedSettings, topic: &str, payload: &[u8], expected: &str) {
    let text = match parsed(feed, topic, payload) {
        Err(loss) => format!("!{}({})", loss.cause.name(), loss.seen),
        Ok(parsed) => {
            let decoded = parsed.readings(arrival(), None, None);
            let readings = decoded.readings.iter().map(|found| format!("{}={}", found.quantity.name(), found.value));
            let losses = decoded.losses.iter().map(|loss| format!("{}!{}({})", loss.key, loss.cause.name(), loss.seen));
            readings.chain(losses).collect::<Vec<_>>().join(" ")
        }
    };
    assert_eq!(text, expected, "{}", String::from_utf8_lossy(payload));
}

const STATE: &str = "yard/oak/combo/state";
const TEMP: &str = "yard/oak/air/temp_c";

#[test]
fn s01_a_numeric_topic_gives_only_its_numbers() {
    for (payload, expected) in [
        ("18.4", "air_temperature=18.4"),
        ("nan", "temp_c!not_finite(nan)"),
        ("NaN", "temp_c!not_finite(NaN)"),
        ("inf", "temp_c!not_finite(inf)"),
        ("-infinity", "temp_c!not_finite(-infinity)"),
        ("1e400", "temp_c!not_finite(1e400)"),
        ("unavailable", "temp_c!word(unavailable)"),
        ("unknown", "temp_c!word(unknown)"),
        ("not available", "temp_c!word(not available)"),
        ("None", "temp_c!null(None)"),
        ("null", "temp_c!null(null)"),
        ("", "!empty()"),
        ("online", "temp_c!word(online)"),
        ("18.6", "air_temperature=18.6"),
    ] {
        check(&values(), TEMP, payload.as_bytes(), expected);
    }
}

#[test]
fn s02_one_failed_probe_loses_only_its_own_field() {
    for (payload, expected) in [
        (
            r#"{"temp_c":11.2,"rh_pct":93,"rain_total_mm":208.2,"batt_v":2.91}"#,
            "air_temperature=11.2 relative_humidity=93 rain_counter=208.2 battery_voltage=2.91",
        ),
        (
            r#"{"temp_c":NaN,"rh_pct":nan,"rain_total_mm":211.0,"batt_v":2.91}"#,
            "rain_counter=211 battery_voltage=2.91 /temp_c!not_finite(NaN) /rh_pct!not_finite(nan)",
        ),
        (
            r#"{"temp_c":-nan,"rh_pct":null,"rain_total_mm":214.6,"batt_v":2.90}"#,
            "rain_counter=214.6 battery_voltage=2.9 /temp_c!not_finite(-nan) /rh_pct!null(null)",
        ),
        (
            r#"{"temp_c":1e400,"rh_pct":None,"rain_total_mm":"211,5","batt_v":{}}"#,
            "rain_counter=211.5 /temp_c!not_finite(1e400) /rh_pct!null(None) /batt_v!not_a_number(an object of 0)",
        ),
    ] {
        check(&combo(), STATE, payload.as_bytes(), expected);
    }
}

#[test]
fn s03_disguised_numbers_and_bytes_that_are_no_text() {
    check(&combo(), STATE, b"{\"temp_c\":\"12.5\"}\0", "air_temperature=12.5");
    check(&combo(), STATE, b"\xef\xbb\xbf{\"temp_c\":12.5}\r\n", "air_temperature=12.5");
    check(&values(), TEMP, b"31322e35ff", "temp_c!not_a_number(31322e35ff)");
    check(&values(), TEMP, b"\x31\x32\x2e\x35\xff", "!not_text(12.5\u{fffd})");
    check(&combo(), STATE, b"{\"temp_c\":\"\xff\"}", "!not_text({\"temp_c\":\"\u{fffd}\"})");
    check(&values(), "yard/oak/air/press_hpa", b"1,013", "press_hpa!ambiguous_number(1,013)");
    let comma = FeedSettings { decimal_comma: true, ..values() };
    check(&comma, "yard/oak/air/press_hpa", b"1.013,2", "air_pressure=1013.2");
}

#[test]
fn s04_s06_fault_codes_are_lost_as_sentinels() {
    check(&values(), TEMP, b"85.0", "temp_c!sentinel(85.0)");
    check(&combo(), STATE, br#"{"temp_c":-127,"batt_v":2.9}"#, "battery_voltage=2.9 /temp_c!sentinel(-127)");
    check(&values(), TEMP, b"327.67", "temp_c!sentinel(327.67)");
}

#[test]
fn s19_inches_become_millimeters() {
    let feed = feed("yard/{site}/{sensor}/state", Format::Json, &[("/rain_in", Quantity::RainCounter, "in")]);
    let fall = decoded(&feed, STATE, r#"{"rain_in": 1.8}"#).readings[0].value
        - decoded(&feed, STATE, r#"{"rain_in": 1.5}"#).readings[0].value;
    // 0.30 in; 25.4 mm per inch: definition.
    assert!((fall - 7.62).abs() < 1e-9);
}

#[test]
fn a_message_that_cannot_be_read_is_lost_whole() {
    check(&combo(), STATE, br#"{"temp_c":11.2,"rain_to"#, "!not_json({\"temp_c\":11.2,\"rain_to)");
    check(&combo(), STATE, b"", "!empty()");
    check(&combo(), STATE, b"\r\n\0", "!blank(···)");
    check(&combo(), STATE, b"offline", "!field_missing(offline)");
    let small = FeedSettings { max_payload_bytes: 15, ..combo() };
    check(&small, STATE, br#"{"temp_c":11.2}"#, "air_temperature=11.2");
    check(&small, STATE, br#"{"temp_c":11.25}"#, "!too_large({\"temp_c\":11.25})");
    let long = format!(r#"{{"temp_c":11.2,"name":"{}"#, "x".repeat(100));
    check(&combo(), STATE, long.as_bytes(), &format!("!not_json(…{})", "x".repeat(59)));
}

#[test]
fn absent_fields_are_counted_and_lost_only_when_all_are() {
    let some = combo();
    let decoded = decoded(&some, STATE, r#"{"temp_c":11.2}"#);
    assert_eq!((decoded.readings.len(), decoded.absent, decoded.losses.len()), (1, 3, 0));
    check(&some, STATE, br#"{"Temp_C":11.2,"uptime":5}"#, "!field_missing(Temp_C uptime)");
    check(&some, STATE, b"[1,2]", "!field_missing(an array of 2)");
}

#[test]
fn a_value_topic_that_is_not_listed_is_told_apart() {
    check(&values(), "yard/oak/air/uptime", b"5", "!unlisted_field(uptime)");
    let single = feed("yard/{site}/{sensor}/temp", Format::Value, &[("", Quantity::AirTemperature, "Cel")]);
    check(&single, "yard/oak/air/temp", b"5", "air_temperature=5");
}

#[test]
fn fields_are_found_by_json_pointer() {
    let nested = feed(
        "yard/{site}/{sensor}/state",
        Format::Json,
        &[
            ("/a/0/t", Quantity::AirTemperature, "Cel"),
            ("/x~1y/~0~01", Quantity::RelativeHumidity, "%"),
            ("/a/00/t", Quantity::SoilTemperature, "Cel"),
            ("/a/-/t", Quantity::SoilTemperature, "Cel"),
            ("/a/99999999999999999999", Quantity::SoilTemperature, "Cel"),
            ("no pointer", Quantity::SoilTemperature, "Cel"),
            ("/", Quantity::SoilMoisture, "%"),
        ],
    );
    check(
        &nested,
        STATE,
        br#"{"a":[{"t":5}],"x/y":{"~~1":50},"":30,"no pointer":1}"#,
        "air_temperature=5 relative_humidity=50 soil_moisture=30",
    );
    for (text, expected) in [("", true), ("/", true), ("/a~0~1", true), ("a", false), ("/a~", false), ("/~2", false)] {
        assert_eq!(payload::is_pointer(text), expected, "{text}");
    }
}

#[test]
fn site_and_sensor_come_from_topic_payload_or_feed() {
    let names = |feed: &FeedSettings, payload: &str| {
        let message = parsed(feed, STATE, payload.as_bytes()).unwrap();
        [message.site().map(Cow::into_owned), message.sensor().map(Cow::into_owned)]
            .map(|name| name.unwrap_or("-".into()))
    };
    assert_eq!(names(&combo(), "{}"), ["oak", "combo"]);
    let other = FeedSettings { site: Part::Fixed("ash".into()), sensor: Part::Pointer("/dev/id".into()), ..combo() };
    assert_eq!(names(&other, r#"{"dev":{"id":"g-7"}}"#), ["ash", "g-7"]);
    assert_eq!(names(&other, r#"{"dev":{"id":7}}"#), ["ash", "7"]);
    for payload in ["{}", r#"{"dev":{"id":null}}"#, r#"{"dev":{"id":""}}"#, r#"{"dev":{"id":[1]}}"#] {
        assert_eq!(names(&other, payload), ["ash", "-"], "{payload}");
    }
    let feed = combo();
    let empty = parsed(&feed, "yard//combo/state", b"{}").unwrap();
    assert_eq!(empty.site(), None);
}

#[test]
fn s10_copies_of_one_message_have_one_hash() {
    let gauge = feed(
        "yard/{site}/{sensor}/tip",
        Format::Json,
        &[
            ("/tips", Quantity::RainCounter, "tips"),
            ("/seq", Quantity::SequenceNumber, "1"),
            ("/rssi", Quantity::Rssi, "dBm"),
        ],
    );
    let topic = "yard/oak/gauge/tip";
    let first = decoded(&gauge, topic, r#"{"tips": 1, "seq": 77, "rssi": -71}"#);
    let copy = decoded(&gauge, topic, r#"{"rssi": -84.0, "tips": "1", "seq": 77}"#);
    let next = decoded(&gauge, topic, r#"{"tips": 1, "seq": 78, "rssi": -71}"#);
    let other = decoded(&gauge, topic, r#"{"tips": 2, "seq": 77, "rssi": -71}"#);
    assert_eq!((first.sequence, next.sequence), (Some(77), Some(78)));
    assert_eq!(first.content_hash, copy.content_hash);
    assert_eq!(first.content_hash, next.content_hash, "the sequence is compared by itself");
    assert_ne!(first.content_hash, other.content_hash);
    let quantities: Vec<Quantity> = first.readings.iter().map(|found| found.quantity).collect();
    assert_eq!(quantities, [Quantity::RainCounter, Quantity::Rssi]);
    assert_ne!(
        decoded(&combo(), STATE, r#"{"temp_c":9.4}"#).content_hash,
        decoded(&combo(), STATE, r#"{"rh_pct":9.4}"#).content_hash
    );
}

#[test]
fn every_reading_has_the_time_of_its_message() {
    let time = TimeField { pointer: "/ts".into(), format: TimeFormat::Local, zone: None };
    let feed = FeedSettings { time: Some(time.clone()), ..combo() };
    let payload = r#"{"ts":"2027-06-01 05:59:58","temp_c":9.4,"rh_pct":80}"#;
    let message = parsed(&feed, STATE, payload.as_bytes()).unwrap();

    let berlin = message.readings(arrival(), Some(chrono_tz::Europe::Berlin), None);
    assert_eq!(berlin.own_time, Some(at("2027-06-01T03:59:58Z")));
    assert!(berlin.readings.iter().all(|found| found.time_source == TimeSource::Payload));
    assert!(berlin.readings.iter().all(|found| Some(found.observed_at) == berlin.own_time));

    let nowhere = message.readings(arrival(), None, None);
    assert_eq!((nowhere.own_time, nowhere.time_problem), (None, Some(TimeProblem::NoZone)));
    assert!(nowhere.readings.iter().all(|found| found.observed_at == arrival()));
    assert_eq!(nowhere.content_hash, berlin.content_hash, "own time is compared by itself");

    // The zone of the feed goes before the zone of the site.
    let time = TimeField { zone: Some(chrono_tz::Europe::Lisbon), ..time };
    let lisbon = FeedSettings { time: Some(time), ..combo() };
    let suspect = parsed(&lisbon, STATE, payload.as_bytes()).unwrap();
    let suspect = suspect.readings(arrival(), Some(chrono_tz::Europe::Berlin), None);
    assert_eq!(suspect.time_problem, Some(TimeProblem::ZoneSuspect { offset_minutes: 60 }));
    assert_eq!(suspect.offset_minutes, Some(60));

    let without = decoded(&feed, STATE, r#"{"temp_c":9.4}"#);
    assert_eq!((without.readings[0].time_source, without.time_problem), (TimeSource::Arrival, None));
}

#[test]
fn a_time_of_long_ago_is_kept_as_own_time() {
    let time = TimeField { pointer: "/ts".into(), format: TimeFormat::UnixAuto, zone: None };
    let feed = FeedSettings { time: Some(time), ..combo() };
    let old = decoded(&feed, STATE, r#"{"ts":1800000000,"temp_c":9.4}"#);
    assert_eq!(old.own_time, Some(at("2027-01-15T08:00:00Z")));
}

#[test]
fn what_is_shown_is_short_and_harmless() {
    let nasty = "\u{1b}[31m\u{202e}abc\u{200b}\r\n\t\0".to_owned() + &"é".repeat(100);
    let feed = feed("yard/{site}/{sensor}/state", Format::Json, &[("/t", Quantity::AirTemperature, "Cel")]);
    let payload = serde_json::json!({ "t": nasty }).to_string();
    let seen = decoded(&feed, STATE, &payload).losses[0].seen.clone();
    assert_eq!(seen, format!("·[31m·abc·····{}…", "é".repeat(45)));
    assert_eq!(seen.chars().count(), 60);
}

#[test]
fn hostile_payloads_are_survived() {
    let feed = combo();
    let topic = STATE;
    let deep = "[".repeat(60_000);
    let nested = format!("{{\"temp_c\":{}1{}}}", "[".repeat(100), "]".repeat(100));
    let digits = format!("{{\"temp_c\":{},\"batt_v\":3}}", "9".repeat(60_000));
    let zeros = format!("{{\"temp_c\":0.{}1,\"batt_v\":3}}", "0".repeat(60_000));
    let words = format!("[{}]", "NaN,".repeat(15_000));
    let members = (0..5_000).map(|n| format!("\"k{n}\":{n}")).collect::<Vec<_>>().join(",");
    for (payload, expected) in [
        (deep.as_str(), "!not_json(…[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[)"),
        (&nested, "/temp_c!not_a_number(an array of 1)"),
        (&digits, &format!("battery_voltage=3 /temp_c!not_finite({}…)", "9".repeat(59))),
        (&zeros, "air_temperature=0 battery_voltage=3"),
        (r#"{"temp_c":1,"temp_c":2}"#, "air_temperature=2"),
        (r#"{"temp_c":"\ud800","batt_v":3}"#, "!not_json({\"temp_c\":\"\\ud800\")"),
        (r#"{"temp_c":"\ud83d\ude00","batt_v":3}"#, "battery_voltage=3 /temp_c!not_a_number(😀)"),
        (r#"{"temp_c":"\u0000","batt_v":3}"#, "battery_voltage=3 /temp_c!blank()"),
        (r#"{"temp_c":-0.0,"batt_v":1e-400}"#, "air_temperature=0 battery_voltage=0"),
    ] {
        check(&feed, topic, payload.as_bytes(), expected);
    }
    assert!(parsed(&feed, topic, words.as_bytes()).is_err(), "a comma too many");
    let outline = format!("{{{members}}}");
    assert_eq!(decoded(&feed, topic, &outline).losses[0].seen.chars().count(), 60);
    let megabyte = vec![b'1'; 1 << 20];
    assert_eq!(parsed(&feed, topic, &megabyte).unwrap_err().cause, LossCause::TooLarge);
    let roomy = FeedSettings { max_payload_bytes: usize::MAX, ..values() };
    check(&roomy, TEMP, &megabyte, &format!("temp_c!not_finite({}…)", "1".repeat(59)));
    let roomy = FeedSettings { max_payload_bytes: usize::MAX, ..combo() };
    for byte in [b'"', b'\\', b'{', b'[', b'-', b'N', b',', b' ', b'\0', 0xff] {
        assert!(
            parsed(&roomy, topic, &vec![byte; 1 << 20])
                .map_or(true, |found| found.readings(arrival(), None, None).readings.is_empty())
        );
    }
}

#[test]
fn causes_have_distinct_names_and_all_say_what_to_do() {
    let names: std::collections::BTreeSet<&str> = LossCause::ALL.iter().map(|cause| cause.name()).collect();
    assert_eq!(names.len(), LossCause::ALL.len());
    assert!(LossCause::ALL.iter().all(|cause| !cause.text().is_empty() && !cause.advice().is_empty()));
}

/// JSON-like text that reaches deeper than random bytes do.
fn payloads() -> impl Strategy<Value = Vec<u8>> {
    let scalar = prop::sample::select(vec![
        "1",
        "-0",
        "1e308",
        "1e400",
        "NaN",
        "\"12,5\"",
        "null",
        "true",
        "\"\\ud800\"",
        "[]",
        "{}",
        "\"0x1\"",
        "85.0",
    ]);
    let key = prop::sample::select(vec!["temp_c", "rh_pct", "rain_total_mm", "batt_v", "ts", "id"]);
    let object = prop::collection::vec((key, scalar), 0..8).prop_map(|members| {
        let members: Vec<String> = members.iter().map(|(key, value)| format!("\"{key}\":{value}")).collect();
        format!("{{{}}}", members.join(",")).into_bytes()
    });
    let damaged = (object.clone(), any::<prop::sample::Index>(), any::<u8>()).prop_map(|(mut bytes, index, byte)| {
        let index = index.index(bytes.len());
        bytes[index] = byte;
        bytes
    });
    prop_oneof![object, damaged, prop::collection::vec(any::<u8>(), 0..200), ".*".prop_map(String::into_bytes)]
}

proptest! {
    #[test]
    fn no_bytes_panic_and_every_reading_is_finite(payload in payloads(), topic in ".*", arrival in any::<i64>()) {
        let time = TimeField { pointer: "/ts".into(), format: TimeFormat::UnixAuto, zone: None };
        let json = FeedSettings { time: Some(time), sensor: Part::Pointer("/id".into()), ..combo() };
        for (feed, topic) in [(&json, STATE), (&values(), TEMP)] {
            if let Ok(message) = parsed(feed, topic, &payload) {
                let _ = (message.site(), message.sensor());
                let decoded = message.readings(Stamp(arrival), Some(chrono_tz::Europe::Berlin), None);
                prop_assert!(decoded.readings.iter().all(|found| found.value.is_finite()));
                prop_assert!(decoded.readings.len() <= feed.fields.len());
                prop_assert!(decoded.losses.iter().all(|loss| loss.seen.chars().count() <= 60));
                let again = message.readings(Stamp(arrival), Some(chrono_tz::Europe::Berlin), None);
                prop_assert_eq!(&decoded, &again);
            }
        }
        let text = explain(&[json, values()], &topic, &payload, Stamp(arrival)).to_string();
        prop_assert!(!text.is_empty());
        let text = explain(&[combo(), values()], STATE, &payload, Stamp(arrival)).to_string();
        prop_assert!(text.chars().all(|character| character == '\n' || !character.is_control()));
    }
}
