//! Whole pages out of small stores, word for word.

use serde_json::{Value as Json, json};
use tempfile::TempDir;

use super::*;
use crate::engine::settings::{DisplayUnits, tests::site};
use crate::shell::store::{Commit, Limits, Store};

/// 2027-06-02 in Berlin begins at 22:00 UTC.
const DAY: &str = "2027-06-02";

fn at(text: &str) -> Stamp {
    Stamp::from(text.parse::<chrono::DateTime<chrono::Utc>>().unwrap())
}

fn line(at: Stamp, kind: DiaryKind, subject: &str, payload: &Json) -> DiaryLine {
    DiaryLine { site: "oak".into(), at, kind, subject: subject.into(), payload: payload.to_string().into_bytes() }
}

fn decision(time: &str, percent: u16, owed_mm: f64, holds: &Json, text: &str) -> DiaryLine {
    let is_held = holds.as_array().is_some_and(|holds| !holds.is_empty());
    let payload = json!({
        "schema": "thirst/decision/1", "site": "oak", "epoch": 1, "sequence": 1, "issued_at": time, "group": "lawn",
        "action": if is_held { "hold" } else { "scale" }, "scale_percent": percent, "holds": holds, "released": [],
        "valid_until": "2027-06-09T00:00:00Z", "confidence": "measured", "basis": {},
        "figures": {
            "owed_mm": owed_mm, "run_depth_mm": 10.0, "eto_today_mm": 1.0, "rain_today_mm": 0.0, "rain_24h_mm": 0.0,
            "rain_event_mm": 0.0, "coldest_celsius": 12.0
        },
        "allowed_intervals": [], "clock_trusted": true, "durable": true, "text": text
    });
    line(at(time), DiaryKind::Decision, "lawn", &payload)
}

fn rain(until: &str) -> Json {
    json!([{
        "reason": "rain", "since": "2027-06-01T20:00:00Z", "until": until,
        "text": "Rain: 14.0 mm fell in the last rain; there is water enough until about Thu 06:00."
    }])
}

fn run(time: &str, start: &str, end: &str, mm: f64, reported: bool) -> DiaryLine {
    let payload = json!({"group": "lawn", "start": start, "end": end, "depth_mm": mm, "reported": reported});
    line(at(time), DiaryKind::Delivery, "lawn", &payload)
}

fn alert(time: &str, state: &str) -> DiaryLine {
    let mut payload = json!({
        "schema": "thirst/alert/1", "site": "oak", "epoch": 1, "sequence": 1, "issued_at": time, "kind": "sensor_silent",
        "subject": "mast", "state": state, "since": "2027-06-02T06:00:00Z", "urgency": "today", "audience": "technician",
        "text": "Sensor mast is silent.", "suggested_action": "Look at it.", "figures": {}
    });
    if state == "closed" {
        payload["closed_at"] = json!(time);
    }
    if state == "acknowledged" {
        payload["acknowledged_by"] = json!("ann");
    }
    line(at(time), DiaryKind::Alert, "sensor_silent/mast", &payload)
}

fn figures(time: &str, revision: u32, rain_mm: f64, is_final: bool) -> DiaryLine {
    let payload = json!({
        "day": DAY, "revision": revision, "final": is_final, "eto_mm": 4.0, "rain_mm": rain_mm,
        "eto_method": "standardized_hourly", "coverage_percent": 96.0, "uncertainty_mm": 0.3,
        "air_temperature_min_celsius": 8.0, "air_temperature_max_celsius": 21.5
    });
    line(at(time), DiaryKind::Day, DAY, &payload)
}

/// The page of the second of June at `now`, and what programs get.
fn asked(diary: Vec<DiaryLine>, now: &str, units: DisplayUnits) -> (String, Json) {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let (mut store, _) = Store::open(&path, Limits::default()).unwrap();
    let order =
        |time: &str, text: &str| AuditRow { at: at(time), site: "oak".into(), who: "office".into(), text: text.into() };
    let audit =
        vec![order("2027-06-01T12:00:00Z", "of another day"), order("2027-06-02T07:00:00Z", "hold (a1): lawn held")];
    store.commit(&Commit { diary, audit, ..Commit::default() }).unwrap();
    let mut oak = site();
    oak.units = units;
    let reader = Reader::look(&path).unwrap();
    let past = read(&reader, "thirst/v1", &oak, DAY.parse().unwrap(), None, at(now)).unwrap();
    (page(&past, Screen { width: 90, color: false }), json(&past))
}

