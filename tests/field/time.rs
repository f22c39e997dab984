//! S13–S15: local times, times that cannot be, and a host whose clock jumps.
//!
//! Of S15, that a certificate which is "not yet valid" is tried again is a matter of the connection; no test has it yet.

use thirstd::engine::stamp::{DAY, HOUR, MINUTE, SECOND, Stamp};

use crate::case::{Line, at, lines, play};
use crate::configuration::{STATES, Site, load, settings, timed_states};
use crate::world::{World, near, tag};

const COMBO: &str = "yard/oak/combo/state";

/// `combo` says local time, `air2` seconds since 1970.
fn local_and_unix() -> String {
    let local = timed_states("/time", "local")
        .replace("{sensor}", "combo")
        .replace("format = \"json\"", "format = \"json\"\nsensor = \"combo\"");
    let unix = timed_states("/ts", "unix_auto")
        .replace("{sensor}", "air2")
        .replace("format = \"json\"", "format = \"json\"\nsensor = \"air2\"");
    [local, unix].concat()
}

#[test]
fn s13_local_times_are_read_in_the_zone_of_the_site() {
    let site = || Site { zone: "Europe/Berlin", sensors: &[("combo", ""), ("air2", "")], ..Site::default() };
    let mut world = World::new(settings(&local_and_unix(), &[site()]), at("2027-06-30T21:00:00Z"));
    let (summer, autumn): (Vec<Line>, Vec<Line>) =
        lines("S13").into_iter().partition(|line| line.at() < at("2027-10-01T00:00:00Z"));
    let hear = |world: &mut World, lines: Vec<Line>| {
        for line in lines {
            if let Line::Message { at, topic, payload, retain } = line {
                world.heard_bytes(at, &topic, payload, retain);
            }
        }
    };
    hear(&mut world, summer);
    // The reading of 00:05 belongs to 1 July, so 30 June has none.
    world.until(at("2027-07-01T22:01:00Z"));
    let view = world.view("oak");
    let day = |date: &str| view.day(date.parse().unwrap()).unwrap().figures;
    assert_eq!(day("2027-06-30").warmest_celsius, None);
    assert_eq!(day("2027-07-01").warmest_celsius, Some(15.0));
    assert_eq!(world.temperatures("combo"), [(at("2027-06-30T22:05:00Z"), 15.0), (at("2027-07-01T03:33:33Z"), 14.1)]);

    // Two hours ahead: the time of arrival is used, and that is said once.
    assert_eq!(world.temperatures("air2"), [(at("2027-07-01T03:40:00Z"), 14.0)]);
    assert_eq!(world.rejects("oak", "air2", "time_zone_suspect"), 1);
    let raised = world.raised("oak");
    let clock: Vec<_> = raised.iter().filter(|(kind, ..)| kind == "clock_wrong").collect();
    assert_eq!(clock.len(), 1);
    assert_eq!(clock[0].1, "air2");
    assert!(clock[0].2.contains("2 h ahead"), "{}", clock[0].2);
    world.heard(at("2027-07-01T22:10:00Z"), "yard/oak/air2/state", "{\"ts\": 1814487000, \"temp_c\": 13.9}");
    assert_eq!(world.times_raised("oak", "clock_wrong"), 1);

    // By hand: a new world in October, so that no months have to pass.
    let mut world = World::new(settings(&local_and_unix(), &[site()]), at("2027-10-31T00:00:00Z"));
    hear(&mut world, autumn);
    assert_eq!(world.temperatures("combo"), [(at("2027-10-31T00:30:00Z"), 6.1), (at("2027-10-31T01:30:00Z"), 5.6)]);
    assert_eq!(world.raised("oak"), []);
}

/// By hand: what the case says of a clock that is off by quarter hours, for one that is slow by any time, and for a backlog.
#[test]
fn s13_a_clock_that_lags_is_said_and_a_backlog_is_none() {
    let site = || Site { sensors: &[("combo", "")], ..Site::default() };
    let start = at("2027-07-01T03:00:00Z");
    let state = |made: Stamp, step: i64| format!("{{\"ts\": {}, \"temp_c\": 14.{}}}", made.0 / 1000, step % 10);

    let mut world = World::new(settings(&timed_states("/ts", "unix_auto"), &[site()]), start);
    world.goes_on(start, start.plus(HOUR), 10 * MINUTE, COMBO, |step| {
        state(start.plus(step * 10 * MINUTE - 77 * MINUTE), step)
    });
    let raised = world.raised("oak");
    assert_eq!(raised.len(), 1, "{raised:?}");
    assert!(raised[0].2.contains("77 min behind"), "{}", raised[0].2);

    let mut world = World::new(settings(&timed_states("/ts", "unix_auto"), &[site()]), start);
    world.goes_on(start, start.plus(60 * SECOND), 100, COMBO, |step| state(start.plus((step - 600) * MINUTE), step));
    world.until(start.plus(HOUR));
    assert_eq!(world.raised("oak"), []);
}

/// A site without a zone cannot be configured, so a local time always has one; what decoding does without is tested there.
#[test]
fn s13_a_site_without_a_zone_is_refused() {
    let site = Site { zone: "", sensors: &[("combo", ""), ("air2", "")], ..Site::default() };
    let faults = load(&local_and_unix(), &[site]).unwrap_err().to_string();
    assert!(faults.contains("zone"), "{faults}");
}

