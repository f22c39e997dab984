//! A history through the engine in closed loop: hours become messages, instructions become runs, runs become reports.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;
use std::io;

use chrono::{Datelike, Days, NaiveDate};
use serde_json::json;
use thirst_schemas::{Fallback, Instruction};
use thirstd::config;
use thirstd::engine::output::{DiaryKind, Output};
use thirstd::engine::stamp::{DAY, HOUR, MINUTE, SECOND, Stamp};

use super::faults::{Fault, HIGH_CELSIUS, LOSS, Plan, SPRAYED_MM};
use super::hours;
use super::neighbors::{self, Neighbor};
use super::rules::Schedule;
use super::setup::{CLOSES_HOUR, Controller, OPENS_HOUR, SENSOR, SITE, Setup};
use super::weather::{Hour, Series};
use super::zones::{PerZone, TABLE, ZONES};
use crate::offline::{Offline, Sink};
use crate::recording::{Entry, Line};
use crate::world::random::Random;

/// What came of a run.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Played {
    /// Net depth that each zone was given on each day, mm.
    pub given: Vec<PerZone>,
    /// Evapotranspiration and rain of each day by the engine's account; NaN where it closed none.
    pub eto_mm: Vec<f64>,
    pub rain_mm: Vec<f64>,
    /// Alerts that opened: day and kind.
    pub alerts: Vec<(usize, String)>,
    /// Messages of the sensor, and instructions heard.
    pub messages: u64,
    pub instructions: u64,
}

/// Plays `series` as `setup` says, under the configuration `text`.
///
/// # Errors
/// The configuration of the yard is refused, which would be a fault of this program.
pub fn play(series: &Series, setup: &Setup, schedule: &Schedule, text: &str, plan: &Plan) -> Result<Played, String> {
    let loaded = config::load_text("the yard", text, std::iter::empty()).map_err(|faults| faults.to_string())?;
    let shift = shift_of(series.days.first().map(|day| day.date).unwrap_or_default());
    let played = |date: NaiveDate| date.checked_add_days(shift).unwrap_or(date);
    let first = played(series.days.first().map(|day| day.date).unwrap_or_default());
    let offset = series.spot.offset();
    let start = Stamp(millis(first) - offset);
    let mut yard = Yard {
        engine: Offline::new(loaded.settings, 1, start),
        ears: Ears::new(first, series.days.len()),
        setup,
        schedule,
        counter_mm: 0.0,
        sequence: 0,
        valves: Valves::default(),
        loss: Random::new(setup.seed, "loss"),
        messages: 0,
        neighbors: neighbors::all(setup),
        topic: format!("yard/{SITE}/{SENSOR}/state"),
    };
    let mut given = Vec::with_capacity(series.days.len());
    for (index, day) in series.days.iter().enumerate() {
        let midnight = Stamp(millis(played(day.date)) - offset);
        yard.ears.today = index;
        let hours = hours::of_day(series, index, setup.seed);
        let near: Vec<_> = yard.neighbors.iter().map(|neighbor| neighbor.hours(day, &hours)).collect();
        let (month, waters) = (day.month(), schedule.waters(day.date));
        given.push(yard.day(midnight, month, waters, &hours, &near, plan.on(index)).map_err(io_text)?);
    }
    let end = Stamp(start.0 + series.days.len() as i64 * DAY + HOUR);
    yard.engine.run_until(end, &mut yard.ears).map_err(io_text)?;
    let Yard { ears, messages, .. } = yard;
    Ok(Played {
        given,
        eto_mm: ears.eto_mm,
        rain_mm: ears.rain_mm,
        alerts: ears.alerts,
        messages,
        instructions: ears.instructions,
    })
}

struct Yard<'a> {
    engine: Offline,
    ears: Ears,
    setup: &'a Setup,
    schedule: &'a Schedule,
    /// What the gauge has counted since the beginning.
    counter_mm: f64,
    sequence: u64,
    valves: Valves,
    loss: Random,
    messages: u64,
    neighbors: Vec<Neighbor>,
    topic: String,
}

