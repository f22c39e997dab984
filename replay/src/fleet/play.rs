//! A fleet on its way through time: weather becomes messages, faults change them, and the engine hears what is left.

use std::io;

use thirstd::config;
use thirstd::engine::stamp::{MINUTE, Stamp};

use super::Arguments;
use super::plan::{self, DAY, HOUR, SitePlan, Spell};
use super::tally::Tally;
use crate::offline::Offline;
use crate::recording::{Entry, Line};
use crate::world::faults::{Link, Switches};
use crate::world::random::Random;
use crate::world::weather::{Air, Weather};

pub struct Played {
    pub tally: Tally,
    pub messages: u64,
}

/// One site as it is now.
struct Site {
    plan: SitePlan,
    weather: Weather,
    air: Air,
    random: Random,
    link: Link,
    counter_mm: f64,
    sequence: u32,
    /// The battery is empty until somebody comes.
    empty_until: Option<i64>,
    /// Rain of the last hours, so that a knock on a wet day is not counted.
    wet_at: i64,
    /// A knock waits to be judged, and whether rain held before it.
    knock: Option<(i64, bool)>,
    /// The thermometer raves until then.
    raves_until: i64,
    next_rave: i64,
    stuck_at: Option<f64>,
}

/// Plays the fleet of `arguments`.
///
/// # Errors
/// Its configuration is refused, which would be a fault of this program.
pub fn play(arguments: &Arguments) -> Result<Played, String> {
    let (plans, outages, start) = plan::plan(arguments);
    let text = plan::configuration(&plans);
    let loaded = config::load_text("the fleet", &text, std::iter::empty()).map_err(|faults| faults.to_string())?;
    let days = i64::from(arguments.days);
    let mut tally = Tally::new(&plans, Stamp(start), days as f64);
    let mut engine = Offline::new(loaded.settings, 1, Stamp(start));
    let mut sites: Vec<Site> =
        plans.into_iter().enumerate().map(|(index, plan)| Site::new(plan, index, start, arguments.seed)).collect();
    let step = i64::from(arguments.every) * MINUTE;
    let mut messages = 0;
    let mut away: Option<Spell> = None;
    let outcome = (0..days * DAY / step).try_for_each(|slot| -> io::Result<()> {
        let (from, to) = (slot * step, (slot + 1) * step);
        if let Some(outage) = outages.iter().find(|outage| (from..to).contains(&outage.from)) {
            away = Some(*outage);
            tally.broker_goes();
            engine.feed(Line { at: Stamp(start + from), entry: Entry::BrokerDown }, &mut tally)?;
        }
        if let Some(outage) = away {
            if (from..to).contains(&outage.to) {
                let up = Entry::BrokerUp { session_present: false, refused: Vec::new() };
                engine.feed(Line { at: Stamp(start + from), entry: up }, &mut tally)?;
            }
            // Whoever is late to complain has done so by then.
            if from >= outage.to + 6 * HOUR {
                tally.broker_was_away();
                away = None;
            }
        }
        let is_away = away.is_some_and(|outage| outage.holds(from));
        for (index, site) in sites.iter_mut().enumerate() {
            // Sensors do not speak all at once.
            let at = start + from + (index as i64 * SPREAD_MS + 1_000) % (10 * MINUTE - 10_000);
            for entry in site.step(index, start, (from, to), at, &mut tally) {
                if !is_away {
                    messages += 1;
                    engine.feed(Line { at: Stamp(at), entry }, &mut tally)?;
                }
            }
            site.judge(index, from, &mut tally);
        }
        Ok(())
    });
    outcome.map_err(|fault| fault.to_string())?;
    tally.end(Stamp(start + days * DAY));
    Ok(Played { tally, messages })
}

impl Site {
    fn new(plan: SitePlan, index: usize, start: i64, seed: u64) -> Self {
        // Sites of a three have one sky.
        let weather = Weather::new(plan.climate, Vec::new(), start, Random::new(seed, &format!("sky {}", index / 3)));
        Self {
            random: Random::new(seed, &plan.id),
            plan,
            weather,
            air: Air::default(),
            link: Link::default(),
            counter_mm: 0.0,
            sequence: 0,
            empty_until: None,
            wet_at: -DAY,
            knock: None,
            raves_until: 0,
            next_rave: 0,
            stuck_at: None,
        }
    }