#[test]
fn s14_times_that_cannot_be_fall_back_to_arrival_and_are_said_once() {
    let start = at("2027-07-01T03:00:00Z");
    let site = Site { sensors: &[("combo", "")], ..Site::default() };
    let mut world = World::new(settings(&timed_states("/ts", "unix_auto"), &[site]), start);
    play("S14", &mut world);

    let read = world.temperatures("combo");
    let own = at("2027-07-01T03:30:00Z");
    let expected: Vec<_> = [14.0, 14.1, 14.2, 14.3, 14.4].into_iter().map(|value| (own, value)).collect();
    assert_eq!(read[..5], expected);
    assert_eq!(read[5], (own.plus(250), 14.5), "a fraction keeps its part of the second");
    let arrival = at("2027-07-01T03:31:00Z");
    let expected: Vec<_> = [15.0, 15.1, 15.2, 15.3, 15.4, 15.5].into_iter().map(|value| (arrival, value)).collect();
    assert_eq!(read[6..], expected);
    assert_eq!(
        world.raised("oak").iter().map(|(kind, subject, _)| (kind.as_str(), subject.as_str())).collect::<Vec<_>>(),
        [("clock_wrong", "combo")]
    );
    let rejects = world.sensor("oak", "combo").rejects;
    assert_eq!(["time_ancient", "time_unreadable", "time_ahead"].map(|cause| rejects[cause]), [3, 2, 1], "{rejects:?}");

    // By hand: whatever the number, no panic, and no point outside seven days before to five minutes after arrival.
    let numbers = [
        "9223372036854775807",
        "-9223372036854775808",
        "18446744073709551615",
        "1e308",
        "-1e308",
        "1577836800",
        "1813807000",
        "1814412600123456789",
        "4102444800000",
    ];
    for (step, number) in numbers.iter().enumerate() {
        let at = arrival.plus((step as i64 + 1) * MINUTE);
        world.heard(at, COMBO, &format!("{{\"ts\": {number}, \"temp_c\": 15.{step}}}"));
    }
    // 2020 and a week and some minutes ago are times, but too old for anything.
    assert_eq!(world.rejects("oak", "combo", "too_old"), 2);
    assert_eq!(world.temperatures("combo").len(), 12 + numbers.len() - 2);
    for record in world.history("reading") {
        let age = arrival.since(record.at);
        assert!((-15 * MINUTE..=7 * DAY).contains(&age), "{}", record.at.text());
    }
}

#[test]
fn s15_a_wall_clock_that_jumps_closes_no_days_and_raises_no_alarm() {
    // The program was built on 1 June 2027; the board starts with the date of November 2026. In the case nothing is said
    // for four hours before the second jump: that is within what this sensor may be silent.
    let site = Site { sensors: &[("combo", "silence_limit = \"6 h\"")], ..Site::default() };
    let mut world =
        World::with_floor(settings(STATES, &[site]), at("2026-11-25T02:00:00Z"), at("2027-06-01T00:00:00Z"));
    let all = lines("S15");
    let hear = |world: &mut World, from: &str, to: &str| {
        for line in &all {
            if let Line::Message { at: when, topic, payload, retain } = line
                && (at(from)..at(to)).contains(when)
            {
                world.heard_bytes(*when, topic, payload.clone(), *retain);
            }
        }
    };
    hear(&mut world, "2026-11-25T00:00:00Z", "2026-11-26T00:00:00Z");

    // Not believed: said, no day, no history.
    assert_eq!(world.decision("oak")["clock_trusted"], false);
    assert!(world.decision("oak")["text"].as_str().unwrap().contains("clock"), "{}", world.decision("oak")["text"]);
    assert_eq!(world.view("oak").today, None);
    assert_eq!(world.history("reading").len() + world.history("daily").len() + world.history("decision").len(), 0);

    let steps: Vec<_> = all
        .iter()
        .filter_map(|line| match line {
            Line::Event { at: from, name, line } if name == "wall_clock_step" => {
                Some((*from, at(line["to"].as_str().unwrap())))
            }
            _ => None,
        })
        .collect();
    world.clock_is_set(steps[0].0, steps[0].1);
    world.until(steps[0].1.plus(20 * SECOND));
    assert_eq!(world.decision("oak")["clock_trusted"], true, "said as soon as it is believed");
    hear(&mut world, "2027-06-15T05:12:20Z", "2027-06-15T05:13:00Z");
    world.clock_is_set(steps[1].0, steps[1].1);
    // Timers run on: the next decision time and the totals come by the new clock, not two hours late.
    let before = world.outputs().len();
    hear(&mut world, "2027-06-15T07:00:00Z", "2027-06-15T07:01:00Z");
    world.until(at("2027-06-15T07:06:00Z"));
    assert!(world.outputs().len() > before);
    assert_eq!(world.payload("oak/totals")["issued_at"].as_str().map(|text| &text[..15]), Some("2027-06-15T07:0"));

    // 50.0 to 50.6, each tenth once; what fell while the clock was wrong is dated when it was set right.
    assert!(near(world.rain_mm("oak"), 0.6), "{}", world.rain_mm("oak"));
    let view = world.view("oak");
    assert_eq!(view.today.unwrap().date.to_string(), "2027-06-15");
    assert_eq!(view.closed_days.len(), 0);
    assert_eq!(world.raised("oak"), []);

    // One change of days in what follows, at the first midnight.
    world.goes_on(at("2027-06-15T07:10:00Z"), at("2027-06-16T01:00:00Z"), HOUR, COMBO, |step| {
        format!("{{\"temp_c\": 17.{}, \"rain_total_mm\": 50.6}}", step % 10)
    });
    assert_eq!(world.view("oak").closed_days.len(), 1);
    let days = world.closed_days();
    assert!(days.iter().all(|day| day.at == at("2027-06-15T00:00:00Z")), "{days:?}");
    assert!(world.history("reading").iter().all(|record| record.at >= at("2027-06-15T05:11:30Z")));
    assert!(world.history("reading").iter().all(|record| tag(record, "site") == Some("oak")));
}
