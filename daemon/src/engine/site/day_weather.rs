//! The weather of a civil day as evapotranspiration and rain want it: the site's own hours, what sites nearby measured in
//! the hours that it lacks, what of the rain is dew, and where each quantity comes from.

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

use super::day_book::{Averaged, Bin, DayBook};
use super::evapotranspiration::{DayExtremes, HourWeather, Mean, NearShares, Place};
use super::neighborhood::{Near, NearHour};
use super::normals::Basis;
use crate::engine::civil;
use crate::engine::formula::{sun_of_day::SunOfDay, vapor};
use crate::engine::stamp::{DAY, HOUR, MINUTE, Stamp};
use crate::engine::units::{Celsius, Degrees, Hours};

/// What evapotranspiration is figured from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Input {
    AirTemperature,
    RelativeHumidity,
    WindSpeed,
    Shortwave,
}

impl Input {
    pub const ALL: [Self; 4] = [Self::AirTemperature, Self::RelativeHumidity, Self::WindSpeed, Self::Shortwave];
}

/// Where each input of a day comes from, three bits each.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Bases(u16);

impl Bases {
    pub fn of(self, input: Input) -> Basis {
        match (self.0 >> (3 * input as u16)) & 7 {
            4 => Basis::Measured,
            3 => Basis::Partial,
            2 => Basis::Neighbours,
            1 => Basis::Normals,
            _ => Basis::Default,
        }
    }

    fn set(&mut self, input: Input, basis: Basis) {
        let code = match basis {
            Basis::Measured => 4,
            Basis::Partial => 3,
            Basis::Neighbours => 2,
            Basis::Normals => 1,
            Basis::Default => 0,
        };
        self.0 = (self.0 & !(7 << (3 * input as u16))) | code << (3 * input as u16);
    }
}

/// The weather of a day up to some instant.
#[derive(Clone, Debug, PartialEq)]
pub struct DayWeather {
    pub hours: Vec<HourWeather>,
    pub extremes: DayExtremes,
    pub bases: Bases,
    /// Shares of the elapsed time for which neighbors stand in.
    pub near: NearShares,
    pub rain: DayRain,
}

/// The rain of a day so far, in whole micrometers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DayRain {
    /// Of the own gauge.
    pub um: i64,
    pub quarantined_um: i64,
    /// Of `um`: a gauge's word for a humid night without rain.
    pub dew_um: i64,
    /// Of `um`: caught below 1 °C.
    pub frozen_um: i64,
    /// Of sites nearby, for hours for which the own gauge has no word.
    pub near_um: i64,
    /// How long the own gauge spoke, and for how long sites nearby stand in, ms.
    pub heard: i64,
    pub near: i64,
    pub spread: bool,
}

/// The weather from `start`, the beginning of the civil day `date`, to `until`; the day ends at `end`.
pub fn of_day(place: &Place, book: &DayBook, date: NaiveDate, start: Stamp, end: Stamp, until: Stamp) -> DayWeather {
    let until = until.min(end).max(start);
    let mut day = DayWeather {
        hours: Vec::with_capacity(26),
        extremes: DayExtremes::default(),
        bases: Bases::default(),
        near: NearShares::default(),
        rain: DayRain::default(),
    };
    let sun = SunOfDay::new(Degrees(place.latitude_degrees), Degrees(place.longitude_degrees), date.ordinal());
    let mut shares = [Share::default(); 4];
    let mut night = Night::default();
    let (mut coldest, mut warmest) = (f64::INFINITY, f64::NEG_INFINITY);
    let mut bins = book.between(start, end).peekable();
    let mut at = start;
    while at < until {
        let part_end = civil::hour_start(at).plus(HOUR).min(end);
        let bin = bins.next_if(|bin| bin.start == at);
        let near = book.neighborhood.at(at).filter(|_| part_end <= until);
        let passed = part_end.min(until).since(at);
        let dark = is_dark(&sun, at.plus(passed / 2));
        if bin.is_some() || near.is_some() {
            let hour = weather(at, part_end, bin, near, dark, passed, &mut shares);
            if let Some(bin) = bin.filter(|bin| bin.coldest.is_finite() && bin.warmest.is_finite()) {
                (coldest, warmest) = (coldest.min(rounded(bin.coldest)), warmest.max(rounded(bin.warmest)));
            }
            // A thermometer that spoke for a part of the hour does not know how the rest was.
            let own = bin.is_some_and(|bin| is_read(bin, Averaged::Temperature));
            if let Some(mean) = hour.air_temperature.filter(|_| !own) {
                (coldest, warmest) = (coldest.min(mean.mean), warmest.max(mean.mean));
            }
            day.hours.push(hour);
        } else {
            shares.iter_mut().for_each(|share| share.elapsed += passed);
            // Where there is no sun, nobody has to measure it.
            shares[Input::Shortwave as usize].elapsed -= if dark { passed } else { 0 };
        }
        day.rain.take(bin, near, passed);
        night.take(dark, bin, day.hours.last().filter(|hour| hour.start == at), &mut day.rain);
        at = part_end;
    }
    night.close(&mut day.rain);
    day.extremes = DayExtremes {
        tmax: Some(warmest).filter(|value| value.is_finite()),
        tmin: Some(coldest).filter(|value| value.is_finite()),
    };
    for input in Input::ALL {
        day.bases.set(input, shares[input as usize].basis());
    }
    if day.bases.of(Input::WindSpeed) == Basis::Default && place.usual_wind_m_per_s.is_some() {
        day.bases.set(Input::WindSpeed, Basis::Normals);
    }
    let near = |input: Input| shares[input as usize].near_share();
    day.near = NearShares {
        temperature: near(Input::AirTemperature),
        humidity: near(Input::RelativeHumidity),
        wind: near(Input::WindSpeed),
        sun: near(Input::Shortwave),
    };
    day
}