/// Runs of the day.
#[derive(Default)]
struct Valves {
    running: Vec<Run>,
    ended: Vec<(usize, i64, i64)>,
    /// Seconds that sprinklers ran since the last message, of the longest of them.
    sprayed: i64,
}

struct Run {
    zone: usize,
    begun: i64,
    ends: i64,
}

impl Yard<'_> {
    /// One civil day from its `midnight` on.
    fn day(
        &mut self,
        midnight: Stamp,
        month: usize,
        waters: bool,
        hours: &[Hour; 24],
        near: &[[Hour; 24]],
        fault: Option<(Fault, i32)>,
    ) -> io::Result<PerZone> {
        let mut given = [0.0; ZONES];
        let opens = midnight.plus(OPENS_HOUR * HOUR + MINUTE);
        for (index, hour) in (0..).zip(hours) {
            // The middle of the hour speaks for the whole of it, and is on its way for two seconds.
            let at = midnight.plus(index * HOUR + 30 * MINUTE + 2 * SECOND);
            if index == OPENS_HOUR && waters {
                self.open(opens, month)?;
            }
            self.settle_runs(at, &mut given);
            self.message(at, hour, fault)?;
            self.messages_nearby(at, near, index as usize)?;
            self.obey(at, &mut given);
            self.report_runs(at.plus(MINUTE))?;
        }
        self.settle_runs(midnight.plus(DAY), &mut given);
        self.report_runs(midnight.plus(DAY - MINUTE))?;
        Ok(given)
    }

    /// The controller looks at its instruction as the window opens, and starts every zone that is given something. Each
    /// zone has its own supply.
    fn open(&mut self, at: Stamp, month: usize) -> io::Result<()> {
        self.pass(at)?;
        self.engine.run_until(at, &mut self.ears)?;
        self.confirm(at)?;
        let latest = at.0 + (CLOSES_HOUR - OPENS_HOUR) * HOUR - 2 * MINUTE;
        for (zone, known) in TABLE.iter().enumerate() {
            let percent = self.percent(zone, month);
            let depth = self.schedule.run_mm[zone] * percent / 100.0;
            let length = (depth / known.net_rate_mm_per_hour() * HOUR as f64) as i64 / SECOND * SECOND;
            if length >= MINUTE {
                self.valves.running.push(Run { zone, begun: at.0, ends: (at.0 + length).min(latest) });
            }
        }
        Ok(())
    }

    /// What the controller of a zone was told.
    fn told(&self, zone: usize) -> Option<&Instruction> {
        self.ears.told.get(self.setup.controller.id(zone))
    }

    /// What the controller gives a zone now, % of its run.
    fn percent(&self, zone: usize, month: usize) -> f64 {
        if self.setup.away {
            let table = self.ears.fallback.as_ref().map(|fallback| fallback.percents);
            return table.and_then(|table| table.get(month).copied()).map_or(0.0, f64::from);
        }
        let Some(told) = self.told(zone).filter(|told| told.water_allowed) else { return 0.0 };
        match self.setup.controller {
            Controller::Hold | Controller::Relays => 100.0,
            Controller::Percent => told.percent.map_or(0.0, f64::from),
            Controller::PercentPerGroup => {
                told.percents.as_ref().and_then(|percents| percents.get(TABLE[zone].id)).map_or(0.0, |p| f64::from(*p))
            }
            Controller::TwelveMonths => {
                told.months.and_then(|months| months.get(month).copied()).map_or(0.0, f64::from)
            }
        }
    }

    /// Ends the runs whose time has come.
    fn settle_runs(&mut self, now: Stamp, given: &mut PerZone) {
        let valves = &mut self.valves;
        let mut running = std::mem::take(&mut valves.running);
        running.retain(|run| {
            if run.ends > now.0 {
                return true;
            }
            valves.end(run, run.ends, given);
            false
        });
        valves.running = running;
    }

    /// A hold that came meanwhile stops what runs.
    fn obey(&mut self, now: Stamp, given: &mut PerZone) {
        if self.valves.running.is_empty() || self.setup.away {
            return;
        }
        let stopped: Vec<bool> = (0..ZONES)
            .map(|zone| match self.setup.controller {
                Controller::TwelveMonths => !self.told(zone).is_some_and(|told| told.water_allowed),
                _ => self.percent(zone, 0) <= 0.0,
            })
            .collect();
        let valves = &mut self.valves;
        let mut running = std::mem::take(&mut valves.running);
        running.retain(|run| {
            if !stopped[run.zone] {
                return true;
            }
            valves.end(run, now.0, given);
            false
        });
        valves.running = running;
    }

    fn report_runs(&mut self, at: Stamp) -> io::Result<()> {
        if self.valves.ended.is_empty() {
            return Ok(());
        }
        let ended = std::mem::take(&mut self.valves.ended);
        if !self.setup.reports || self.setup.away {
            return Ok(());
        }
        self.pass(at)?;
        for id in self.setup.controller.ids() {
            let own = ended.iter().filter(|(zone, ..)| self.setup.controller.id(*zone) == *id);
            let runs: Vec<_> = own
                .map(|(zone, begun, ended)| {
                    let depth = (ended - begun) as f64 / HOUR as f64 * TABLE[*zone].net_rate_mm_per_hour();
                    json!({
                        "group": TABLE[*zone].id,
                        "start": Stamp(*begun).text(),
                        "end": Stamp(*ended).text(),
                        "depth_mm": (depth * 1000.0).round() / 1000.0,
                    })
                })
                .collect();
            if !runs.is_empty() {
                self.tell(at, id, &json!({ "runs": runs }))?;
            }
        }
        self.confirm(at)
    }

    /// The bridge confirms what is new, as a bridge does within five minutes.
    fn confirm(&mut self, at: Stamp) -> io::Result<()> {
        while let Some(id) = self.ears.new.pop_first() {
            if let Some(told) = self.ears.told.get(id.as_str()).filter(|_| self.setup.reports && !self.setup.away) {
                let body = json!({ "in_force": { "epoch": told.epoch, "sequence": told.sequence } });
                self.tell(at, &id, &body)?;
            }
        }
        Ok(())
    }

    fn tell(&mut self, at: Stamp, controller: &str, report: &serde_json::Value) -> io::Result<()> {
        let topic = format!("thirst/v1/site/{SITE}/report/{controller}");
        let entry = Entry::Message { topic, payload: report.to_string().into_bytes(), retain: false, dup: false };
        self.engine.feed(Line { at, entry }, &mut self.ears)
    }

    /// Lets the deadlines before `at` come, and confirms decisions when they are made.
    fn pass(&mut self, at: Stamp) -> io::Result<()> {
        while let Some(due) = self.engine.engine().deadline().filter(|due| *due < at) {
            self.engine.run_until(due, &mut self.ears)?;
            self.confirm(due)?;
        }
        Ok(())
    }

    /// What the sensor sends at `at`.
    fn message(&mut self, at: Stamp, hour: &Hour, fault: Option<(Fault, i32)>) -> io::Result<()> {
        let (fault, year) = fault.map_or((None, 0), |(fault, year)| (Some(fault), year));
        let sprayed = std::mem::take(&mut self.valves.sprayed);
        if fault != Some(Fault::GaugeClogged) {
            self.counter_mm += hour.rain_mm.unwrap_or(0.0);
        }
        if fault == Some(Fault::GaugeSprayed) && sprayed > 0 {
            self.counter_mm += SPRAYED_MM;
        }
        let lost = fault == Some(Fault::MessageLoss) && self.loss.chance(LOSS);
        if lost || fault == Some(Fault::SensorDead) {
            return Ok(());
        }
        let clock = match fault {
            Some(Fault::ClockHour) if year % 2 == 0 => -HOUR,
            Some(Fault::ClockHour) => HOUR,
            _ => 0,
        };
        self.sequence += 1;
        let sensors = self.setup.sensors;
        let high = if fault == Some(Fault::ThermometerHigh) { HIGH_CELSIUS } else { 0.0 };
        let rain = hour.rain_mm.map(|_| self.counter_mm);
        let air = fault != Some(Fault::AirDead);
        let fields = [
            ("temp_c", hour.celsius.map(|celsius| celsius + high), air),
            ("rh_pct", hour.humidity_percent, sensors.humidity && air),
            ("wind_ms", hour.wind_m_per_s, sensors.wind && air),
            ("sun_wm2", hour.sun_w_per_m2, sensors.sun && air),
            ("rain_mm", rain, sensors.rain),
        ];
        let payload = payload(at.plus(clock - 2 * SECOND), &fields, self.sequence);
        self.messages += 1;
        self.hear(at, self.topic.clone(), payload)
    }

    /// What the sites nearby send, a second apart after `at`.
    fn messages_nearby(&mut self, at: Stamp, near: &[[Hour; 24]], index: usize) -> io::Result<()> {
        let sensors = self.setup.sensors;
        let mut said = Vec::with_capacity(near.len());
        for (neighbor, hours) in self.neighbors.iter_mut().zip(near) {
            let hour = hours[index];
            neighbor.counter_mm += hour.rain_mm.unwrap_or(0.0);
            neighbor.sequence += 1;
            let fields = [
                ("temp_c", hour.celsius, true),
                ("rh_pct", hour.humidity_percent, sensors.humidity),
                ("wind_ms", hour.wind_m_per_s, sensors.wind),
                ("sun_wm2", hour.sun_w_per_m2, sensors.sun),
                ("rain_mm", hour.rain_mm.map(|_| neighbor.counter_mm), sensors.rain),
            ];
            said.push((neighbor.topic.clone(), payload(at.plus(-2 * SECOND), &fields, neighbor.sequence)));
        }
        for (position, (topic, payload)) in (1..).zip(said) {
            self.hear(at.plus(position * SECOND), topic, payload)?;
        }
        Ok(())
    }

    fn hear(&mut self, at: Stamp, topic: String, payload: String) -> io::Result<()> {
        self.pass(at)?;
        let entry = Entry::Message { topic, payload: payload.into_bytes(), retain: false, dup: false };
        self.engine.feed(Line { at, entry }, &mut self.ears)?;
        self.confirm(at)
    }
}

