//! Commands as people and programs send them, right and wrong.

use chrono::{NaiveDate, TimeZone};

use super::*;

fn parse(rest: &str) -> Result<Command, CommandError> {
    Command::parse(format!(r#"{{"id":"c-1","who":"Ines",{rest}}}"#).as_bytes())
}

fn verb(rest: &str) -> Verb {
    parse(rest).unwrap_or_else(|error| panic!("{rest}: {error}")).verb
}

#[test]
fn every_verb_is_read_and_survives_being_written_again() {
    let until = Utc.with_ymd_and_hms(2026, 7, 3, 4, 0, 0).single();
    let cases = [
        (r#""verb":"hold""#, Verb::Hold(HoldOrder::default())),
        (
            r#""verb":"hold","groups":["lawn","beds"],"until":"2026-07-03T06:00:00+02:00","note":"Fest im Garten""#,
            Verb::Hold(HoldOrder {
                groups: Some(vec!["lawn".into(), "beds".into()]),
                until,
                hours: None,
                note: Some("Fest im Garten".into()),
            }),
        ),
        (
            r#""verb":"release","reasons":["rain","wind"],"hours":36,"confirm":true"#,
            Verb::Release(ReleaseOrder {
                reasons: Some(vec![Reason::Rain, Reason::Wind]),
                hours: Some(36.0),
                confirm: Some(true),
                ..ReleaseOrder::default()
            }),
        ),
        (
            r#""verb":"service","sensor":"gauge","kind":"calibration","at":"2026-07-03T04:00:00Z""#,
            Verb::Service(ServiceOrder {
                sensor: "gauge".into(),
                kind: ServiceKind::Calibration,
                at: until,
                note: None,
            }),
        ),
        (
            r#""verb":"confirm_rain","sensor":"gauge""#,
            Verb::ConfirmRain(RainOrder { sensor: "gauge".into(), note: None }),
        ),
        (
            r#""verb":"discard_rain","sensor":"gauge","note":"hose""#,
            Verb::DiscardRain(RainOrder { sensor: "gauge".into(), note: Some("hose".into()) }),
        ),
        (
            r#""verb":"adopt","sensor":"gauge","successor":"a1b2""#,
            Verb::Adopt(AdoptOrder { sensor: "gauge".into(), successor: "a1b2".into(), note: None }),
        ),
        (
            r#""verb":"acknowledge","kind":"gauge_knocked","subject":"gauge""#,
            Verb::Acknowledge(AcknowledgeOrder {
                kind: AlertKind::GaugeKnocked,
                subject: "gauge".into(),
                until: None,
                note: None,
            }),
        ),
        (
            r#""verb":"acknowledge","kind":"battery_low","subject":"mast","until":"2026-08-15T06:00:00Z""#,
            Verb::Acknowledge(AcknowledgeOrder {
                kind: AlertKind::BatteryLow,
                subject: "mast".into(),
                until: "2026-08-15T06:00:00Z".parse().ok(),
                note: None,
            }),
        ),
        (
            r#""verb":"season","state":"drained""#,
            Verb::Season(SeasonOrder {
                state: SeasonState::Drained,
                groups: None,
                until: None,
                permit: None,
                note: None,
            }),
        ),
        (
            r#""verb":"season","state":"establishing","groups":["beds"],"until":"2026-08-15","permit":"no. 17""#,
            Verb::Season(SeasonOrder {
                state: SeasonState::Establishing,
                groups: Some(vec!["beds".into()]),
                until: NaiveDate::from_ymd_opt(2026, 8, 15),
                permit: Some("no. 17".into()),
                note: None,
            }),
        ),
    ];
    for (rest, wanted) in cases {
        let command = parse(rest).unwrap_or_else(|error| panic!("{rest}: {error}"));
        assert_eq!(command.verb, wanted, "{rest}");
        let written = serde_json::to_vec(&command).unwrap();
        assert_eq!(Command::parse(&written).as_ref(), Ok(&command), "{rest}");
        assert_eq!(serde_json::from_slice::<Command>(&written).unwrap(), command, "{rest}");
        let name = serde_json::to_value(command.verb.name()).unwrap();
        assert_eq!(serde_json::to_value(&command).unwrap().get("verb"), Some(&name), "{rest}");
    }
}

#[test]
fn a_wrong_command_is_told_which_key_is_wrong_and_what_to_write() {
    for (rest, wanted) in [
        (r#""verb":"water""#, r#"key "verb": "water" does not fit: write hold, release, service"#),
        (r#""verb":["hold"]"#, r#"key "verb": a list of 1 does not fit"#),
        (r#""vreb":"hold""#, r#"key "verb" is missing: write hold, release"#),
        (
            r#""verb":"hold","untill":"2026-07-03T04:00:00Z""#,
            r#"key "untill" is not known: the verb hold takes schema, id, who, expires_at, verb, groups, until, hours, note"#,
        ),
        (r#""verb":"hold","reasons":["rain"]"#, r#"key "reasons" is not known: the verb hold takes"#),
        (r#""verb":"hold","until":"tomorrow""#, r#"key "until": "tomorrow" does not fit: write an RFC 3339 time"#),
        (r#""verb":"hold","until":"2026-07-03T04:00:00""#, r#"key "until": "2026-07-03T04:00:00" does not fit"#),
        (r#""verb":"hold","until":"9999-07-03T04:00:00Z""#, r#"key "until": "9999-07-03T04:00:00Z" does not fit"#),
        (r#""verb":"hold","until":1783051200"#, r#"key "until": 1783051200 does not fit"#),
        (r#""verb":"hold","until":null"#, r#"key "until": null does not fit"#),
        (
            r#""verb":"hold","until":"2026-07-03T04:00:00Z","hours":3"#,
            r#"keys "until" and "hours" both say when it ends: write one of them"#,
        ),
        (r#""verb":"hold","hours":1e300"#, r#"key "hours": 1e+300 does not fit: write a number of hours from 0.1"#),
        (r#""verb":"hold","hours":-1"#, r#"key "hours": -1 does not fit"#),
        (r#""verb":"hold","hours":"3""#, r#"key "hours": "3" does not fit"#),
        (
            r#""verb":"hold","groups":[]"#,
            r#"key "groups": a list of 0 does not fit: write a list of 1 to 64 different"#,
        ),
        (r#""verb":"hold","groups":["lawn","lawn"]"#, r#"key "groups": a list of 2 does not fit"#),
        (r#""verb":"hold","groups":"lawn""#, r#"key "groups": "lawn" does not fit"#),
        (r#""verb":"hold","groups":["Lawn"]"#, r#"key "groups": a list of 1 does not fit"#),
        (r#""verb":"hold","note":"a\u0000b""#, r#"key "note": "a?b" does not fit: write a text"#),
        (r#""verb":"release","reasons":["fog"]"#, r#"key "reasons": a list of 1 does not fit: write a list of"#),
        (r#""verb":"release","reasons":[{"rain":null}]"#, r#"key "reasons": a list of 1 does not fit"#),
        (r#""verb":"release","confirm":1"#, r#"key "confirm": 1 does not fit: write true or false"#),
        (r#""verb":"service","kind":"battery""#, r#"key "sensor" is missing: write an id"#),
        (r#""verb":"service","sensor":"gauge","kind":"shaken""#, r#"key "kind": "shaken" does not fit: write battery"#),
        (r#""verb":"service","sensor":"../x","kind":"battery""#, r#"key "sensor": "../x" does not fit"#),
        (r#""verb":"adopt","sensor":"gauge","successor":"gauge""#, r#"key "successor": "gauge" does not fit"#),
        (r#""verb":"acknowledge","kind":"gauge_bent","subject":"gauge""#, r#"key "kind": "gauge_bent" does not fit"#),
        (
            r#""verb":"acknowledge","kind":"battery_low","subject":"mast","until":"tomorrow""#,
            r#"key "until": "tomorrow" does not fit"#,
        ),
        (r#""verb":"season","state":"establishing""#, r#"key "until" is missing: write the last day as a date"#),
        (r#""verb":"season","state":"establishing","until":"2026-8-15""#, r#"key "until": "2026-8-15" does not fit"#),
        (
            r#""verb":"season","state":"drained","until":"2026-08-15""#,
            r#"key "until" goes with the state establishing"#,
        ),
        (r#""verb":"season","state":"running","permit":"no. 17""#, r#"key "permit" goes with the state establishing"#),
        (r#""verb":"season","state":"running","groups":["beds"]"#, r#"key "groups" goes with the state establishing"#),
        (r#""verb":"season","state":"drain_due""#, r#"key "state": "drain_due" does not fit: write running, drained"#),
        (r#""verb":"hold","expires_at":"soon""#, r#"key "expires_at": "soon" does not fit"#),
        (r#""verb":"hold","schema":"thirst/command/2""#, r#"key "schema": "thirst/command/2" does not fit"#),
        (r#""verb":"hold","verb":"release""#, r#"the key "verb" is given twice"#),
    ] {
        let error = parse(rest).expect_err(rest);
        assert!(error.text.contains(wanted), "{rest}\n got: {error}\nwant: {wanted}");
        assert!(error.text.chars().count() < 400, "{error}");
    }
}

#[test]
fn id_and_who_are_bounded_and_plain() {
    let long = "x".repeat(65);
    for (id, who, wanted) in [
        ("", "Ines", r#"key "id": "" does not fit"#),
        ("a b", "Ines", r#"key "id": "a b" does not fit"#),
        ("ü", "Ines", r#"key "id": "ü" does not fit"#),
        (long.as_str(), "Ines", r#"key "id": "xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx…" does not fit"#),
        ("c-1", "", r#"key "who": "" does not fit"#),
        ("c-1", "   ", r#"key "who": "   " does not fit"#),
        ("c-1", "a\\nb", r#"key "who": "a?b" does not fit"#),
        ("c-1", long.as_str(), r#"key "who": "xxx"#),
        ("c-1", "\\u202eevil\\nx", r#"key "who": "?evil?x" does not fit"#),
    ] {
        let bytes = format!(r#"{{"id":"{id}","who":"{who}","verb":"hold"}}"#);
        let error = Command::parse(bytes.as_bytes()).expect_err(&bytes);
        assert!(error.text.contains(wanted), "{bytes}\n got: {error}\nwant: {wanted}");
    }
    let most = format!(r#"{{"id":"{}","who":"{}","verb":"hold"}}"#, "Az09_.-z".repeat(8), "ü".repeat(64));
    assert!(Command::parse(most.as_bytes()).is_ok());
    assert_eq!(verb(r#""verb":"hold","schema":"thirst/command/1""#), Verb::Hold(HoldOrder::default()));
}

#[test]
fn what_can_be_read_of_a_refused_command_is_kept_for_the_answer() {
    let error = parse(r#""verb":"hold","hours":0"#).unwrap_err();
    assert_eq!(
        (error.id.as_deref(), error.who.as_deref(), error.verb),
        (Some("c-1"), Some("Ines"), Some(VerbName::Hold))
    );
    let error = Command::parse(br#"{"id":7,"who":"Ines","verb":"fly"}"#).unwrap_err();
    assert_eq!((error.id, error.who.as_deref(), error.verb), (None, Some("Ines"), None));
}

#[test]
fn hostile_bytes_are_refused_without_harm() {
    let long = format!(r#"{{"id":"c-1","who":"Ines","verb":"hold","note":"{}"}}"#, "x".repeat(COMMAND_BYTES_MAX));
    let deep = "[".repeat(COMMAND_BYTES_MAX);
    let deep_key = format!(r#"{{"id":{}"#, r#"{"a":"#.repeat(800));
    let long_key = format!(r#"{{"verb":"hold","{}":1}}"#, "k".repeat(3000));
    let twice = format!(r#"{{"{0}":1,"{0}":1}}"#, "k".repeat(1500));
    for bytes in [
        long.as_bytes(),
        deep.as_bytes(),
        deep_key.as_bytes(),
        long_key.as_bytes(),
        twice.as_bytes(),
        b"",
        b"null",
        b"\"hold\"",
        b"[]",
        b"{}",
        b"{}{}",
        b"\xff\xfe",
        b"{\"id\":\"\xc3\x28\"}",
        b"{\"id\":1e999}",
        b"{\"\\ud800\":1}",
        b"\xef\xbb\xbf{}",
    ] {
        let error = Command::parse(bytes).expect_err("refused");
        assert!((10..400).contains(&error.text.chars().count()), "{error}");
        assert!(!error.text.chars().any(char::is_control), "{error}");
    }
}