impl DayRain {
    fn take(&mut self, bin: Option<&Bin>, near: Option<&NearHour>, passed: i64) {
        if let Some(bin) = bin {
            self.um += i64::from(bin.rain_um);
            self.quarantined_um += i64::from(bin.quarantined_um);
            self.frozen_um += if bin.frozen { i64::from(bin.rain_um) } else { 0 };
            self.spread |= bin.spread;
        }
        if bin.is_some_and(|bin| bin.gauge_heard) {
            self.heard += passed;
        } else if let Some(mm) = near.and_then(|near| near.value(Near::Rain)) {
            self.near_um += (mm * 1000.0 * passed as f64 / HOUR as f64).round() as i64;
            self.near += passed;
        }
    }
}

/// One hour, or a part of it: own means where they are well covered, else the neighbors', else what there is.
fn weather(
    start: Stamp,
    end: Stamp,
    bin: Option<&Bin>,
    near: Option<&NearHour>,
    dark: bool,
    passed: i64,
    shares: &mut [Share; 4],
) -> HourWeather {
    let own = |averaged| {
        let bin = bin.filter(|bin| !is_stopped(bin, averaged))?;
        bin.sum(averaged).mean().map(|mean| Mean { mean, covered: bin.coverage(averaged) })
    };
    let read = |averaged| bin.is_some_and(|bin| is_read(bin, averaged) || bin.end() > start.plus(passed));
    let from_near = |near_kind| near.and_then(|near| near.value(near_kind)).map(|mean| Mean { mean, covered: 1.0 });
    let mut pick = |input: Input, own: Option<Mean>, is_read: bool, near_kind: Near| {
        let share = &mut shares[input as usize];
        if input == Input::Shortwave && dark {
            share.is_heard |= own.is_some();
            return own;
        }
        share.elapsed += passed;
        let stand_in = from_near(near_kind).filter(|_| !(is_read && own.is_some()));
        match (stand_in, own) {
            (Some(_), _) => share.near += passed,
            (None, Some(own)) => share.own += (own.covered * end.since(start) as f64) as i64,
            (None, None) => {}
        }
        stand_in.or(own)
    };
    let air_temperature =
        pick(Input::AirTemperature, own(Averaged::Temperature), read(Averaged::Temperature), Near::AirTemperature);
    // Either tells the water in the air; the better covered one counts.
    let (humidity, dew_point) = (own(Averaged::Humidity), own(Averaged::DewPoint));
    let covered = |mean: Option<Mean>| mean.map_or(0.0, |mean| mean.covered);
    let (wet, wet_kind) = if covered(dew_point) > covered(humidity) {
        (dew_point, Averaged::DewPoint)
    } else {
        (humidity, Averaged::Humidity)
    };
    let picked = pick(Input::RelativeHumidity, wet, read(wet_kind), Near::RelativeHumidity);
    let (relative_humidity, dew_point) = if picked == wet { (humidity, dew_point) } else { (picked, None) };
    HourWeather {
        start,
        minutes: u16::try_from(end.since(start) / MINUTE).unwrap_or(60),
        air_temperature,
        relative_humidity,
        dew_point,
        wind_speed: pick(Input::WindSpeed, own(Averaged::Wind), read(Averaged::Wind), Near::WindSpeed),
        shortwave: pick(Input::Shortwave, own(Averaged::Sun), read(Averaged::Sun), Near::Shortwave),
    }
}

