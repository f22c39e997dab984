//! When a battery will have reached its end-point voltage, as a range of days that says how little is known.

use serde::{Deserialize, Serialize};

use super::BatterySettings;
use super::chemistry::{Chemistry, Course};
use super::days::Days;
use super::fleet::Shares;
use super::trend::{falling, theil_sen};
use super::warmth::Warmth;

/// What a forecast rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// The daily volts, or percent, and how fast they fall.
    #[serde(rename = "t")]
    Trend,
    /// The age of the battery and its typical life.
    #[serde(rename = "a")]
    Age,
    /// The volts are past the knee of a flat curve.
    #[serde(rename = "k")]
    Knee,
    /// The sun no longer charges it as it used to.
    #[serde(rename = "c")]
    Charging,
}

/// What the range of a forecast rests on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RangeBasis {
    /// No end is known yet.
    #[default]
    #[serde(rename = "a")]
    Assumed,
    /// Earlier batteries of the sensor.
    #[serde(rename = "s")]
    Sensor,
    /// Batteries of the same chemistry in all sensors.
    #[serde(rename = "f")]
    Fleet,
}

/// When the end-point is reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Forecast {
    /// Day on which it was made, days since 1970-01-01.
    #[serde(rename = "d")]
    pub made: u16,
    /// Days from then, rising.
    #[serde(rename = "e")]
    pub earliest: u16,
    #[serde(rename = "l")]
    pub likely: u16,
    #[serde(rename = "u")]
    pub latest: u16,
    #[serde(rename = "b")]
    pub basis: Basis,
    /// Days with readings that it rests on.
    #[serde(rename = "n")]
    pub days_of_data: u8,
    /// Share of the battery that is used, percent.
    #[serde(rename = "p")]
    pub used_percent: u8,
    #[serde(rename = "r", default)]
    pub range: RangeBasis,
    /// How many ends the range rests on.
    #[serde(rename = "o", default)]
    pub outcomes: u8,
}

impl Forecast {
    /// Days from [`Forecast::made`] until a visit should have taken place: by the early end of the range, and never later
    /// than a share of the likely time, however well batteries have kept to their forecasts.
    pub fn to_plan(&self) -> u16 {
        // Less than the likely days.
        self.earliest.min((f64::from(self.likely) * PLANNED_SHARE) as u16)
    }
}

/// What a forecast is made from.
#[derive(Clone, Copy, Debug)]
pub struct Known<'a> {
    pub days: &'a Days,
    /// Levels are hundredths of a percent, not millivolts.
    pub percent: bool,
    pub warmth: &'a Warmth,
    pub chemistry: Chemistry,
    /// Day and depth of discharge when this battery was first seen for a week.
    pub anchor: Option<(u16, f64)>,
    /// The day it was put in or first seen.
    pub since: u16,
    /// What earlier batteries say of readings like these.
    pub shares: Shares,
}

/// The forecast on the evening of the newest day. None without enough days, a fall that can be told from scatter, or an
/// end within ten years.
pub fn forecast(known: &Known<'_>, settings: &BatterySettings) -> Option<Forecast> {
    let course = if known.percent { Course::Sloping } else { known.chemistry.course() };
    let (remaining, used, basis) = match course {
        Course::Sloping | Course::Unknown => by_trend(known, settings)?,
        Course::Flat => by_knee(known, settings).or_else(|| by_age(known, settings))?,
        Course::Sun => by_charging(known, settings)?,
    };
    let Shares { factor, earliest, latest, range, outcomes } = known.shares;
    let remaining = if basis == Basis::Age { remaining } else { remaining * factor };
    let days = |share: f64| remaining * share;
    if !(0.0..=LONGEST).contains(&remaining) {
        return None;
    }
    // In range by the bounds above; counts are at most the days kept.
    Some(Forecast {
        made: known.days.newest()?.day,
        earliest: days(earliest).floor() as u16,
        likely: days(1.0).round() as u16,
        latest: days(latest).ceil() as u16,
        basis,
        days_of_data: known.days.count() as u8,
        used_percent: (used * 100.0).round().clamp(0.0, 100.0) as u8,
        range,
        outcomes: u8::try_from(outcomes).unwrap_or(u8::MAX),
    })
}