fn answered(diary: Vec<DiaryLine>, now: &str) -> String {
    let (_, json) = asked(diary, now, DisplayUnits::Metric);
    json["answers"][0]["text"].as_str().unwrap().to_owned()
}

#[test]
fn a_day_of_rain_is_told_from_its_beginning_to_its_revision() {
    let diary = vec![
        decision("2027-06-01T20:00:00Z", 40, -5.0, &rain("2027-06-03T04:00:00Z"), "Hold: do not water lawn. Rain."),
        alert("2027-06-02T06:00:00Z", "open"),
        alert("2027-06-02T07:30:00Z", "acknowledged"),
        alert("2027-06-02T09:00:00Z", "closed"),
        decision("2027-06-02T12:00:00Z", 45, -2.0, &rain("2027-06-03T09:00:00Z"), "Hold: do not water lawn. Longer."),
        figures("2027-06-02T22:00:00Z", 0, 1.0, false),
        figures("2027-06-03T10:00:00Z", 1, 3.5, false),
        figures("2027-06-04T22:00:00Z", 1, 3.5, true),
        decision("2027-06-03T09:00:00Z", 45, 2.0, &json!([]), "of the next day"),
    ];
    let (page, json) = asked(diary, "2027-06-10T12:00:00Z", DisplayUnits::Metric);
    assert_eq!(
        page,
        "\
oak (Oak) on Wednesday, 2 June 2027
  lawn       Not watered: it was held while it could have run. Rain: 14.0 mm fell in the
             last rain; there is water enough until about Thu 06:00.

What happened (time of Europe/Berlin)
  Tue 22:00  (as the day began) Hold: do not water lawn. Rain. [5.0 mm stored ahead; ETo
             1.0 mm and rain 0.0 mm so far; 12.0 °C]
  08:00      alert: Sensor mast is silent.
  09:00      command by office: hold (a1): lawn held
  09:30      alert taken on by ann: Sensor mast is silent.
  11:00      alert over: Sensor mast is silent.
  14:00      Hold: do not water lawn. Longer. [2.0 mm stored ahead; ETo 1.0 mm and rain
             0.0 mm so far; 12.0 °C]
  Thu 12:00  figures revised by late readings: rain from 1.0 mm to 3.5 mm

Water of the day
  ETo        4.0 mm, likely within 0.3 mm (standardized equation, hour by hour; 96 % of
             the time covered by readings)
  rain       3.5 mm
  air        8.0 °C to 21.5 °C
  state      Revised once by readings that came late; the figures are final.
"
    );
    assert_eq!(json["stood_before"][0]["decision"]["holds"][0]["reason"], "rain");
    assert_eq!(json["decisions"].as_array().unwrap().len(), 1);
    assert_eq!((json["start"].as_str(), json["zone"].as_str()), (Some("2027-06-01T22:00:00Z"), Some("Europe/Berlin")));
    assert_eq!(json["days"].as_array().unwrap().len(), 3);
}

#[test]
fn what_ran_is_told_in_the_units_of_the_site() {
    let diary = vec![
        decision("2027-06-01T20:00:00Z", 62, 6.35, &json!([]), "Water lawn 62 %."),
        run("2027-06-02T05:00:00Z", "2027-06-02T01:00:00Z", "2027-06-02T01:25:00Z", 5.08, true),
        // Reported days later.
        run("2027-06-05T05:00:00Z", "2027-06-02T03:00:00Z", "2027-06-02T03:05:00Z", 2.54, true),
        // Of the day after.
        run("2027-06-03T05:00:00Z", "2027-06-03T03:00:00Z", "2027-06-03T03:05:00Z", 2.54, true),
        figures("2027-06-02T22:00:00Z", 0, 0.0, false),
    ];
    let (page, _) = asked(diary, "2027-06-10T12:00:00Z", DisplayUnits::Us);
    assert_eq!(
        page,
        "\
oak (Oak) on Wednesday, 2 June 2027
  lawn       Watered between 03:00 and 05:05: 2 runs, 0.30 in together, as the bridge
             reported. The decision then was 62 %, with 0.25 in owed.

What happened (time of Europe/Berlin)
  Tue 22:00  (as the day began) Water lawn 62 %. [0.25 in owed; ETo 0.04 in and rain
             0.00 in so far; 54 °F]
  03:25      lawn: the bridge reported a run from 03:00 to 03:25: 0.20 in.
  05:05      lawn: the bridge reported a run from 05:00 to 05:05: 0.10 in.
  09:00      command by office: hold (a1): lawn held

Water of the day
  ETo        0.16 in, likely within 0.01 in (standardized equation, hour by hour; 96 % of
             the time covered by readings)
  rain       0.00 in
  air        46 °F to 71 °F
  state      Not revised; late readings may still change the figures.
  given      0.30 in
"
    );
}

