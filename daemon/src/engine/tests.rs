//! The whole engine on small scripts, and what must hold for every script.

use std::sync::Arc;

use proptest::prelude::*;

use super::decode::{FeedSettings, Field, Format, TopicTemplate};
use super::driver::Driver;
use super::event::{Event, Now};
use super::output::Output;
use super::reading::Quantity;
use super::sensor::{BatterySettings, LinkSettings};
use super::settings::{ControllerSettings, SensorSettings, Settings, SiteSettings, tests::site};
use super::site::rain::GaugeSettings;
use super::stamp::{DAY, HOUR, MINUTE, SECOND, Stamp};
use super::units::Unit;
use super::{Engine, SavedSite, decision::reason::Capability};

mod batteries;
mod clogged;
mod departure;
mod diary;
mod drift;
mod frost;
mod learning;
mod nearby;
mod new_settings;
mod partly;
mod root_zone;
mod season;
mod silence;
mod spike;
mod sun;
mod visits;
mod watering;

/// 2027-06-01T00:00:00Z.
const START: Stamp = Stamp(1_811_808_000_000);

fn settings() -> Settings {
    let mut feed =
        FeedSettings::new("combo", TopicTemplate::parse("yard/{site}/{sensor}/state").unwrap(), Format::Json);
    let mut field =
        |key: &str, quantity, unit: &str| feed.fields.push(Field::new(key, quantity, Unit::parse(unit).unwrap()));
    field("/t", Quantity::AirTemperature, "Cel");
    field("/h", Quantity::RelativeHumidity, "%");
    field("/w", Quantity::WindSpeed, "m/s");
    field("/s", Quantity::SurfaceDownwellingShortwaveFlux, "W/m2");
    field("/r", Quantity::RainCounter, "mm");
    field("/b", Quantity::BatteryVoltage, "V");
    Settings {
        version: 1,
        prefix: "thirst/v1".into(),
        instance: "test".into(),
        feeds: vec![feed],
        sites: vec![oak("oak")],
        history: true,
    }
}

fn oak(id: &str) -> SiteSettings {
    SiteSettings {
        id: id.into(),
        heard_as: id.into(),
        sensors: vec![SensorSettings {
            id: "combo".into(),
            heard_as: "combo".into(),
            heard_under: id.into(),
            gauge: GaugeSettings::default(),
            link: LinkSettings::default(),
            battery: BatterySettings::default(),
            rain_counts: true,
        }],
        controllers: vec![ControllerSettings {
            id: "relay".into(),
            capability: Capability::Percent,
            groups: vec!["lawn".into()],
            step_percent: 5,
            least_percent: 20,
            most_percent: 120,
            whole_minutes: true,
        }],
        ..site()
    }
}

fn now(at: Stamp) -> Now {
    let passed = at.since(START);
    Now { wall: at, uptime: passed, listening: passed, trusted: true }
}

fn driver(saved: Vec<SavedSite>, at: Stamp) -> Driver {
    let (engine, unreadable) = Engine::restore(Arc::new(settings()), 1, saved.into_iter());
    assert!(unreadable.is_empty(), "{unreadable:?}");
    Driver::new(engine, now(at))
}

fn message(payload: &str) -> Event {
    Event::Message { topic: "yard/oak/combo/state".into(), payload: payload.into(), retain: false, dup: false }
}

/// Summer weather at `at`, with `rain` on the counter.
fn weather(at: Stamp, rain: f64) -> Event {
    let hour = (at.0 % DAY) as f64 / HOUR as f64;
    let sun = ((hour - 4.0) / 16.0 * std::f64::consts::PI).sin().max(0.0);
    let jitter = (at.0 / SECOND % 7) as f64 * 0.01;
    message(&format!(
        r#"{{"t":{:.2},"h":{:.1},"w":{:.2},"s":{:.1},"r":{rain:.1},"b":3.0}}"#,
        12.0 + 12.0 * sun + jitter,
        80.0 - 40.0 * sun + jitter,
        1.0 + 1.5 * sun + 10.0 * jitter,
        850.0 * sun + jitter
    ))
}