/// Depth of discharge of a level: at 20 °C for volts; for percent what is missing.
pub fn depth(known: &Known<'_>, level: u16, celsius: Option<f64>, settings: &BatterySettings) -> Option<f64> {
    if known.percent {
        return Some(1.0 - f64::from(level) / 10_000.0);
    }
    let warmer = celsius.map_or(0.0, |celsius| ROOM - celsius) * slope_of_warmth(known);
    let volts = f64::from(level) / 1000.0 + warmer;
    // Without a curve the volts themselves are the measure, counted down.
    known.chemistry.depth_of_discharge(volts).or_else(|| settings.end().map(|_| -volts))
}

fn by_trend(known: &Known<'_>, settings: &BatterySettings) -> Option<(f64, f64, Basis)> {
    let newest = known.days.newest()?;
    let points: Vec<(f64, f64)> = known
        .days
        .iter()
        .filter_map(|day| Some((f64::from(day.day), depth(known, day.level, day.celsius, settings)?)))
        .collect();
    let (oldest, _) = points.first()?;
    let today = f64::from(newest.day);
    if points.len() < usize::from(settings.forecast_after_days.max(3))
        || today - oldest + 1.0 < f64::from(settings.forecast_after_days)
    {
        return None;
    }
    let end = end_depth(known, settings)?;
    if !known.percent && known.chemistry.course() == Course::Unknown {
        return straight(&points, end).map(|remaining| (remaining, 0.0, Basis::Trend));
    }
    let line = theil_sen(&points)?;
    let now = line.at(today);
    let rate = rate(known, &points, now, &line)?;
    Some((((end - now) / rate).max(0.0), now, Basis::Trend))
}

/// Days until levels that rise towards `end` along a straight line reach it: the sooner by all `points` and by those of
/// the last two weeks, because what has no known curve falls faster near its end. None where no rise can be told from
/// scatter. `points`: day and level, the oldest first.
pub fn straight(points: &[(f64, f64)], end: f64) -> Option<f64> {
    let (today, _) = *points.last()?;
    let days_left = |points: &[(f64, f64)]| {
        let line = theil_sen(points).filter(|line| line.low_slope > 0.0)?;
        Some(((end - line.at(today)) / line.slope).max(0.0))
    };
    let from = points.partition_point(|(day, _)| *day <= today - 14.0);
    let late = points.get(from..).filter(|late| late.len() >= 7).and_then(days_left);
    let all = days_left(points)?;
    Some(late.map_or(all, |late| late.min(all)))
}

/// Depth per day: what the last two months show, held to what the whole life shows as far as the scatter allows.
fn rate(known: &Known<'_>, points: &[(f64, f64)], now: f64, line: &super::trend::Line) -> Option<f64> {
    let today = points.last()?.0;
    let whole_life = known.anchor.and_then(|(day, depth)| {
        let days = today - f64::from(day);
        (days >= LONG_ENOUGH).then(|| (now - depth) / days).filter(|rate| *rate > 0.0)
    });
    match whole_life {
        Some(rate) if line.low_slope > 0.0 => Some(rate.clamp(line.low_slope * 0.8, line.high_slope * 1.25)),
        // Steps too coarse, or scatter too wide, for two months to tell; never faster than they allow.
        Some(rate) if line.high_slope > 0.0 && line.slope >= 0.0 => Some(rate),
        Some(_) => None,
        None => (line.low_slope > 0.0).then_some(line.slope),
    }
    .filter(|rate| *rate > 0.0)
}

/// Depth at which the device stops in the cold that is to be reckoned with.
pub fn end_depth(known: &Known<'_>, settings: &BatterySettings) -> Option<f64> {
    if known.percent {
        return Some(1.0 - END_PERCENT / 100.0);
    }
    let end = settings.end_of(known.chemistry)?.0;
    let volts = end + slope_of_warmth(known) * (ROOM - coldest(known)).max(0.0);
    known.chemistry.depth_of_discharge(volts).or(Some(-volts))
}

