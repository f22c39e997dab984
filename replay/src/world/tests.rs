//! The world is believable, does what it is asked, and is the same for everybody.

use std::collections::BTreeMap;

use super::battery::{Battery, Chemistry};
use super::faults::{Fault, Link, Loss, Planned, Switches};
use super::random::Random;
use super::scenario::{invented, usual_start};
use super::sprinkler::{Instruction, Instructions};
use super::time::{DAY, HOUR, MINUTE, midnight, rfc3339};
use super::weather::{Climate, Weather};
use super::*;

const SLOT: i64 = 10 * MINUTE;

fn messages(
    mut scenario: Scenario,
    days: i64,
    seed: u64,
    switches: Switches,
    edit: impl Fn(&mut Scenario),
) -> Vec<Message> {
    edit(&mut scenario);
    let slots = days * DAY / scenario.slot;
    let mut world = World::new(scenario, seed, switches);
    (0..slots).flat_map(|_| world.step(&Instructions::default())).collect()
}

fn plain(days: i64, seed: u64, without: &[Fault]) -> Vec<Message> {
    let scenario = invented(3, days as u32, usual_start(), seed);
    messages(scenario, days, seed, Switches::without(without.iter().copied()), |_| {})
}

fn climates() -> Vec<Climate> {
    // Five regions are drawn from; forty sites meet them all.
    invented(40, 1, usual_start(), 3).sites.iter().map(|site| site.climate).collect()
}

/// The weather of whole days from the usual start on, in steps of `slot`.
fn airs(climate: Climate, days: i64, slot: i64, seed: u64) -> Vec<(i64, Air)> {
    let start = usual_start();
    let mut weather = Weather::new(climate, Vec::new(), start, Random::new(seed, "test"));
    (0..days * DAY / slot)
        .map(|number| {
            let from = start + number * slot;
            (from + slot, weather.step(from, from + slot))
        })
        .collect()
}

#[test]
fn equal_seeds_give_equal_bytes_and_other_seeds_other_weather() {
    let text = |seed| plain(6, seed, &[]).iter().map(|message| format!("{message:?}\n")).collect::<String>();
    assert_eq!(text(7), text(7));
    assert_ne!(text(7), text(8));
}

#[test]
fn rain_comes_as_often_and_as_much_as_the_climate_says() {
    // Twenty years: in a dry place a single storm weighs much.
    let days = 20 * 365;
    for (seed, climate) in climates().into_iter().take(8).enumerate() {
        let airs = airs(climate, days, HOUR, seed as u64);
        let mm: f64 = airs.iter().map(|(_, air)| air.rain_mm).sum();
        let expected = climate.wet_share() * climate.wet_day_mm * days as f64;
        assert!((mm / expected - 1.0).abs() < 0.2, "{mm:.0} mm instead of {expected:.0}: {climate:?}");
        let wet = airs.chunks(24).filter(|day| day.iter().any(|(_, air)| air.rain_mm > 0.0)).count();
        let share = wet as f64 / days as f64;
        // An event that runs into the next day makes two days wet.
        assert!(share > 0.8 * climate.wet_share() && share < 2.0 * climate.wet_share(), "{share}: {climate:?}");
    }
}

#[test]
fn humidity_falls_with_warmth_and_is_high_in_rain() {
    for climate in climates().into_iter().take(6) {
        let airs = airs(climate, 120, SLOT, 5);
        let dry = |hour: f64| {
            let at_hour = |at: i64| (sky::solar_hour(at, climate.longitude_degrees) - hour).abs() < 0.2;
            let chosen: Vec<f64> = airs
                .iter()
                .filter(|(at, air)| at_hour(*at) && air.rain_mm == 0.0)
                .map(|(_, air)| air.humidity_percent)
                .collect();
            chosen.iter().sum::<f64>() / chosen.len() as f64
        };
        assert!(dry(5.5) > dry(15.0) + 15.0, "{} at dawn, {} in the afternoon", dry(5.5), dry(15.0));
        assert!(airs.iter().all(|(_, air)| (1.0..=100.0).contains(&air.humidity_percent)));
        // An hour of rain makes the air damp.
        let wet = airs.windows(7).filter(|slots| slots.iter().all(|(_, air)| air.rain_mm > 0.0));
        assert!(wet.clone().count() > 0 && wet.clone().all(|slots| slots[6].1.humidity_percent >= 88.0));
    }
}

#[test]
fn nights_are_dark_days_stay_below_a_clear_sky_and_wind_blows_forward() {
    for climate in climates().into_iter().take(6) {
        for (at, air) in airs(climate, 90, SLOT, 2) {
            let sky = sky::sky(at, climate.latitude_degrees, climate.longitude_degrees);
            assert!(air.sun_w_per_m2 >= 0.0 && air.sun_w_per_m2 <= sky.clear_w_per_m2);
            assert!(sky.height > 0.0 || air.sun_w_per_m2 == 0.0);
            assert!(air.wind_m_per_s >= 0.0 && air.wind_m_per_s < 40.0 && air.gust_m_per_s >= air.wind_m_per_s);
        }
    }
}

