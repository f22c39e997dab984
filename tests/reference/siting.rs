//! Siting and ageing on real weather, through the whole engine: nothing is found where nothing is wrong, and each fault that
//! is put into the same weather is found within a stated time.
//!
//! Real: Fallon, Nevada, 2015, hour by hour (temperature, dew point, wind, sun; `fallon_2015_hourly.csv` of the weather
//! data), and temperature, humidity and rain of three New York stations in 2013 (`tests/vectors/new_york_2013_hourly.csv`).
//! Invented: the faults, the sites beside Fallon (its own weather a little different), and when tips come within an hour.
//! `cargo test -p thirst-tests --test reference siting -- --nocapture` prints what was found when.

use std::collections::BTreeMap;
use std::io;

use chrono::NaiveDateTime;
use thirst_replay::offline::{Offline, Sink};
use thirst_replay::recording::{Entry, Line};
use thirst_replay::world::random::Random;
use thirstd::config;
use thirstd::engine::output::Output;
use thirstd::engine::stamp::{DAY, HOUR, MINUTE, SECOND, Stamp};

use super::table::{self, number};

/// What was raised (and closed): day since the start, site, kind and subject.
#[derive(Default)]
struct Heard {
    start: Stamp,
    opened: Vec<(i64, String)>,
    closed: Vec<(i64, String)>,
    texts: BTreeMap<String, String>,
}

impl Sink for Heard {
    fn output(&mut self, at: Stamp, output: &Output) -> io::Result<()> {
        let Output::State { topic, payload } = output else { return Ok(()) };
        let Some(rest) = topic.strip_prefix("thirst/v1/site/").filter(|rest| rest.contains("/alert/")) else {
            return Ok(());
        };
        let ours = ["siting_doubtful", "gauge_clogged"].iter().any(|kind| rest.contains(kind));
        let Ok(told) = serde_json::from_slice::<serde_json::Value>(payload) else { return Ok(()) };
        let day = at.since(self.start) / DAY;
        match (ours, told["state"].as_str()) {
            (true, Some("open")) => {
                self.texts.insert(rest.to_owned(), told["text"].as_str().unwrap().to_owned());
                self.opened.push((day, rest.to_owned()));
            }
            (true, Some("closed")) => self.closed.push((day, rest.to_owned())),
            _ => {}
        }
        Ok(())
    }

    fn warning(&mut self, _: &str) -> io::Result<()> {
        Ok(())
    }
}

impl Heard {
    fn day_of(&self, topic: &str) -> Option<i64> {
        self.opened.iter().find(|(_, opened)| opened == topic).map(|(day, _)| *day)
    }

    fn others(&self, topic: &str) -> Vec<&(i64, String)> {
        self.opened.iter().filter(|(_, opened)| opened != topic).collect()
    }
}

fn configuration(sites: &[(&str, f64, f64, f64, &str)], zone: &str, keys: &str) -> String {
    let mut text = r#"
history = false
[broker]
host = "localhost"
[[feeds]]
topic = "yard/{site}/{sensor}"
format = "json"
[feeds.fields]
"/t" = { quantity = "air_temperature", unit = "Cel" }
"/h" = { quantity = "relative_humidity", unit = "%" }
"/d" = { quantity = "dew_point_temperature", unit = "Cel" }
"/w" = { quantity = "wind_speed", unit = "m/s" }
"/s" = { quantity = "surface_downwelling_shortwave_flux", unit = "W/m2" }
"/r" = { quantity = "rain_counter", unit = "mm" }
"#
    .to_owned();
    for (id, latitude, longitude, elevation, neighbors) in sites {
        text += &format!(
            "[[sites]]\nid = \"{id}\"\nzone = \"{zone}\"\nlatitude = {latitude}\nlongitude = {longitude}\n\
             elevation = \"{elevation} m\"\nneighbors = [{neighbors}]\n{keys}\n[[sites.sensors]]\nid = \"mast\"\n\
             gauge.tip = \"0.254 mm\"\n[[sites.groups]]\nid = \"lawn\"\nkind = \"spray\"\nrun_depth = \"10 mm\"\n\
             [[sites.controllers]]\nid = \"relay\"\ncapability = \"percent\"\n"
        );
    }
    text
}

