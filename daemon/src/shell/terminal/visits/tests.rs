//! The list out of small stores: as a page, as lines for a spreadsheet, as a payload.

use serde_json::{Value as Json, json};
use tempfile::TempDir;

use super::*;
use crate::engine::event::Now;
use crate::engine::settings::{SensorSettings, tests::site};
use crate::shell::store::{Commit, Limits, Store, Topic};

fn at(text: &str) -> Stamp {
    Stamp::from(text.parse::<chrono::DateTime<chrono::Utc>>().unwrap())
}

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn alert(site: &str, kind: &str, subject: &str, more: &Json) -> Topic {
    let mut payload = json!({
        "schema": "thirst/alert/1", "site": site, "epoch": 3, "sequence": 1, "issued_at": "2027-06-02T06:00:00Z",
        "kind": kind, "subject": subject, "state": "open", "since": "2027-06-02T06:00:00Z", "urgency": "today",
        "audience": "technician", "text": format!("The {kind} of {subject} asks for somebody to go there and look."),
        "suggested_action": "Go.", "figures": {}
    });
    for (key, value) in more.as_object().unwrap() {
        payload[key] = value.clone();
    }
    let topic = format!("thirst/v1/site/{site}/alert/{kind}/{subject}");
    Topic { topic, owner: site.into(), payload: payload.to_string().into_bytes() }
}

fn settings(ids: &[(&str, &str)]) -> Settings {
    let sensor = |id: &str| SensorSettings {
        id: id.into(),
        heard_as: id.into(),
        heard_under: id.into(),
        gauge: Default::default(),
        link: Default::default(),
        battery: Default::default(),
        rain_counts: true,
    };
    let one = |(id, label): &(&str, &str)| SiteSettings {
        id: (*id).into(),
        label: (*label).into(),
        sensors: vec![sensor("gauge"), sensor("mast")],
        ..site()
    };
    Settings {
        version: 1,
        prefix: "thirst/v1".into(),
        instance: "test".into(),
        feeds: vec![],
        sites: ids.iter().map(one).collect(),
        history: false,
    }
}

/// Two sites with something to do and one without; written at 10:00 UTC, asked at 10:04.
fn asked<T>(wanted: Wanted, answer: impl FnOnce(&List<'_>) -> T) -> T {
    let settings = settings(&[("ash", "=1+1, \"Ash\""), ("calm", "calm"), ("oak", "oak")]);
    let cells = json!({"by": "2027-06-20", "urgency": "next_visit", "bring": ["two AA alkaline cells"], "figures": {
        "days_left_earliest": 18.0, "days_left_likely": 30.0, "days_left_latest": 40.0
    }});
    let topics = vec![
        alert("ash", "battery_forecast", "mast", &cells),
        alert("ash", "siting_doubtful", "gauge", &json!({"urgency": "next_visit"})),
        alert("oak", "sensor_silent", "mast", &json!({"by": "2027-06-02", "bring": ["one CR2032 coin cell"]})),
        alert("oak", "nothing_watered", "relay", &json!({"by": "2027-06-01", "urgency": "now", "audience": "owner"})),
        alert(
            "oak",
            "battery_low",
            "gauge",
            &json!({"snoozed_until": "2027-06-09T00:00:00Z", "state": "acknowledged"}),
        ),
        alert("oak", "flat_line", "gauge-air-temperature", &json!({"snoozed_until": "2027-06-02T09:00:00Z"})),
        alert("calm", "feed_rejecting", "combo", &json!({})),
    ];
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let (mut store, _) = Store::open(&path, Limits::default()).unwrap();
    let last = Now { wall: at("2027-06-02T10:00:00Z"), trusted: true, ..Now::default() };
    store.commit(&Commit { last, topics, ..Commit::default() }).unwrap();
    let reader = Reader::look(&path).unwrap();
    let list = read(&reader, &settings, wanted, at("2027-06-02T10:04:00Z")).unwrap();
    answer(&list)
}

#[test]
fn the_page_is_a_list_to_tick_off_within_eighty_columns() {
    let text = asked(Wanted::default(), |list| page(list, Screen { width: 80, color: false }));
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    let places: Vec<usize> = [
        "2 sites need somebody, the most pressing first. One alert is put off.",
        "[ ] oak: since Tue 1 Jun 2027\n  why",
        "  and       The sensor_silent of mast",
        "  sensors   mast, gauge\n",
        "one CR2032 coin cell for mast",
        "  for       owner and technician\n",
        "[ ] ash (=1+1, \"Ash\"): by Sun 20 Jun 2027\n",
        "  bring     two AA alkaline cells for mast\n",
        "  how sure  likely\n",
    ]
    .iter()
    .map(|part| text.find(part).unwrap_or_else(|| panic!("no {part:?} in:\n{text}")))
    .collect();
    assert!(places.is_sorted(), "{places:?} in:\n{text}");
}

#[test]
fn a_list_can_be_for_one_audience_and_up_to_a_day() {
    let sites = |wanted: Wanted| {
        asked(wanted, |list| list.payload.visits.iter().map(|visit| visit.site.clone()).collect::<Vec<_>>())
    };
    let technician = Some(wire::Audience::Technician);
    for (audience, until, expected) in [
        (None, None, vec!["oak", "ash"]),
        (None, Some("2027-06-19"), vec!["oak"]),
        (technician, Some("2027-06-20"), vec!["oak", "ash"]),
        (technician, Some("2027-06-01"), vec![]),
        (Some(wire::Audience::Owner), None, vec!["oak"]),
        (Some(wire::Audience::Office), None, vec![]),
    ] {
        assert_eq!(sites(Wanted { audience, until: until.map(day) }), expected, "{audience:?} {until:?}");
    }
    let text = asked(Wanted { audience: Some(wire::Audience::Office), until: None }, |list| {
        page(list, Screen { width: 80, color: false })
    });
    assert!(text.contains("No site needs the office."), "{text}");
}

#[test]
fn lines_for_a_spreadsheet_read_back_whole_and_hold_no_formula() {
    let text = asked(Wanted::default(), csv);
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    assert_eq!(reader.headers().unwrap().iter().next(), Some("site"));
    let lines: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(lines.len(), 2);
    assert_eq!((&lines[0][0], &lines[0][2], &lines[0][4]), ("oak", "2027-06-01", "owner and technician"));
    assert_eq!((&lines[1][1], &lines[1][3]), ("'=1+1, \"Ash\"", "likely"));
    for (cell, expected) in [
        ("=SUM(A1)", "'=SUM(A1)"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@x", "'@x"),
        ("\t=1", "' =1"),
        (" =1", "' =1"),
        ("＝1", "'＝1"),
        ("two - one", "two - one"),
        ("a\r\nb", "a  b"),
        ("", ""),
    ] {
        assert_eq!(harmless(cell), expected);
    }
}
