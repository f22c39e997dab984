//! Messages of many sites under one sky, to measure with: each site reads it a little differently.

use std::fmt::Write;

use thirstd::engine::stamp::{DAY, MINUTE, Stamp};

use super::random::Random;
use super::{Almanac, Place, TIP_MM, Weather, midnight};

/// Sites that read the same weather. Equal seeds give equal messages.
pub struct Fleet {
    almanac: Almanac,
    random: Random,
    /// The weather of the minute that was asked for last.
    minute: Option<(i64, Weather)>,
}

impl Fleet {
    /// The first instant of its weather.
    pub fn begins() -> Stamp {
        midnight(2027, 5, 1)
    }

    /// `days` days of weather from [`Fleet::begins`] on.
    pub fn new(days: u16, seed: u64) -> Self {
        let place = Place {
            latitude_degrees: 46.31,
            longitude_degrees: -120.04,
            mean_celsius: 11.0,
            season_celsius: 11.5,
            swing_celsius: 7.0,
        };
        let mut random = Random::new(seed);
        let weather = super::year::weather(days, &mut random);
        Self { almanac: Almanac::new(place, Self::begins(), weather), random, minute: None }
    }

    /// A number from 0 up to but not including `count`, which is at least 1.
    pub fn any(&mut self, count: usize) -> usize {
        ((self.random.unit() * count as f64) as usize).min(count.saturating_sub(1))
    }

    /// What site number `site` sends at `at`: temperature, humidity, wind, sun, rain counter and battery.
    pub fn payload(&mut self, site: usize, at: Stamp) -> Vec<u8> {
        let weather = self.weather(at);
        let random = &mut self.random;
        // A tenth of a degree between neighbors, and a bucket that tips at another time.
        let apart = (site % 29) as f64 / 10.0 - 1.4;
        let air = weather.air_celsius + apart + random.spread(0.12);
        let humidity = (weather.humidity_percent - apart + random.spread(0.6)).clamp(5.0, 100.0);
        let wind = (weather.wind_m_per_s * (1.0 + random.spread(0.25)) + random.spread(0.15)).max(0.0);
        let sun = weather.sun_w_per_m2 * (1.0 + random.spread(0.01));
        let in_bucket = TIP_MM * (site % 17) as f64 / 17.0;
        let rain = 120.0 + ((weather.rain_mm + in_bucket) / TIP_MM + 1e-6).floor() * TIP_MM;
        let battery = 3.1 - 0.0009 * at.since(Self::begins()) as f64 / DAY as f64 + 0.0012 * (air - 20.0);
        let mut payload = String::with_capacity(96);
        // Writing to a `String` cannot fail.
        let _ = write!(
            payload,
            "{{\"temp_c\":{air:.1},\"rh_pct\":{humidity:.0},\"wind_ms\":{wind:.1},\"sun_wm2\":{sun:.0},\
             \"rain_mm\":{rain:.1},\"batt_v\":{battery:.2}}}"
        );
        payload.into_bytes()
    }

    fn weather(&mut self, at: Stamp) -> Weather {
        let minute = at.0.div_euclid(MINUTE);
        match self.minute {
            Some((known, weather)) if known == minute => weather,
            _ => {
                let weather = self.almanac.at(Stamp(minute * MINUTE));
                self.minute = Some((minute, weather));
                weather
            }
        }
    }
}
