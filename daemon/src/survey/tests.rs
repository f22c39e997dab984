//! Small surveys: patterns, what is left out, what goes into the file; and that nothing hostile breaks it.

use proptest::prelude::*;

use super::*;
use crate::config::load_text;
use crate::engine::decode::Part;
use crate::engine::stamp::{MINUTE, SECOND};

/// 2027-06-01T04:00:00Z.
const START: Stamp = Stamp(1_811_822_400_000);

/// Each message a minute after the one before it.
fn report(messages: &[(&str, &str)]) -> Report {
    let mut survey = Survey::default();
    for (minute, (topic, payload)) in messages.iter().enumerate() {
        survey.take(START.plus(minute as i64 * MINUTE), topic, payload.as_bytes(), false);
    }
    survey.report()
}

fn place() -> Place {
    Place { broker_host: "localhost".into(), broker_port: 1883, ..Place::default() }
}

fn check_left_out(topic: &str, payload: &str, expected: &str) {
    let report = report(&[(topic, payload), (topic, payload), (topic, payload)]);
    let seen: Vec<&str> = report.left_out.iter().map(|left| left.why.as_str()).collect();
    assert_eq!(seen, [expected], "{topic} {payload}");
    assert!(report.patterns.is_empty(), "{topic} {payload}");
}

