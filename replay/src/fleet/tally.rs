//! What was said of the faults of a fleet, counted as it is said.

use std::collections::BTreeMap;
use std::io;

use serde_json::{Value, json};
use thirstd::engine::output::Output;
use thirstd::engine::stamp::{DAY, HOUR, Stamp};

use super::plan::SitePlan;
use crate::offline::Sink;

/// What is heard of one site, and what is true of it.
#[derive(Default)]
struct Ear {
    open: BTreeMap<String, Stamp>,
    holds_rain: bool,
    holds_freeze: bool,
    /// When the battery in it has been asked for, and whether by its forecast; every request of its life.
    asked: Vec<(Stamp, bool)>,
    born: Stamp,
    lossy: bool,
    slopes: bool,
    chemistry: &'static str,
    /// The mast is there and speaks.
    alive: bool,
    /// An outage that is not the link's own explains silence.
    excused_until: Stamp,
}

/// Ends of batteries of one chemistry.
#[derive(Default)]
struct Ends {
    died: u32,
    in_time: u32,
    false_requests: u32,
    /// Of the false ones: by the forecast, and not by the volts alone.
    by_forecast: u32,
    sensors: u32,
}

impl Ends {
    /// Takes in the requests for a battery that was `born` then and was empty, or still ran, `at` this time.
    fn judge(&mut self, asked: &[(Stamp, bool)], born: Stamp, at: Stamp) {
        let least = (90 * DAY).max(at.since(born) / 5);
        let early = || asked.iter().filter(|(asked, _)| at.since(*asked) > least);
        self.false_requests += early().count() as u32;
        self.by_forecast += early().filter(|(_, forecast)| *forecast).count() as u32;
    }
}

/// All that is counted.
#[derive(Default)]
pub struct Tally {
    ears: Vec<Ear>,
    index: BTreeMap<String, usize>,
    ends: BTreeMap<&'static str, Ends>,
    days: f64,
    lossy_sensor_days: f64,
    false_silence: u32,
    outage: Option<u32>,
    outages: Vec<u32>,
    gateway: Vec<u32>,
    counting_gateway: BTreeMap<usize, u32>,
    knocks: u32,
    knocks_held: u32,
    frost_faults: u32,
    frost_released: u32,
    watched_frost: BTreeMap<usize, bool>,
    stuck: (u32, u32),
    clogged: Vec<Option<f64>>,
    alerts: BTreeMap<String, u32>,
}

impl Tally {
    pub fn new(sites: &[SitePlan], start: Stamp, days: f64) -> Self {
        let ears = sites.iter().map(|site| Ear {
            lossy: site.loss.is_some(),
            slopes: site.cells.slopes,
            chemistry: site.cells.name,
            alive: true,
            born: start,
            ..Ear::default()
        });
        let mut tally = Self { ears: ears.collect(), days, ..Self::default() };
        for (index, site) in sites.iter().enumerate() {
            tally.index.insert(site.id.clone(), index);
            tally.ends.entry(site.cells.name).or_default().sensors += 1;
            tally.lossy_sensor_days += if site.loss.is_some() { days } else { 0.0 };
        }
        tally
    }

    pub fn holds_rain(&self, site: usize) -> bool {
        self.ears[site].holds_rain
    }

    pub fn holds_freeze(&self, site: usize) -> bool {
        self.ears[site].holds_freeze
    }

    /// The battery is too empty; `at` the sensor falls silent.
    pub fn died(&mut self, site: usize, at: Stamp) {
        let ear = &mut self.ears[site];
        ear.alive = false;
        let ends = self.ends.entry(ear.chemistry).or_default();
        ends.died += 1;
        let first_open =
            ["battery_forecast/mast", "battery_low/mast"].iter().filter_map(|key| ear.open.get(*key)).min();
        ends.in_time += u32::from(first_open.is_some_and(|since| at.since(*since) >= 14 * DAY));
        ends.judge(&std::mem::take(&mut ear.asked), ear.born, at);
    }

