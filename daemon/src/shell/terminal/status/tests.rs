//! Whole pages out of small stores, word for word.

use serde_json::json;
use tempfile::TempDir;

use super::*;
use crate::engine::event::Now;
use crate::engine::settings::{DisplayUnits, SensorSettings, tests::group, tests::site};
use crate::shell::store::{Commit, Limits, Store, Topic};

fn at(text: &str) -> Stamp {
    Stamp::from(text.parse::<chrono::DateTime<chrono::Utc>>().unwrap())
}

fn topic(site: &str, below: &str, payload: &Json) -> Topic {
    Topic {
        topic: format!("thirst/v1/site/{site}/{below}"),
        owner: site.into(),
        payload: payload.to_string().into_bytes(),
    }
}

fn decision(site: &str, percent: u16, owed_mm: f64, holds: &Json, next: Option<&str>) -> Topic {
    let is_held = holds.as_array().is_some_and(|holds| !holds.is_empty());
    let mut payload = json!({
        "schema": "thirst/decision/1", "site": site, "epoch": 1, "sequence": 1, "issued_at": "2027-06-02T10:00:00Z",
        "group": "lawn", "action": if is_held { "hold" } else { "scale" }, "scale_percent": percent, "holds": holds,
        "released": [], "valid_until": "2027-06-03T12:00:00Z", "confidence": "measured", "basis": {},
        "figures": {
            "owed_mm": owed_mm, "run_depth_mm": 10.0, "eto_today_mm": 1.0, "rain_today_mm": 0.0, "rain_24h_mm": 0.0,
            "rain_event_mm": 0.0
        },
        "allowed_intervals": [], "clock_trusted": true, "durable": true, "text": "text"
    });
    if let Some(next) = next {
        payload["next_change_at"] = json!(next);
    }
    topic(site, "decision/lawn", &payload)
}

fn totals(site: &str, rain_mm: f64) -> Topic {
    let payload = json!({
        "schema": "thirst/totals/1", "site": site, "epoch": 1, "sequence": 1, "issued_at": "2027-06-02T10:00:00Z",
        "day": "2027-06-02", "revision": 0, "final": false, "eto_mm": 3.1, "eto_method": "standardized_hourly",
        "coverage_percent": 99.0, "uncertainty_mm": 0.1,
        "rain": {
            "hour_mm": 0.0, "day_mm": rain_mm, "last_24h_mm": 0.0, "event_mm": 0.0, "last_7_days_mm": 0.0,
            "season_mm": 0.0, "quarantined_mm": 0.0
        },
        "owed_mm": {}, "basis": {}, "marks": []
    });
    topic(site, "totals", &payload)
}

fn sensor(site: &str, id: &str, state: &str, last_seen: Option<&str>) -> Topic {
    let mut payload = json!({
        "schema": "thirst/sensor/1", "site": site, "epoch": 1, "sequence": 1, "issued_at": "2027-06-02T10:00:00Z",
        "sensor": id, "last_values": {}, "link": {"state": state, "silence_limit_seconds": 900},
        "flags": {}, "rejects": {}
    });
    if let Some(last) = last_seen {
        payload["last_seen"] = json!(last);
    }
    topic(site, &format!("sensor/{id}"), &payload)
}

fn alert(site: &str, subject: &str, urgency: &str, taken_on_by: Option<&str>) -> Topic {
    let mut payload = json!({
        "schema": "thirst/alert/1", "site": site, "epoch": 1, "sequence": 1, "issued_at": "2027-06-02T06:00:00Z",
        "kind": "sensor_silent", "subject": subject, "state": "open", "since": "2027-06-02T06:00:00Z",
        "urgency": urgency, "audience": "technician", "text": format!("Sensor {subject} is silent."),
        "suggested_action": "Look at its battery.", "figures": {}
    });
    if let Some(who) = taken_on_by {
        payload["state"] = json!("acknowledged");
        payload["acknowledged_by"] = json!(who);
    }
    topic(site, &format!("alert/sensor_silent/{subject}"), &payload)
}

fn settings(id: &str) -> SiteSettings {
    let sensor = |id: &str| SensorSettings {
        id: id.into(),
        heard_as: id.into(),
        heard_under: id.into(),
        gauge: Default::default(),
        link: Default::default(),
        battery: Default::default(),
        rain_counts: true,
    };
    SiteSettings { id: id.into(), label: id.into(), sensors: vec![sensor("gauge"), sensor("mast")], ..site() }
}

