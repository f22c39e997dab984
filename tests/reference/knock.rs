//! Knock or rain on a year of real weather at three stations, through the whole engine.
//!
//! Real: temperature, humidity and the rain of each hour (`tests/vectors/new_york_2013_hourly.csv`). Invented: how the rain
//! falls within its hour (evenly, or all of it in one report), when somebody works at the site, and the knocks.
//! `cargo test -p thirst-tests --test reference knock -- --nocapture` prints the table.

use std::collections::BTreeMap;
use std::sync::Arc;

use thirst_replay::world::random::Random;
use thirstd::config;
use thirstd::engine::Engine;
use thirstd::engine::driver::Driver;
use thirstd::engine::event::{Event, Now};
use thirstd::engine::settings::Settings;
use thirstd::engine::stamp::{HOUR, MINUTE, Stamp};

const STATIONS: [&str; 3] = ["ewr", "jfk", "lga"];

/// 2013-01-01T00:00Z.
const START: Stamp = Stamp(1_356_998_400_000);

/// Minutes between reports of the invented gauges, within six hours of any tip.
const EVERY: i64 = 15;

/// A hundredth of an inch: the tip of these stations' gauges.
const TIP_MM: f64 = 0.254;

/// One station's year: hour to °C, % and tips.
type Year = BTreeMap<i64, (f64, f64, u32)>;

fn year(station: usize) -> Year {
    let text = include_str!("../vectors/new_york_2013_hourly.csv");
    let hours = text.lines().skip(1).filter_map(|line| {
        let cells: Vec<&str> = line.split(',').collect();
        let cell = |column: usize| cells[1 + 3 * station + column];
        let tips = if cell(2).is_empty() { 0 } else { cell(2).parse().ok()? };
        Some((cells[0].parse().ok()?, (cell(0).parse().ok()?, cell(1).parse().ok()?, tips)))
    });
    hours.collect()
}

fn settings(id: &str) -> Arc<Settings> {
    let text = format!(
        r#"
history = false
[broker]
host = "localhost"
[[feeds]]
topic = "yard/{{site}}/{{sensor}}"
format = "json"
[feeds.fields]
"/t" = {{ quantity = "air_temperature", unit = "Cel" }}
"/h" = {{ quantity = "relative_humidity", unit = "%" }}
"/r" = {{ quantity = "rain_counter", unit = "mm" }}
[[sites]]
id = "{id}"
zone = "America/New_York"
latitude = 40.7
longitude = -74.0
elevation = "5 m"
[[sites.sensors]]
id = "mast"
gauge.tip = "{TIP_MM} mm"
[[sites.groups]]
id = "lawn"
kind = "spray"
run_depth = "10 mm"
[[sites.controllers]]
id = "relay"
capability = "percent"
"#
    );
    config::load_text("knock.toml", &text, std::iter::empty()).unwrap_or_else(|faults| panic!("{faults}")).settings
}

/// How the rain of an hour falls within it.
#[derive(Clone, Copy, Debug)]
enum Falls {
    Evenly,
    /// All of it in one report.
    AtOnce,
}

/// Who works at the site.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Visits {
    None,
    /// Somebody notes a service every two hours of the year: every tip is near to one.
    Always,
    /// Only where a knock is: half an hour before it to an hour after it.
    AtKnocks,
}

/// What became of a year at the three stations.
#[derive(Debug, Default)]
struct Outcome {
    fallen_mm: f64,
    counted_mm: f64,
    knocks: u32,
    caught: u32,
}

impl Outcome {
    fn plus(self, other: Self) -> Self {
        Self {
            fallen_mm: self.fallen_mm + other.fallen_mm,
            counted_mm: self.counted_mm + other.counted_mm,
            knocks: self.knocks + other.knocks,
            caught: self.caught + other.caught,
        }
    }

    /// Share of the real rain that did not count, %.
    fn lost_percent(&self) -> f64 {
        100.0 * (self.fallen_mm - self.counted_mm) / self.fallen_mm
    }

    fn caught_percent(&self) -> f64 {
        100.0 * f64::from(self.caught) / f64::from(self.knocks.max(1))
    }
}

/// An invented knock: in about every third dry working hour, 8 to 18 h local, none within six hours of rain and none within
/// two and a half days of another. One tip and an
/// exponential number of further ones with mean 4, at most 25, a fifth of the knocks in two reports.
struct Knock {
    at: Stamp,
    tips: u32,
    in_two: bool,
}