    pub fn replaced(&mut self, site: usize, at: Stamp) {
        (self.ears[site].alive, self.ears[site].born) = (true, at);
        self.excuse(site, at.plus(6 * HOUR));
    }

    /// What still runs at the end and was asked for long ago was asked for too early.
    pub fn end(&mut self, at: Stamp) {
        for ear in &mut self.ears {
            self.ends.entry(ear.chemistry).or_default().judge(&ear.asked, ear.born, at);
        }
    }

    pub fn excuse(&mut self, site: usize, until: Stamp) {
        self.ears[site].excused_until = self.ears[site].excused_until.max(until);
    }

    pub fn broker_goes(&mut self) {
        self.outage = Some(0);
    }

    /// Called some hours after it came back.
    pub fn broker_was_away(&mut self) {
        self.outages.extend(self.outage.take());
    }

    pub fn gateway_goes(&mut self, site: usize) {
        self.counting_gateway.insert(site, 0);
    }

    pub fn gateway_was_away(&mut self, site: usize) {
        self.gateway.extend(self.counting_gateway.remove(&site));
    }

    pub fn knocked(&mut self, held: bool) {
        self.knocks += 1;
        self.knocks_held += u32::from(held);
    }

    pub fn frost_fault_begins(&mut self, site: usize) {
        self.frost_faults += 1;
        self.watched_frost.insert(site, false);
    }

    pub fn frost_fault_ends(&mut self, site: usize) {
        self.frost_released += u32::from(self.watched_frost.remove(&site).unwrap_or(false));
    }

    pub fn stuck(&mut self, site: usize) {
        let open = self.ears[site].open.keys().any(|key| key.starts_with("flat_line/mast-air-temperature"));
        self.stuck = (self.stuck.0 + 1, self.stuck.1 + u32::from(open));
    }

    pub fn clogged(&mut self, site: usize, since: Stamp) {
        let open = self.ears[site].open.get("gauge_clogged/mast");
        self.clogged.push(open.map(|at| at.since(since) as f64 / DAY as f64));
    }

    fn alert(&mut self, site: usize, key: &str, payload: &[u8], at: Stamp) {
        let is_open =
            !payload.is_empty() && serde_json::from_slice::<Value>(payload).is_ok_and(|told| told["state"] == "open");
        let ear = &mut self.ears[site];
        if !is_open {
            ear.open.remove(key);
            return;
        }
        if ear.open.contains_key(key) {
            return;
        }
        ear.open.insert(key.to_owned(), at);
        let kind = key.split('/').next().unwrap_or_default();
        let about_place = ["siting_doubtful", "gauge_clogged"].contains(&kind);
        let counted = if about_place { key.replace("/mast", "") } else { kind.to_owned() };
        *self.alerts.entry(counted).or_default() += 1;
        if ["battery_forecast", "battery_low"].contains(&kind) {
            let other = if kind == "battery_low" { "battery_forecast/mast" } else { "battery_low/mast" };
            if !ear.open.contains_key(other) {
                ear.asked.push((at, kind == "battery_forecast"));
            }
        }
        let of_silence = ["sensor_silent", "gateway_silent", "broker_silent"].contains(&kind);
        if let Some(count) = self.outage.as_mut().filter(|_| of_silence && ear.alive) {
            *count += 1;
        } else if let Some(count) = self.counting_gateway.get_mut(&site).filter(|_| of_silence) {
            *count += 1;
        } else if key == "sensor_silent/mast" && ear.alive && ear.lossy && at > ear.excused_until {
            self.false_silence += 1;
        }
    }

