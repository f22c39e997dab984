//! All days of a history taken together: months, curves, odds and factors.

use chrono::{Datelike, NaiveDate};

use super::day::{ClimateDay, Ground};
use super::fit::Fit;
use super::{Climate, ClimateError, LEAST_COMPLETE_PERCENT, MONTHS, Quantity, Report, USUAL_YEARS, Wanted};
use crate::engine::site::normals::{Normals, monthly};
use crate::weather_file::DayRow;

pub(super) fn gather(
    rows: &[DayRow],
    ground: &Ground,
    wanted: &Wanted,
    mut report: Report,
) -> Result<Climate, ClimateError> {
    // Rows that say nothing of temperature at either end are no part of the history: an hour of the day before, for one.
    let says = |row: &DayRow| row.lowest_celsius.is_some() && row.highest_celsius.is_some();
    let begin = rows.iter().position(says).unwrap_or(0);
    let end = rows.iter().rposition(says).map_or(rows.len(), |last| last + 1);
    let rows = rows.get(begin..end).unwrap_or_default();
    let first_year = rows.first().map(|row| row.date.year());
    let (rows, years) = chosen(rows, wanted, &report.file)?;
    report.begins = first_year.filter(|first| wanted.from_year.is_none() && *first < years.0);
    let days: Vec<ClimateDay> = rows.iter().map(|row| ClimateDay::of(row, ground)).collect();
    let possible = possible_days(&days);
    let factors = factors(&days);
    let eto_of = |day: &ClimateDay| {
        let by_temperature = || {
            let month = day.date.month0() as usize;
            Some(day.eto_by_temperature_mm? * factors.map_or(1.0, |factors| factors[month]))
        };
        day.full_eto_mm.or_else(by_temperature)
    };
    let gathered =
        |name, unit, value: &dyn Fn(&ClimateDay) -> Option<f64>| Series::of(name, unit, &days, &possible, value);
    let eto = gathered("ETo", "mm a day", &eto_of);
    let tmin = gathered("lowest temperature", "°C", &|day| day.tmin_celsius);
    let tmax = gathered("highest temperature", "°C", &|day| day.tmax_celsius);
    let rain = gathered("rain", "mm a day", &|day| day.rain_mm);
    let dew_point = gathered("dew point", "°C", &|day| day.dew_point_celsius);
    let wind = gathered("wind at 2 m", "m/s", &|day| day.wind_m_per_s);
    if !eto.quantity.used {
        let thin = |month: &usize| eto.quantity.complete[*month] < least_complete();
        let months: Vec<&str> = (0..12).filter(thin).map(|month| MONTHS[month]).collect();
        return Err(ClimateError::Gaps {
            file: report.file,
            months: months.join(", "),
            least: LEAST_COMPLETE_PERCENT,
            from: years.0,
            until: years.1,
        });
    }
    let frost = gathered("frost", "", &|day| Some(if day.tmin_celsius? <= 0.0 { 1.0 } else { 0.0 }));
    let curve = |series: &Series| series.quantity.fitted.filter(|_| series.quantity.used).map(|fitted| fitted.curve);
    let year = |year: i32| u16::try_from(year).unwrap_or_default();
    let source = report.name.clone().unwrap_or_else(|| report.file.clone());
    let normals = Normals {
        eto_mm: eto.sums(),
        rain_mm: rain.quantity.used.then(|| rain.sums()),
        eto_curve: curve(&eto),
        tmin_curve: curve(&tmin),
        tmax_curve: curve(&tmax),
        dew_point_curve: curve(&dew_point),
        wind_curve: curve(&wind),
        tmin_deviation: tmin
            .quantity
            .fitted
            .map(|fitted| fitted.deviation.max(0.1) as f32)
            .filter(|_| tmin.quantity.used),
        frost_odds: frost.quantity.used.then(|| frost.means.map(|share| share as f32)),
        hargreaves_factor: factors.map(|factors| factors.map(|factor| factor as f32)),
        years: Some((year(years.0), year(years.1))),
        source: Some(source.into()),
    };
    report.years = years;
    report.days = days.len();
    report.full_days = days.iter().filter(|day| day.full_eto_mm.is_some()).count();
    let by_temperature = |day: &&ClimateDay| day.full_eto_mm.is_none() && day.eto_by_temperature_mm.is_some();
    report.temperature_days = days.iter().filter(by_temperature).count();
    report.tuned = factors.is_some() && report.temperature_days > 0;
    report.published = published(&days);
    report.quantities = [eto, tmin, tmax, rain, dew_point, wind].into_iter().map(|series| series.quantity).collect();
    Ok(Climate { normals, report })
}