/// A message of a sensor: its time, name and value of what it reads, and its number.
fn payload(ts: Stamp, fields: &[(&str, Option<f64>, bool)], sequence: u64) -> String {
    let mut payload = format!("{{\"ts\":{}", ts.0 / SECOND);
    for (name, value, read) in fields {
        if let Some(value) = value.filter(|_| *read) {
            // Writing to a `String` cannot fail.
            let _ = write!(payload, ",\"{name}\":{value:.2}");
        }
    }
    let _ = write!(payload, ",\"seq\":{sequence}}}");
    payload
}

impl Valves {
    fn end(&mut self, run: &Run, at: i64, given: &mut PerZone) {
        let length = (at - run.begun).max(0);
        given[run.zone] += length as f64 / HOUR as f64 * TABLE[run.zone].net_rate_mm_per_hour();
        self.ended.push((run.zone, run.begun, at));
        if TABLE[run.zone].kind != "drip" {
            self.sprayed = self.sprayed.max(length / SECOND);
        }
    }
}

/// Hears what is published, and reads the diary's days.
struct Ears {
    /// The last instruction of each controller, and whose is new.
    told: BTreeMap<String, Instruction>,
    new: BTreeSet<String>,
    fallback: Option<Fallback>,
    first: NaiveDate,
    today: usize,
    eto_mm: Vec<f64>,
    rain_mm: Vec<f64>,
    open: BTreeSet<String>,
    alerts: Vec<(usize, String)>,
    instructions: u64,
}

