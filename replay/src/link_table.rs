//! How often a living sensor is taken for silent, and how long a dead one goes unnoticed: invented radio links through the
//! same engine, by what they lose.

use std::sync::Arc;

use serde::Serialize;
use thirstd::config;
use thirstd::engine::Engine;
use thirstd::engine::driver::Driver;
use thirstd::engine::event::{Event, Now};
use thirstd::engine::output::Output;
use thirstd::engine::sensor::link::{Link, LinkChange, LinkSettings};
use thirstd::engine::settings::Settings;
use thirstd::engine::stamp::{DAY, HOUR, SECOND, Stamp};

use crate::world::random::Random;

/// How a link loses messages.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Loss {
    /// Each by itself, with these odds.
    Alone { share: f64 },
    /// In bursts: a channel that is now good, now bad, with geometric stays (Gilbert, 1960; Elliott, 1963). Of the messages of
    /// a bad stay `IN_BAD` are lost, of a good one `IN_GOOD`.
    Bursts { share: f64, mean_burst: f64 },
}

/// With these two the simulated columns of tests/vectors/link_tables.json (`gilbert_elliott_300s`) come out.
const IN_BAD: f64 = 0.9;
const IN_GOOD: f64 = 0.01;

/// One row of the table.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Row {
    pub loss: Loss,
    pub interval_seconds: i64,
    pub sensor_years: f64,
    /// Share of the messages that were lost.
    pub lost: f64,
    /// `sensor_silent` raised while the sensor lived.
    pub false_alerts: u32,
    pub false_alerts_per_sensor_year: f64,
    /// Those of them in the first 30 days of a sensor.
    pub false_alerts_of_the_first_month: u32,
    /// `link_weak` and `link_unstable` raised.
    pub weak: u32,
    pub unstable: u32,
    /// From the last message that a dying sensor sent to the alert, hours: median, and the slowest of ten.
    pub delay_median_hours: f64,
    pub delay_p90_hours: f64,
    /// Deaths that were not told within a day and a half.
    pub untold: u32,
}

/// The channel of one sensor.
struct Channel {
    loss: Loss,
    random: Random,
    bad: bool,
}

impl Channel {
    fn new(loss: Loss, seed: u64) -> Self {
        Self { loss, random: Random::new(seed, "link"), bad: false }
    }

    /// Does the next message get lost?
    fn loses(&mut self) -> bool {
        let share = match self.loss {
            Loss::Alone { share } => share,
            Loss::Bursts { share, mean_burst } => {
                let bad = ((share - IN_GOOD) / (IN_BAD - IN_GOOD)).clamp(0.0, 1.0);
                let ends = 1.0 / mean_burst.max(1.0);
                let begins = ends * bad / (1.0 - bad).max(1e-9);
                let turn = self.random.unit();
                self.bad = if self.bad { turn >= ends } else { turn < begins };
                if self.bad { IN_BAD } else { IN_GOOD }
            }
        };
        self.random.unit() < share
    }
}

/// The rows that are told: independent and bursty loss.
pub fn losses() -> Vec<Loss> {
    let alone = [0.0, 0.01, 0.05, 0.1, 0.2, 0.3, 0.4].map(|share| Loss::Alone { share });
    let bursts =
        [(0.05, 3.0), (0.05, 10.0), (0.05, 30.0), (0.1, 3.0), (0.1, 10.0), (0.1, 30.0), (0.2, 3.0), (0.2, 10.0)];
    alone.into_iter().chain(bursts.map(|(share, mean_burst)| Loss::Bursts { share, mean_burst })).collect()
}