/// The coldest that nights of the next weeks may be, °C: the coldest day of the last two weeks less the usual fall of a
/// night, and as much colder again as the weeks before became colder.
fn coldest(known: &Known<'_>) -> f64 {
    let Some(newest) = known.days.newest() else { return ROOM };
    let mean = |from: u16, to: u16| {
        let days = known.days.iter().filter(|day| (from..=to).contains(&newest.day.saturating_sub(day.day)));
        let (sum, count) =
            days.filter_map(|day| day.celsius).fold((0.0, 0u32), |(sum, count), celsius| (sum + celsius, count + 1));
        (count > 0).then(|| sum / f64::from(count))
    };
    let recent = known.days.iter().filter(|day| newest.day.saturating_sub(day.day) < 14).filter_map(|day| day.celsius);
    let Some(lowest) = recent.reduce(f64::min) else { return ROOM };
    let drift = mean(0, 14).zip(mean(15, 29)).map_or(0.0, |(late, early)| (2.0 * (late - early)).clamp(-10.0, 0.0));
    lowest - known.warmth.fall() + drift
}

fn slope_of_warmth(known: &Known<'_>) -> f64 {
    known.warmth.volts_per_kelvin(MOST_VOLTS_PER_KELVIN * f64::from(known.chemistry.cells()))
}

/// What the sun charges: where the lows of the nights fall for two weeks and more, the panel no longer gives back what is
/// used: snow, leaves, dirt, or cells that are worn out.
fn by_charging(known: &Known<'_>, settings: &BatterySettings) -> Option<(f64, f64, Basis)> {
    let end = settings.end_of(known.chemistry)?.0;
    let lows: Vec<(f64, f64)> =
        known.days.iter().map(|day| (f64::from(day.day), -f64::from(day.level) / 1000.0)).collect();
    let used = known.chemistry.depth_of_discharge(-lows.last()?.1)?;
    let weeks = lows.len() >= 14;
    weeks.then(|| straight(&lows, -end)).flatten().map(|remaining| (remaining, used, Basis::Charging))
}

/// Flat chemistries: past the knee the curve tells how much of the life so far is left.
fn by_knee(known: &Known<'_>, settings: &BatterySettings) -> Option<(f64, f64, Basis)> {
    let low = settings.volts_threshold()?.0;
    let knee = known.chemistry.depth_of_discharge(low)?;
    let mut last: Vec<f64> =
        known.days.iter().rev().take(7).filter_map(|day| depth(known, day.level, day.celsius, settings)).collect();
    last.reverse();
    // Used charge does not come back: days that say so are averaged with their neighbors.
    let remaining: Vec<f64> = last.iter().map(|depth| 1.0 - depth).collect();
    let now = 1.0 - falling(&remaining).last()?;
    if last.len() < 3 || now < knee {
        return None;
    }
    let newest = known.days.newest()?;
    let lived = f64::from(newest.day.saturating_sub(known.since)).max(30.0);
    let end = end_depth(known, settings)?;
    Some((((end - now) / now * lived).clamp(0.0, 60.0), now, Basis::Knee))
}

/// Flat chemistries: nothing but age tells, where the settings say how long such a battery lives in this sensor.
fn by_age(known: &Known<'_>, settings: &BatterySettings) -> Option<(f64, f64, Basis)> {
    let life = f64::from(settings.typical_life_days?);
    let lived = f64::from(known.days.newest()?.day.saturating_sub(known.since));
    Some(((life - lived).max(0.0), (lived / life).min(1.0), Basis::Age))
}

/// Our choice, by made-up fleets: tests/reference/battery_fleet.rs.
const PLANNED_SHARE: f64 = 0.6;
const ROOM: f64 = 20.0;
/// Level at which a device that reports percent is taken to stop. Our choice.
const END_PERCENT: f64 = 5.0;
/// A correction beyond this is no battery's. Our choice.
const MOST_VOLTS_PER_KELVIN: f64 = 0.006;
/// Ten years.
const LONGEST: f64 = 3650.0;
/// Days from which the whole life tells more than two months. Our choice.
const LONG_ENOUGH: f64 = 75.0;
