//! The weather of one site, slot by slot: days that follow one another, sun and broken cloud, rain in cells, wind that rises
//! with the sun, frost in clear nights, humidity that follows temperature and rain.
//!
//! Plausible, not a climate model. Days run by the sun of the place.

use std::f64::consts::{PI, TAU};

use super::random::Random;
use super::sky::{day_of_year, humidity, sky, solar_hour};

/// What the weather of a place is like over the years.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Climate {
    pub latitude_degrees: f64,
    /// East positive.
    pub longitude_degrees: f64,
    /// Mean air temperature of the year, and half the difference between the warmest and the coldest month, °C.
    pub mean_celsius: f64,
    pub season_celsius: f64,
    /// Half the difference between afternoon and dawn under a clear sky, °C.
    pub swing_celsius: f64,
    /// How far the dew point stays below the coldest of a clear night, °C.
    pub dryness_celsius: f64,
    /// Odds of a wet day after a dry one and after a wet one.
    pub wet_after_dry: f64,
    pub wet_after_wet: f64,
    /// Mean rain of a wet day.
    pub wet_day_mm: f64,
    /// Mean wind in the afternoon, m/s.
    pub wind_m_per_s: f64,
}

impl Climate {
    /// Share of wet days in the long run.
    pub fn wet_share(&self) -> f64 {
        self.wet_after_dry / (1.0 - self.wet_after_wet + self.wet_after_dry)
    }
}

/// What is special about one day. A scenario can write its own; else they are drawn.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Day {
    /// Warmer than the season's normal, °C.
    pub anomaly_celsius: f64,
    /// 0 clear, 1 overcast.
    pub cloud: f64,
    /// Mean wind in the afternoon, m/s.
    pub wind_m_per_s: f64,
    pub rain: Option<Rain>,
}

/// Rain of one event.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Rain {
    /// Solar hour at which it begins; it may end on the next day.
    pub begins_hour: f64,
    pub hours: f64,
    pub mm: f64,
}

/// The air at the end of a slot, and what fell in it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Air {
    pub celsius: f64,
    pub humidity_percent: f64,
    pub wind_m_per_s: f64,
    pub gust_m_per_s: f64,
    pub sun_w_per_m2: f64,
    /// In this slot.
    pub rain_mm: f64,
}

/// The weather of one place on its way through time.
#[derive(Clone, Debug)]
pub struct Weather {
    climate: Climate,
    script: Vec<Day>,
    random: Random,
    /// Number of the solar day `today` since `first`, and its neighbors.
    first: i64,
    index: i64,
    yesterday: Day,
    today: Day,
    tomorrow: Day,
    cells: Vec<Cell>,
    /// How wet the ground is: 1 in rain, drying over a day.
    wetness: f64,
    /// How much of the rain the air has taken up: 1 in lasting rain, over in an hour or two.
    coolness: f64,
    /// Slow unrest of cloud and wind around the day's mean, standard deviation 1.
    cloud_unrest: f64,
    wind_unrest: f64,
}

/// A stretch of even rain.
#[derive(Clone, Copy, Debug)]
struct Cell {
    from: i64,
    to: i64,
    mm: f64,
}

impl Weather {
    /// From `start` (Unix milliseconds) on; `script` are the first days, the rest is drawn.
    pub fn new(climate: Climate, script: Vec<Day>, start: i64, random: Random) -> Self {
        let first = solar_day(start, &climate);
        let nothing = Day { wind_m_per_s: climate.wind_m_per_s, cloud: 0.3, ..Day::default() };
        let mut weather = Self {
            climate,
            script,
            random,
            first,
            index: -1,
            yesterday: nothing,
            today: nothing,
            tomorrow: nothing,
            cells: Vec::new(),
            wetness: 0.2,
            coolness: 0.0,
            cloud_unrest: 0.0,
            wind_unrest: 0.0,
        };
        weather.tomorrow = weather.day(0, nothing);
        weather.turn();
        weather.yesterday = Day { rain: None, ..weather.today };
        weather
    }