/// Plays messages (time, site, payload) in their order.
fn play(text: &str, start: Stamp, messages: impl Iterator<Item = (Stamp, &'static str, String)>) -> Heard {
    let loaded = config::load_text("siting.toml", text, std::iter::empty()).unwrap_or_else(|faults| panic!("{faults}"));
    let mut heard = Heard { start, ..Heard::default() };
    let mut engine = Offline::new(loaded.settings, 1, start);
    for (at, site, payload) in messages {
        let entry = Entry::Message {
            topic: format!("yard/{site}/mast"),
            payload: payload.into_bytes(),
            retain: false,
            dup: false,
        };
        engine.feed(Line { at, entry }, &mut heard).unwrap();
    }
    heard
}

/// An hour of Fallon: its middle, and °C, dew point °C, m/s at 3 m, W/m².
type Hour = (Stamp, f64, f64, f64, f64);

fn fallon() -> Option<Vec<Hour>> {
    let rows = table::weather("fallon_2015_hourly.csv")?;
    let hours = rows.iter().filter_map(|row| {
        let end = NaiveDateTime::parse_from_str(&row["hour_ending_local_standard"], "%Y-%m-%dT%H:%M").unwrap();
        Some((
            // The middle of the hour speaks for the whole of it.
            Stamp(end.and_utc().timestamp_millis() + 8 * HOUR - 30 * MINUTE),
            number(row, "air_temperature_c")?,
            number(row, "dew_point_c")?,
            number(row, "wind_3m_m_s")?,
            number(row, "shortwave_w_m2")?,
        ))
    });
    Some(hours.collect())
}

const FALLON: (f64, f64, f64) = (39.4575, -118.773_88, 1208.5);

/// Fallon and two invented sites beside it, with a fault in the first: what the hour becomes.
fn play_fallon(hours: &[Hour], alone: bool, fault: impl Fn(Hour) -> Hour) -> Heard {
    let (latitude, longitude, elevation) = FALLON;
    let here: &str = if alone { "" } else { "\"elm\", \"ash\"" };
    let sites = [
        ("oak", latitude, longitude, elevation, here),
        ("elm", latitude + 0.05, longitude, elevation, ""),
        ("ash", latitude - 0.05, longitude, elevation, ""),
    ];
    let count = if alone { 1 } else { 3 };
    let text = configuration(&sites[..count], "Etc/GMT+8", "wind_height = \"3 m\"");
    let mut random = Random::new(7, "fallon");
    let messages = hours.iter().flat_map(|hour| {
        let mut told = Vec::new();
        for (number, (site, ..)) in (0..).zip(&sites[..count]) {
            let (at, t, d, w, s) = if number == 0 { fault(*hour) } else { *hour };
            // Sites a few kilometers apart differ so much from hour to hour. Our choice.
            let (t, w) = (t + 0.5 * random.normal(), w * random.between(0.8, 1.2));
            let s = s * random.between(0.97, 1.03);
            let payload = format!("{{\"t\":{t:.2},\"d\":{d:.2},\"w\":{w:.2},\"s\":{s:.1}}}");
            told.push((at.plus(number * SECOND), *site, payload));
        }
        told
    });
    play(&text, hours[0].0.plus(-HOUR), messages)
}

#[test]
fn a_year_at_fallon_without_a_fault_raises_no_doubt_about_any_sensor() {
    let Some(hours) = fallon() else {
        println!("skipped: no weather data");
        return;
    };
    let alone = play_fallon(&hours, true, |hour| hour);
    assert_eq!(alone.opened, [], "{:?}", alone.texts);
    let three = play_fallon(&hours, false, |hour| hour);
    assert_eq!(three.opened, [], "{:?}", three.texts);
}

/// The faults begin on the hundredth day (11 April), so that what was right before does not hide them.
#[test]
fn each_fault_put_into_fallon_is_found_within_its_time_and_nothing_else_is() {
    let Some(hours) = fallon() else {
        println!("skipped: no weather data");
        return;
    };
    let begins = hours[0].0.plus(100 * DAY);
    let of_day = |at: Stamp| at.plus(-8 * HOUR).0.rem_euclid(DAY) / HOUR;
    let check = |topic: &str, within: std::ops::RangeInclusive<i64>, alone: bool, fault: &dyn Fn(Hour) -> Hour| {
        let until: Vec<Hour> = hours.iter().take(24 * 190).copied().collect();
        let heard = play_fallon(&until, alone, |hour| if hour.0 >= begins { fault(hour) } else { hour });
        let day = heard.day_of(topic).map(|day| day - 100);
        println!("{topic}: after {day:?} days: {:?}", heard.texts.get(topic));
        assert!(day.is_some_and(|day| within.contains(&day)), "{topic}: {day:?}, {:?}", heard.opened);
        assert_eq!(heard.others(topic), Vec::<&(i64, String)>::new(), "{topic}");
    };
    // A tree in the southwest takes the beam from 14 to 16 h; a quarter of the light is left.
    let tree = |(at, t, d, w, s): Hour| (at, t, d, w, if (14..16).contains(&of_day(at)) { 0.25 * s } else { s });
    check("oak/alert/siting_doubtful/mast-sun", 5..=30, true, &tree);
    // A web in the cups.
    let web = |(at, t, d, w, s): Hour| (at, t, d, 0.15 * w, s);
    check("oak/alert/siting_doubtful/mast-wind", 15..=35, false, &web);
    // A wall that the sun heats: up to 5 K in full sun and calm air, less in wind (as heat carried off grows with it).
    let wall = |(at, t, d, w, s): Hour| (at, t + 5.0 * (s / 900.0).min(1.0) / (1.0 + (w - 1.0).max(0.0)), d, w, s);
    check("oak/alert/siting_doubtful/mast-warmth", 2..=35, false, &wall);
}

/// 2013-01-01T00:00Z.
const NEW_YORK_START: Stamp = Stamp(1_356_998_400_000);
const STATIONS: [&str; 3] = ["ewr", "jfk", "lga"];

/// Hour since the start: °C, %, tips of 0.254 mm; by station.
fn new_york() -> BTreeMap<i64, [(f64, f64, u32); 3]> {
    let text = include_str!("../vectors/new_york_2013_hourly.csv");
    let hours = text.lines().skip(1).filter_map(|line| {
        let cells: Vec<&str> = line.split(',').collect();
        let of = |station: usize| {
            let cell = |column: usize| cells[1 + 3 * station + column];
            let tips = if cell(2).is_empty() { 0 } else { cell(2).parse().ok()? };
            Some((cell(0).parse().ok()?, cell(1).parse().ok()?, tips))
        };
        Some((cells[0].parse().ok()?, [of(0)?, of(1)?, of(2)?]))
    });
    hours.collect()
}

/// What the gauge of the first station says of its tips: times within the hour (ms) of each counted tip.
type Tips = Vec<i64>;

/// Newark and its neighbors; `gauge` makes tips of what fell there: hour, tips of it.
fn play_new_york(mut gauge: impl FnMut(i64, u32) -> Tips) -> Heard {
    let others = |id: &str| {
        let named: Vec<String> = STATIONS.iter().filter(|other| **other != id).map(|id| format!("\"{id}\"")).collect();
        named.join(", ")
    };
    let neighbors = STATIONS.map(others);
    let sites = [
        ("ewr", 40.6925, -74.1687, 5.0, neighbors[0].as_str()),
        ("jfk", 40.6386, -73.7622, 4.0, neighbors[1].as_str()),
        ("lga", 40.7794, -73.8803, 6.0, neighbors[2].as_str()),
    ];
    let text = configuration(&sites, "America/New_York", "");
    let mut counted = [0_u64; 3];
    let mut messages = Vec::new();
    for (hour, stations) in new_york() {
        let start = NEW_YORK_START.plus(hour * HOUR);
        for (number, (t, h, tips)) in stations.into_iter().enumerate() {
            // Evenly over the hour.
            let even: Tips = (0..i64::from(tips)).map(|tip| (2 * tip + 1) * HOUR / (2 * i64::from(tips))).collect();
            let times = if number == 0 { gauge(hour, tips) } else { even };
            let mut quarter = 0;
            let payload = |counted: u64| format!("{{\"t\":{t},\"h\":{h},\"r\":{:.3}}}", counted as f64 * 0.254);
            for time in times.into_iter().chain([HOUR]) {
                while (quarter + 1) * 15 * MINUTE <= time {
                    quarter += 1;
                    let late = i64::try_from(number).unwrap() * SECOND - 10 * SECOND;
                    let at = start.plus(quarter * 15 * MINUTE + late);
                    messages.push((at, STATIONS[number], payload(counted[number])));
                }
                if time < HOUR {
                    counted[number] += 1;
                    messages.push((start.plus(time), STATIONS[number], payload(counted[number])));
                }
            }
        }
    }
    messages.sort_by_key(|(at, ..)| *at);
    play(&text, NEW_YORK_START, messages.into_iter())
}

fn even(tips: u32) -> Tips {
    (0..i64::from(tips)).map(|tip| (2 * tip + 1) * HOUR / (2 * i64::from(tips))).collect()
}

#[test]
fn a_year_at_three_stations_without_a_fault_raises_no_doubt_about_a_gauge() {
    let heard = play_new_york(|_, tips| even(tips));
    for (topic, text) in &heard.texts {
        println!("{topic}: {text}");
    }
    assert_eq!(heard.opened, [], "three gauges for a year");
}

#[test]
fn a_gauge_that_catches_half_drains_slowly_or_counts_twice_is_found_in_the_same_rain() {
    let begins = 120 * 24;
    // Every second tip is lost.
    let mut lost = 0;
    let half = play_new_york(|hour, tips| {
        if hour < begins {
            return even(tips);
        }
        lost += tips;
        let kept = lost / 2;
        lost %= 2;
        even(kept)
    });
    // The funnel lets four tips an hour through, and keeps the rest for later.
    let mut held = 0;
    let slow = play_new_york(|hour, tips| {
        if hour < begins {
            return even(tips);
        }
        held += tips;
        let through = held.min(4);
        held -= through;
        even(through)
    });
    // The switch closes again 200 ms after each tip.
    let twice = play_new_york(|hour, tips| {
        let plain = even(tips);
        if hour < begins { plain } else { plain.into_iter().flat_map(|at| [at, at + 200]).collect() }
    });
    for (heard, topic, within) in [
        (&half, "ewr/alert/gauge_clogged/mast-partly", 10..=75),
        (&slow, "ewr/alert/gauge_clogged/mast-draining", 5..=75),
        (&twice, "ewr/alert/siting_doubtful/mast-switch", 0..=30),
    ] {
        let day = heard.day_of(topic).map(|day| day - 120);
        println!("{topic}: after {day:?} days: {:?}; all: {:?}", heard.texts.get(topic), heard.opened);
        assert!(day.is_some_and(|day| within.contains(&day)), "{topic}: {day:?}, {:?}", heard.opened);
    }
}