/// Payloads on topics that contain `part`, oldest first.
fn payloads(outputs: &[Output], part: &str) -> Vec<serde_json::Value> {
    outputs
        .iter()
        .filter_map(|output| match output {
            Output::State { topic, payload } if topic.contains(part) && !payload.is_empty() => {
                serde_json::from_slice(payload).ok()
            }
            _ => None,
        })
        .collect()
}

/// Outputs as lines, so that a difference can be read.
fn lines(outputs: &[Output]) -> Vec<String> {
    outputs
        .iter()
        .map(|output| match output {
            Output::State { topic, payload } | Output::Answer { topic, payload } => {
                format!("{topic} {}", String::from_utf8_lossy(payload))
            }
            other => format!("{other:?}"),
        })
        .collect()
}

/// The first line that differs.
fn first_difference(left: &[Output], right: &[Output]) -> Option<(Option<String>, Option<String>)> {
    let (left, right) = (lines(left), lines(right));
    let place = (0..left.len().max(right.len())).find(|&place| left.get(place) != right.get(place))?;
    Some((left.get(place).cloned(), right.get(place).cloned()))
}

/// Ten days of five-minute weather with 14.4 mm of rain in the morning of the fourth day.
fn ten_days(driver: &mut Driver, outputs: &mut Vec<Output>) {
    let mut rain = 100.0;
    for step in 0..(10 * 288) {
        let at = START.plus(step * 5 * MINUTE + 1);
        if (3 * 288 + 36..3 * 288 + 60).contains(&step) {
            rain += 0.6;
        }
        driver.apply(now(at), weather(at, rain), outputs);
    }
}

#[test]
fn ten_summer_days_with_a_storm_water_what_is_owed_and_hold_after_the_rain() {
    let (mut driver, mut outputs) = (driver(vec![], START), Vec::new());
    ten_days(&mut driver, &mut outputs);
    let view = driver.engine().view("oak").unwrap();
    let day = |date: &str| view.day(date.parse().unwrap()).unwrap().figures;
    assert!((day("2027-06-04").water.rain_mm - 14.4).abs() < 1e-9);
    assert!((day("2027-06-05").water.eto_mm - 5.7).abs() < 0.2);
    assert_eq!(day("2027-06-05").method.name(), "asce_hourly");
    let decisions = payloads(&outputs, "/decision/");
    let began = decisions.iter().find(|decision| decision["action"] == "hold").unwrap();
    assert_eq!(began["holds"][0]["reason"], "rain");
    assert_eq!(began["issued_at"], "2027-06-04T03:45:00.001Z", "at once when 6 mm are reached");
    let ended = decisions
        .iter()
        .skip_while(|decision| decision["action"] != "hold")
        .find(|decision| decision["action"] == "scale")
        .unwrap();
    assert_eq!(ended["issued_at"].as_str().unwrap()[..10], *"2027-06-06");
    assert!(ended["figures"]["owed_mm"].as_f64().unwrap() >= 1.95);
    // A dry day costs 4.6 mm (0.8 of 5.7) and the same is given each night.
    assert!((0.0..6.0).contains(&view.groups[0].owed_mm), "{}", view.groups[0].owed_mm);
    let night = decisions
        .iter()
        .rfind(|decision| decision["issued_at"].as_str().unwrap().starts_with("2027-06-08T19"))
        .unwrap();
    assert!((42..=52).contains(&night["scale_percent"].as_u64().unwrap()), "{night}");
    let sequences: Vec<u64> = decisions.iter().map(|decision| decision["sequence"].as_u64().unwrap()).collect();
    assert!(sequences.is_sorted_by(|before, after| before < after));
}

#[test]
fn what_happens_again_gives_the_same_bytes() {
    let run = || {
        let (mut driver, mut outputs) = (driver(vec![], START), Vec::new());
        ten_days(&mut driver, &mut outputs);
        outputs
    };
    assert_eq!(run(), run());
}

