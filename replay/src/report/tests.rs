//! What a run looks like.

use super::*;

const AT: Stamp = Stamp(1_806_732_000_000); // 2027-04-03T06:00:00Z

fn state(topic: &str, payload: &str) -> Output {
    Output::State { topic: format!("thirst/v1/{topic}"), payload: payload.as_bytes().to_vec() }
}

/// Of no site: times are in UTC.
fn settings() -> Settings {
    let (prefix, instance) = ("thirst/v1".into(), "test".into());
    Settings { version: 1, prefix, instance, feeds: vec![], sites: vec![], history: false }
}

/// The text of `outputs`, one a second.
fn text(form: Form, changes_only: bool, outputs: &[Output]) -> String {
    let mut written = Vec::new();
    let mut report = Report::new(&mut written, io::sink(), &settings(), form, changes_only);
    for (second, output) in outputs.iter().enumerate() {
        let after = i64::try_from(second).unwrap() * 1000;
        report.output(AT.plus(after), output).unwrap();
    }
    drop(report);
    String::from_utf8(written).unwrap()
}

fn hold(sequence: u32, reasons: &[&str]) -> Output {
    let holds: Vec<Json> = reasons.iter().map(|reason| json!({"reason": reason})).collect();
    let payload = json!({"sequence": sequence, "action": "hold", "holds": holds, "text": "Wet enough."});
    state("site/oak/decision/lawn", &payload.to_string())
}

fn record() -> Output {
    Output::Record(Record {
        lane: Lane::Account,
        measurement: "day",
        tags: vec![("site", "oak".into())],
        fields: vec![
            ("eto_mm", Value::Float(4.25)),
            ("final", Value::Boolean(true)),
            ("note", Value::Text("a".into())),
        ],
        at: AT,
    })
}