/// The hour that a bin is of is well covered by the site's own readings.
pub fn is_read(bin: &Bin, averaged: Averaged) -> bool {
    bin.coverage(averaged) >= WELL_COVERED && !is_stopped(bin, averaged)
}

/// An anemometer that has stood still for so long that it is suspect has stopped: that is no calm.
fn is_stopped(bin: &Bin, averaged: Averaged) -> bool {
    let sum = bin.sum(averaged);
    averaged == Averaged::Wind && sum.is_suspect() && sum.mean().is_some_and(|mean| mean < STOPPED_BELOW_M_PER_S)
}

/// How long an input was measured here, and how long nearby, ms.
#[derive(Clone, Copy, Debug, Default)]
struct Share {
    elapsed: i64,
    own: i64,
    near: i64,
    /// Something was heard in the time that does not count.
    is_heard: bool,
}

impl Share {
    fn basis(self) -> Basis {
        let elapsed = self.elapsed.max(1) as f64;
        let (own, near) = (self.own as f64 / elapsed, self.near as f64 / elapsed);
        if own >= WELL_COVERED || (self.elapsed == 0 && self.is_heard) {
            Basis::Measured
        } else if near > 1.0 - WELL_COVERED {
            Basis::Neighbours
        } else if own > 0.0 || near > 0.0 {
            Basis::Partial
        } else {
            Basis::Default
        }
    }

    fn near_share(self) -> f64 {
        if self.elapsed > 0 { (self.near as f64 / self.elapsed as f64).clamp(0.0, 1.0) } else { 0.0 }
    }
}

/// A night within the day, looked at for dew: little water in humid air.
#[derive(Clone, Copy, Debug, Default)]
struct Night {
    um: i64,
    is_humid: bool,
    is_known: bool,
}

impl Night {
    fn take(&mut self, dark: bool, bin: Option<&Bin>, hour: Option<&HourWeather>, rain: &mut DayRain) {
        if !dark {
            return self.close(rain);
        }
        let Some(bin) = bin.filter(|bin| bin.rain_um > 0) else { return };
        let humidity = hour.and_then(humidity_of);
        let humid = humidity.is_some_and(|percent| percent >= DEW_FROM_PERCENT);
        self.is_humid = humid && (self.is_humid || !self.is_known);
        self.is_known = true;
        self.um += i64::from(bin.rain_um);
    }

    fn close(&mut self, rain: &mut DayRain) {
        if self.is_humid && 0 < self.um && self.um <= MOST_DEW_UM {
            rain.dew_um += self.um;
        }
        *self = Self::default();
    }
}

/// Relative humidity of an hour, %, also from its dew point.
fn humidity_of(hour: &HourWeather) -> Option<f64> {
    hour.relative_humidity.map(|humidity| humidity.mean).or_else(|| {
        let (air, dew) = (hour.air_temperature?, hour.dew_point?);
        let saturated = vapor::saturation_vapor_pressure(Celsius(air.mean)).0;
        Some(100.0 * vapor::saturation_vapor_pressure(Celsius(dew.mean)).0 / saturated)
    })
}

/// The sun stands below the horizon.
fn is_dark(sun: &SunOfDay, at: Stamp) -> bool {
    let utc = Hours(at.0.rem_euclid(DAY) as f64 / HOUR as f64);
    sun.sine_of_elevation(sun.time_angle(utc)) < 0.0
}

/// The day book counts in single precision; what is no digit of a thermometer is cut off.
fn rounded(value: f32) -> f64 {
    (f64::from(value) * 1000.0).round() / 1000.0
}

/// Below this a cup anemometer does not turn. Our choice.
const STOPPED_BELOW_M_PER_S: f64 = 0.3;

/// Share of an hour and of a day that makes it measured (design: 75 %).
const WELL_COVERED: f64 = 0.75;

/// A night that brings no more than this in air this humid has brought dew. Our choice; a night's dew on grass is said to
/// be 0.1 to 0.5 mm at most (from memory).
pub const MOST_DEW_UM: i64 = 400;
pub const DEW_FROM_PERCENT: f64 = 95.0;

#[cfg(test)]
mod tests;
