//! Sites near the yard: the same weather a little different, by lot; they only measure, and nothing ever breaks there.

use std::fmt::Write;

use chrono::Datelike;

use super::setup::{SENSOR, Setup};
use super::weather::{Day, Hour, Series};
use crate::world::random::Random;

/// One site nearby.
#[derive(Clone, Debug)]
pub struct Neighbor {
    index: usize,
    seed: u64,
    /// What its gauge has counted since the beginning, mm.
    pub counter_mm: f64,
    pub sequence: u64,
    pub topic: String,
}

/// The site's id; the first is 1.
fn id(index: usize) -> String {
    format!("near-{}", index + 1)
}

/// As many as the setup asks for.
pub fn all(setup: &Setup) -> Vec<Neighbor> {
    let one = |index| Neighbor {
        index,
        seed: setup.seed,
        counter_mm: 0.0,
        sequence: 0,
        topic: format!("yard/{}/{SENSOR}/state", id(index)),
    };
    (0..setup.neighbors).map(one).collect()
}

/// Their ids as a list of TOML.
pub fn ids(setup: &Setup) -> String {
    let named: Vec<String> = (0..setup.neighbors).map(|index| format!("\"{}\"", id(index))).collect();
    format!("[{}]", named.join(", "))
}

/// Their part of the configuration: 3 km of latitude apart, one behind the other.
pub fn configuration(setup: &Setup, series: &Series) -> String {
    let mut text = String::new();
    let spot = series.spot;
    for index in 0..setup.neighbors {
        let latitude = spot.latitude_degrees + NORTH_DEGREES * (index + 1) as f64;
        // Writing to a `String` cannot fail.
        let _ = write!(
            text,
            "\n[[sites]]\nid = \"{}\"\nlatitude = {latitude:.4}\nlongitude = {}\nelevation = \"{} m\"\n\
             wind_height = \"{} m\"\nzone = \"{}\"\n[[sites.sensors]]\nid = \"{SENSOR}\"\n\
             [[sites.groups]]\nid = \"bed\"\nkind = \"drip\"\n\
             [[sites.controllers]]\nid = \"valves\"\ncapability = \"hold\"\n",
            id(index),
            spot.longitude_degrees,
            spot.elevation_m,
            spot.wind_height_m,
            spot.zone().name(),
        );
    }
    text
}

impl Neighbor {
    /// The yard's day as this site has it: up to 0.3 °C warmer or colder, rain by 0.8 to 1.2 and up to an hour earlier or later,
    /// up to 2 % more or less humid, wind by 0.95 to 1.05, sun by 0.97 to 1.03. Each day has its own lot.
    pub fn hours(&self, day: &Day, yard: &[Hour; 24]) -> [Hour; 24] {
        let stream = self.seed.wrapping_add(day.date.num_days_from_ce() as u64);
        let mut random = Random::new(stream, &id(self.index));
        let warmer = random.between(-MOST_CELSIUS, MOST_CELSIUS);
        let more_rain = random.between(RAIN.0, RAIN.1);
        let damper = random.between(-MOST_HUMIDITY_PERCENT, MOST_HUMIDITY_PERCENT);
        let windier = random.between(WIND.0, WIND.1);
        let sunnier = random.between(SUN.0, SUN.1);
        let later = random.index(3);
        let rains = |hour: usize| yard.get(hour).is_some_and(|hour| hour.rain_mm.is_some_and(|mm| mm > 0.0));
        // Rain stays on its day.
        let later = match later {
            0 if rains(0) => 1,
            2 if rains(23) => 1,
            later => later,
        };
        std::array::from_fn(|index| {
            let here = yard[index];
            let of_rain = (index + 24 + 1 - later) % 24;
            Hour {
                celsius: here.celsius.map(|celsius| celsius + warmer),
                humidity_percent: here.humidity_percent.map(|percent| (percent + damper).clamp(0.0, 100.0)),
                wind_m_per_s: here.wind_m_per_s.map(|wind| wind * windier),
                sun_w_per_m2: here.sun_w_per_m2.map(|sun| sun * sunnier),
                rain_mm: yard[of_rain].rain_mm.map(|mm| mm * more_rain),
            }
        })
    }
}

/// One site is so much further north than the other: 3.3 km.
const NORTH_DEGREES: f64 = 0.03;

// Our choice: as sites of one town differ.
const MOST_CELSIUS: f64 = 0.3;
const RAIN: (f64, f64) = (0.8, 1.2);
const MOST_HUMIDITY_PERCENT: f64 = 2.0;
const WIND: (f64, f64) = (0.95, 1.05);
const SUN: (f64, f64) = (0.97, 1.03);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_neighbor_has_the_rain_of_the_day_within_an_hour_and_a_fifth() {
        let setup = Setup { neighbors: 2, ..Setup::default() };
        let mut timings = std::collections::BTreeSet::new();
        for number in 1..=28 {
            let day = Day { date: chrono::NaiveDate::from_ymd_opt(2027, 6, number).unwrap(), ..Day::default() };
            let first = [0, 9, 22, 23][number as usize % 4];
            let yard: [Hour; 24] = std::array::from_fn(|hour| Hour {
                celsius: Some(20.0),
                rain_mm: Some(if hour == first { 10.0 } else { 0.0 }),
                ..Hour::default()
            });
            for neighbor in all(&setup) {
                let hours = neighbor.hours(&day, &yard);
                let wet: Vec<(usize, f64)> = hours
                    .iter()
                    .enumerate()
                    .filter_map(|(hour, known)| Some((hour, known.rain_mm.filter(|mm| *mm > 0.0)?)))
                    .collect();
                assert!(wet.len() == 1 && wet[0].0.abs_diff(first) <= 1, "{wet:?}");
                assert!((8.0..=12.0).contains(&wet[0].1), "{wet:?}");
                assert!((hours[5].celsius.unwrap() - 20.0).abs() <= 0.3 && hours[5].wind_m_per_s.is_none());
                timings.insert(wet[0].0 as i64 - first as i64);
            }
        }
        assert_eq!(timings.into_iter().collect::<Vec<_>>(), [-1, 0, 1]);
    }
}
