//! A year of one-minute messages of one site, to measure with.

use thirstd::engine::stamp::{MINUTE, Stamp};

use super::random::Random;
use super::{Almanac, Day, Mast, Place, Shower, midnight};
use crate::recording::Line;

/// The lines of [`year`], one a minute.
pub struct Year {
    almanac: Almanac,
    mast: Mast,
    minute: i64,
    minutes: i64,
}

/// `days` days of site `larch-end`, sensor `mast`, from 2027-01-01; settings in `samples/year.toml`. Equal seeds give equal
/// bytes.
pub fn year(days: u16, seed: u64) -> Year {
    let place = Place {
        latitude_degrees: 46.31,
        longitude_degrees: -120.04,
        mean_celsius: 11.0,
        season_celsius: 11.5,
        swing_celsius: 7.0,
    };
    let mut random = Random::new(seed);
    let almanac = Almanac::new(place, midnight(2027, 1, 1), weather(days, &mut random));
    let mast = Mast {
        topic: "yard/larch-end/mast/state".to_owned(),
        random,
        rain_mm: 120.0,
        battery_volts: 3.10,
        fading_volts_per_day: 0.0009,
    };
    Year { almanac, mast, minute: 0, minutes: i64::from(days) * 1_440 }
}

/// `days` days, and the one after them.
pub(super) fn weather(days: u16, random: &mut Random) -> Vec<Day> {
    let mut last = Day { wind_m_per_s: 3.0, ..Day::default() };
    let each = (0..=days).map(|_| {
        last = next_day(last, random);
        last
    });
    each.collect()
}

/// Weather keeps: warm follows warm, and wet days come in runs.
fn next_day(last: Day, random: &mut Random) -> Day {
    let wet_odds = if last.shower.is_some() { 0.45 } else { 0.16 };
    let wet = random.unit() < wet_odds;
    let anomaly = 0.75 * last.anomaly_celsius + random.spread(4.0);
    let shower = wet.then(|| Shower {
        begins_minute: (random.unit() * 1_380.0) as i64,
        minutes: 40 + (random.unit() * 500.0) as i64,
        // Many small ones and a few large ones.
        mm: 0.4 - 4.5 * (1.0 - random.unit()).ln(),
    });
    Day {
        anomaly_celsius: anomaly - if wet { 0.8 } else { 0.0 },
        cloud: if wet { 0.65 + 0.35 * random.unit() } else { (random.unit() * 1.3 - 0.45).clamp(0.0, 0.8) },
        wind_m_per_s: 1.4 + 3.2 * random.unit() * random.unit() + if wet { 1.0 } else { 0.0 },
        shower,
    }
}

impl Iterator for Year {
    type Item = Line;

    fn next(&mut self) -> Option<Line> {
        if self.minute >= self.minutes {
            return None;
        }
        let since = self.minute * MINUTE;
        let at: Stamp = self.almanac.first.plus(since);
        self.minute += 1;
        Some(self.mast.message(at, since, self.almanac.at(at)))
    }
}