    /// What the site sends in a slot.
    fn step(&mut self, index: usize, start: i64, (from, to): (i64, i64), at: i64, tally: &mut Tally) -> Vec<Entry> {
        // What comes once an hour speaks of the hour that has passed: of its middle.
        let middle = at - (to - from) / 2;
        self.air = self.weather.step(middle - (to - from), middle);
        if self.air.rain_mm > 0.0 {
            self.wet_at = to;
        }
        let clogged = self.plan.clogged.iter().any(|spell| spell.holds(from));
        if !clogged {
            self.counter_mm += self.air.rain_mm * self.random.between(0.9, 1.1);
        }
        let mut entries = Vec::new();
        let days = (to - from) as f64 / DAY as f64;
        self.plan.battery.pass(days, self.random.between(0.8, 1.2), 0.0);
        let volts = self.plan.cells.times * self.plan.battery.volts(self.air.celsius);
        if self.empty_until.is_none() && (volts < self.plan.stops_at || self.plan.battery.is_dead()) {
            tally.died(index, Stamp(at));
            self.empty_until = Some(to + DAY + (self.random.unit() * 7.0 * DAY as f64) as i64);
        }
        if self.empty_until.is_some_and(|until| until <= to) {
            self.empty_until = None;
            self.plan.battery.replace();
            tally.replaced(index, Stamp(at));
            entries.push(self.service(at, "battery"));
        }
        // Somebody cleans the gauge at noon by the site's sun, on a dry day, and it tips.
        let noon = start + from + (self.plan.climate.longitude_degrees * 4.0) as i64 * MINUTE;
        let is_noon = noon.rem_euclid(DAY) / HOUR == 12 && noon.rem_euclid(HOUR) < to - from;
        let knock = self.plan.knocks.iter().find(|(day, _)| is_noon && from / DAY == *day).map(|(_, mm)| *mm);
        if let Some(mm) = knock
            .filter(|_| from - self.wet_at > 2 * DAY && self.knock.is_none() && self.empty_until.is_none() && !clogged)
        {
            entries.push(self.service(at, "cleaned"));
            self.knock = Some((from, tally.holds_rain(index)));
            self.counter_mm += mm;
        }
        let gateway = self.plan.gateway.iter().any(|spell| spell.holds(from));
        for spell in &self.plan.gateway {
            if spell.from == from {
                tally.gateway_goes(index);
                tally.excuse(index, Stamp(start + spell.to + 6 * HOUR));
            }
            if spell.to + 6 * HOUR == from {
                tally.gateway_was_away(index);
            }
        }
        if self.empty_until.is_none() {
            let payload = self.payload(index, from, volts, tally);
            if !gateway && !self.is_lost() {
                entries.push(message(&self.plan.id, "mast", payload));
            }
        }
        if self.plan.second && !gateway {
            let celsius = self.air.celsius + 0.3 * self.random.normal();
            entries.push(message(&self.plan.id, "low", format!("{{\"t\":{celsius:.2}}}")));
        }
        entries
    }

    fn is_lost(&mut self) -> bool {
        let draws = [self.random.unit(), self.random.unit(), self.random.unit()];
        let Some(loss) = self.plan.loss else { return false };
        self.link.loses(&loss, &Switches::default(), draws)
    }

    /// What the mast says, with what is wrong with it.
    fn payload(&mut self, index: usize, from: i64, volts: f64, tally: &mut Tally) -> String {
        let air = self.air;
        let mut celsius = air.celsius + 0.2 * self.random.normal();
        let stuck = self.plan.stuck.iter().any(|spell| spell.holds(from));
        celsius = if stuck { *self.stuck_at.get_or_insert(celsius) } else { celsius };
        self.stuck_at = self.stuck_at.filter(|_| stuck);
        // In hard frost the probe raves for hours: codes, numbers that cannot be, and a jump into summer.
        if from >= self.next_rave
            && air.celsius < -1.0
            && tally.holds_freeze(index)
            && !stuck
            && self.random.chance(0.05)
        {
            self.raves_until = from + 4 * HOUR;
            self.next_rave = from + 20 * DAY;
            tally.frost_fault_begins(index);
        }
        if from < self.raves_until {
            celsius = [85.0, 327.67, -127.0, 45.0, 999.0, 38.5][self.random.index(6)];
        }
        self.sequence = self.sequence.wrapping_add(1);
        let caught_mm = (self.counter_mm / TIP_MM).floor() * TIP_MM;
        let shown = volts + 0.01 * self.random.normal();
        format!(
            "{{\"t\":{celsius:.2},\"h\":{:.1},\"w\":{:.2},\"s\":{:.1},\"r\":{:.1},\"b\":{shown:.2},\"n\":{}}}",
            air.humidity_percent, air.wind_m_per_s, air.sun_w_per_m2, caught_mm, self.sequence
        )
    }

    /// What has become of faults that are over.
    fn judge(&mut self, index: usize, from: i64, tally: &mut Tally) {
        if let Some((since, held)) = self.knock
            && from - since >= 3 * HOUR
        {
            self.knock = None;
            // Rain that came meanwhile, or a hold that was there, says nothing.
            if !held && self.wet_at < since {
                tally.knocked(tally.holds_rain(index));
            }
        }
        // Warmth that is true may end the hold: it is watched while it is cold.
        if self.raves_until > 0 && (from >= self.raves_until || self.air.celsius > 2.0) {
            self.raves_until = 0;
            tally.frost_fault_ends(index);
        }
        for spell in self.plan.stuck.iter().filter(|spell| (from..from + HOUR).contains(&(spell.to - HOUR))) {
            if self.empty_until.is_none() && from < spell.to {
                tally.stuck(index);
            }
        }
        for spell in self.plan.clogged.iter().filter(|spell| spell.to - HOUR == from) {
            tally.clogged(index, Stamp(crate::world::scenario::usual_start() + spell.from));
        }
    }

    fn service(&self, at: i64, kind: &str) -> Entry {
        let id = &self.plan.id;
        let body = format!(
            "{{\"id\":\"{id}-{at}\",\"who\":\"technician\",\"verb\":\"service\",\"sensor\":\"mast\",\"kind\":\"{kind}\"}}"
        );
        let topic = format!("thirst/v1/site/{id}/command");
        Entry::Message { topic, payload: body.into_bytes(), retain: false, dup: false }
    }
}

fn message(site: &str, sensor: &str, payload: String) -> Entry {
    let topic = format!("yard/{site}/{sensor}/state");
    Entry::Message { topic, payload: payload.into_bytes(), retain: false, dup: false }
}

/// A prime, so that sensors spread.
const SPREAD_MS: i64 = 7_919;
const TIP_MM: f64 = 0.2;