    pub fn report(&self) -> Value {
        let share =
            |part: u32, whole: u32| (whole > 0).then(|| (1000.0 * f64::from(part) / f64::from(whole)).round() / 10.0);
        let five_years = |count: u32, sensors: u32| {
            let sensor_days = f64::from(sensors) * self.days;
            (100.0 * f64::from(count) / sensor_days.max(1.0) * 1826.0).round() / 100.0
        };
        let sloping: Vec<&Ends> = self
            .ears
            .iter()
            .filter(|ear| ear.slopes)
            .map(|ear| ear.chemistry)
            .collect::<std::collections::BTreeSet<_>>()
            .into_iter()
            .filter_map(|name| self.ends.get(name))
            .collect();
        let sum = |of: fn(&Ends) -> u32| sloping.iter().map(|ends| of(ends)).sum::<u32>();
        let chemistries: BTreeMap<&str, Value> = self
            .ends
            .iter()
            .map(|(name, ends)| {
                let row = json!({
                    "sensors": ends.sensors,
                    "died": ends.died,
                    "announced_14_days_percent": share(ends.in_time, ends.died),
                    "false_requests_in_5_years": five_years(ends.false_requests, ends.sensors),
                    "of_these_by_forecast": five_years(ends.by_forecast, ends.sensors),
                });
                (*name, row)
            })
            .collect();
        let mut found: Vec<f64> = self.clogged.iter().filter_map(|days| *days).collect();
        found.sort_by(f64::total_cmp);
        let all: u32 = self.ends.values().map(|ends| ends.sensors).sum();
        json!({
            "batteries": {
                "sloping_died": sum(|ends| ends.died),
                "sloping_announced_14_days_percent": share(sum(|ends| ends.in_time), sum(|ends| ends.died)),
                "false_requests_in_5_years": five_years(self.ends.values().map(|ends| ends.false_requests).sum(), all),
                "by_chemistry": chemistries,
            },
            "broker": { "outages": self.outages.len(), "most_alerts_in_one": self.outages.iter().max() },
            "gateway": { "outages": self.gateway.len(), "most_alerts_in_one": self.gateway.iter().max() },
            "loss": {
                "sensor_years": (self.lossy_sensor_days / 36.525).round() / 10.0,
                "false_silence_alerts_in_a_year":
                    (100.0 * f64::from(self.false_silence) / self.lossy_sensor_days.max(1.0) * 365.25).round() / 100.0,
            },
            "knocks": {
                "count": self.knocks,
                "without_rain_hold_percent": share(self.knocks - self.knocks_held, self.knocks),
            },
            "freeze": { "bad_spells_in_a_hold": self.frost_faults, "released_by_bad_readings": self.frost_released },
            "stuck_thermometers": { "count": self.stuck.0, "flat_line_percent": share(self.stuck.1, self.stuck.0) },
            "clogged_gauges": {
                "count": self.clogged.len(),
                "found_percent": share(found.len() as u32, self.clogged.len() as u32),
                "median_days": found.get(found.len() / 2).map(|days| days.round()),
            },
            "alerts_opened": self.alerts,
        })
    }
}

impl Sink for Tally {
    fn output(&mut self, at: Stamp, output: &Output) -> io::Result<()> {
        let Output::State { topic, payload } = output else { return Ok(()) };
        let Some((site, rest)) = topic.strip_prefix("thirst/v1/site/").and_then(|rest| rest.split_once('/')) else {
            return Ok(());
        };
        let Some(&site) = self.index.get(site) else { return Ok(()) };
        if let Some(key) = rest.strip_prefix("alert/") {
            self.alert(site, key, payload, at);
        } else if rest.starts_with("decision/") {
            let says = |reason: &[u8]| payload.windows(reason.len()).any(|part| part == reason);
            let ear = &mut self.ears[site];
            (ear.holds_rain, ear.holds_freeze) = (says(b"\"reason\":\"rain\""), says(b"\"reason\":\"freeze\""));
            if !ear.holds_freeze
                && let Some(released) = self.watched_frost.get_mut(&site)
            {
                *released = true;
            }
        }
        Ok(())
    }

    fn warning(&mut self, _: &str) -> io::Result<()> {
        Ok(())
    }
}
