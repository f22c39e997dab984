//! An invented world: weather, devices with their faults, sprinklers that follow decisions. A seed and the decisions go in,
//! messages come out; equal inputs give equal bytes.
//!
//! Two crates compile these files, so they use nothing of either: instants are Unix milliseconds, figures have their unit
//! in the name.

pub mod battery;
pub mod config;
pub mod faults;
pub mod random;
pub mod scenario;
pub mod sensor;
pub mod sky;
pub mod sprinkler;
pub mod time;
pub mod weather;

use faults::{Fault, Switches};
use random::Random;
use scenario::{Errand, Scenario, SitePlan};
use sensor::Sensor;
use sprinkler::{Controller, Instructions};
use weather::{Air, Weather};

/// A publication that the world makes, never retained.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// Unix milliseconds.
    pub at: i64,
    pub topic: String,
    pub payload: String,
}

/// A world on its way through time.
#[derive(Clone, Debug)]
pub struct World {
    start: i64,
    slot: i64,
    next: i64,
    switches: Switches,
    sites: Vec<Site>,
}

#[derive(Clone, Debug)]
struct Site {
    plan: SitePlan,
    topic: String,
    weather: Weather,
    air: Air,
    rain_today_mm: f64,
    sensors: Vec<Sensor>,
    controller: Controller,
}

impl World {
    /// `switches`: what shall not happen.
    pub fn new(scenario: Scenario, seed: u64, switches: Switches) -> Self {
        let Scenario { start, slot, prefix, sites } = scenario;
        let slot = slot.clamp(time::MINUTE, time::HOUR);
        let sites = sites.into_iter().map(|plan| Site {
            topic: format!("{prefix}/site/{}/command", plan.id),
            weather: Weather::new(
                plan.climate,
                plan.script.clone(),
                start,
                Random::new(seed, &format!("weather {}", plan.id)),
            ),
            air: Air::default(),
            rain_today_mm: 0.0,
            sensors: plan.sensors.iter().map(|sensor| Sensor::new(&plan.id, sensor.clone(), seed, slot)).collect(),
            controller: Controller::new(&plan.id, plan.controller.clone(), &prefix, plan.offset),
            plan,
        });
        Self { start, slot, next: 0, switches, sites: sites.collect() }
    }

    /// When slot `number` ends.
    pub fn end_of(&self, number: i64) -> i64 {
        self.start + (number + 1) * self.slot
    }

    /// The next slot: what devices, people and bridges publish in it, in order of time. It ends at [`World::now`].
    pub fn step(&mut self, instructions: &Instructions) -> Vec<Message> {
        let (from, to) = (self.end_of(self.next - 1), self.end_of(self.next));
        self.next += 1;
        let mut messages = Vec::new();
        for site in &mut self.sites {
            site.step(from, to, self.start, instructions, &self.switches, &mut messages);
        }
        messages.sort_by_key(|message| message.at);
        messages
    }

    /// Every bridge that has a new instruction confirms it, at `at`.
    pub fn confirm(&mut self, at: i64, instructions: &Instructions) -> Vec<Message> {
        if !self.switches.has(Fault::Sprinklers) {
            return Vec::new();
        }
        self.sites.iter_mut().filter_map(|site| site.controller.confirm(at, instructions)).collect()
    }

    /// The end of the last slot; at first the start of the world.
    pub fn now(&self) -> i64 {
        self.end_of(self.next - 1)
    }

    /// The weather at a site as it is, and the rain since its local midnight, mm.
    pub fn air(&self, site: usize) -> Option<(Air, f64)> {
        self.sites.get(site).map(|site| (site.air, site.rain_today_mm))
    }
}

impl Site {
    fn step(
        &mut self,
        from: i64,
        to: i64,
        start: i64,
        instructions: &Instructions,
        switches: &Switches,
        messages: &mut Vec<Message>,
    ) {
        if (from + self.plan.offset).div_euclid(time::DAY) != (to + self.plan.offset).div_euclid(time::DAY) {
            self.rain_today_mm = 0.0;
        }
        self.air = self.weather.step(from, to);
        self.rain_today_mm += self.air.rain_mm;
        let mut sprayed_mm = 0.0;
        if switches.has(Fault::Sprinklers) {
            let (report, minutes) = self.controller.step(from, to, instructions);
            messages.extend(report);
            sprayed_mm = minutes / 60.0 * SPRAY_MM_PER_HOUR;
        }
        for (index, errand) in self.plan.errands.iter().enumerate() {
            let due = (from..to).contains(&(start + errand.after)) && switches.has(errand.by);
            if due {
                messages.push(command(&self.topic, &self.plan.id, index, errand, start));
                let visited = |sensor: &&mut Sensor| errand.new_battery.as_deref() == Some(sensor.id());
                self.sensors.iter_mut().filter(visited).for_each(Sensor::serviced);
            }
        }
        for sensor in &mut self.sensors {
            messages.extend(sensor.step(from, to, start, &self.air, sprayed_mm, switches));
        }
    }
}

fn command(topic: &str, site: &str, index: usize, errand: &Errand, start: i64) -> Message {
    let mut body = errand.command.clone();
    if let Some(body) = body.as_object_mut() {
        body.insert("id".to_owned(), serde_json::json!(format!("{site}-{}", index + 1)));
    }
    Message { at: start + errand.after, topic: topic.to_owned(), payload: body.to_string() }
}

/// A number with so many decimals, without "-0".
fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(zero) if zero.bytes().all(|byte| matches!(byte, b'0' | b'.')) => zero.to_owned(),
        _ => text,
    }
}

/// What a sprinkler puts into a gauge within its reach: field cases speak of 10 to 40 mm/h.
const SPRAY_MM_PER_HOUR: f64 = 18.0;

#[cfg(test)]
mod tests;