/// Plays `sensors` sensors for `days` each through the engine; each dies every 90 days for a day and a half.
pub fn row(loss: Loss, interval_seconds: i64, sensors: u32, days: i64, seed: u64) -> Result<Row, String> {
    let settings = settings()?;
    let interval = interval_seconds.max(1) * SECOND;
    let mut row = Row {
        loss,
        interval_seconds,
        sensor_years: 0.0,
        lost: 0.0,
        false_alerts: 0,
        false_alerts_per_sensor_year: 0.0,
        false_alerts_of_the_first_month: 0,
        weak: 0,
        unstable: 0,
        delay_median_hours: 0.0,
        delay_p90_hours: 0.0,
        untold: 0,
    };
    let (mut sent, mut lost, mut lived) = (0_u64, 0_u64, 0_i64);
    let mut delays = Vec::new();
    for sensor in 0..sensors {
        let mut life = Life::new(&settings, loss, seed.wrapping_mul(1_000_003).wrapping_add(u64::from(sensor)));
        life.play(interval, days, &mut row, &mut delays);
        (sent, lost, lived) = (sent + life.sent, lost + life.lost, lived + life.lived);
    }
    row.sensor_years = lived as f64 / (365.25 * DAY as f64);
    row.lost = lost as f64 / sent.max(1) as f64;
    row.false_alerts_per_sensor_year = f64::from(row.false_alerts) / row.sensor_years.max(1e-9);
    delays.sort_by(f64::total_cmp);
    let ranked =
        |share: f64| delays.get((delays.len() as f64 * share) as usize).or(delays.last()).copied().unwrap_or(0.0);
    (row.delay_median_hours, row.delay_p90_hours) = (ranked(0.5), ranked(0.9));
    Ok(row)
}

/// One sensor, its channel, and the engine that hears it.
struct Life {
    driver: Driver,
    channel: Channel,
    sent: u64,
    lost: u64,
    /// Time in which it lived, ms.
    lived: i64,
    outputs: Vec<Output>,
}

impl Life {
    fn new(settings: &Arc<Settings>, loss: Loss, seed: u64) -> Self {
        let (engine, _) = Engine::restore(settings.clone(), 1, std::iter::empty());
        Self {
            driver: Driver::new(engine, now(0)),
            channel: Channel::new(loss, seed),
            sent: 0,
            lost: 0,
            lived: 0,
            outputs: Vec::new(),
        }
    }

    fn play(&mut self, interval: i64, days: i64, row: &mut Row, delays: &mut Vec<f64>) {
        let end = days * DAY;
        let (mut at, mut dies) = (0, LIVES);
        while at < end {
            self.sent += 1;
            // Not two readings are equal, and a few per cent of an interval sooner or later is usual.
            let late = (self.channel.random.unit() * 0.04 * interval as f64) as i64;
            if self.channel.loses() {
                self.lost += 1;
            } else {
                let celsius =
                    12.0 + 6.0 * (at as f64 / DAY as f64 * std::f64::consts::TAU).sin() + self.channel.random.unit();
                let payload = format!("{celsius:.2}").into_bytes();
                let message = Event::Message { topic: TOPIC.to_owned(), payload, retain: false, dup: false };
                self.driver.apply(now(at + late), message, &mut self.outputs);
            }
            for (kind, _) in self.raised() {
                match kind {
                    Kind::Silent => {
                        row.false_alerts += 1;
                        row.false_alerts_of_the_first_month += u32::from(at < 30 * DAY);
                    }
                    Kind::Weak => row.weak += 1,
                    Kind::Unstable => row.unstable += 1,
                }
            }
            self.lived += interval;
            at += interval;
            if dies <= at {
                self.die(at, interval, row, delays);
                at += DEAD;
                dies = at + LIVES;
            }
        }
    }

    /// It was heard, or not, for the last time before `at`.
    fn die(&mut self, at: i64, interval: i64, row: &mut Row, delays: &mut Vec<f64>) {
        let was_silent = self.is_silent();
        self.driver.advance(now(at + DEAD - 1), &mut self.outputs);
        let told = self.raised().into_iter().find(|(kind, _)| *kind == Kind::Silent);
        match told {
            Some((_, told)) => delays.push((told - (at - interval)) as f64 / HOUR as f64),
            None if was_silent => delays.push(0.0),
            None => row.untold += 1,
        }
    }

    fn is_silent(&self) -> bool {
        let view = self.driver.engine().view(SITE);
        view.is_some_and(|view| view.open_alerts.iter().any(|(kind, ..)| kind == "sensor_silent"))
    }

