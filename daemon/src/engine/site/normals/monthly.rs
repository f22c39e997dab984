//! Twelve values of a year, and what lies between them.

use chrono::{Datelike, NaiveDate};

/// Mean lengths of the months, days.
pub const DAYS: [f64; 12] = [31.0, 28.25, 31.0, 30.0, 31.0, 30.0, 31.0, 31.0, 30.0, 31.0, 30.0, 31.0];

/// The value of a date: a month's own in its middle, and a straight line from one middle to the next.
pub fn of_date(value: impl Fn(usize) -> f64, date: NaiveDate) -> f64 {
    between(value, date.month0() as usize, f64::from(date.day()) - 0.5)
}

/// [`of_date`] for a day of the year, 1 to 366; a day off after February in leap years.
pub fn of_day_of_year(value: impl Fn(usize) -> f64, day_of_year: u32) -> f64 {
    let mut left = f64::from(day_of_year.clamp(1, 366)) - 0.5;
    for (month, days) in DAYS.into_iter().enumerate() {
        if left < days || month == 11 {
            return between(value, month, left.min(days));
        }
        left -= days;
    }
    value(11)
}

fn between(value: impl Fn(usize) -> f64, month: usize, day: f64) -> f64 {
    let position = day / DAYS[month] - 0.5;
    let other = if position < 0.0 { (month + 11) % 12 } else { (month + 1) % 12 };
    let weight = position.abs().min(0.5);
    (1.0 - weight) * value(month) + weight * value(other)
}