impl Ears {
    fn new(first: NaiveDate, days: usize) -> Self {
        Self {
            told: BTreeMap::new(),
            new: BTreeSet::new(),
            fallback: None,
            first,
            today: 0,
            eto_mm: vec![f64::NAN; days],
            rain_mm: vec![f64::NAN; days],
            open: BTreeSet::new(),
            alerts: Vec::new(),
            instructions: 0,
        }
    }

    fn state(&mut self, topic: &str, payload: &[u8]) {
        let Some(below) = topic.strip_prefix("thirst/v1/site/yard/") else { return };
        if let Some(controller) = below.strip_prefix("instruction/") {
            let new: Option<Instruction> = serde_json::from_slice(payload).ok();
            let pair = |told: &Instruction| (told.epoch, told.sequence);
            // A lower pair is an old instruction.
            if let Some(new) = new.filter(|new| self.told.get(controller).is_none_or(|told| pair(told) < pair(new))) {
                self.told.insert(controller.to_owned(), new);
                self.new.insert(controller.to_owned());
                self.instructions += 1;
            }
        } else if below == "fallback" {
            self.fallback = serde_json::from_slice(payload).ok().or(self.fallback.take());
        } else if let Some(alert) = below.strip_prefix("alert/") {
            let kind = alert.split('/').next().unwrap_or_default();
            if payload.is_empty() {
                self.open.remove(alert);
            } else if self.open.insert(alert.to_owned()) {
                self.alerts.push((self.today, kind.to_owned()));
            }
        }
    }
}