#[test]
fn each_kind_of_output_reads_as_one_line() {
    let outputs = [
        hold(1, &["rain", "freeze"]),
        state("site/oak/decision/beds", r#"{"action":"scale","scale_percent":60,"text":"Sunny."}"#),
        state("site/oak/instruction/valves", r#"{"water_allowed":false,"text":"Do not water."}"#),
        state(
            "site/oak/totals",
            r#"{"owed_mm":{"beds":2.04,"lawn":0},"previous_day":{"day":"2027-04-02","revision":0,"eto_mm":3.149,"rain_mm":14,"method":"hourly"}}"#,
        ),
        state("site/oak/sensor/mast", r#"{"link":{"state":"lost"},"battery":{"state":"low"}}"#),
        state(
            "site/oak/alert/sensor_silent/mast",
            r#"{"state":"open","urgency":"today","text":"Silent since 3 h.","suggested_action":"Look\nat it."}"#,
        ),
        Output::Answer {
            topic: "thirst/v1/site/oak/result".into(),
            payload: br#"{"verb":"hold","who":"office","outcome":"done","text":"Held."}"#.to_vec(),
        },
        record(),
        Output::Audit { site: "oak".into(), who: "office".into(), text: "holds lawn".into() },
        Output::Log { level: Level::Warn, site: String::new(), text: "unknown site".into() },
        state("visits", r#"{"visits":[{},{}]}"#),
        state("site/oak/alert/sensor_silent/mast", r#"{"state":"closed","since":"2027-04-03T05:00:00Z"}"#),
        Output::Answer {
            topic: "thirst/v1/site/oak/result".into(),
            payload: br#"{"outcome":"refused","text":"No verb."}"#.to_vec(),
        },
    ];
    assert_eq!(
        text(Form::Lines, false, &outputs),
        "\
2027-04-03 06:00:00 +00:00  oak  decision lawn: hold (rain, freeze). Wet enough.
2027-04-03 06:00:01 +00:00  oak  decision beds: scale 60 %. Sunny.
2027-04-03 06:00:02 +00:00  oak  instruction valves: Do not water.
2027-04-03 06:00:03 +00:00  oak  day 2027-04-02 closed: ETo 3.1 mm (hourly), rain 14.0 mm, beds owes 2.0 mm, lawn owes 0.0 mm
2027-04-03 06:00:04 +00:00  oak  sensor mast: link lost, battery low
2027-04-03 06:00:05 +00:00  oak  alert sensor_silent/mast opened (today): Silent since 3 h. Look at it.
2027-04-03 06:00:06 +00:00  oak  result hold of office: done. Held.
2027-04-03 06:00:08 +00:00  oak  audit office: holds lawn
2027-04-03 06:00:09 +00:00  -  log warn: unknown site
2027-04-03 06:00:10 +00:00  -  visits: 2 on the list
2027-04-03 06:00:11 +00:00  oak  alert sensor_silent/mast closed, open since 2027-04-03T05:00:00Z
2027-04-03 06:00:12 +00:00  oak  result: refused. No verb.
"
    );
}

#[test]
fn changes_leave_out_what_repeats() {
    let outputs =
        [hold(1, &["rain"]), hold(2, &["rain"]), record(), hold(3, &["rain", "wind"]), hold(4, &["rain", "wind"])];
    let lines = |changes_only| text(Form::Lines, changes_only, &outputs).lines().count();
    assert_eq!((lines(false), lines(true)), (4, 2));
    let objects = |changes_only| text(Form::Json, changes_only, &outputs).lines().count();
    assert_eq!((objects(false), objects(true)), (5, 2));
}

#[test]
fn totals_are_told_at_a_days_close_and_at_a_revision() {
    let totals = |previous: &str| state("site/oak/totals", &format!(r#"{{"rain":{{}}{previous}}}"#));
    let closed = r#","previous_day":{"day":"2027-04-02","revision":0,"rain_mm":1}"#;
    let revised = r#","previous_day":{"day":"2027-04-02","revision":1,"rain_mm":3}"#;
    let outputs = [totals(""), totals(closed), totals(closed), totals(revised)];
    assert_eq!(
        text(Form::Lines, false, &outputs),
        "\
2027-04-03 06:00:01 +00:00  oak  day 2027-04-02 closed: rain 1.0 mm
2027-04-03 06:00:03 +00:00  oak  day 2027-04-02 revised (1): rain 3.0 mm
"
    );
}

#[test]
fn json_keeps_the_payload_as_published_and_every_line_is_json() {
    let outputs = [
        state("site/oak/fallback", r#"{"z":1,"a":2}"#),
        state("site/oak/alert/flat_line/mast", ""),
        Output::Answer { topic: "thirst/v1/site/oak/result".into(), payload: b"\xff\n".to_vec() },
        record(),
        Output::Log { level: Level::Info, site: "oak".into(), text: "a\nb".into() },
    ];
    let written = text(Form::Json, false, &outputs);
    let lines: Vec<&str> = written.lines().collect();
    assert_eq!(
        lines[0],
        r#"{"at":"2027-04-03T06:00:00Z","output":"state","topic":"thirst/v1/site/oak/fallback","payload":{"z":1,"a":2}}"#
    );
    assert!(lines[1].ends_with(r#""payload":null}"#));
    for line in &lines {
        serde_json::from_str::<Json>(line).unwrap();
    }
    let record: Json = serde_json::from_str(lines[3]).unwrap();
    assert_eq!(record["fields"], json!({"eto_mm": 4.25, "final": true, "note": "a"}));
    assert_eq!(lines.len(), 5);
}

#[test]
fn the_summary_names_every_count() {
    let summary = Summary {
        from: AT,
        until: AT.plus(60_000),
        messages: 3,
        retained: 1,
        events: 1,
        published: BTreeMap::from([(Kind::Decision, 2), (Kind::Totals, 5)]),
        cleared: 1,
        records: BTreeMap::from([("day", 1)]),
        audit: 1,
        logged: 0,
    };
    let mut written = Vec::new();
    Report::new(&mut written, io::sink(), &settings(), Form::Lines, false).finish(&summary).unwrap();
    assert_eq!(
        String::from_utf8(written).unwrap(),
        "
time      2027-04-03T06:00:00Z to 2027-04-03T06:01:00Z
in        3 messages (1 retained), 1 other event
published 7 (decision 2, totals 5), of these 1 cleared
history   1 (day 1)
audit     1 line
log       0 lines
"
    );
}
