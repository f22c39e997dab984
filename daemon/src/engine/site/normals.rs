//! Climate normals: what a day of the year usually brings, for days that nobody measured.

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

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

/// Monthly normals of a place, January first.
#[derive(Clone, Debug, PartialEq)]
pub struct Normals {
    /// Reference evapotranspiration, mm per month.
    pub eto_mm: [f64; 12],
    /// Rain, mm per month, where known.
    pub rain_mm: Option<[f64; 12]>,
}

impl Normals {
    /// Reference evapotranspiration of one day, mm: the month's daily mean, or between mid-months a straight line.
    pub fn eto_of_day_mm(&self, date: NaiveDate) -> f64 {
        of_day(&self.eto_mm, date)
    }

    /// Mean rain of one day, mm, where known. A mean: it rains less often and more than that.
    pub fn rain_of_day_mm(&self, date: NaiveDate) -> Option<f64> {
        self.rain_mm.as_ref().map(|rain| of_day(rain, date))
    }

    /// Highest daily mean of a month, mm.
    pub fn peak_eto_mm(&self) -> f64 {
        (0..12).map(|month| self.eto_mm[month] / DAYS[month]).fold(0.0, f64::max)
    }

    /// Daily mean of a month (January 0), mm.
    pub fn eto_of_month_mm(&self, month: usize) -> f64 {
        self.eto_mm.get(month).map_or(0.0, |sum| sum / DAYS[month])
    }
}

fn of_day(sums: &[f64; 12], date: NaiveDate) -> f64 {
    let month = date.month0() as usize;
    let position = (f64::from(date.day()) - 0.5) / DAYS[month] - 0.5;
    let other = if position < 0.0 { (month + 11) % 12 } else { (month + 1) % 12 };
    let weight = position.abs().min(0.5);
    (1.0 - weight) * sums[month] / DAYS[month] + weight * sums[other] / DAYS[other]
}

/// Mean lengths of the months.
const DAYS: [f64; 12] = [31.0, 28.25, 31.0, 30.0, 31.0, 30.0, 31.0, 31.0, 30.0, 31.0, 30.0, 31.0];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_middle_of_a_month_is_its_mean_and_its_edges_lie_between_neighbors() {
        let mut eto_mm = [0.0; 12];
        (eto_mm[5], eto_mm[6]) = (150.0, 186.0); // 5 and 6 mm a day
        let normals = Normals { eto_mm, rain_mm: None };
        let day = |text: &str| normals.eto_of_day_mm(text.parse().unwrap());
        assert!((day("2027-06-15") - 5.0).abs() < 0.1);
        assert!((day("2027-07-01") - 5.5).abs() < 0.05);
        assert!((day("2027-06-30") - 5.5).abs() < 0.05);
        assert_eq!(normals.peak_eto_mm(), 6.0);
        assert_eq!(normals.rain_of_day_mm("2027-06-30".parse().unwrap()), None);
    }
}