    /// Alerts raised since this was last asked, and when, in ms of the simulation.
    fn raised(&mut self) -> Vec<(Kind, i64)> {
        let mut raised = Vec::new();
        for output in self.outputs.drain(..) {
            let Output::State { topic, payload } = output else { continue };
            let Some((_, about)) = topic.split_once("/alert/") else { continue };
            let kind = match about.split('/').next() {
                Some("sensor_silent") => Kind::Silent,
                Some("link_weak") => Kind::Weak,
                Some("link_unstable") => Kind::Unstable,
                _ => continue,
            };
            let Ok(alert) = serde_json::from_slice::<serde_json::Value>(&payload) else { continue };
            if alert["state"] == "open"
                && let Some(at) = alert["since"].as_str().and_then(crate::recording::parse_time)
            {
                raised.push((kind, at.since(START)));
            }
        }
        raised
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Silent,
    Weak,
    Unstable,
}

/// How often in a year a link that may miss `allowed` messages in a row, no more and no less, is lost while its sensor
/// lives: what link_tables.json has for fixed limits, through the engine's link.
pub fn fixed(loss: Loss, interval_seconds: i64, allowed: i64, slots: i64, seed: u64) -> f64 {
    let interval = interval_seconds.max(1) * SECOND;
    let limit = u32::try_from((interval * allowed + interval / 2) / SECOND).unwrap_or(u32::MAX);
    let settings =
        LinkSettings { silence_limit_seconds: Some(limit), messages_to_return: 1, ..LinkSettings::default() };
    let mut channel = Channel::new(loss, seed);
    let mut link = Link::started(0);
    let mut losses = 0_u32;
    for slot in 0..slots {
        let at = slot * interval;
        if !channel.loses() {
            link.heard(at, Stamp(at), &settings);
        }
        losses += u32::from(link.judge(at + interval * 3 / 4, &settings) == Some(LinkChange::Lost));
    }
    f64::from(losses) / (slots as f64 * interval as f64 / (365.25 * DAY as f64))
}

/// Rows as lines of a table for people.
pub fn table(rows: &[Row]) -> String {
    let mut text = String::from(
        "| loss | lost | interval | sensor-years | false alerts a sensor-year | in its first month | `link_weak` | `link_unstable` | dead for, median | 9 of 10 |\n|---|---|---|---|---|---|---|---|---|---|\n",
    );
    for row in rows {
        let loss = match row.loss {
            Loss::Alone { share } => format!("{:.0} %, each by itself", share * 100.0),
            Loss::Bursts { share, mean_burst } => format!("{:.0} %, bursts of {mean_burst:.0}", share * 100.0),
        };
        text.push_str(&format!(
            "| {loss} | {:.1} % | {} s | {:.1} | {:.2} | {} | {} | {} | {:.1} h | {:.1} h |\n",
            row.lost * 100.0,
            row.interval_seconds,
            row.sensor_years,
            row.false_alerts_per_sensor_year,
            row.false_alerts_of_the_first_month,
            row.weak,
            row.unstable,
            row.delay_median_hours,
            row.delay_p90_hours
        ));
    }
    text
}

fn settings() -> Result<Arc<Settings>, String> {
    let loaded = config::load_text("the configuration of the link", CONFIGURATION, std::iter::empty());
    loaded.map(|loaded| loaded.settings).map_err(|faults| faults.to_string())
}

fn now(at: i64) -> Now {
    Now { wall: START.plus(at), uptime: at, listening: at, trusted: true }
}

const SITE: &str = "oak";
const TOPIC: &str = "yard/oak/air/temp_c";
const CONFIGURATION: &str = r#"
[broker]
host = "localhost"
[[feeds]]
topic = "yard/{site}/{sensor}/temp_c"
format = "value"
reading = { quantity = "air_temperature", unit = "Cel" }
[[sites]]
id = "oak"
zone = "UTC"
latitude = 51.5
longitude = 0.1
elevation = "60 m"
[[sites.sensors]]
id = "air"
[[sites.groups]]
id = "lawn"
kind = "spray"
run_depth = "10 mm"
[[sites.controllers]]
id = "relay"
capability = "percent"
"#;

/// 2027-01-01T00:00:00Z.
const START: Stamp = Stamp(1_798_761_600_000);
/// A sensor lives so long, and is dead so long.
const LIVES: i64 = 90 * DAY;
const DEAD: i64 = DAY + 12 * HOUR;

#[cfg(test)]
mod tests;