#[test]
fn frost_comes_to_the_prairie_in_april_and_not_to_the_hot_plain() {
    let frosts = |cold: bool| {
        let is_wanted = |climate: &Climate| if cold { climate.mean_celsius < 7.0 } else { climate.mean_celsius > 20.0 };
        let climate = climates().into_iter().find(is_wanted);
        let airs = airs(climate.unwrap(), 30, SLOT, 4);
        airs.chunks(144).filter(|day| day.iter().any(|(_, air)| air.celsius < 0.0)).count()
    };
    assert!(frosts(true) >= 5, "{}", frosts(true));
    assert_eq!(frosts(false), 0);
}

#[test]
fn messages_get_lost_in_the_shares_asked_for() {
    let count = 200_000;
    let check = |single: f64, in_bursts: f64, length: f64| {
        let loss = Loss { single, in_bursts, burst_length: length };
        let (mut link, mut random) = (Link::default(), Random::new(1, "loss"));
        let lost: Vec<bool> = (0..count)
            .map(|_| link.loses(&loss, &Switches::default(), [random.unit(), random.unit(), random.unit()]))
            .collect();
        let share = lost.iter().filter(|lost| **lost).count() as f64 / f64::from(count);
        let expected = 1.0 - (1.0 - single) * (1.0 - in_bursts);
        assert!((share - expected).abs() < 0.006, "{share} instead of {expected}");
        lost.chunk_by(|a, b| a == b).filter(|run| run[0]).map(<[bool]>::len).collect::<Vec<_>>()
    };
    assert_eq!(check(0.0, 0.0, 5.0).len(), 0);
    let single = check(0.05, 0.0, 1.0);
    assert!(single.iter().sum::<usize>() as f64 / single.len() as f64 - 1.0 < 0.1);
    let runs = check(0.0, 0.05, 8.0);
    let mean = runs.iter().sum::<usize>() as f64 / runs.len() as f64;
    assert!((mean - 8.0).abs() < 0.6, "{mean} messages a run");
    check(0.03, 0.04, 6.0);
}

#[test]
fn batteries_only_fall_and_a_new_one_is_new() {
    for chemistry in Chemistry::ALL.into_iter().filter(|chemistry| *chemistry != Chemistry::NimhSun) {
        let mut battery = Battery::new(chemistry, 0.0, 200.0);
        let fresh = battery.volts(20.0);
        let mut last = fresh;
        for _ in 0..199 {
            battery.pass(1.0, 1.0, 0.0);
            assert!(battery.volts(20.0) <= last, "{chemistry:?}");
            assert!(battery.volts(-10.0) < battery.volts(20.0));
            last = battery.volts(20.0);
        }
        assert!(!battery.is_dead());
        battery.pass(2.0, 1.0, 0.0);
        assert!(battery.is_dead());
        battery.replace();
        assert_eq!(battery.volts(20.0), fresh);
    }
    let mut sunny = Battery::new(Chemistry::NimhSun, 0.5, 60.0);
    sunny.pass(10.0, 1.0, 200.0);
    assert!(sunny.volts(20.0) > 2.6, "the sun charges it");
}

/// One sensor of a three-site world with one fault: its messages, and those without the fault.
fn with_and_without(fault: Fault, size: f64) -> (Vec<Message>, Vec<Message>) {
    let planned = Planned { fault, from: DAY + 5 * HOUR, to: DAY + 9 * HOUR, size };
    let edit = |scenario: &mut Scenario| {
        scenario.sites.truncate(1);
        scenario.sites[0].sensors.truncate(1);
        let sensor = &mut scenario.sites[0].sensors[0];
        sensor.interval = SLOT;
        sensor.units = super::sensor::Units::Metric;
        sensor.own_time = true;
        sensor.loss = Loss { single: 0.0, in_bursts: 0.0, burst_length: 1.0 };
        sensor.faults = vec![planned];
        // One dry week.
        scenario.sites[0].script = vec![weather::Day { wind_m_per_s: 2.0, ..weather::Day::default() }; 8];
    };
    let run = |switches| messages(invented(3, 3, usual_start(), 9), 3, 9, switches, edit);
    (run(Switches::default()), run(Switches::without([fault])))
}

fn field(message: &Message, name: &str) -> f64 {
    let value: serde_json::Value = serde_json::from_str(&message.payload).unwrap();
    value[name].as_f64().unwrap_or_else(|| panic!("{name} in {}", message.payload))
}

#[test]
fn silence_takes_messages_away_and_changes_no_other() {
    let (with, without) = with_and_without(Fault::Silence, 0.0);
    assert_eq!(without.len(), 3 * 144);
    let silent = usual_start() + DAY + 5 * HOUR..usual_start() + DAY + 9 * HOUR;
    let left: Vec<Message> = without.into_iter().filter(|message| !silent.contains(&message.at)).collect();
    assert_eq!(with, left);
}

