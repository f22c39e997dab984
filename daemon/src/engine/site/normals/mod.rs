//! Climate normals: what a day of the year usually brings, for days that nobody measured.
//!
//! Twelve monthly sums are enough; a public daily history gives more ([`Normals`]). Without any, latitude has to do
//! ([`coarse`]). Either is refined by the site's own good days ([`Learnt`]). [`Usual`] is all of them for who asks.

pub mod coarse;
mod curve;
mod learnt;
pub mod monthly;
mod usual;

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

pub use curve::{Curve, terms};
pub use learnt::Learnt;
pub use usual::{DefaultEto, Usual};

/// Where the figures of a day come from, best first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    Measured,
    /// Measured for part of the time.
    Partial,
    Neighbours,
    Normals,
    #[default]
    Default,
}

/// Normals of a place. Only monthly evapotranspiration is always there.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Normals {
    /// Reference evapotranspiration, mm per month, January first.
    pub eto_mm: [f64; 12],
    /// Rain, mm per month, where known.
    pub rain_mm: Option<[f64; 12]>,
    /// Courses of the year of daily values: ETo in mm a day, lowest and highest temperature and dew point in °C, wind at
    /// 2 m in m/s.
    pub eto_curve: Option<Curve>,
    pub tmin_curve: Option<Curve>,
    pub tmax_curve: Option<Curve>,
    pub dew_point_curve: Option<Curve>,
    pub wind_curve: Option<Curve>,
    /// Standard deviation of a day's lowest temperature around its course, °C.
    pub tmin_deviation: Option<f32>,
    /// Share of a month's nights that reach 0 °C or less, 0 to 1.
    pub frost_odds: Option<[f32; 12]>,
    /// What Hargreaves–Samani is multiplied by in each month.
    pub hargreaves_factor: Option<[f32; 12]>,
    /// First and last year, and where the history comes from: for people.
    pub years: Option<(u16, u16)>,
    pub source: Option<Box<str>>,
}

impl Normals {
    /// Reference evapotranspiration of one day, mm: by its course, or else between mid-months a straight line.
    pub fn eto_of_day_mm(&self, date: NaiveDate) -> f64 {
        match &self.eto_curve {
            Some(curve) => curve.at(date.ordinal()).max(0.0),
            None => monthly::of_date(|month| self.eto_of_month_mm(month), date),
        }
    }

    /// Mean rain of one day, mm, where known. A mean: it rains less often and more than that.
    pub fn rain_of_day_mm(&self, date: NaiveDate) -> Option<f64> {
        let rain = self.rain_mm.as_ref()?;
        Some(monthly::of_date(|month| rain[month] / monthly::DAYS[month], date))
    }

    /// Highest daily mean of a month, mm.
    pub fn peak_eto_mm(&self) -> f64 {
        (0..12).map(|month| self.eto_of_month_mm(month)).fold(0.0, f64::max)
    }

    /// Daily mean of a month (January 0), mm.
    pub fn eto_of_month_mm(&self, month: usize) -> f64 {
        self.eto_mm.get(month).zip(monthly::DAYS.get(month)).map_or(0.0, |(sum, days)| sum / days)
    }

    /// Odds that the night of `date` reaches 0 °C or less, 0 to 1, where known: the counted share of the month, between
    /// mid-months a straight line; else by the usual lowest temperature and its deviation, as if normally distributed.
    ///
    /// Scored on the second half of the years after odds of the first half: the Brier score of counted shares is 0.1001 at
    /// De Bilt and 0.0422 at Maricopa, of the normal distribution 0.1005 and 0.0414; but of the frosts, 20 of 1087 and 5 of
    /// 174 fall on dates with counted odds below 10 %, and 37 and 14 by the normal distribution.
    pub fn frost_odds(&self, date: NaiveDate) -> Option<f64> {
        match &self.frost_odds {
            Some(odds) => Some(monthly::of_date(|month| f64::from(odds[month]), date)),
            None => self.odds_at_or_below(0.0, date),
        }
    }

    /// Odds that the night of `date` reaches `celsius` or less, 0 to 1, as if lowest temperatures were normally
    /// distributed around their course; None without course and deviation.
    pub fn odds_at_or_below(&self, celsius: f64, date: NaiveDate) -> Option<f64> {
        let deviation = self.tmin_deviation.map(f64::from).filter(|deviation| *deviation > 0.0)?;
        Some(normal_share((celsius - self.usual_tmin(date)?) / deviation))
    }

    /// Months with a date whose frost odds reach `least` (0 to 1), January first; None where no odds are known.
    pub fn frost_months(&self, least: f64) -> Option<[bool; 12]> {
        let mut months = [false; 12];
        // No leap year: the 29th of February is like the 28th.
        for date in NaiveDate::from_ymd_opt(2027, 1, 1)?.iter_days().take(365) {
            months[date.month0() as usize] |= self.frost_odds(date)? >= least;
        }
        Some(months)
    }

    /// Usual lowest temperature of a date, °C.
    pub fn usual_tmin(&self, date: NaiveDate) -> Option<f64> {
        Some(self.tmin_curve?.at(date.ordinal()))
    }

    /// Usual highest temperature of a date, °C.
    pub fn usual_tmax(&self, date: NaiveDate) -> Option<f64> {
        Some(self.tmax_curve?.at(date.ordinal()))
    }

    /// Usual wind at 2 m of a date, m/s.
    pub fn usual_wind(&self, date: NaiveDate) -> Option<f64> {
        Some(self.wind_curve?.at(date.ordinal()).max(0.0))
    }

    /// How far the dew point usually lies below the night's lowest temperature on a date, °C; negative where above.
    pub fn usual_dew_point_depression(&self, date: NaiveDate) -> Option<f64> {
        Some(self.usual_tmin(date)? - self.dew_point_curve?.at(date.ordinal()))
    }
}

/// Share of a normal distribution at or below `z` standard deviations.
///
/// Source: Abramowitz and Stegun (1964), 7.1.26, error below 1.5e-7.
fn normal_share(z: f64) -> f64 {
    let x = (z / std::f64::consts::SQRT_2).clamp(-6.0, 6.0);
    let t = 1.0 / (1.0 + 0.327_591_1 * x.abs());
    let polynomial =
        t * (0.254_829_592 + t * (-0.284_496_736 + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
    let erf = 1.0 - polynomial * (-x * x).exp();
    if x < 0.0 { (1.0 - erf) / 2.0 } else { (1.0 + erf) / 2.0 }
}

#[cfg(test)]
mod tests;