impl Sink for Ears {
    fn output(&mut self, _: Stamp, output: &Output) -> io::Result<()> {
        match output {
            Output::State { topic, payload } => self.state(topic, payload),
            Output::Diary(line) if line.kind == DiaryKind::Day && line.site == SITE => {
                let date: Option<NaiveDate> = line.subject.parse().ok();
                let index = date.and_then(|date| usize::try_from((date - self.first).num_days()).ok());
                let figures: BTreeMap<String, serde_json::Value> =
                    serde_json::from_slice(&line.payload).unwrap_or_default();
                let number = |key: &str| figures.get(key).and_then(serde_json::Value::as_f64).unwrap_or(f64::NAN);
                if let Some(index) = index.filter(|index| *index < self.eto_mm.len()) {
                    (self.eto_mm[index], self.rain_mm[index]) = (number("eto_mm"), number("rain_mm"));
                }
            }
            _ => {}
        }
        Ok(())
    }

    fn warning(&mut self, _: &str) -> io::Result<()> {
        Ok(())
    }
}

/// A sensor's clock that says a year before 2000 is not believed: older histories are played as many times 28 years later, when
/// weekdays and leap years fall on the same dates again.
fn shift_of(first: NaiveDate) -> Days {
    let missing = (2001 - first.year()).max(0).unsigned_abs();
    Days::new(u64::from(missing.div_ceil(28)) * CYCLE_DAYS)
}

/// 28 years.
const CYCLE_DAYS: u64 = 10_227;

/// Milliseconds of a date's midnight since 1970, as if in UTC.
fn millis(date: NaiveDate) -> i64 {
    date.and_time(chrono::NaiveTime::MIN).and_utc().timestamp_millis()
}

fn io_text(fault: io::Error) -> String {
    fault.to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_old_history_is_played_on_the_same_weekdays_and_leap_days_of_later_years() {
        let check = |date: &str, played: &str| {
            let (date, expected): (NaiveDate, NaiveDate) = (date.parse().unwrap(), played.parse().unwrap());
            let shifted = date + shift_of(date);
            assert_eq!((shifted, shifted.weekday()), (expected, date.weekday()));
        };
        check("1980-02-29", "2008-02-29");
        check("1950-07-01", "2006-07-01");
        check("2003-01-01", "2003-01-01");
    }
}