#[test]
fn counters_jump_and_return_start_anew_and_are_knocked() {
    let rain = |messages: &[Message]| messages.iter().map(|message| field(message, "rain_mm")).collect::<Vec<_>>();
    let (with, without) = with_and_without(Fault::Jump, 650.0);
    let (with, without) = (rain(&with), rain(&without));
    assert!(without.iter().all(|mm| *mm == without[0]), "dry days");
    let jumped = with.iter().filter(|mm| (**mm - without[0] - 650.0).abs() < 0.11).count();
    assert_eq!((jumped, with.last()), (24, without.last()), "four hours");

    let (with, _) = with_and_without(Fault::Reset, 0.0);
    assert_eq!(rain(&with).last(), Some(&0.0));

    let (with, without) = with_and_without(Fault::Knock, 1.4);
    let knocked = rain(&with).last().unwrap() - rain(&without).last().unwrap();
    assert!((knocked - 1.4).abs() < 0.11, "{knocked}");
}

#[test]
fn a_wrong_clock_shows_in_the_own_time_alone() {
    let (with, without) = with_and_without(Fault::Clock, 10_800.0);
    let ahead = |(wrong, right): &(&Message, &Message)| (field(wrong, "ts") - field(right, "ts")) as i64;
    assert_eq!(with.iter().zip(&without).filter(|pair| ahead(pair) == 10_800).count(), 24);
    assert!(with.iter().zip(&without).all(|(wrong, right)| wrong.at == right.at));
}

#[test]
fn every_switch_has_its_name() {
    let names: BTreeMap<&str, Fault> = Fault::ALL.into_iter().map(|fault| (fault.name(), fault)).collect();
    assert_eq!(names.len(), Fault::ALL.len());
    assert!(names.iter().all(|(name, fault)| Fault::from_name(name) == Some(*fault)));
    assert_eq!(Fault::from_name("thunder"), None);
}

/// A world of one site with a lawn, told `allowed` and `percent`, for one day; what its bridge reported.
fn day_of_watering(allowed: bool, percent: f64) -> Vec<serde_json::Value> {
    let mut scenario = invented(1, 2, usual_start(), 4);
    let site = &mut scenario.sites[0];
    site.controller.groups = vec![scenario::lawn()];
    site.errands.clear();
    let topic = format!("thirst/v1/site/{}/instruction/valves", site.id);
    let told = format!(r#"{{"epoch":1,"sequence":5,"water_allowed":{allowed},"percent":{percent}}}"#);
    let mut instructions = Instructions::default();
    assert!(instructions.take("thirst/v1", &topic, told.as_bytes()));
    assert!(!instructions.take("thirst/v1", &topic, told.as_bytes()), "an equal pair is nothing new");
    let mut world = World::new(scenario, 4, Switches::default());
    let mut messages = world.confirm(world.now(), &instructions);
    assert!(world.confirm(world.now(), &instructions).is_empty(), "said once");
    messages.extend((0..144).flat_map(|_| world.step(&instructions)));
    let reports = messages.iter().filter(|message| message.topic.ends_with("/report/valves"));
    reports.map(|message| serde_json::from_str(&message.payload).unwrap()).collect()
}

#[test]
fn sprinklers_water_what_they_are_told_and_report_it() {
    let reports = day_of_watering(true, 50.0);
    assert_eq!(reports.len(), 2, "{reports:?}");
    assert_eq!(reports[0]["in_force"]["sequence"], 5);
    let run = &reports[1]["runs"][0];
    assert_eq!((run["minutes"].as_f64(), run["group"].as_str()), (Some(10.0), Some("lawn")));
    // 10 min of 42 mm/h at 65 %.
    assert_eq!(run["depth_mm"].as_f64(), Some(4.55));
    assert_eq!(day_of_watering(false, 50.0).len(), 1, "nothing runs during a hold");
    assert_eq!(day_of_watering(true, 0.0).len(), 1);
}

#[test]
fn instructions_that_are_none_are_left_alone() {
    let mut instructions = Instructions::default();
    let good = br#"{"epoch":1,"sequence":2,"water_allowed":true,"percents":{"lawn":40}}"#;
    assert!(!instructions.take("thirst/v1", "thirst/v1/site/oak/decision/lawn", good));
    assert!(!instructions.take("thirst/v1", "other/site/oak/instruction/valves", good));
    assert!(!instructions.take("thirst/v1", "thirst/v1/site/oak/instruction/valves", b"nonsense"));
    assert!(instructions.take("thirst/v1", "thirst/v1/site/oak/instruction/valves", good));
    let told: Option<&Instruction> = instructions.of("oak", "valves");
    assert_eq!(told.map(|told| told.percents["lawn"]), Some(40.0));
}

#[test]
fn instants_are_written_as_the_calendar_says() {
    assert_eq!(rfc3339(0), "1970-01-01T00:00:00Z");
    assert_eq!(rfc3339(midnight(2027, 2, 28) + DAY - 1), "2027-02-28T23:59:59Z");
    assert_eq!(rfc3339(midnight(2028, 2, 29)), "2028-02-29T00:00:00Z");
    assert_eq!(midnight(2000, 1, 1), 946_684_800_000);
}