/// What `sites` show at `now` when the store was last written at 10:00 UTC.
fn asked(
    topics: Vec<Topic>,
    sites: &[SiteSettings],
    now: &str,
    stopped: bool,
    judge: impl FnOnce(&Status<'_>),
) -> String {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store.db");
    let (mut store, _) = Store::open(&path, Limits::default()).unwrap();
    let last = Now { wall: at("2027-06-02T10:00:00Z"), trusted: true, ..Now::default() };
    store.commit(&Commit { last, topics, is_last: stopped, ..Commit::default() }).unwrap();
    let settings = Settings {
        version: 1,
        prefix: "thirst/v1".into(),
        instance: "test".into(),
        feeds: vec![],
        sites: vec![],
        history: false,
    };
    let reader = Reader::look(&path).unwrap();
    let status = read(&reader, &settings, sites.iter(), false, at(now)).unwrap();
    judge(&status);
    page(&status, Screen { width: 90, color: false })
}

fn frost() -> Json {
    json!([
        {"reason": "freeze", "since": "2027-06-02T02:00:00Z", "text": "Frost."},
        {"reason": "rain", "since": "2027-06-02T02:00:00Z", "until": "2027-06-03T04:00:00Z", "text": "Rain."}
    ])
}

#[test]
fn one_site_is_shown_whole() {
    let topics = vec![
        decision("oak", 60, 6.0, &frost(), None),
        totals("oak", 14.2),
        sensor("oak", "gauge", "lost", Some("2027-05-31T10:00:00Z")),
        sensor("oak", "mast", "present", Some("2027-06-02T09:58:00Z")),
        // No longer in the settings.
        sensor("oak", "old", "lost", Some("2027-05-31T10:00:00Z")),
        alert("oak", "mast", "next_visit", None),
        alert("oak", "gauge", "today", None),
    ];
    let mut oak = settings("oak");
    oak.label = "Old Oak".into();
    oak.groups.push(crate::engine::settings::GroupSettings { id: "beds".into(), label: "rose beds".into(), ..group() });
    let text = asked(topics, &[oak], "2027-06-02T10:00:12Z", false, |status| {
        assert_eq!(json(status)["sites"][0]["needs"], "today");
        assert_eq!(json(status)["daemon"], "running");
        assert_eq!(json(status)["sites"][0]["alerts"][0]["subject"], "gauge");
    });
    assert_eq!(
        text,
        "\
Saved 12 seconds ago (Wed 2 Jun 2027 12:00); thirstd seems to be running.

oak (Old Oak): needs somebody today
  lawn        No water, no end known yet: frost and rain. 6.0 mm is owed; a full run gives
              10.0 mm.
  rose beds   Nothing is decided yet.
  water       ETo 3.1 mm, rain 14.2 mm so far today
  sensors     mast heard 2 minutes ago
  silent      gauge since Mon 12:00 (2 days)
  act today   Sensor gauge is silent. Look at its battery. (technician; open since 08:00,
              4 hours)
  next visit  Sensor mast is silent. Look at its battery. (technician; open since 08:00,
              4 hours)
"
    );
}

#[test]
fn of_a_fleet_those_that_need_somebody_come_first() {
    let topics = vec![
        decision("ash", 60, 6.0, &json!([]), Some("2027-06-02T18:00:00Z")),
        totals("ash", 0.0),
        decision("elm", 0, -2.0, &json!([]), None),
        alert("fir", "mast", "next_visit", None),
        decision("oak", 60, 6.0, &frost(), Some("2027-06-03T04:00:00Z")),
        alert("oak", "gauge", "now", None),
        alert("yew", "mast", "now", Some("ann")),
    ];
    let mut sites: Vec<_> = ["ash", "elm", "fir", "oak", "yew"].map(settings).into();
    sites[0].units = DisplayUnits::Us;
    let text = asked(topics, &sites, "2027-06-02T13:00:00Z", false, |_| {});
    assert_eq!(
        text,
        "\
Saved 3 hours ago (Wed 2 Jun 2027 12:00); thirstd seems not to run: it saves at least
every 10 minutes. Bridges follow the fallback once its decisions are no longer valid.
5 sites: 1 needs somebody now, 1 needs a look at the next visit, 2 need nobody, 1 taken
on.

oak: needs somebody now
  lawn        No water until about Thu 06:00: frost and rain. 6.0 mm is owed; a full run
              gives 10.0 mm.
  act now     Sensor gauge is silent. Look at its battery. (technician; open since 08:00,
              7 hours)

fir: needs a look at the next visit
  lawn        Nothing is decided yet.
  next visit  Sensor mast is silent. Look at its battery. (technician; open since 08:00,
              7 hours)

yew: what it needs is taken on
  lawn        Nothing is decided yet.
  act now     Sensor mast is silent. Look at its battery. (technician; open since 08:00,
              7 hours; taken on by ann)

Nobody is needed at
  ash  lawn: water 60 % of the run times; next look 20:00 (0.24 in owed). ETo 0.12 in,
       rain 0.00 in so far today
  elm  lawn: no water now (2.0 mm stored ahead)
"
    );
}

#[test]
fn the_age_of_what_is_told_and_whether_anybody_runs_is_said_first() {
    let first_line = |now: &str, stopped: bool| {
        let text = asked(vec![], &[settings("oak")], now, stopped, |_| {});
        text.split("\n\n").next().unwrap().replace('\n', " ")
    };
    for (now, stopped, wanted) in [
        ("2027-06-02T10:10:59Z", false, "Saved 10 minutes ago (Wed 2 Jun 2027 12:00); thirstd seems to be running."),
        (
            "2027-06-02T10:00:30Z",
            true,
            "Saved 30 seconds ago (Wed 2 Jun 2027 12:00): thirstd was stopped then. Bridges follow the fallback until it \
             runs again.",
        ),
        (
            "2027-06-02T09:00:00Z",
            false,
            "Saved at Wed 2 Jun 2027 12:00, which is later than this machine's clock says: one of the clocks is wrong.",
        ),
    ] {
        assert_eq!(first_line(now, stopped), wanted);
    }
}

#[test]
fn a_decision_past_its_time_is_marked_and_a_day_that_is_over_is_named() {
    let topics = vec![decision("oak", 60, 0.0, &json!([]), None), totals("oak", 0.0)];
    let text = asked(topics, &[settings("oak")], "2027-06-05T10:00:00Z", true, |_| {});
    assert!(text.contains("longer valid since Thu 14:00: the fallback applies."), "{text}");
    assert!(text.contains("ETo 3.1 mm, rain 0.0 mm so far on Wed 2 Jun"), "{text}");
}
