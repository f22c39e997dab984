//! Made-up weather, the same for everybody: a recording of a year for measuring, and one of nine days for reading.
//!
//! It follows the season and the hour as a temperate, semi-arid place does: warm afternoons that clouds flatten, humidity
//! that mirrors temperature, wind that rises with the sun, showers that come in on wet days. It is plausible, not a
//! climate model, and it is computed apart from the engine's formulas, so that it cannot hide their faults.

use std::f64::consts::TAU;

use chrono::{DateTime, NaiveDate};

use thirstd::engine::stamp::{DAY, MINUTE, Stamp};

use crate::recording::{Entry, Line};

mod fleet;
mod random;
mod sample;
#[cfg(test)]
mod tests;
mod year;

pub use fleet::Fleet;
pub use sample::{SAMPLE_CONFIG, sample};
pub use year::{Year, year};

/// Where it is, as far as the weather minds.
#[derive(Clone, Copy, Debug)]
struct Place {
    latitude_degrees: f64,
    /// East positive. Local solar time follows from it.
    longitude_degrees: f64,
    /// Mean air temperature of the year, and half the difference between July and January, °C.
    mean_celsius: f64,
    season_celsius: f64,
    /// Half the difference between afternoon and dawn under a clear sky, °C.
    swing_celsius: f64,
}

/// What is special about one day.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Day {
    /// Warmer than the season's normal, °C.
    anomaly_celsius: f64,
    /// 0 clear, 1 overcast.
    cloud: f64,
    /// Mean wind at noon, m/s.
    wind_m_per_s: f64,
    shower: Option<Shower>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Shower {
    /// After local solar midnight; it may end on the next day.
    begins_minute: i64,
    minutes: i64,
    mm: f64,
}

/// A minute's weather.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Weather {
    air_celsius: f64,
    humidity_percent: f64,
    wind_m_per_s: f64,
    sun_w_per_m2: f64,
    /// All rain since the first day, mm.
    rain_mm: f64,
}

/// The days from `first` on, and the rain that fell before each.
struct Almanac {
    place: Place,
    first: Stamp,
    days: Vec<Day>,
    rain_before: Vec<f64>,
}

impl Almanac {
    /// `first` is 00:00 UTC of the first day; days change at local solar midnight.
    fn new(place: Place, first: Stamp, days: Vec<Day>) -> Self {
        let rain = |day: &Day| day.shower.map_or(0.0, |shower| shower.mm);
        let rain_before = days.iter().scan(0.0, |sum, day| Some(std::mem::replace(sum, *sum + rain(day)))).collect();
        Self { place, first, days, rain_before }
    }

    fn at(&self, at: Stamp) -> Weather {
        let solar = at.plus((self.place.longitude_degrees * 4.0 * MINUTE as f64) as i64); // 4 min a degree
        let since = solar.since(self.first);
        let index = usize::try_from(since.div_euclid(DAY)).unwrap_or(0);
        let minute = since.rem_euclid(DAY) as f64 / MINUTE as f64;
        let hour = minute / 60.0;
        let day = self.day(index);
        // Between two middays the days flow into each other.
        let other = self.day(if hour < 12.0 { index.saturating_sub(1) } else { index + 1 });
        let share = (hour - 12.0).abs() / 24.0;
        let mixed = |own: f64, next: f64| own * (1.0 - share) + next * share;
        let cloud = mixed(day.cloud, other.cloud);

        let season = -(TAU * (day_of_year(solar) - 15.0) / 365.0).cos(); // coldest in the middle of January, north
        let normal = self.place.mean_celsius + self.place.season_celsius * season;
        let anomaly = mixed(day.anomaly_celsius, other.anomaly_celsius);
        let swing = self.place.swing_celsius * (1.0 - 0.65 * cloud);
        let air = normal + anomaly + swing * (TAU * (hour - 15.0) / 24.0).cos();
        // Air that cools to about its dew point at dawn.
        let dew_point = normal + anomaly - self.place.swing_celsius * (1.15 - 0.75 * cloud);
        let raining = self.intensity(index, minute) > 0.0;
        let wet = self.wetness(index, minute);
        let humidity = 100.0 * (magnus(dew_point) - magnus(air)).exp();
        let wind =
            mixed(day.wind_m_per_s, other.wind_m_per_s) * (0.45 + 0.55 * (TAU * (hour - 9.0) / 24.0).sin().max(0.0));
        let clear = clear_sky(self.place.latitude_degrees, day_of_year(solar), hour);
        Weather {
            air_celsius: air - 1.5 * wet,
            humidity_percent: (humidity + (95.0 - humidity).max(0.0) * wet).clamp(12.0, 99.0),
            wind_m_per_s: wind,
            sun_w_per_m2: clear * (1.0 - 0.75 * cloud) * if raining { 0.6 } else { 1.0 },
            rain_mm: self.rain_until(index, minute),
        }
    }

