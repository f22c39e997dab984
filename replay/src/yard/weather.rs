//! A weather history made ready to be played: every day filled, and what truly evaporated.

use chrono::{Datelike, Days, NaiveDate};
use chrono_tz::Tz;

use thirstd::engine::formula::reference_et::{self, ClearSky, DailyWeather, Surface};
use thirstd::engine::formula::{radiation, vapor};
use thirstd::engine::units::{Celsius, Degrees, Kilopascals, MegajoulesPerM2, Meters, MetersPerSecond};
use thirstd::weather_file::{DayRow, History, HourRow, Rows};

/// Where the history was measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spot {
    /// South is negative.
    pub latitude_degrees: f64,
    /// West is negative.
    pub longitude_degrees: f64,
    pub elevation_m: f64,
    /// Of the anemometer above ground.
    pub wind_height_m: f64,
}

impl Spot {
    /// The hours that the sun keeps here, without summer time: histories are kept in local standard time.
    pub fn zone(&self) -> Tz {
        let offset = (self.longitude_degrees / 15.0).round() as i32;
        // The sign of these names is turned round.
        let name = if offset == 0 { "Etc/UTC".to_owned() } else { format!("Etc/GMT{:+}", -offset) };
        name.parse().unwrap_or(Tz::UTC)
    }

    /// Local time less UTC, ms.
    pub fn offset(&self) -> i64 {
        (self.longitude_degrees / 15.0).round() as i64 * 3_600_000
    }
}

/// One day, whole.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Day {
    pub date: NaiveDate,
    pub lowest_celsius: f64,
    pub highest_celsius: f64,
    pub vapor_kpa: f64,
    pub sun_mj_per_m2: f64,
    /// At the anemometer's height.
    pub wind_m_per_s: f64,
    pub rain_mm: f64,
    /// Reference evapotranspiration that counts as true.
    pub eto_mm: f64,
}

impl Day {
    /// January is 0.
    pub fn month(&self) -> usize {
        self.date.month0() as usize
    }
}

/// One measured hour; None where it was not measured.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Hour {
    pub celsius: Option<f64>,
    pub humidity_percent: Option<f64>,
    pub wind_m_per_s: Option<f64>,
    pub sun_w_per_m2: Option<f64>,
    pub rain_mm: Option<f64>,
}

/// What counts as the true evapotranspiration.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Truth {
    Published,
    PenmanMonteith,
    Hargreaves,
}

impl Truth {
    pub fn text(self) -> &'static str {
        match self {
            Self::Published => "as published with the history",
            Self::PenmanMonteith => "daily Penman–Monteith of the history's own rows",
            Self::Hargreaves => "Hargreaves–Samani of the history's own rows",
        }
    }
}

/// A whole history, every day of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    pub spot: Spot,
    pub days: Vec<Day>,
    /// The hours of each day, where the history has them.
    pub hours: Vec<[Hour; 24]>,
    pub truth: Truth,
    /// Days on which something was filled in.
    pub filled: usize,
    pub has: Has,
}

/// Which quantities the history has.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Has {
    pub humidity: bool,
    pub wind: bool,
    pub sun: bool,
    pub rain: bool,
}

