//! What a site's own good days say of its months: reference evapotranspiration, and how far temperature alone is off.
//!
//! Only days that were measured in full count, and only once they are final; what stood in for a sensor teaches nothing.

use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error};

/// Running means of the full days of each month, January first. 144 bytes, 108 where it is kept.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Learnt {
    months: [Month; 12],
}

/// Full days of one month, over all years.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Month {
    /// How many count: at most [`MOST_DAYS`], then the oldest fade.
    days: u8,
    /// Mean of their reference evapotranspiration, mm.
    eto_mm: f32,
    /// Mean of what Hargreaves–Samani says of the same days, mm.
    by_temperature_mm: f32,
}

impl Learnt {
    /// A full day of `month` (January 0): its reference evapotranspiration, and what Hargreaves–Samani says of it, mm.
    pub fn take(&mut self, month: usize, eto_mm: f64, by_temperature_mm: f64) {
        let sound = |mm: f64| mm.is_finite() && (0.0..=MOST_MM).contains(&mm);
        let Some(month) = self.months.get_mut(month).filter(|_| sound(eto_mm) && sound(by_temperature_mm)) else {
            return;
        };
        month.days = (month.days + 1).min(MOST_DAYS);
        let share = 1.0 / f32::from(month.days);
        month.eto_mm += share * (eto_mm as f32 - month.eto_mm);
        month.by_temperature_mm += share * (by_temperature_mm as f32 - month.by_temperature_mm);
    }

    /// Full days of all months that count.
    pub fn days(&self) -> u32 {
        self.months.iter().map(|month| u32::from(month.days)).sum()
    }

    /// A month's mean (mm a day, from the normals of the place) with the own days in it. Half of the way at most, after two
    /// years: at De Bilt and Maricopa that came closer to the year that followed than either alone.
    pub fn refined_mm(&self, month: usize, normal_mm: f64) -> f64 {
        let weight = self.weight(month, |days| 0.5 * days / f64::from(MOST_DAYS));
        self.toward_own_mm(month, normal_mm, weight)
    }

    /// The same with a coarse guess instead of normals, which own days soon outweigh.
    pub fn instead_of_guess_mm(&self, month: usize, guess_mm: f64) -> f64 {
        let weight = self.weight(month, |days| days / (days + STEADY_DAYS));
        self.toward_own_mm(month, guess_mm, weight)
    }

    /// What Hargreaves–Samani is multiplied by in a month: measured over estimated on the own full days, drawn to `prior`
    /// where they are few.
    pub fn temperature_factor(&self, month: usize, prior: f64) -> f64 {
        let Some(own) = self.months.get(month).filter(|own| own.by_temperature_mm > 0.0) else { return prior };
        let ratio = f64::from(own.eto_mm / own.by_temperature_mm).clamp(0.5, 2.0);
        let days = f64::from(own.days);
        (days * ratio + STEADY_DAYS * prior) / (days + STEADY_DAYS)
    }

    fn weight(&self, month: usize, of_days: impl Fn(f64) -> f64) -> f64 {
        self.months.get(month).map_or(0.0, |own| of_days(f64::from(own.days)))
    }

    fn toward_own_mm(&self, month: usize, mm: f64, weight: f64) -> f64 {
        let own = self.months.get(month).map_or(mm, |own| f64::from(own.eto_mm));
        mm + weight * (own - mm)
    }
}

impl Serialize for Learnt {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut bytes = Vec::with_capacity(12 * MONTH_BYTES);
        for month in &self.months {
            bytes.push(month.days);
            bytes.extend_from_slice(&month.eto_mm.to_le_bytes());
            bytes.extend_from_slice(&month.by_temperature_mm.to_le_bytes());
        }
        serializer.serialize_bytes(&bytes)
    }
}