/// A step of a made-up history: minutes to wait, and what happens then.
#[derive(Clone, Debug)]
enum Happening {
    Weather(u16, i16),
    Frost(u16, i16),
    Rain(u16, u8),
    Junk(u16, Vec<u8>),
    Retained(u16),
    Command(u16, u8),
    Report(u16, u8),
    Silence(u16),
    Broker(u16, bool),
}

fn happening() -> impl Strategy<Value = Happening> {
    let wait = 1u16..240;
    prop_oneof![
        6 => (1u16..20, -50i16..350).prop_map(|(wait, tenths)| Happening::Weather(wait, tenths)),
        2 => (1u16..20, -40i16..60).prop_map(|(wait, tenths)| Happening::Frost(wait, tenths)),
        3 => (1u16..60, 0u8..60).prop_map(|(wait, tips)| Happening::Rain(wait, tips)),
        1 => (wait.clone(), proptest::collection::vec(any::<u8>(), 0..40)).prop_map(|(wait, bytes)| Happening::Junk(wait, bytes)),
        1 => wait.clone().prop_map(Happening::Retained),
        2 => (wait.clone(), 0u8..10).prop_map(|(wait, which)| Happening::Command(wait, which)),
        1 => (wait.clone(), 0u8..4).prop_map(|(wait, which)| Happening::Report(wait, which)),
        1 => (200u16..3000).prop_map(Happening::Silence),
        1 => (wait, any::<bool>()).prop_map(|(wait, up)| Happening::Broker(wait, up)),
    ]
}