impl Series {
    /// Makes `history` ready.
    ///
    /// # Errors
    /// Fewer than 90 days, no temperature, or a gap of more than a year.
    pub fn of(history: &History, spot: Spot) -> Result<Self, String> {
        let (rows, hours) = match &history.rows {
            Rows::Days(days) => (days.clone(), Vec::new()),
            Rows::Hours(hours) => of_hours(hours),
        };
        let (rows, missing) = without_gaps(&rows)?;
        if rows.len() < 90 {
            return Err(format!("{} days are too few: give at least 90", rows.len()));
        }
        let some = |read: fn(&DayRow) -> bool| rows.iter().filter(|row| read(row)).count() * 2 > rows.len();
        let has = Has {
            humidity: some(|row| {
                row.dew_point_celsius.is_some() || row.mean_humidity_percent.or(row.lowest_humidity_percent).is_some()
            }),
            wind: some(|row| row.wind_m_per_s.is_some()),
            sun: some(|row| row.shortwave_mj_per_m2.is_some()),
            rain: some(|row| row.rain_mm.is_some()),
        };
        let published = some(|row| row.eto_mm.is_some());
        let truth = match published {
            true => Truth::Published,
            false if has.humidity && has.wind && has.sun => Truth::PenmanMonteith,
            false => Truth::Hargreaves,
        };
        let mean_wind = mean(rows.iter().filter_map(|row| row.wind_m_per_s)).unwrap_or(2.0);
        let mut filled = missing;
        let mut days: Vec<Day> = Vec::with_capacity(rows.len());
        for row in &rows {
            let before = days.last().copied();
            let (day, whole) = day_of(row, before, spot, mean_wind, truth, has);
            filled += usize::from(!whole);
            days.push(day);
        }
        let hours = aligned(hours, &days);
        Ok(Self { spot, days, hours, truth, filled, has })
    }

    pub fn len(&self) -> usize {
        self.days.len()
    }

    pub fn is_empty(&self) -> bool {
        self.days.is_empty()
    }

    /// Index of the first day that is `years` years after the first.
    pub fn after_years(&self, years: u32) -> usize {
        let first = self.days.first().map_or(NaiveDate::default(), |day| day.date);
        let until = first.checked_add_months(chrono::Months::new(12 * years)).unwrap_or(first);
        self.days.partition_point(|day| day.date < until)
    }
}

/// Monthly figures of a place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Normals {
    /// Daily means, January first.
    pub eto_mm: [f64; 12],
    pub rain_mm: [f64; 12],
    /// What Hargreaves–Samani has to be multiplied by in each month, and over the year.
    pub factor: [f64; 12],
    pub annual_factor: f64,
}

impl Normals {
    /// From some days. None where a month is missing.
    pub fn of(days: &[Day], spot: Spot) -> Option<Self> {
        let (mut eto, mut rain, mut by_temperature, mut count) = ([0.0; 12], [0.0; 12], [0.0; 12], [0.0; 12]);
        for day in days {
            let month = day.month();
            eto[month] += day.eto_mm;
            rain[month] += day.rain_mm;
            by_temperature[month] += hargreaves(day, spot);
            count[month] += 1.0;
        }
        if count.iter().any(|count| *count < 20.0) {
            return None;
        }
        let per_day = |sums: [f64; 12]| std::array::from_fn(|month| sums[month] / count[month]);
        let factor = std::array::from_fn(|month| (eto[month] / by_temperature[month].max(0.01)).clamp(0.5, 2.0));
        let annual_factor = (eto.iter().sum::<f64>() / by_temperature.iter().sum::<f64>().max(0.01)).clamp(0.5, 2.0);
        Some(Self { eto_mm: per_day(eto), rain_mm: per_day(rain), factor, annual_factor })
    }

    /// The month with the most evapotranspiration, and its daily mean, mm.
    pub fn peak(&self) -> (usize, f64) {
        (0..12)
            .map(|month| (month, self.eto_mm[month]))
            .fold((0, 0.0), |best, next| if next.1 > best.1 { next } else { best })
    }
}

/// Hargreaves–Samani of a day, mm.
pub fn hargreaves(day: &Day, spot: Spot) -> f64 {
    let r_a = radiation::extraterrestrial_daily(Degrees(spot.latitude_degrees).radians(), day.date.ordinal());
    reference_et::hargreaves_samani(Celsius(day.highest_celsius), Celsius(day.lowest_celsius), r_a).0
}