fn knocks(year: &Year, random: &mut Random) -> Vec<Knock> {
    let mut knocks: Vec<Knock> = Vec::new();
    for &hour in year.keys() {
        let (odds, minute, more, in_two) =
            (random.unit(), random.between(0.0, 60.0), random.exponential(), random.unit());
        let local = (hour - 5).rem_euclid(24);
        let dry = (hour - 6..=hour + 6).all(|near| year.get(&near).is_none_or(|(_, _, tips)| *tips == 0));
        let at = START.plus(hour * HOUR + (minute * MINUTE as f64) as i64);
        let apart = knocks.last().is_none_or(|last| at.since(last.at) > 60 * HOUR);
        if odds < 0.35 && (8..18).contains(&local) && dry && apart {
            let tips = 1 + ((4.0 * more) as u32).min(24);
            knocks.push(Knock { at, tips, in_two: in_two < 0.2 && tips > 1 });
        }
    }
    knocks
}

/// What one station reports and what is noted of it, in order of time: weather, tips of rain, tips of knocks, services.
fn events(station: usize, falls: Falls, visits: Visits, with_knocks: bool) -> (Vec<(Stamp, Event)>, f64, Vec<Knock>) {
    let year = year(station);
    let mut random = Random::new(2013, STATIONS[station]);
    let knocks = if with_knocks { knocks(&year, &mut random) } else { Vec::new() };
    let mut tips: BTreeMap<i64, u32> = BTreeMap::new();
    let mut fallen = 0;
    for (&hour, &(_, _, rain)) in year.iter().filter(|(_, (_, _, rain))| *rain > 0) {
        // The hour up to the observation at minute 51.
        let slots = 60 / EVERY;
        let first = (hour * 60 + 51 - 60) / EVERY + 1;
        let place = random.index(slots as usize) as i64;
        for tip in 0..i64::from(rain) {
            let slot = match falls {
                Falls::Evenly => tip * slots / i64::from(rain),
                Falls::AtOnce => place,
            };
            *tips.entry(first + slot).or_default() += 1;
        }
        fallen += rain;
    }
    let mut events = Vec::new();
    let topic = format!("yard/{}/mast", STATIONS[station]);
    for knock in &knocks {
        let slot = knock.at.since(START) / (EVERY * MINUTE) + 1;
        let second = if knock.in_two { knock.tips / 2 } else { 0 };
        *tips.entry(slot).or_default() += knock.tips - second;
        *tips.entry(slot + 1).or_default() += second;
    }
    let mut service = |at: Stamp, name: String| {
        let body = format!(r#"{{"id":"{name}","who":"pat","verb":"service","sensor":"mast","kind":"cleaned"}}"#);
        events.push((at, Event::Command { site: STATIONS[station].into(), payload: body.into(), retain: false }));
    };
    match visits {
        Visits::None => {}
        Visits::Always => {
            let near = |turn: &i64| (2 * turn - 3..2 * turn + 4).any(|hour| year.get(&hour).is_some_and(|at| at.2 > 0));
            let turns = (0..365 * 12).filter(near);
            turns.for_each(|turn| service(START.plus(turn * 2 * HOUR), format!("s{turn}")));
        }
        Visits::AtKnocks => {
            for (number, knock) in knocks.iter().enumerate() {
                service(knock.at.plus((random.between(-30.0, 60.0) * MINUTE as f64) as i64), format!("s{number}"));
            }
        }
    }
    let (mut total, mut before) = (0, None);
    let observations: Vec<(i64, f64, f64)> =
        year.iter().map(|(hour, (celsius, percent, _))| (hour * 60 + 51, *celsius, *percent)).collect();
    for pair in observations.windows(2) {
        let ((from, ..), (to, ..)) = (pair[0], pair[1]);
        for slot in from.div_euclid(EVERY) + 1..=to.div_euclid(EVERY) {
            // Tips of slots that nobody observed come with the next report, as from any counter.
            total += tips.range(before.map_or(0, |slot| slot + 1)..=slot).map(|(_, tips)| *tips).sum::<u32>();
            before = Some(slot);
            // In a long dry time a report an hour tells the same.
            let busy = tips.range(slot - 24..=slot + 24).next().is_some();
            if !busy && slot % (60 / EVERY) != 0 {
                continue;
            }
            let share = (slot * EVERY - from) as f64 / (to - from) as f64;
            let between = |a: f64, b: f64| a + (b - a) * share;
            let (celsius, percent) = (between(pair[0].1, pair[1].1), between(pair[0].2, pair[1].2));
            let payload =
                format!(r#"{{"t":{celsius:.2},"h":{percent:.1},"r":{:.3}}}"#, 1_000.0 + f64::from(total) * TIP_MM);
            let event = Event::Message { topic: topic.clone(), payload: payload.into(), retain: false, dup: false };
            events.push((START.plus(slot * EVERY * MINUTE), event));
        }
    }
    events.sort_by_key(|(at, _)| *at);
    (events, f64::from(fallen) * TIP_MM, knocks)
}

/// The three stations side by side.
fn run(falls: Falls, visits: Visits, with_knocks: bool) -> Outcome {
    std::thread::scope(|scope| {
        let stations = 0..STATIONS.len();
        let started: Vec<_> =
            stations.map(|station| scope.spawn(move || run_station(station, falls, visits, with_knocks))).collect();
        started.into_iter().map(|station| station.join().unwrap()).fold(Outcome::default(), Outcome::plus)
    })
}

fn run_station(station: usize, falls: Falls, visits: Visits, with_knocks: bool) -> Outcome {
    let mut outcome = Outcome::default();
    let (events, fallen_mm, knocks) = events(station, falls, visits, with_knocks);
    let now = |at: Stamp| Now { wall: at, uptime: at.since(START), listening: at.since(START), trusted: true };
    let (engine, _) = Engine::restore(settings(STATIONS[station]), 1, std::iter::empty());
    let mut driver = Driver::new(engine, now(START));
    let (mut days, mut outputs) = (BTreeMap::new(), Vec::new());
    let mut waiting = knocks.iter().peekable();
    let mut seen = START;
    for (at, event) in events {
        driver.apply(now(at), event, &mut outputs);
        outputs.clear();
        if waiting.peek().is_some_and(|knock| at.since(knock.at) > 2 * HOUR) {
            let knock = waiting.next().unwrap();
            let site = driver.engine().view(STATIONS[station]).unwrap();
            outcome.knocks += 1;
            let alert = |(kind, ..): &(String, String, String)| kind == "gauge_knocked";
            let held = site.today.map_or(0.0, |today| today.figures.quarantined_mm)
                + site.closed_days.last().map_or(0.0, |day| day.figures.quarantined_mm);
            let caught = site.open_alerts.iter().any(alert) && held > f64::from(knock.tips) * TIP_MM - 0.01;
            outcome.caught += u32::from(caught);
            // Somebody settles it, so that the next one stands alone.
            let body = format!(r#"{{"id":"d{}","who":"pat","verb":"discard_rain","sensor":"mast"}}"#, at.0);
            let settle = Event::Command { site: STATIONS[station].into(), payload: body.into(), retain: false };
            driver.apply(now(at), settle, &mut outputs);
        }
        if at.since(seen) > 12 * HOUR {
            seen = at;
            for day in driver.engine().view(STATIONS[station]).unwrap().closed_days {
                days.insert(day.date, day.figures.water.rain_mm);
            }
        }
    }
    outcome.fallen_mm += fallen_mm;
    outcome.counted_mm += days.values().sum::<f64>();
    outcome
}

/// A word for the table.
fn word(one: impl std::fmt::Debug) -> String {
    format!("{one:?}")
}

#[test]
fn real_rain_counts_with_and_without_a_service_and_knocks_are_caught() {
    println!("rain within the hour | service      | rain lost | knocks caught");
    // Rain that falls evenly and without a service is never in doubt: the harder cases stand for it.
    for (falls, visits, most) in
        [(Falls::AtOnce, Visits::None, 0.5), (Falls::Evenly, Visits::Always, 2.0), (Falls::AtOnce, Visits::Always, 2.0)]
    {
        let outcome = run(falls, visits, false);
        println!("{:20} | {:12} | {:7.3} % | -", word(falls), word(visits), outcome.lost_percent());
        assert!(outcome.fallen_mm > 2_900.0, "{outcome:?}");
        assert!((-0.01..=most).contains(&outcome.lost_percent()), "{falls:?} {visits:?}: {outcome:?}");
    }
    for (visits, least) in [(Visits::AtKnocks, 80.0), (Visits::None, 0.0)] {
        let outcome = run(Falls::Evenly, visits, true);
        let (caught, all) = (outcome.caught_percent(), outcome.knocks);
        println!("{:20} | {:12} |         - | {caught:.1} % of {all}", word(Falls::Evenly), word(visits));
        assert!(outcome.knocks > 250, "{outcome:?}");
        assert!(outcome.caught_percent() >= least, "{visits:?}: {outcome:?}");
    }
}