    /// The weather of the slot from `from` to `to`. Slots come in order, none longer than an hour.
    pub fn step(&mut self, from: i64, to: i64) -> Air {
        while solar_day(to, &self.climate) - self.first > self.index {
            self.turn();
        }
        let hours = to.saturating_sub(from).max(0) as f64 / HOUR as f64;
        let rain_mm: f64 = self.cells.iter().map(|cell| cell.within(from, to)).sum();
        self.cells.retain(|cell| cell.to > to);
        let raining = rain_mm > 0.0;
        // Rain wets ground and air within an hour or two; they dry over a day.
        self.wetness = if raining {
            1.0 - (1.0 - self.wetness) * (-hours / 0.8).exp()
        } else {
            self.wetness * (-hours / 16.0).exp()
        };
        self.coolness =
            if raining { 1.0 - (1.0 - self.coolness) * (-hours / 0.5).exp() } else { self.coolness * (-hours).exp() };
        self.cloud_unrest = unrest(self.cloud_unrest, hours / 0.8, &mut self.random);
        self.wind_unrest = unrest(self.wind_unrest, hours / 1.5, &mut self.random);

        let hour = solar_hour(to, self.climate.longitude_degrees);
        let cloud =
            if raining { self.mixed(hour, |day| day.cloud).max(0.85) } else { self.mixed(hour, |day| day.cloud) };
        let normal = self.normal(to) + self.mixed(hour, |day| day.anomaly_celsius);
        let swing = self.climate.swing_celsius * (1.0 - 0.6 * cloud);
        let celsius = normal + swing * diurnal(hour) - 1.5 * self.coolness;
        let night = normal - self.climate.swing_celsius * (0.95 - 0.5 * cloud);
        let dew = night - self.climate.dryness_celsius * (1.0 - self.wetness) + 1.5 * self.wetness;
        let clear_air = humidity(celsius, dew);
        let wet_air = clear_air.max(92.0 + 6.0 * cloud);
        let humidity_percent = clear_air + (wet_air - clear_air) * self.coolness;

        let clear = sky(to, self.climate.latitude_degrees, self.climate.longitude_degrees).clear_w_per_m2;
        // Broken cloud: most unrest where half of the sky is covered.
        let broken = (cloud + 0.45 * 4.0 * cloud * (1.0 - cloud) * self.cloud_unrest).clamp(0.0, 1.0);
        let sun_w_per_m2 = clear * (1.0 - 0.78 * broken);
        let afternoon = 0.35 + 0.65 * (PI * (hour - 7.0) / 14.0).sin().max(0.0);
        let wind = self.mixed(hour, |day| day.wind_m_per_s) * afternoon * (0.22 * self.wind_unrest).exp();
        let wind_m_per_s = wind + if raining { 0.8 } else { 0.0 };
        let gust_m_per_s = wind_m_per_s * (1.35 + 0.25 * self.random.unit());
        Air { celsius, humidity_percent, wind_m_per_s, gust_m_per_s, sun_w_per_m2, rain_mm }
    }

    /// The normal temperature of the season, °C.
    fn normal(&self, at: i64) -> f64 {
        let coldest = if self.climate.latitude_degrees < 0.0 { 197.0 } else { 15.0 };
        self.climate.mean_celsius - self.climate.season_celsius * (TAU * (day_of_year(at) - coldest) / 365.0).cos()
    }

    /// Between two middays the days flow into each other.
    fn mixed(&self, hour: f64, of: impl Fn(&Day) -> f64) -> f64 {
        let other = if hour < 12.0 { &self.yesterday } else { &self.tomorrow };
        let share = (hour - 12.0).abs() / 24.0;
        of(&self.today) * (1.0 - share) + of(other) * share
    }

    /// The next day begins.
    fn turn(&mut self) {
        self.index += 1;
        self.yesterday = self.today;
        self.today = self.tomorrow;
        self.tomorrow = self.day(self.index + 1, self.today);
        if let Some(rain) = self.today.rain {
            let midnight = (self.first + self.index) * DAY - solar_offset(&self.climate);
            self.cells.extend(cells(rain, midnight, &mut self.random));
        }
    }

