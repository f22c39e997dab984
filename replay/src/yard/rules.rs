//! What others would have watered on the same days: a fixed timer, a percentage of evapotranspiration, and the daily ledger
//! without messages, by the same rule as the reference implementation that `tests/vectors` names.

use super::weather::{Normals, Series};
use super::zones::{PerZone, TABLE, ZONES};

/// When and how deep a yard is watered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Schedule {
    /// Net depth of a 100 % run, mm.
    pub run_mm: PerZone,
    /// The thirstiest month (January is 0), and its daily evapotranspiration, mm.
    pub peak_month: usize,
    pub peak_mm: f64,
    /// Monday first.
    pub days: [bool; 7],
}

impl Schedule {
    /// Runs set up for the peak month: plant factor × peak × 7 ÷ watering days a week.
    pub fn of(normals: &Normals, days: [bool; 7]) -> Self {
        let (month, peak_mm) = normals.peak();
        let count = days.iter().filter(|day| **day).count().max(1) as f64;
        Self {
            run_mm: TABLE.map(|zone| (zone.factor[month] * peak_mm * 7.0 / count).max(0.1)),
            peak_month: month,
            peak_mm,
            days,
        }
    }

    pub fn waters(&self, date: chrono::NaiveDate) -> bool {
        self.days[chrono::Datelike::weekday(&date).num_days_from_monday() as usize]
    }

    fn share(&self, share: f64) -> PerZone {
        self.run_mm.map(|mm| mm * share)
    }
}

/// 100 % on every watering day.
pub fn fixed_timer(series: &Series, schedule: &Schedule) -> Vec<PerZone> {
    series.days.iter().map(|day| if schedule.waters(day.date) { schedule.run_mm } else { [0.0; ZONES] }).collect()
}

/// Scale = evapotranspiration of the last seven days over the peak; rain is ignored, or with `rain_hold` a run is left out
/// where 6 mm or more fell on the last two days.
pub fn percent_rule(series: &Series, schedule: &Schedule, rain_hold: bool) -> Vec<PerZone> {
    let days = &series.days;
    let each = days.iter().enumerate().map(|(index, day)| {
        let week = &days[index.saturating_sub(7)..index];
        let wet = days[index.saturating_sub(2)..index].iter().map(|day| day.rain_mm).sum::<f64>() >= HOLD_AT_MM;
        if week.is_empty() || !schedule.waters(day.date) || (rain_hold && wet) {
            return [0.0; ZONES];
        }
        let mean = week.iter().map(|day| day.eto_mm).sum::<f64>() / week.len() as f64;
        schedule.share((mean / schedule.peak_mm.max(0.01)).min(MOST_SHARE))
    });
    each.collect()
}

/// How the daily ledger is run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ledger {
    pub credit_mm: f64,
    pub ceiling_mm: PerZone,
    /// Which days it counts watering days from: the reference begins with a Monday, whatever the date.
    pub by_position: bool,
}

impl Ledger {
    /// Credit 5 mm, and the zones' storage as ceiling where it is known.
    pub fn usual(storage_known: bool) -> Self {
        let ceiling_mm = if storage_known { TABLE.map(|zone| zone.storage_mm) } else { [25.0; ZONES] };
        Self { credit_mm: 5.0, ceiling_mm, by_position: false }
    }
}

/// The ledger fed with true daily figures: no messages, no holds, no rounding.
pub fn ledger(series: &Series, schedule: &Schedule, rule: Ledger) -> Vec<PerZone> {
    let mut owed = [0.0; ZONES];
    let mut given = Vec::with_capacity(series.days.len());
    for (index, day) in series.days.iter().enumerate() {
        if let Some(before) = index.checked_sub(1).map(|index| &series.days[index]) {
            for zone in 0..ZONES {
                let balance = TABLE[zone].factor[before.month()] * before.eto_mm - before.rain_mm;
                owed[zone] = (owed[zone] + balance).clamp(-rule.credit_mm, rule.ceiling_mm[zone]);
            }
        }
        let due = if rule.by_position { schedule.days[index % 7] } else { schedule.waters(day.date) };
        let depth: PerZone = std::array::from_fn(|zone| {
            let share = (owed[zone] / schedule.run_mm[zone]).clamp(0.0, MOST_SHARE);
            if due && share >= LEAST_SHARE { share * schedule.run_mm[zone] } else { 0.0 }
        });
        for zone in 0..ZONES {
            owed[zone] -= depth[zone];
        }
        given.push(depth);
    }
    given
}

const MOST_SHARE: f64 = 1.2;
const LEAST_SHARE: f64 = 0.2;
const HOLD_AT_MM: f64 = 6.0;