/// Daily Penman–Monteith of a day, mm, never below 0.
pub fn penman_monteith(day: &Day, spot: Spot) -> f64 {
    let weather = DailyWeather {
        day_of_year: day.date.ordinal(),
        latitude: Degrees(spot.latitude_degrees).radians(),
        elevation: Meters(spot.elevation_m),
        highest: Celsius(day.highest_celsius),
        lowest: Celsius(day.lowest_celsius),
        actual_vapor: Kilopascals(day.vapor_kpa),
        shortwave: MegajoulesPerM2(day.sun_mj_per_m2),
        wind: reference_et::wind_at_2_m(MetersPerSecond(day.wind_m_per_s), Meters(spot.wind_height_m)),
        clear_sky: ClearSky::Simple,
    };
    reference_et::daily(&weather, Surface::Short).0.max(0.0)
}

/// Saturation vapor pressure, kPa.
pub fn saturation(celsius: f64) -> f64 {
    vapor::saturation_vapor_pressure(Celsius(celsius)).0
}

/// The day whole, and whether all of it was measured that the history measures at all.
fn day_of(row: &DayRow, before: Option<Day>, spot: Spot, mean_wind: f64, truth: Truth, has: Has) -> (Day, bool) {
    let last = before.unwrap_or(Day { lowest_celsius: 10.0, highest_celsius: 20.0, ..Day::default() });
    let highest_celsius = row.highest_celsius.unwrap_or(last.highest_celsius);
    let lowest_celsius = row.lowest_celsius.unwrap_or(last.lowest_celsius).min(highest_celsius);
    let whole_air = row.highest_celsius.is_some() && row.lowest_celsius.is_some();
    let (saturated_low, saturated_high) = (saturation(lowest_celsius), saturation(highest_celsius));
    let humidity = match (row.dew_point_celsius, row.highest_humidity_percent, row.lowest_humidity_percent) {
        (Some(dew_point), ..) => Some(saturation(dew_point)),
        (None, Some(most), Some(least)) => Some((saturated_low * most + saturated_high * least) / 200.0),
        _ => row.mean_humidity_percent.map(|mean| mean / 100.0 * (saturated_low + saturated_high) / 2.0),
    };
    let latitude = Degrees(spot.latitude_degrees).radians();
    let r_a = radiation::extraterrestrial_daily(latitude, row.date.ordinal());
    let clear = radiation::clear_sky_simple(Meters(spot.elevation_m), r_a);
    let usual_sun = || {
        let exposure = radiation::Exposure::Inland;
        radiation::shortwave_from_temperature(Celsius(highest_celsius), Celsius(lowest_celsius), exposure, r_a, clear).0
    };
    let mut day = Day {
        date: row.date,
        lowest_celsius,
        highest_celsius,
        vapor_kpa: humidity.unwrap_or(saturated_low),
        sun_mj_per_m2: row.shortwave_mj_per_m2.unwrap_or_else(usual_sun),
        wind_m_per_s: row.wind_m_per_s.unwrap_or(mean_wind),
        // Some archives write a trace of rain as half of the least they measure.
        rain_mm: row.rain_mm.filter(|mm| *mm >= 0.05).unwrap_or(0.0),
        eto_mm: 0.0,
    };
    day.eto_mm = match (truth, row.eto_mm) {
        (Truth::Published, Some(published)) => published.max(0.0),
        (Truth::Hargreaves, _) => hargreaves(&day, spot),
        _ => penman_monteith(&day, spot),
    };
    let whole = whole_air
        && (humidity.is_some() || !has.humidity)
        && (row.wind_m_per_s.is_some() || !has.wind)
        && (row.shortwave_mj_per_m2.is_some() || !has.sun)
        && (row.rain_mm.is_some() || !has.rain)
        && (row.eto_mm.is_some() || truth != Truth::Published);
    (day, whole)
}

/// Days that the file leaves out are empty rows. Returns the rows and how many were added.
fn without_gaps(rows: &[DayRow]) -> Result<(Vec<DayRow>, usize), String> {
    let mut whole: Vec<DayRow> = Vec::with_capacity(rows.len());
    let mut missing = 0;
    for row in rows {
        while let Some(next) = whole.last().and_then(|last| last.date.checked_add_days(Days::new(1)))
            && next < row.date
        {
            if (row.date - next).num_days() > 366 {
                return Err(format!(
                    "between {next} and {} more than a year is missing: split the file there",
                    row.date
                ));
            }
            whole.push(DayRow { date: next, ..DayRow::default() });
            missing += 1;
        }
        whole.push(*row);
    }
    Ok((whole, missing))
}

