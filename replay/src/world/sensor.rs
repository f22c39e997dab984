//! One reporting device in its weather: noise, a bucket that tips, a battery, a link, and what happens to it.

use super::battery::{Battery, Chemistry};
use super::faults::{Fault, Link, Loss, Planned, Switches};
use super::random::Random;
use super::weather::Air;
use super::{Message, number};

/// What a device measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Temperature, humidity, wind, sun, rain.
    Mast,
    /// Rain and temperature.
    Gauge,
    /// Temperature and humidity.
    Thermometer,
}

/// What its numbers are in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Units {
    Metric,
    Us,
}

/// A device as a scenario wants it.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorPlan {
    pub id: String,
    pub kind: Kind,
    pub units: Units,
    /// Between two messages; a whole number of slots.
    pub interval: i64,
    pub tip_mm: f64,
    pub chemistry: Chemistry,
    /// Share of the battery that is used at the start, and how long a new one lasts.
    pub battery_used: f64,
    pub battery_days: f64,
    /// Its messages say when they were made.
    pub own_time: bool,
    pub loss: Loss,
    pub faults: Vec<Planned>,
}

/// A device at work.
#[derive(Clone, Debug)]
pub struct Sensor {
    plan: SensorPlan,
    topic: String,
    noise: Random,
    way: Random,
    link: Link,
    battery: Battery,
    /// When in its slot it sends.
    phase: i64,
    /// Slots since the start.
    slots: i64,
    /// What the bucket has caught since the counter was last at 0, mm.
    caught_mm: f64,
    sequence: u64,
}

impl Sensor {
    /// `slot`: length of a slot, ms.
    pub fn new(site: &str, plan: SensorPlan, seed: u64, slot: i64) -> Self {
        let name = format!("{site}/{}", plan.id);
        let mut noise = Random::new(seed, &name);
        let latest = (slot - 20_000).max(1);
        let topic = match plan.units {
            Units::Metric => format!("yard/{site}/{}/state", plan.id),
            Units::Us => format!("plot/{site}/{}/report", plan.id),
        };
        Self {
            topic,
            way: Random::new(seed, &format!("{name}/way")),
            link: Link::default(),
            battery: Battery::new(plan.chemistry, plan.battery_used, plan.battery_days),
            phase: (noise.unit() * latest as f64) as i64,
            // Counters have counted before we came.
            caught_mm: (noise.between(80.0, 400.0) / plan.tip_mm).floor() * plan.tip_mm,
            slots: 0,
            sequence: (noise.unit() * 5_000.0) as u64,
            noise,
            plan,
        }
    }

    /// One slot from `from` to `to`, `start` being the start of the world. `sprayed_mm`: what sprinklers would put into a
    /// gauge in their reach. None: no message, or it got lost.
    pub fn step(
        &mut self,
        from: i64,
        to: i64,
        start: i64,
        air: &Air,
        sprayed_mm: f64,
        switches: &Switches,
    ) -> Option<Message> {
        let slot = (from - start)..(to - start);
        let plan = &self.plan;
        let planned = |fault: Fault| {
            let lasting = plan.faults.iter().filter(move |planned| planned.fault == fault);
            lasting.filter(|_| switches.has(fault)).find(|planned| planned.from < slot.end && slot.start < planned.to)
        };
        let begins = |fault: Fault| planned(fault).filter(|planned| slot.contains(&planned.from));
        let (silent, jump) = (planned(Fault::Silence).is_some(), planned(Fault::Jump).map_or(0.0, |jump| jump.size));
        let ahead = planned(Fault::Clock).map_or(0.0, |clock| clock.size);
        let spray = if planned(Fault::Spray).is_some() { sprayed_mm } else { 0.0 };
        let knock = begins(Fault::Knock).map_or(0.0, |knock| knock.size);
        let (reset, drain) = (begins(Fault::Reset).is_some(), planned(Fault::Battery).map_or(1.0, |drain| drain.size));
        let has_battery = switches.has(Fault::Battery);

        if reset {
            self.caught_mm = 0.0;
        }
        self.caught_mm += air.rain_mm + spray + knock;
        if has_battery {
            self.battery.pass((to - from) as f64 / 86_400_000.0, drain, air.sun_w_per_m2);
        }
        self.slots += 1;
        let every = (self.plan.interval / (to - from).max(1)).max(1);
        if self.slots % every != 0 {
            return None;
        }
        self.sequence += 1;
        let at = from + self.phase + (self.noise.unit() * 4_000.0) as i64;
        let payload = self.payload(air, jump, at + (ahead * 1_000.0) as i64);
        let draws = [self.way.unit(), self.way.unit(), self.way.unit()];
        let lost = self.link.loses(&self.plan.loss, switches, draws);
        (!lost && !silent && !self.battery.is_dead()).then(|| Message { at, topic: self.topic.clone(), payload })
    }