    /// Day `index`, as the scenario wants it, or drawn after the day `last`: warm follows warm, wet days come in runs.
    fn day(&mut self, index: i64, last: Day) -> Day {
        let climate = self.climate;
        let random = &mut self.random;
        let wet = random.chance(if last.rain.is_some() { climate.wet_after_wet } else { climate.wet_after_dry });
        let anomaly = 0.72 * last.anomaly_celsius + 1.6 * random.normal() - if wet { 0.8 } else { 0.0 };
        let (begins_hour, length) = (random.between(0.0, 23.0), random.exponential());
        let mm = climate.wet_day_mm * random.exponential();
        let dry_cloud = (random.between(-0.5, 0.9)).clamp(0.0, 0.75);
        let wet_cloud = random.between(0.7, 1.0);
        let wind = climate.wind_m_per_s * (0.5 + random.exponential() * 0.5);
        let drawn = Day {
            anomaly_celsius: anomaly,
            cloud: if wet { wet_cloud } else { dry_cloud },
            wind_m_per_s: wind,
            // Less than a tenth of a millimeter is no rain.
            rain: wet.then_some(Rain { begins_hour, hours: (0.7 + 5.0 * length).min(20.0), mm: mm.max(0.1) }),
        };
        usize::try_from(index).ok().and_then(|index| self.script.get(index)).copied().unwrap_or(drawn)
    }
}

impl Cell {
    fn within(&self, from: i64, to: i64) -> f64 {
        let common = self.to.min(to).saturating_sub(self.from.max(from)).max(0);
        self.mm * common as f64 / self.to.saturating_sub(self.from).max(1) as f64
    }
}

/// The rain of an event in cells of unequal strength, with pauses.
fn cells(rain: Rain, midnight: i64, random: &mut Random) -> Vec<Cell> {
    let begins = midnight + (rain.begins_hour * HOUR as f64) as i64;
    let length = ((rain.hours * HOUR as f64) as i64).max(10 * MINUTE);
    let count = ((rain.hours * 1.5) as usize).clamp(1, 24);
    let shares: Vec<f64> = (0..count).map(|_| 0.3 + random.exponential()).collect();
    let sum: f64 = shares.iter().sum();
    let piece = length / count as i64;
    let mut cells = Vec::with_capacity(count);
    for (index, share) in shares.iter().enumerate() {
        let from = begins + index as i64 * piece;
        let lasts = ((0.5 + 0.5 * random.unit()) * piece as f64) as i64;
        cells.push(Cell { from, to: from + lasts.max(MINUTE), mm: rain.mm * share / sum });
    }
    cells
}

/// −1 at dawn, 1 in the middle of the afternoon.
fn diurnal(hour: f64) -> f64 {
    let after = (hour - COLDEST).rem_euclid(24.0);
    let rising = WARMEST - COLDEST;
    if after < rising { -(PI * after / rising).cos() } else { (PI * (after - rising) / (24.0 - rising)).cos() }
}

/// One step of an unrest that forgets itself over `steps` = 1.
fn unrest(before: f64, steps: f64, random: &mut Random) -> f64 {
    let kept = (-steps).exp();
    kept * before + (1.0 - kept * kept).sqrt() * random.normal()
}

fn solar_offset(climate: &Climate) -> i64 {
    (climate.longitude_degrees * 4.0 * MINUTE as f64) as i64 // 4 min a degree
}

fn solar_day(at: i64, climate: &Climate) -> i64 {
    (at + solar_offset(climate)).div_euclid(DAY)
}

/// Solar hours of the coldest and the warmest time of a day.
const COLDEST: f64 = 5.5;
const WARMEST: f64 = 15.0;

const MINUTE: i64 = 60_000;
const HOUR: i64 = 60 * MINUTE;
const DAY: i64 = 24 * HOUR;
