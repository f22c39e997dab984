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
        1.0 + jitter,
        850.0 * sun + jitter
    ))
}

fn texts(outputs: &[Output], topic: &str) -> Vec<String> {
    outputs
        .iter()
        .filter_map(|output| match output {
            Output::State { topic: on, payload } if on.contains(topic) && !payload.is_empty() => {
                let value: serde_json::Value = serde_json::from_slice(payload).unwrap();
                Some(format!("{} {}", value["issued_at"].as_str().unwrap(), value["text"].as_str().unwrap_or("-")))
            }
            _ => None,
        })
        .collect()
}

#[test]
fn ten_summer_days_with_a_storm_make_sense() {
    let mut driver = driver(vec![], START);
    let (mut outputs, mut rain) = (Vec::new(), 100.0);
    for step in 0..(10 * 288) {
        let at = START.plus(step * 5 * MINUTE + 1);
        if (3 * 288 + 36..3 * 288 + 60).contains(&step) {
            rain += 0.6;
        }
        driver.apply(now(at), weather(at, rain), &mut outputs);
    }
    for line in texts(&outputs, "/decision/") {
        println!("{line}");
    }
    for line in texts(&outputs, "/instruction/") {
        println!("{line}");
    }
    for output in &outputs {
        if let Output::Log { text, .. } = output {
            println!("{text}");
        }
    }
    let view = driver.engine().view("oak").unwrap();
    println!("{view:#?}");
    panic!();
}