/// Hours as days, by the civil date of their middle; days with fewer than 20 hours of temperature have no extremes.
fn of_hours(hours: &[HourRow]) -> (Vec<DayRow>, Vec<(NaiveDate, [Hour; 24])>) {
    let mut days: Vec<(NaiveDate, [Hour; 24], [Option<f64>; 24])> = Vec::new();
    for row in hours {
        let begins = row.end - chrono::TimeDelta::hours(1);
        let (date, index) = (begins.date(), chrono::Timelike::hour(&begins) as usize);
        if days.last().is_none_or(|last| last.0 != date) {
            days.push((date, [Hour::default(); 24], [None; 24]));
        }
        let Some(day) = days.last_mut() else { continue };
        let humidity = match (row.humidity_percent, row.dew_point_celsius, row.air_celsius) {
            (Some(humidity), ..) => Some(humidity),
            (None, Some(dew_point), Some(air)) => Some((100.0 * saturation(dew_point) / saturation(air)).min(100.0)),
            _ => None,
        };
        day.1[index] = Hour {
            celsius: row.air_celsius,
            humidity_percent: humidity,
            wind_m_per_s: row.wind_m_per_s,
            sun_w_per_m2: row.shortwave_w_per_m2.map(|sun| sun.max(0.0)),
            rain_mm: row.rain_mm,
        };
        day.2[index] = row.eto_mm;
    }
    let rows = days.iter().map(|(date, hours, eto)| row_of(*date, hours, eto)).collect();
    (rows, days.into_iter().map(|(date, hours, _)| (date, hours)).collect())
}

fn row_of(date: NaiveDate, hours: &[Hour; 24], eto: &[Option<f64>; 24]) -> DayRow {
    let air: Vec<f64> = hours.iter().filter_map(|hour| hour.celsius).collect();
    let well = air.len() >= 20;
    let sum = |values: Vec<f64>| (values.len() >= 20).then(|| values.iter().sum::<f64>() * 24.0 / values.len() as f64);
    let vapor = hours.iter().filter_map(|hour| Some(hour.humidity_percent? / 100.0 * saturation(hour.celsius?)));
    let dew_point = mean(vapor).map(|kpa| {
        // The dew point of a vapor pressure: FAO-56, Eq. 14 turned round.
        let logarithm = (kpa.max(0.001) / 0.6108).ln();
        237.3 * logarithm / (17.27 - logarithm)
    });
    let sun = sum(hours.iter().filter_map(|hour| hour.sun_w_per_m2).collect());
    DayRow {
        date,
        lowest_celsius: air.iter().copied().reduce(f64::min).filter(|_| well),
        highest_celsius: air.iter().copied().reduce(f64::max).filter(|_| well),
        dew_point_celsius: dew_point,
        shortwave_mj_per_m2: sun.map(|watt_hours| watt_hours * 0.0036),
        wind_m_per_s: mean(hours.iter().filter_map(|hour| hour.wind_m_per_s)),
        rain_mm: sum(hours.iter().filter_map(|hour| hour.rain_mm).collect()),
        eto_mm: sum(eto.iter().copied().flatten().collect()),
        ..DayRow::default()
    }
}

fn aligned(hours: Vec<(NaiveDate, [Hour; 24])>, days: &[Day]) -> Vec<[Hour; 24]> {
    if hours.is_empty() {
        return Vec::new();
    }
    let mut hours = hours.into_iter().peekable();
    days.iter()
        .map(|day| hours.next_if(|(date, _)| *date == day.date).map_or([Hour::default(); 24], |(_, hours)| hours))
        .collect()
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
    (count > 0.0).then(|| sum / count)
}