    /// How far rain has wetted the air, 0–1: the share of the last half hour in which it rained.
    fn wetness(&self, index: usize, minute: f64) -> f64 {
        let rained = |back: u32| match minute - f64::from(back) {
            then if then >= 0.0 => self.intensity(index, then) > 0.0,
            then => index > 0 && self.intensity(index - 1, then + 1440.0) > 0.0,
        };
        f64::from((0..30).filter(|back| rained(*back)).count() as u32) / 30.0
    }

    fn day(&self, index: usize) -> Day {
        self.days.get(index).or(self.days.last()).copied().unwrap_or_default()
    }

    /// Rain at `minute` of day `index`, as a share of the shower a minute.
    fn intensity(&self, index: usize, minute: f64) -> f64 {
        let own = self.day(index).shower.map_or(0.0, |shower| shower.share(minute + 1.0) - shower.share(minute));
        let late = |day: usize| {
            self.day(day).shower.map_or(0.0, |shower| shower.share(minute + 1441.0) - shower.share(minute + 1440.0))
        };
        own + index.checked_sub(1).map_or(0.0, late)
    }

    fn rain_until(&self, index: usize, minute: f64) -> f64 {
        let last = self.days.len().saturating_sub(1);
        let index = index.min(last);
        let fallen =
            |day: usize, minute: f64| self.day(day).shower.map_or(0.0, |shower| shower.mm * shower.share(minute));
        let before = self.rain_before.get(index).copied().unwrap_or(0.0);
        // Of yesterday's shower a part can still be in the air.
        let pending = index.checked_sub(1).map_or(0.0, |day| fallen(day, f64::INFINITY) - fallen(day, minute + 1440.0));
        before - pending + fallen(index, minute)
    }
}

impl Shower {
    /// The share that has fallen by `minute`: it swells and ebbs (the integral of sin²).
    fn share(self, minute: f64) -> f64 {
        let part = ((minute - self.begins_minute as f64) / self.minutes as f64).clamp(0.0, 1.0);
        part - (TAU * part).sin() / TAU
    }
}

/// A sensor with its gauge, its battery and its little unrests.
struct Mast {
    topic: String,
    random: random::Random,
    /// Reading of the rain counter before the first day, mm.
    rain_mm: f64,
    battery_volts: f64,
    fading_volts_per_day: f64,
}

impl Mast {
    /// What it sends at `at`, `since` its first message.
    fn message(&mut self, at: Stamp, since: i64, weather: Weather) -> Line {
        let days = since as f64 / DAY as f64;
        let air = weather.air_celsius + self.random.spread(0.12);
        let humidity = (weather.humidity_percent + self.random.spread(0.6)).clamp(5.0, 100.0);
        let wind = (weather.wind_m_per_s * (1.0 + self.random.spread(0.25)) + self.random.spread(0.15)).max(0.0);
        let sun =
            if weather.sun_w_per_m2 > 0.0 { weather.sun_w_per_m2 * (1.0 + self.random.spread(0.01)) } else { 0.0 };
        // A bucket that tips at every 0.2 mm.
        let rain = self.rain_mm + (weather.rain_mm / TIP_MM + 1e-6).floor() * TIP_MM;
        let battery = self.battery_volts - self.fading_volts_per_day * days + 0.0012 * (air - 20.0);
        let payload = format!(
            "{{\"temp_c\":{:.1},\"rh_pct\":{:.0},\"wind_ms\":{:.1},\"sun_wm2\":{:.0},\"rain_mm\":{:.1},\"batt_v\":{:.2}}}",
            air + 0.0, // no -0.0
            humidity,
            wind,
            sun,
            rain,
            battery
        );
        let payload = payload.replace("\"temp_c\":-0.0,", "\"temp_c\":0.0,").into_bytes();
        Line { at, entry: Entry::Message { topic: self.topic.clone(), payload, retain: false, dup: false } }
    }
}

const TIP_MM: f64 = 0.2;

/// Sun on a level surface under a clear sky, W/m²: three quarters of what comes from the sun, less when it is low.
fn clear_sky(latitude_degrees: f64, day_of_year: f64, hour: f64) -> f64 {
    let latitude = latitude_degrees.to_radians();
    let declination = 0.409 * (TAU * day_of_year / 365.0 - 1.39).sin();
    let hour_angle = TAU * (hour - 12.0) / 24.0;
    let height = latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour_angle.cos();
    if height <= 0.0 { 0.0 } else { 1361.0 * height * 0.76 * height.powf(0.08) }
}

/// Exponent of the saturation vapor pressure by Magnus.
fn magnus(celsius: f64) -> f64 {
    17.62 * celsius / (243.12 + celsius)
}

fn day_of_year(at: Stamp) -> f64 {
    let since = at.since(Stamp(0)) as f64 / DAY as f64; // 1970 began on a 1 January
    since.rem_euclid(365.2425)
}

/// 00:00 UTC of a day that is written in the program.
fn midnight(year: i32, month: u32, day: u32) -> Stamp {
    let date = NaiveDate::from_ymd_opt(year, month, day).unwrap_or_default();
    DateTime::from_naive_utc_and_offset(date.into(), chrono::Utc).into()
}