    /// Somebody comes with a new battery.
    pub fn serviced(&mut self) {
        self.battery.replace();
    }

    pub fn id(&self) -> &str {
        &self.plan.id
    }

    pub fn plan(&self) -> &SensorPlan {
        &self.plan
    }

    fn payload(&mut self, air: &Air, jump_mm: f64, own_time: i64) -> String {
        let noise = &mut self.noise;
        // All are drawn, whatever the kind: [temperature, humidity, wind, gust, sun, radio].
        let draws: [f64; 6] = std::array::from_fn(|_| noise.normal());
        let celsius = air.celsius + 0.08 * draws[0];
        let humidity = (air.humidity_percent + 0.7 * draws[1]).clamp(2.0, 100.0);
        let wind = (air.wind_m_per_s * (1.0 + 0.07 * draws[2])).max(0.0);
        let gust = (air.gust_m_per_s * (1.0 + 0.05 * draws[3])).max(wind);
        let sun = (air.sun_w_per_m2 * (1.0 + 0.01 * draws[4])).max(0.0);
        let tip = self.plan.tip_mm;
        let rain = (self.caught_mm / tip + 1e-6).floor() * tip + jump_mm;
        let volts = self.battery.volts(celsius);
        let us = self.plan.units == Units::Us;
        let mut fields: Vec<(&str, String)> = Vec::new();
        match us {
            false => fields.push(("temp_c", number(celsius, 1))),
            true => fields.push(("temp_f", number(celsius * 1.8 + 32.0, 1))),
        }
        if self.plan.kind != Kind::Gauge {
            fields.push((if us { "humidity" } else { "rh_pct" }, number(humidity, 0)));
        }
        if self.plan.kind == Kind::Mast {
            let (speed, scale) = if us { ("mph", 1.0 / 0.44704) } else { ("ms", 1.0) };
            fields.push((if us { "wind_mph" } else { "wind_ms" }, number(wind * scale, 1)));
            fields.push((if speed == "mph" { "gust_mph" } else { "gust_ms" }, number(gust * scale, 1)));
            fields.push((if us { "sun" } else { "sun_wm2" }, number(sun, 0)));
        }
        if self.plan.kind != Kind::Thermometer {
            match us {
                false => fields.push(("rain_mm", number(rain, 1))),
                true => fields.push(("rain_in", number(rain / 25.4, 2))),
            }
        }
        fields.push((if us { "battery" } else { "batt_v" }, number(volts, 2)));
        fields.push((if us { "signal" } else { "rssi_dbm" }, number(-78.0 + 3.0 * draws[5], 0)));
        if self.plan.own_time {
            fields.push(("ts", (own_time.div_euclid(1_000)).to_string()));
        }
        fields.push(("seq", self.sequence.to_string()));
        let fields: Vec<String> = fields.into_iter().map(|(name, value)| format!("\"{name}\":{value}")).collect();
        format!("{{{}}}", fields.join(","))
    }
}