/// Turns happenings into timed events.
fn script(happenings: &[Happening]) -> Vec<(Now, Event)> {
    let (mut at, mut listening, mut connected, mut tips) = (START, 0i64, true, 1000u32);
    let mut events = Vec::new();
    for (number, happening) in happenings.iter().enumerate() {
        let (wait, event) = match happening {
            Happening::Weather(wait, tenths) => {
                let t = f64::from(*tenths) / 10.0;
                let payload = format!(
                    r#"{{"t":{t},"h":{},"w":{:.1},"s":{},"r":{:.1},"b":2.9}}"#,
                    40 + number % 50,
                    (number % 80) as f64 / 10.0,
                    number % 900,
                    f64::from(tips) * 0.2
                );
                (*wait, Some(message(&payload)))
            }
            Happening::Frost(wait, tenths) => {
                (*wait, Some(message(&format!(r#"{{"t":{}}}"#, f64::from(*tenths) / 10.0))))
            }
            Happening::Rain(wait, more) => {
                tips += u32::from(*more);
                (*wait, Some(message(&format!(r#"{{"r":{:.1}}}"#, f64::from(tips) * 0.2))))
            }
            Happening::Junk(wait, bytes) => {
                let event = Event::Message {
                    topic: "yard/oak/combo/state".into(),
                    payload: bytes.clone(),
                    retain: false,
                    dup: false,
                };
                (*wait, Some(event))
            }
            Happening::Retained(wait) => {
                let event = Event::Message {
                    topic: "yard/oak/combo/state".into(),
                    payload: br#"{"t":3,"r":9}"#.to_vec(),
                    retain: true,
                    dup: false,
                };
                (*wait, Some(event))
            }
            Happening::Command(wait, which) => {
                let body = match which {
                    0 => r#""verb":"hold","hours":3"#,
                    1 => r#""verb":"hold""#,
                    2 => r#""verb":"release""#,
                    3 => r#""verb":"release","reasons":["freeze"],"hours":2"#,
                    4 => r#""verb":"service","sensor":"combo","kind":"replaced""#,
                    5 => r#""verb":"confirm_rain","sensor":"combo""#,
                    6 => r#""verb":"season","state":"drained""#,
                    8 => r#""verb":"service","sensor":"combo","kind":"cleaned""#,
                    9 => r#""verb":"discard_rain","sensor":"combo""#,
                    _ => r#""verb":"season","state":"running""#,
                };
                let payload = format!(r#"{{"id":"c{}","who":"operator",{body}}}"#, number / 2);
                (*wait, Some(Event::Command { site: "oak".into(), payload: payload.into(), retain: false }))
            }
            Happening::Report(wait, which) => {
                let payload = match which {
                    0 => format!(r#"{{"in_force":{{"epoch":1,"sequence":{number}}}}}"#),
                    1 => r#"{"flow_liters_per_minute":12.5}"#.to_owned(),
                    2 => format!(
                        r#"{{"runs":[{{"group":"lawn","start":"{}","end":"{}","depth_mm":4.5}}]}}"#,
                        at.plus(-HOUR).text(),
                        at.text()
                    ),
                    _ => "[]".to_owned(),
                };
                (
                    *wait,
                    Some(Event::Report {
                        site: "oak".into(),
                        controller: "relay".into(),
                        payload: payload.into(),
                        retain: false,
                    }),
                )
            }
            Happening::Silence(wait) => (*wait, None),
            Happening::Broker(wait, up) => (
                *wait,
                Some(if *up { Event::BrokerUp { session_present: true, refused: vec![] } } else { Event::BrokerDown }),
            ),
        };
        let passed = i64::from(wait) * MINUTE + 137;
        at = at.plus(passed);
        listening += if connected { passed } else { 0 };
        if let Happening::Broker(_, up) = happening {
            connected = *up;
        }
        if let Some(event) = event {
            events.push((Now { wall: at, uptime: at.since(START), listening, trusted: true }, event));
        }
    }
    events
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    /// Cut a history anywhere, save, restore: outputs equal the uncut run.
    #[test]
    fn a_restart_anywhere_changes_nothing(happenings in proptest::collection::vec(happening(), 5..120), cuts in proptest::collection::vec(any::<prop::sample::Index>(), 1..4)) {
        let events = script(&happenings);
        prop_assume!(!events.is_empty());
        let mut uncut = (driver(vec![], START), Vec::new());
        for (now, event) in &events {
            uncut.0.apply(*now, event.clone(), &mut uncut.1);
        }
        let mut cut = (driver(vec![], START), Vec::new());
        let places: std::collections::BTreeSet<usize> = cuts.iter().map(|cut| cut.index(events.len())).collect();
        for (number, (now, event)) in events.iter().enumerate() {
            cut.0.apply(*now, event.clone(), &mut cut.1);
            if places.contains(&number) {
                let (sequence, last) = (cut.0.engine().sequence(), cut.0.last());
                let saved = saved_all(&mut cut.0);
                let (mut engine, unreadable) = Engine::restore(Arc::new(settings()), 1, saved.into_iter());
                prop_assert!(unreadable.is_empty());
                engine.set_sequence(sequence);
                cut.0 = Driver::new(engine, last);
            }
        }
        prop_assert_eq!(first_difference(&cut.1, &uncut.1), None);
    }

    /// A tail of the journal brings a site to the same state, whatever part of it the saved state holds already.
    #[test]
    fn a_replayed_tail_brings_back_the_state_and_says_nothing_new(happenings in proptest::collection::vec(happening(), 5..80), cut in any::<prop::sample::Index>()) {
        let events = script(&happenings);
        prop_assume!(!events.is_empty());
        let mut whole = (driver(vec![], START), Vec::new());
        let (mut saved, mut saved_at) = (vec![], START);
        let save_after = cut.index(events.len());
        for (number, (now, event)) in events.iter().enumerate() {
            whole.0.apply(*now, event.clone(), &mut whole.1);
            if number == save_after {
                saved = saved_all(&mut whole.0);
                saved_at = now.wall;
            }
            // A commit keeps the partition together with the visit list that it told.
            for told in whole.0.take_dirty(0) {
                saved.retain(|site: &SavedSite| site.id != told.id);
                saved.push(told);
            }
        }
        let mut again = driver(saved, saved_at);
        for (number, (now, event)) in events.iter().enumerate() {
            again.replay(number as u64 + 1, *now, Some(event.clone()));
        }
        prop_assert_eq!(again.engine().view("oak"), whole.0.engine().view("oak"));
        let mut outputs = (Vec::new(), Vec::new());
        let later = whole.0.last();
        let later = Now { wall: later.wall.plus(3 * DAY), uptime: later.uptime + 3 * DAY, listening: later.listening + 3 * DAY, trusted: true };
        whole.0.advance(later, &mut outputs.0);
        again.advance(later, &mut outputs.1);
        prop_assert_eq!(first_difference(&outputs.0, &outputs.1), None);
    }

    /// No topic and no payload panics, and decisions stay in their range.
    #[test]
    fn no_topic_or_payload_panics(topic in ".{0,60}|yard/oak/combo/state|thirst/v1/site/.{0,9}/(command|report/.{0,5})", payload in proptest::collection::vec(any::<u8>(), 0..200), retain in any::<bool>()) {
        let (mut driver, mut outputs) = (driver(vec![], START), Vec::new());
        let event = Event::from_message("thirst/v1", &topic, payload, retain, false);
        driver.apply(now(START.plus(1)), event, &mut outputs);
        driver.advance(now(START.plus(DAY)), &mut outputs);
        for decision in payloads(&outputs, "/decision/") {
            prop_assert!(decision["scale_percent"].as_u64().unwrap() <= 120);
        }
    }
}

fn saved_all(driver: &mut Driver) -> Vec<SavedSite> {
    // Everything counts as changed once, so that a site that was never touched is there too.
    driver.engine_mut().mark_all();
    driver.take_dirty(usize::MAX)
}

#[test]
fn a_million_junk_messages_leave_the_state_small_and_the_log_short() {
    let (mut driver, mut outputs) = (driver(vec![], START), Vec::new());
    let mut lines = 0usize;
    for number in 0..1_000_000i64 {
        let at = START.plus(number * 7);
        let (topic, payload): (String, Vec<u8>) = match number % 5 {
            0 => ("yard/oak/combo/state".into(), b"{\"t\":nan".to_vec()),
            1 => (format!("yard/oak/{number}/state"), b"{\"t\":1}".to_vec()),
            2 => (format!("junk/{number}"), vec![0xff; 20]),
            3 => ("yard/oak/combo/state".into(), br#"{"t":"unavailable","r":-5}"#.to_vec()),
            _ => (format!("thirst/v1/site/{number}/command"), b"{}".to_vec()),
        };
        driver.apply(now(at), Event::from_message("thirst/v1", &topic, payload, false, false), &mut outputs);
        lines += outputs.iter().filter(|output| matches!(output, Output::Log { .. })).count();
        outputs.clear();
    }
    let size: usize = saved_all(&mut driver).iter().map(|saved| saved.state.len()).sum();
    assert!(size < 40_000, "{size} bytes of state");
    assert!(lines < 200, "{lines} lines in two hours");
    let intake = driver.engine().intake();
    assert!(intake.strangers.len() <= 100);
    assert_eq!(intake.rejects["unknown_sender"], 200_000);
    assert_eq!(intake.rejects["no_feed"], 200_000);
    let rejects = &driver.engine().view("oak").unwrap().sensors[0].rejects;
    // Copies that follow within five seconds count as repeats.
    assert_eq!(rejects["not_json"], 200_000);
    assert!(rejects["repeat"] + rejects["word"] >= 200_000, "{rejects:?}");
}

#[test]
fn a_pack_of_several_times_is_taken_in_order_and_each_time_is_a_point_of_history() {
    let mut settings = settings();
    settings.feeds[0].format = Format::Senml;
    for field in &mut settings.feeds[0].fields {
        field.key.remove(0);
    }
    let (engine, _) = Engine::restore(Arc::new(settings), 1, std::iter::empty());
    let mut driver = Driver::new(engine, now(START));
    let at = START.plus(MINUTE);
    let pack = r#"[{"n":"t","u":"Cel","v":21.5},{"n":"h","u":"%RH","v":60},{"n":"t","u":"Cel","v":20.5,"t":-600}]"#;
    let mut outputs = Vec::new();
    driver.apply(now(at), message(pack), &mut outputs);
    let points = outputs.iter().filter_map(|output| match output {
        Output::Record(record) if record.measurement == "reading" => Some((record.at, record.fields.len())),
        _ => None,
    });
    assert_eq!(points.collect::<Vec<_>>(), [(at.plus(-10 * MINUTE), 2), (at, 4)]);
}
