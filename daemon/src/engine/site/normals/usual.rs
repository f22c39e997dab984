//! What stands in for a day that nobody measured: normals or a default, refined by the site's own good days.

use chrono::{Datelike, NaiveDate};

use super::super::evapotranspiration::{Climate, FactorSource, Place};
use super::{Basis, Learnt, Normals, coarse, monthly};

/// Reference evapotranspiration of a day nobody measured, where no normals are set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum DefaultEto {
    /// The same for every day, mm: somebody wants it so.
    Flat(f64),
    /// Daily means of each month, mm, by latitude ([`super::coarse`]).
    ByLatitude([f32; 12]),
}

/// All that is known of a site's usual days.
#[derive(Clone, Copy, Debug)]
pub struct Usual<'a> {
    pub normals: Option<&'a Normals>,
    pub default: &'a DefaultEto,
    pub learnt: Option<&'a Learnt>,
}

impl Usual<'_> {
    /// Reference evapotranspiration of a day, mm, and whether it is the normals' or the default.
    pub fn eto(&self, date: NaiveDate) -> (f64, Basis) {
        match (self.normals, self.default) {
            (Some(normals), _) => {
                let day = normals.eto_of_day_mm(date);
                // The months' corrections move from one mid-month to the next, so that no night makes a jump.
                let shift = |month| {
                    let own = normals.eto_of_month_mm(month);
                    self.learnt.map_or(0.0, |learnt| learnt.refined_mm(month, own) - own)
                };
                ((day + monthly::of_date(shift, date)).max(0.0), Basis::Normals)
            }
            (None, DefaultEto::Flat(mm)) => (*mm, Basis::Default),
            (None, DefaultEto::ByLatitude(months)) => {
                let of_month = |month: usize| {
                    let guess = f64::from(months[month]);
                    self.learnt.map_or(guess, |learnt| learnt.instead_of_guess_mm(month, guess))
                };
                (monthly::of_date(of_month, date), Basis::Default)
            }
        }
    }

    /// Root mean square error of [`Self::eto`] to expect, mm: how far single days are from what is usual (De Bilt 1990–2019
    /// 0.80, Maricopa 2003–2020 0.99), and how far the guess is from that.
    pub fn uncertainty_mm(&self, climate: Climate) -> f64 {
        let (of_days, of_flat) = match climate {
            Climate::Humid => (0.80, 2.0),
            Climate::Dry => (0.99, 2.4),
        };
        match (self.normals, self.default) {
            (Some(_), _) => of_days,
            (None, DefaultEto::Flat(_)) => of_days.hypot(of_flat),
            (None, DefaultEto::ByLatitude(_)) => of_days.hypot(coarse::error_mm(climate)),
        }
    }

    /// Mean rain of a day, mm, where known.
    pub fn rain_mm(&self, date: NaiveDate) -> Option<f64> {
        self.normals.and_then(|normals| normals.rain_of_day_mm(date))
    }

    /// `place` with what is usual there on `date` in place of readings: wind, dew point, and the factors of
    /// Hargreaves–Samani with the own days in them.
    pub fn place(&self, place: &Place, date: NaiveDate) -> Place {
        let mut place = *place;
        if let Some(normals) = self.normals {
            place.usual_wind_m_per_s = place.usual_wind_m_per_s.or_else(|| normals.usual_wind(date));
            place.usual_dew_point_depression = normals.usual_dew_point_depression(date);
        }
        if let Some(learnt) = self.learnt {
            let prior = place.temperature_factors;
            let months = std::array::from_fn(|month| learnt.temperature_factor(month, f64::from(prior[month])) as f32);
            let others = [(date.month0() + 11) % 12, date.month0(), (date.month0() + 1) % 12];
            if others.iter().any(|month| months[*month as usize] != prior[*month as usize]) {
                (place.temperature_factors, place.factor_source) = (months, FactorSource::OwnDays);
            }
        }
        place
    }
}
