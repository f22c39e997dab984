//! How fast the engine is, and how large a site is: bytes in to decisions out, without broker and store, on one core.

use std::sync::Arc;

use clap::{Args, Subcommand, ValueEnum};
use serde::Serialize;
use thirstd::config;
use thirstd::engine::Engine;
use thirstd::engine::driver::{Driver, Timekeeper};
use thirstd::engine::event::{Event, Now};
use thirstd::engine::output::Output;
use thirstd::engine::settings::Settings;
use thirstd::engine::stamp::{DAY, MINUTE, SECOND, Stamp};

use crate::clock;
use crate::synthetic::Fleet;

#[cfg(test)]
mod tests;

/// What to measure.
#[derive(Subcommand, Debug)]
pub enum What {
    /// The engine alone: six-field JSON bytes in to decisions out, one message a minute from each of many made-up sites.
    /// Messages are made between the measured stretches; deadlines that come due run inside of them.
    Engine(Arguments),
}

/// Arguments of `thirst-replay bench engine`.
#[derive(Args, Clone, Debug)]
pub struct Arguments {
    /// How many sites.
    #[arg(long, value_name = "N", default_value_t = 1_000, value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    pub sites: u32,
    /// How many messages are measured; else an hour of all sites, and a million at least.
    #[arg(long, value_name = "M", value_parser = clap::value_parser!(u64).range(1..=1_000_000_000))]
    pub messages: Option<u64>,
    /// In which order sites speak: all in turn, or any at any time.
    #[arg(long, value_name = "ORDER", default_value = "round")]
    pub order: Order,
    /// Days of messages before the measurement, one in half an hour from each site.
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = clap::value_parser!(u16).range(0..=30))]
    pub warm_days: u16,
    /// Other seeds give other weather.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Print one JSON object as the last line.
    #[arg(long)]
    pub json: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Order {
    Round,
    Random,
}

/// What was measured.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Measured {
    pub sites: u32,
    pub order: Order,
    /// Messages that were measured, and the readings in them.
    pub messages: u64,
    pub readings: u64,
    /// State and answers that came out in the measured time.
    pub publications: u64,
    pub seconds: f64,
    pub messages_per_s: f64,
    pub readings_per_s: f64,
    /// Growth of the process's resident memory from before the settings of the sites to the end of the measurement, by site;
    /// none where `/proc/self/status` does not tell it.
    pub bytes_per_site: Option<f64>,
    /// The stored row of a site at the end.
    pub row_bytes_mean: f64,
    pub row_bytes_max: u64,
    pub warm_messages: u64,
}

/// Measures the engine as `arguments` say.
///
/// # Errors
/// The settings of the sites are refused, which would be a fault of this program.
pub fn engine(arguments: &Arguments) -> Result<Measured, String> {
    let before = resident_bytes();
    let mut run = Run::new(arguments)?;
    let warm_messages = run.warm_up();
    let wanted = arguments.messages.unwrap_or((u64::from(arguments.sites) * 60).max(LEAST_MESSAGES));
    let mut measured = run.measure(wanted);
    measured.warm_messages = warm_messages;
    // What was kept for the measurement itself is little and gone by now.
    let grown = resident_bytes().zip(before).map(|(after, before)| after.saturating_sub(before));
    measured.bytes_per_site = grown.map(|grown| grown as f64 / f64::from(arguments.sites));
    (measured.row_bytes_mean, measured.row_bytes_max) = run.rows();
    Ok(measured)
}

/// For people.
pub fn text(measured: &Measured) -> String {
    let memory = measured.bytes_per_site.map_or("not known here".to_owned(), |bytes| format!("{bytes:.0} B"));
    format!(
        "{} messages of {} sites in {:.2} s: {:.0} messages/s, {:.0} readings/s, {} publications\n\
         resident memory by site: {memory} (growth of the process, settings included); stored row: {:.0} B, at most {} B",
        measured.messages,
        measured.sites,
        measured.seconds,
        measured.messages_per_s,
        measured.readings_per_s,
        measured.publications,
        measured.row_bytes_mean,
        measured.row_bytes_max,
    )
}

/// An engine and who speaks to it.
struct Run {
    driver: Driver,
    time: Timekeeper,
    fleet: Fleet,
    begins: Stamp,
    wall: Stamp,
    sites: usize,
    order: Order,
    warm_days: u16,
    outputs: Vec<Output>,
}

impl Run {
    fn new(arguments: &Arguments) -> Result<Self, String> {
        let sites = arguments.sites as usize;
        let settings = Arc::new(settings(sites)?);
        let begins = Fleet::begins();
        let mut time = Timekeeper::new(Now { wall: begins, trusted: true, ..Now::default() }, begins, 0);
        time.set_connected(true);
        let (engine, _) = Engine::restore(settings, 1, std::iter::empty());
        let (now, _) = time.read(begins, 0, true);
        let mut driver = Driver::new(engine, now);
        let mut outputs = Vec::new();
        driver.apply(now, Event::BrokerUp { session_present: false, refused: Vec::new() }, &mut outputs);
        outputs.clear();
        let days = arguments.warm_days.saturating_add(DAYS_OF_WEATHER);
        Ok(Self {
            driver,
            time,
            fleet: Fleet::new(days, arguments.seed),
            begins,
            wall: begins,
            sites,
            order: arguments.order,
            warm_days: arguments.warm_days,
            outputs,
        })
    }