impl<'de> Deserialize<'de> for Learnt {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let bytes = super::super::day_book::Bytes::deserialize(deserializer)?.0;
        if bytes.len() != 12 * MONTH_BYTES {
            return Err(D::Error::custom("learnt days: not of twelve months"));
        }
        let mut learnt = Self::default();
        for (month, bytes) in learnt.months.iter_mut().zip(bytes.chunks_exact(MONTH_BYTES)) {
            let [days, e0, e1, e2, e3, t0, t1, t2, t3] = *bytes else { continue };
            let mm = |bytes: [u8; 4]| {
                let mm = f32::from_le_bytes(bytes);
                if (0.0..=MOST_MM as f32).contains(&mm) { mm } else { 0.0 }
            };
            *month = Month {
                days: days.min(MOST_DAYS),
                eto_mm: mm([e0, e1, e2, e3]),
                by_temperature_mm: mm([t0, t1, t2, t3]),
            };
        }
        Ok(learnt)
    }
}

/// Two years of a month.
const MOST_DAYS: u8 = 62;
/// So many days weigh as much as what was known before. Best of 0 to 30 at De Bilt and Maricopa, where one year taught the
/// next from 3, 7, 15 or 31 days of each month.
const STEADY_DAYS: f64 = 8.0;
/// No day on Earth evaporates more.
const MOST_MM: f64 = 40.0;
const MONTH_BYTES: usize = 9;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_year_of_own_days_draws_normals_a_quarter_of_the_way_and_two_years_half() {
        let mut learnt = Learnt::default();
        assert_eq!(learnt.refined_mm(6, 5.0), 5.0);
        (0..31).for_each(|_| learnt.take(6, 7.0, 6.0));
        assert!((learnt.refined_mm(6, 5.0) - 5.5).abs() < 1e-6);
        (0..31).for_each(|_| learnt.take(6, 7.0, 6.0));
        assert!((learnt.refined_mm(6, 5.0) - 6.0).abs() < 1e-6);
        (0..3100).for_each(|_| learnt.take(6, 7.0, 6.0));
        assert!((learnt.refined_mm(6, 5.0) - 6.0).abs() < 1e-4, "never more than half");
        assert_eq!((learnt.refined_mm(5, 5.0), learnt.days()), (5.0, 62));
        assert!((learnt.instead_of_guess_mm(6, 4.0) - 6.657).abs() < 0.001);
    }

    #[test]
    fn few_days_hardly_move_the_factor_of_temperature_and_many_settle_it() {
        let mut learnt = Learnt::default();
        assert_eq!(learnt.temperature_factor(0, 1.1), 1.1);
        (0..2).for_each(|_| learnt.take(0, 1.5, 1.0));
        assert!((learnt.temperature_factor(0, 1.0) - 1.1).abs() < 1e-6);
        (0..60).for_each(|_| learnt.take(0, 1.5, 1.0));
        assert!((learnt.temperature_factor(0, 1.0) - 1.443).abs() < 0.001);
        let mut wild = Learnt::default();
        (0..62).for_each(|_| wild.take(0, 9.0, 0.1));
        assert!(wild.temperature_factor(0, 1.0) < 2.0);
    }

    #[test]
    fn what_is_no_number_teaches_nothing() {
        let mut learnt = Learnt::default();
        for (eto, by_temperature) in [(f64::NAN, 1.0), (1.0, f64::INFINITY), (-1.0, 1.0), (50.0, 1.0)] {
            learnt.take(3, eto, by_temperature);
        }
        learnt.take(12, 1.0, 1.0);
        assert_eq!(learnt, Learnt::default());
    }

    #[test]
    fn what_was_learnt_survives_to_the_bit_in_less_than_120_bytes() {
        let mut learnt = Learnt::default();
        (0..200).for_each(|day| learnt.take(day % 12, 0.037 * day as f64, 0.041 * day as f64));
        let bytes = rmp_serde::to_vec_named(&learnt).unwrap();
        assert!(bytes.len() < 120, "{}", bytes.len());
        assert_eq!(rmp_serde::from_slice::<Learnt>(&bytes).unwrap(), learnt);
        assert!(rmp_serde::from_slice::<Learnt>(&rmp_serde::to_vec(&[1u8, 2].as_slice()).unwrap()).is_err());
    }
}