#[test]
fn why_it_did_not_water_is_answered_in_plain_words() {
    let scale = |time: &str, percent, owed| decision(time, percent, owed, &json!([]), "text");
    let wind = json!([{"reason": "wind", "since": "2027-06-02T05:00:00Z", "text": "Wind: it blows."}]);
    let both = json!([
        {"reason": "freeze", "since": "2027-06-02T00:00:00Z", "text": "Frost: it is cold."},
        {"reason": "operator", "since": "2027-06-02T00:00:00Z", "text": "Held by ann."}
    ]);
    let later = "2027-06-10T12:00:00Z";
    for (diary, now, wanted) in [
        (
            vec![scale("2027-06-01T00:00:00Z", 0, 0.7)],
            later,
            "Not watered: 0.7 mm was owed, less than the least run worth giving, and is carried on.",
        ),
        (
            vec![scale("2027-06-01T00:00:00Z", 0, -3.0)],
            later,
            "Not watered: nothing was owed, and 3.0 mm was stored ahead.",
        ),
        (
            vec![decision("2027-06-01T00:00:00Z", 0, 3.0, &both, "text")],
            later,
            "Not watered: it was held while it could have run, because of frost and an operator's hold. Frost: it is cold.",
        ),
        (
            vec![scale("2027-06-01T00:00:00Z", 50, 5.0), decision("2027-06-02T05:00:00Z", 50, 5.0, &wind, "text")],
            later,
            "Not watered, as far as is known, although 50 % was decided, with 5.0 mm owed: no run was reported, or the \
             window was too short for one. From 07:00 it was held: wind.",
        ),
        // The window is from 02:00 to 10:00 there.
        (
            vec![scale("2027-06-01T00:00:00Z", 50, 5.0)],
            "2027-06-01T23:00:00Z",
            "Not watered so far: its watering window opens at 02:00. By now 50 % is decided, with 5.0 mm owed.",
        ),
        (
            vec![scale("2027-06-01T00:00:00Z", 50, 5.0)],
            "2027-06-02T03:00:00Z",
            "It may be running now: 50 % is decided, with 5.0 mm owed. What it gives is booked when its window closes at \
             10:00 or when the bridge reports it.",
        ),
        (
            vec![scale("2027-06-01T00:00:00Z", 50, 5.0), decision("2027-06-02T02:00:00Z", 50, 4.0, &wind, "text")],
            "2027-06-02T03:00:00Z",
            "It is held now: wind. Before that 50 % was decided, with 5.0 mm owed; what it gave is booked when its window \
             closes at 10:00 or when the bridge reports it.",
        ),
        (
            vec![decision("2027-06-02T09:00:00Z", 50, 4.0, &wind, "text")],
            "2027-06-02T10:00:00Z",
            "Not watered so far. Nothing is known of the time when its watering window was open. It is held now: wind.",
        ),
        (
            vec![decision("2027-06-01T00:00:00Z", 0, 3.0, &wind, "text")],
            "2027-06-02T03:00:00Z",
            "Not watered so far: it was held while it could have run. Wind: it blows. It is held still.",
        ),
        (
            vec![scale("2027-06-04T00:00:00Z", 0, 0.0)],
            later,
            "Not known: the diary of the site begins on Friday, 4 June 2027.",
        ),
        (vec![], later, "Not known: nothing is kept of this site yet."),
        (
            vec![
                scale("2027-06-01T00:00:00Z", 50, 5.0),
                run("2027-06-02T08:00:00Z", "2027-06-02T00:00:00Z", "2027-06-02T08:00:00Z", 5.0, false),
            ],
            later,
            "Watered between 02:00 and 10:00: 5.0 mm, as decided; no bridge says what really ran. The decision then was \
             50 %, with 5.0 mm owed.",
        ),
    ] {
        assert_eq!(answered(diary, now), wanted);
    }
}

#[test]
fn a_line_that_cannot_be_read_is_left_out() {
    let broken = line(at("2027-06-02T01:00:00Z"), DiaryKind::Decision, "lawn", &json!({"schema": "thirst/decision/2"}));
    let (page, _) = asked(vec![broken], "2027-06-10T12:00:00Z", DisplayUnits::Metric);
    assert!(page.contains("No figures of this day are kept."), "{page}");
}