#[test]
fn what_is_no_sensor_is_left_out_with_the_reason() {
    check_left_out("$SYS/broker/uptime", "17 seconds", "the broker's own");
    check_left_out("thirst/v1/daemon/thirstd", "{}", "thirstd's own, or its bridges'");
    check_left_out("yard/mast/status", "online", "words, no numbers: \"online\"");
    check_left_out("yard/mast/uptime", "12", "named \"uptime\": about a device, or orders to it");
    check_left_out("yard/mast/state", "", "only empty messages");
    check_left_out("yard/list", "[1,2]", "a JSON list that is no SenML");
    check_left_out("yard/thing", "17", "a number, and no level says of what");
    check_left_out("meter/house", r#"{"power_w":412,"energy":9.5}"#, "2 fields, none of weather");
    check_left_out("yard/mast/state", r#"{"batt_v":3.01,"rssi":-70}"#, "battery and radio alone, no weather");
    check_left_out("yard/mast/battery", "3.01", "battery and radio alone, no weather");
}

fn check_parts(topics: &[&str], template: &str, senders: &[(&str, &str)]) {
    let payload = r#"{"temp_c":21.5}"#;
    let messages: Vec<(&str, &str)> = topics.iter().map(|topic| (*topic, payload)).collect();
    let report = report(&messages);
    let pattern = report.patterns.first().unwrap();
    assert_eq!(pattern.template, template, "{topics:?}");
    let expected = senders.iter().map(|(site, sensor)| (site.to_string(), sensor.to_string())).collect();
    assert_eq!(pattern.senders, expected, "{topics:?}");
}

#[test]
fn levels_are_told_apart_by_what_differs_and_by_their_neighbors() {
    check_parts(
        &["yard/oak/mast/state", "yard/elm/mast/state"],
        "yard/{sensor}/mast/state",
        &[("home", "elm"), ("home", "oak")],
    );
    check_parts(
        &["yard/oak/mast/state", "yard/elm/mast/state", "yard/elm/pond/state"],
        "yard/{site}/{sensor}/state",
        &[("elm", "mast"), ("elm", "pond"), ("oak", "mast")],
    );
    check_parts(
        &["a/sites/oak/mast", "a/sites/elm/mast"],
        "a/sites/{site}/{sensor}",
        &[("elm", "mast"), ("oak", "mast")],
    );
    check_parts(
        &["net/v3/devices/p-1/up", "net/v3/devices/p-2/up"],
        "net/v3/devices/{sensor}/up",
        &[("home", "p-1"), ("home", "p-2")],
    );
    check_parts(&["yard/shed/state"], "yard/{sensor}/state", &[("home", "shed")]);
    check_parts(&["weather"], "weather", &[("home", "weather")]);
    check_parts(&["oak/mast/state", "elm/mast/state"], "elm/{sensor}/state", &[("elm", "mast")]);
}

#[test]
fn several_senders_on_one_topic_are_named_by_the_payload() {
    let a = r#"{"node":"a1","temp_c":21.5}"#;
    let b = r#"{"node":"b2","temp_c":19.5}"#;
    let report = report(&[("in/all", a), ("in/all", b), ("in/all", a), ("in/all", b)]);
    let pattern = report.patterns.first().unwrap();
    assert_eq!(pattern.sensor.part, Part::Pointer("/node".to_owned()));
    assert_eq!(pattern.senders.iter().map(|(_, sensor)| sensor.as_str()).collect::<Vec<_>>(), ["a1", "b2"]);
    assert_eq!(pattern.interval.map(|interval| interval.millis), Some(2 * MINUTE));
}

#[test]
fn rain_without_a_telling_name_and_wind_without_a_unit_stay_comments() {
    let report = report(&[("w/mast", r#"{"temp_c":12,"rain":0,"wind":3}"#); 5]);
    let written = write(&report, &place());
    assert!(written.text.contains("#fields.\"/rain\" = { quantity = \"rain_counter\""), "{}", written.text);
    assert!(written.text.contains("#fields.\"/wind\" = { quantity = \"wind_speed\""), "{}", written.text);
    assert_eq!((written.feeds, written.fields, written.remarks), (1, 1, 2));
    let with_comments = written.text.replace("#fields.", "fields.");
    assert!(load_text("all", &with_comments, std::iter::empty()).is_ok(), "{with_comments}");
}

#[test]
fn a_place_that_is_given_is_written_and_nothing_else_is_invented() {
    let place = Place {
        latitude: Some(-33.5),
        longitude: Some(150.25),
        zone: Some("Australia/Sydney".into()),
        broker_user: Some("reader".into()),
        broker_password_file: Some("secret".into()),
        ..place()
    };
    let written = write(&report(&[("w/mast", r#"{"temp_c":12}"#); 3]), &place);
    for line in ["latitude = -33.5\n", "longitude = 150.25\n", "zone = \"Australia/Sydney\"\n", "user = \"reader\"\n"] {
        assert!(written.text.contains(line), "{line}: {}", written.text);
    }
    assert_eq!(written.to_fill_in, 2, "kind of group and of controller");
}

#[test]
fn feeds_never_overlap() {
    let json = r#"{"temp_c":12}"#;
    let report = report(&[
        ("p/a/m1/json", json),
        ("p/b/m1/json", json),
        ("p/a/m2/json", json),
        ("p/a/m1/humidity", "61"),
        ("p/b/m2/humidity", "63"),
        ("p/b/m1/humidity", "60"),
    ]);
    let written = write(&report, &place());
    assert!(written.text.contains("topic = \"p/{site}/{sensor}/humidity\""), "{}", written.text);
    let loaded =
        load_text("x", &written.text, std::iter::empty()).unwrap_or_else(|faults| panic!("{faults}\n{}", written.text));
    assert_eq!(loaded.settings.feeds.len(), 2);
}

#[test]
fn a_flood_of_topics_and_fields_stays_small() {
    let mut survey = Survey::default();
    for number in 0..6_000 {
        let payload = format!(r#"{{"temp_c":21.5,"x{number}":1}}"#);
        survey.take(START, &format!("yard/{number}/state"), payload.as_bytes(), false);
    }
    let members: Vec<String> = (0..5_000).map(|number| format!("\"k{number}\":{number}")).collect();
    let wide = format!("{{{}}}", members.join(","));
    for second in 0..10 {
        survey.take(START.plus(second * SECOND), "yard/1/state", wide.as_bytes(), false);
    }
    assert_eq!((survey.topics.len(), survey.beyond), (MOST_TOPICS, 1_000));
    assert!(survey.fields <= MOST_FIELDS);
    let report = survey.report();
    let written = write(&report, &place());
    assert!(written.sensors <= 50 && written.text.len() < 100_000, "{}", written.text.len());
    assert!(load_text("flood", &written.text, std::iter::empty()).is_ok());
    assert!(page(&report, "flood").len() < 20_000);
}

/// Topics and payloads as brokers and vandals have them.
fn messages() -> impl Strategy<Value = Vec<(String, String, bool)>> {
    let level = prop::sample::select(vec![
        "yard",
        "oak",
        "elm",
        "mast",
        "state",
        "status",
        "temperature",
        "rain_mm",
        "",
        "$SYS",
        "a\"b",
        "thirst",
        "é",
        "7",
        "devices",
        "soil",
        "{site}",
        "a\nb",
        "sites",
        "humidity",
    ]);
    let topic = prop::collection::vec(level, 1..5).prop_map(|levels| levels.join("/"));
    let key = prop::sample::select(vec![
        "temp_c", "t", "hum", "rain", "wind", "ts", "id", "a/b", "q\"\\", "value", "unit", "batt", "seq", "\u{7}",
    ]);
    let value = prop::sample::select(vec![
        "1",
        "-0.5",
        "21.5",
        "1811822400",
        "1e308",
        "\"12,5 °C\"",
        "null",
        "true",
        "{\"value\":3,\"unit\":\"m/s\"}",
        "[1,2,{\"rssi\":-70}]",
        "\"2027-06-01 04:00:00\"",
        "\"x\\ny\"",
        "{}",
        "-9999",
    ]);
    let object = prop::collection::vec((key, value.clone()), 0..6).prop_map(|members| {
        let members = members.iter().map(|(key, value)| format!("{}:{value}", serde_json::Value::from(*key)));
        format!("{{{}}}", members.collect::<Vec<_>>().join(","))
    });
    let pack = "\\[\\{\"n\":\"(temp|rain)\",\"u\":\"(Cel|mm|x)\",\"v\":[0-9]{1,3}\\}\\]";
    let payload = prop_oneof![object, value.prop_map(str::to_owned), pack, ".{0,20}"];
    prop::collection::vec((topic, payload, any::<bool>()), 0..40)
}

proptest! {
    #[test]
    fn nothing_panics_and_what_is_written_loads(messages in messages(), step in 0..100_000_i64) {
        let mut survey = Survey::default();
        for (index, (topic, payload, retain)) in messages.iter().enumerate() {
            survey.take(START.plus(index as i64 * step), topic, payload.as_bytes(), *retain);
        }
        let report = survey.report();
        let shown = page(&report, "made up");
        prop_assert!(shown.chars().all(|c| c == '\n' || !c.is_control()), "{shown}");
        let written = write(&report, &place());
        if written.feeds > 0 {
            let loaded = load_text("made up", &written.text, std::iter::empty());
            prop_assert!(loaded.is_ok(), "{}\n{}", loaded.err().map_or(String::new(), |faults| faults.to_string()), written.text);
        }
    }
}