/// The rows of the years that are asked for, and those years.
fn chosen<'r>(rows: &'r [DayRow], wanted: &Wanted, file: &str) -> Result<(&'r [DayRow], (i32, i32)), ClimateError> {
    let year = |row: Option<&DayRow>| row.map_or(0, |row| row.date.year());
    let (first, last) = (year(rows.first()), year(rows.last()));
    let until = wanted.until_year.unwrap_or(last);
    let from = wanted.from_year.unwrap_or_else(|| until.min(last).saturating_sub(USUAL_YEARS - 1));
    // Rows are in order of time.
    let begin = rows.partition_point(|row| row.date.year() < from);
    let end = rows.partition_point(|row| row.date.year() <= until);
    match rows.get(begin..end) {
        Some(rows) if !rows.is_empty() => Ok((rows, (year(rows.first()), year(rows.last())))),
        _ => Err(ClimateError::NoYears { file: file.to_owned(), from, until, first, last }),
    }
}

/// Days of each month between the first and the last day.
fn possible_days(days: &[ClimateDay]) -> [u32; 12] {
    let mut possible = [0; 12];
    if let (Some(first), Some(last)) = (days.first(), days.last()) {
        // Never a whole year at least: a month that the history does not reach is not complete.
        let end = last.date.max(first.date.checked_add_days(chrono::Days::new(364)).unwrap_or(last.date));
        for date in first.date.iter_days().take_while(|date| *date <= end) {
            possible[date.month0() as usize] += 1;
        }
    }
    possible
}

/// Penman–Monteith over Hargreaves–Samani on the full days of each month; None where a month has too few of them.
fn factors(days: &[ClimateDay]) -> Option<[f64; 12]> {
    let mut sums = [(0u32, 0.0, 0.0); 12];
    for day in days {
        if let (Some(full), Some(by_temperature)) = (day.full_eto_mm, day.eto_by_temperature_mm) {
            let sum = &mut sums[day.date.month0() as usize];
            *sum = (sum.0 + 1, sum.1 + full, sum.2 + by_temperature);
        }
    }
    let sound = sums.iter().all(|(count, full, by_temperature)| {
        *count >= LEAST_FULL_DAYS && *by_temperature > 0.1 && (0.3..=3.0).contains(&(full / by_temperature))
    });
    sound.then(|| sums.map(|(_, full, by_temperature)| full / by_temperature))
}

fn published(days: &[ClimateDay]) -> Option<(usize, f64, f64)> {
    let differences: Vec<f64> = days
        .iter()
        .filter_map(|day| Some(day.full_eto_mm.or(day.eto_by_temperature_mm)? - day.published_eto_mm?))
        .collect();
    let count = differences.len();
    if count == 0 {
        return None;
    }
    let mean = differences.iter().sum::<f64>() / count as f64;
    let square = differences.iter().map(|difference| difference * difference).sum::<f64>() / count as f64;
    Some((count, mean, square.sqrt()))
}

/// A quantity over the whole history.
struct Series {
    quantity: Quantity,
    /// Of each month.
    means: [f64; 12],
}

impl Series {
    fn of(
        name: &'static str,
        unit: &'static str,
        days: &[ClimateDay],
        possible: &[u32; 12],
        value: &dyn Fn(&ClimateDay) -> Option<f64>,
    ) -> Self {
        let mut fit = Fit::default();
        let mut sums = [(0u32, 0.0); 12];
        for day in days {
            if let Some(value) = value(day) {
                fit.take(day.date.ordinal(), value);
                let sum = &mut sums[day.date.month0() as usize];
                *sum = (sum.0 + 1, sum.1 + value);
            }
        }
        let complete: [f64; 12] =
            std::array::from_fn(|month| f64::from(sums[month].0) / f64::from(possible[month].max(1)));
        let means = sums.map(|(count, sum)| sum / f64::from(count.max(1)));
        let fitted = fit.solve();
        let off_by = fitted.map_or(0.0, |fitted| {
            let of_month = |month: usize| {
                let days = dates().filter(|date| date.month0() as usize == month);
                let (count, sum) =
                    days.fold((0.0, 0.0), |(count, sum), date| (count + 1.0, sum + fitted.curve.at(date.ordinal())));
                sum / count
            };
            (0..12).map(|month| (of_month(month) - means[month]).abs()).fold(0.0, f64::max)
        });
        let used = complete.iter().all(|share| *share >= least_complete());
        Self { quantity: Quantity { name, unit, complete, used, fitted, off_by }, means }
    }

    /// Sums of the months.
    fn sums(&self) -> [f64; 12] {
        std::array::from_fn(|month| self.means[month].max(0.0) * monthly::DAYS[month])
    }
}

/// A year without the leap day.
fn dates() -> impl Iterator<Item = NaiveDate> {
    NaiveDate::from_ymd_opt(2027, 1, 1).unwrap_or_default().iter_days().take(365)
}

fn least_complete() -> f64 {
    f64::from(LEAST_COMPLETE_PERCENT) / 100.0
}

/// Full days of a month from which its factor is taken. Our choice.
const LEAST_FULL_DAYS: u32 = 20;
