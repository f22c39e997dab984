//! What each site of a fleet is, and what will go wrong there.

use std::fmt::Write;

use super::Arguments;
use crate::world::battery::{Battery, Chemistry};
use crate::world::faults::Loss;
use crate::world::random::Random;
use crate::world::scenario;
use crate::world::weather::Climate;

pub const HOUR: i64 = 3_600_000;
pub const DAY: i64 = 24 * HOUR;

/// Cells of a sensor: as in the configuration, and as the world's curves give them.
#[derive(Clone, Copy, Debug)]
pub struct Cells {
    pub name: &'static str,
    pub curve: Chemistry,
    /// Sets of them in series.
    pub times: f64,
    /// Its volts fall all along, so that its end can be told.
    pub slopes: bool,
    /// Where devices stop, V.
    pub stops: (f64, f64),
}

/// Every chemistry the daemon knows but the sun-charged one, which does not die.
pub const CELLS: [Cells; 7] = [
    Cells { name: "alkaline_aa_2", curve: Chemistry::AlkalineAa2, times: 1.0, slopes: true, stops: (1.9, 2.1) },
    Cells { name: "alkaline_9v", curve: Chemistry::AlkalineAa2, times: 3.0, slopes: true, stops: (5.7, 6.3) },
    Cells { name: "nimh_9v", curve: Chemistry::NimhSun, times: 3.5, slopes: true, stops: (6.65, 7.35) },
    Cells { name: "lithium_iron_aa_2", curve: Chemistry::LithiumIronAa2, times: 1.0, slopes: false, stops: (1.8, 2.2) },
    Cells { name: "cr123a", curve: Chemistry::Cr123a, times: 1.0, slopes: false, stops: (2.0, 2.2) },
    Cells { name: "lithium_9v", curve: Chemistry::Cr123a, times: 3.0, slopes: false, stops: (6.0, 6.6) },
    Cells { name: "li_socl2", curve: Chemistry::LiSocl2, times: 1.0, slopes: false, stops: (2.4, 3.0) },
];

/// A stretch of time, ms after the start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spell {
    pub from: i64,
    pub to: i64,
}

impl Spell {
    pub fn holds(self, at: i64) -> bool {
        (self.from..self.to).contains(&at)
    }
}

/// One site: a mast with everything, and at some a second thermometer behind the same gateway.
#[derive(Clone, Debug)]
pub struct SitePlan {
    pub id: String,
    pub climate: Climate,
    pub elevation_m: f64,
    pub zone: &'static str,
    pub cells: Cells,
    pub battery: Battery,
    pub stops_at: f64,
    pub second: bool,
    pub neighbors: Vec<usize>,
    pub loss: Option<Loss>,
    pub gateway: Vec<Spell>,
    pub stuck: Vec<Spell>,
    pub clogged: Vec<Spell>,
    /// Days on which somebody cleans the gauge, at noon, and then knocks it: mm that it tips.
    pub knocks: Vec<(i64, f64)>,
}

/// Sites of a fleet, in threes that share their weather; broker outages; all in ms after the start.
pub fn plan(arguments: &Arguments) -> (Vec<SitePlan>, Vec<Spell>, i64) {
    let (count, days) = (usize::from(arguments.sites), i64::from(arguments.days));
    let start = scenario::usual_start();
    let places = scenario::invented(count.div_ceil(3), u32::from(arguments.days), start, arguments.seed).sites;
    let mut random = Random::new(arguments.seed, "fleet");
    let mut sites = Vec::with_capacity(count);
    for index in 0..count {
        let place = &places[index / 3];
        let cells = CELLS[index % CELLS.len()];
        let spell = |random: &mut Random, length: i64| {
            let from = (10 * DAY + (random.unit() * ((days - 20).max(1) * DAY) as f64) as i64) / HOUR * HOUR;
            Spell { from, to: from + length }
        };
        let helped = (index / 3).is_multiple_of(4);
        let members = (index / 3 * 3..(index / 3 * 3 + 3).min(count)).filter(|other| *other != index);
        let years = days as f64 / 365.0;
        let times = |a_year: f64| (a_year * years).ceil() as usize;
        sites.push(SitePlan {
            id: format!("site-{}", index + 1),
            climate: Climate {
                latitude_degrees: place.climate.latitude_degrees + 0.02 * (index % 3) as f64,
                ..place.climate
            },
            elevation_m: place.elevation_m,
            zone: place.zone,
            cells,
            battery: Battery::new(cells.curve, random.between(0.0, 0.5), random.between(150.0, 700.0)),
            stops_at: random.between(cells.stops.0, cells.stops.1),
            second: index % 10 == 5,
            neighbors: if helped { members.collect() } else { Vec::new() },
            loss: (index % 3 == 1).then_some(Loss { single: 0.0, in_bursts: 0.1, burst_length: 3.0 }),
            gateway: if index % 10 == 5 {
                (0..times(1.0)).map(|_| spell(&mut random, 6 * HOUR)).collect()
            } else {
                Vec::new()
            },
            stuck: if index % 8 == 2 {
                (0..times(0.5)).map(|_| spell(&mut random, 4 * DAY)).collect()
            } else {
                Vec::new()
            },
            clogged: if helped && index % 3 == 0 {
                (0..times(0.5)).map(|_| spell(&mut random, 120 * DAY)).collect()
            } else {
                Vec::new()
            },
            knocks: (0..times(2.0)).map(|_| (spell(&mut random, 0).from / DAY, random.between(4.0, 9.0))).collect(),
        });
    }
    let outages = (1..=2 * days / 365 + 1).map(|number| {
        let from = number * days * DAY / (2 * days / 365 + 2) / HOUR * HOUR;
        Spell { from, to: from + 6 * HOUR }
    });
    (sites, outages.collect(), start)
}

/// The configuration of the fleet.
pub fn configuration(sites: &[SitePlan]) -> String {
    let mut text = r#"
history = false
[broker]
host = "localhost"
[[feeds]]
topic = "yard/{site}/{sensor}/state"
format = "json"
[feeds.fields]
"/t" = { quantity = "air_temperature", unit = "Cel" }
"/h" = { quantity = "relative_humidity", unit = "%" }
"/w" = { quantity = "wind_speed", unit = "m/s" }
"/s" = { quantity = "surface_downwelling_shortwave_flux", unit = "W/m2" }
"/r" = { quantity = "rain_counter", unit = "mm" }
"/b" = { quantity = "battery_voltage", unit = "V" }
"/n" = { quantity = "sequence_number" }
"#
    .to_owned();
    for site in sites {
        let neighbors: Vec<String> = site.neighbors.iter().map(|index| format!("\"site-{}\"", index + 1)).collect();
        // Writing to a `String` cannot fail.
        let _ = write!(
            text,
            "[[sites]]\nid = \"{}\"\nlatitude = {:.2}\nlongitude = {:.2}\nelevation = \"{:.0} m\"\nzone = \"{}\"\n\
             neighbors = [{}]\n[[sites.sensors]]\nid = \"mast\"\nbattery = {{ chemistry = \"{}\" }}\n",
            site.id,
            site.climate.latitude_degrees,
            site.climate.longitude_degrees,
            site.elevation_m,
            site.zone,
            neighbors.join(", "),
            site.cells.name
        );
        if site.second {
            text += "[[sites.sensors]]\nid = \"low\"\n";
        }
        text += "[[sites.groups]]\nid = \"lawn\"\nkind = \"spray\"\nrun_depth = \"10 mm\"\n[[sites.controllers]]\n\
                 id = \"relay\"\ncapability = \"percent\"\n";
    }
    text
}