    /// Days of messages of all sites in turn. Returns how many.
    fn warm_up(&mut self) -> u64 {
        let rounds = i64::from(self.warm_days) * DAY / WARM_INTERVAL;
        for round in 0..rounds {
            for site in 0..self.sites {
                let within = WARM_INTERVAL * site as i64 / self.sites as i64;
                let message = self.message(site, self.begins.plus(round * WARM_INTERVAL + within));
                self.hear(message);
                self.outputs.clear();
            }
        }
        rounds.unsigned_abs() * self.sites as u64
    }

    /// Plays `count` messages, each site's a minute apart, and takes the time of those alone.
    fn measure(&mut self, count: u64) -> Measured {
        let begins = self.begins.plus(i64::from(self.warm_days) * DAY + MINUTE);
        let mut batch = Vec::with_capacity(BATCH);
        let (mut said, mut publications, mut millis) = (0u64, 0u64, 0i64);
        while said < count {
            let size = (count - said).min(BATCH as u64);
            for number in said..said + size {
                // At most 10^9 messages of a minute each: far inside an i64.
                let at = begins.plus((i128::from(number) * i128::from(MINUTE) / self.sites as i128) as i64);
                let site = match self.order {
                    Order::Round => (number % self.sites as u64) as usize,
                    Order::Random => self.fleet.any(self.sites),
                };
                batch.push(self.message(site, at));
            }
            let started = clock::monotonic();
            for message in batch.drain(..) {
                self.hear(message);
                publications += self.outputs.iter().filter(|output| is_publication(output)).count() as u64;
                self.outputs.clear();
            }
            millis += clock::monotonic() - started;
            said += size;
        }
        let seconds = (millis.max(1)) as f64 / SECOND as f64;
        Measured {
            sites: self.sites as u32,
            order: self.order,
            messages: count,
            readings: count * FIELDS,
            publications,
            seconds,
            messages_per_s: count as f64 / seconds,
            readings_per_s: (count * FIELDS) as f64 / seconds,
            bytes_per_site: None,
            row_bytes_mean: 0.0,
            row_bytes_max: 0,
            warm_messages: 0,
        }
    }

    fn message(&mut self, site: usize, at: Stamp) -> (Stamp, Event) {
        let payload = self.fleet.payload(site, at);
        (at, Event::Message { topic: format!("yard/{}/mast/state", id(site)), payload, retain: false, dup: false })
    }

    fn hear(&mut self, (at, event): (Stamp, Event)) {
        let wall = at.max(self.wall);
        self.wall = wall;
        let (now, _) = self.time.read(wall, wall.since(self.begins), false);
        self.driver.apply(now, event, &mut self.outputs);
    }

    /// Mean and greatest length of a stored row.
    fn rows(&mut self) -> (f64, u64) {
        self.driver.engine_mut().mark_all();
        let (mut count, mut sum, mut most) = (0u64, 0u64, 0u64);
        loop {
            let rows = self.driver.take_dirty(ROWS_AT_ONCE);
            if rows.is_empty() {
                return (sum as f64 / count.max(1) as f64, most);
            }
            // The row without a name is of the whole partition.
            for row in rows.iter().filter(|row| !row.id.is_empty()) {
                let length = row.state.len() as u64;
                (count, sum, most) = (count + 1, sum + length, most.max(length));
            }
        }
    }
}

fn is_publication(output: &Output) -> bool {
    matches!(output, Output::State { .. } | Output::Answer { .. })
}

/// The settings of `sites` sites: those of one by the daemon's own reader, with other names at other places.
fn settings(sites: usize) -> Result<Settings, String> {
    let loaded =
        config::load_text("the bench", CONFIGURATION, std::iter::empty()).map_err(|faults| faults.to_string())?;
    let mut settings = (*loaded.settings).clone();
    let Some(one) = settings.sites.first().cloned() else { return Err("the bench has no site".to_owned()) };
    settings.sites = (0..sites)
        .map(|number| {
            let mut site = one.clone();
            site.id = id(number);
            site.heard_as.clone_from(&site.id);
            site.label.clone_from(&site.id);
            // Every site has its own sun, within what one civil day and one climate allow.
            site.place.latitude_degrees += (number % 1009) as f64 / 1009.0 - 0.5;
            site.place.longitude_degrees += (number % 997) as f64 / 997.0 - 0.5;
            site.sensors.iter_mut().for_each(|sensor| sensor.heard_under.clone_from(&site.id));
            site
        })
        .collect();
    Ok(settings)
}

fn id(site: usize) -> String {
    format!("site-{site:06}")
}

/// Resident memory of this process, bytes.
fn resident_bytes() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"))?;
    let kibibytes: u64 = line.split_whitespace().next()?.parse().ok()?;
    Some(kibibytes * 1024)
}

/// The sensor and the settings of `thirst-replay year`.
const CONFIGURATION: &str = include_str!("../samples/year.toml");

/// Readings of a message.
const FIELDS: u64 = 6;

/// Messages between two looks at the clock, which counts milliseconds.
const BATCH: usize = 2_000;

const LEAST_MESSAGES: u64 = 1_000_000;
const WARM_INTERVAL: i64 = 30 * MINUTE;
const DAYS_OF_WEATHER: u16 = 60;
const ROWS_AT_ONCE: usize = 1_000;
