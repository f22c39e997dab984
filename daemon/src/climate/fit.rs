//! Least squares for a year's course: mean and two harmonics of daily values.

use std::cmp::Ordering;

use crate::engine::site::normals::{Curve, terms};

/// Sums over days that a [`Curve`] is fitted from; any number of days takes the same room.
#[derive(Clone, Debug, Default)]
pub struct Fit {
    products: [[f64; 5]; 5],
    moments: [f64; 5],
    squares: f64,
    days: u32,
}

/// A curve, and how far single days are from it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fitted {
    pub curve: Curve,
    /// Root mean square, in the unit of the values.
    pub deviation: f64,
}

impl Fit {
    /// A day of the year, 1 to 366, and its value.
    pub fn take(&mut self, day_of_year: u32, value: f64) {
        let terms = terms(day_of_year);
        for (row, own) in self.products.iter_mut().zip(terms) {
            for (cell, other) in row.iter_mut().zip(terms) {
                *cell += own * other;
            }
        }
        for (moment, term) in self.moments.iter_mut().zip(terms) {
            *moment += term * value;
        }
        self.squares += value * value;
        self.days += 1;
    }

    pub fn days(&self) -> u32 {
        self.days
    }

    /// The curve with the least squared distance; None where the days do not spread over a year.
    ///
    /// ```
    /// use thirstd::climate::Fit;
    /// let mut fit = Fit::default();
    /// (1..=365).for_each(|day| fit.take(day, 7.0));
    /// let fitted = fit.solve().unwrap();
    /// assert!((fitted.curve.at(100) - 7.0).abs() < 1e-5 && fitted.deviation < 1e-5);
    /// ```
    pub fn solve(&self) -> Option<Fitted> {
        let factors = solved(self.products, self.moments)?;
        let explained: f64 = factors.iter().zip(self.moments).map(|(factor, moment)| factor * moment).sum();
        let deviation = ((self.squares - explained).max(0.0) / f64::from(self.days.max(1))).sqrt();
        let curve = Curve(factors.map(|factor| factor as f32));
        Some(Fitted { curve, deviation }).filter(|_| factors.iter().all(|factor| factor.abs() < 1e6))
    }
}

/// Gauss with row exchange; None where a pivot vanishes.
fn solved(mut matrix: [[f64; 5]; 5], mut right: [f64; 5]) -> Option<[f64; 5]> {
    let scale = matrix[0][0].max(1.0);
    for column in 0..5 {
        let size = |row: &usize| matrix[*row][column].abs();
        let pivot = (column..5).max_by(|one, other| size(one).total_cmp(&size(other)))?;
        let least = SMALLEST_PIVOT * scale;
        // What is no number is not above it either.
        if size(&pivot).partial_cmp(&least) != Some(Ordering::Greater) {
            return None;
        }
        matrix.swap(column, pivot);
        right.swap(column, pivot);
        for row in column + 1..5 {
            let times = matrix[row][column] / matrix[column][column];
            let above = matrix[column];
            for (cell, above) in matrix[row].iter_mut().zip(above).skip(column) {
                *cell -= times * above;
            }
            right[row] -= times * right[column];
        }
    }
    for row in (0..5).rev() {
        let known: f64 = (row + 1..5).map(|column| matrix[row][column] * right[column]).sum();
        right[row] = (right[row] - known) / matrix[row][row];
    }
    Some(right)
}

/// Half a year alone leaves about 1e-3 of the days, a season 1e-6.
const SMALLEST_PIVOT: f64 = 1e-3;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_course_made_of_two_harmonics_is_found_again() {
        let course = Curve([11.2, -7.9, -2.4, 0.6, 0.4]);
        let mut fit = Fit::default();
        // Four years with gaps.
        for day in (0..1461).filter(|day| day % 7 != 3) {
            let day_of_year = day % 365 + 1;
            fit.take(day_of_year, course.at(day_of_year));
        }
        let fitted = fit.solve().unwrap();
        for (found, made) in fitted.curve.0.iter().zip(course.0) {
            assert!((found - made).abs() < 1e-4, "{fitted:?}");
        }
        assert!(fitted.deviation < 1e-3, "{fitted:?}");
    }

    #[test]
    fn noise_that_knows_no_season_stays_in_the_deviation() {
        let mut fit = Fit::default();
        for day in 0..3650u32 {
            let noise = if day % 2 == 0 { 1.5 } else { -1.5 };
            fit.take(day % 365 + 1, 4.0 + noise);
        }
        let fitted = fit.solve().unwrap();
        assert!((fitted.deviation - 1.5).abs() < 0.01 && (fitted.curve.mean() - 4.0).abs() < 0.01, "{fitted:?}");
    }

    #[test]
    fn days_of_one_season_give_no_course_of_the_year() {
        let mut fit = Fit::default();
        assert_eq!(fit.solve(), None);
        (100..190).for_each(|day| fit.take(day, 5.0));
        assert_eq!(fit.solve(), None);
        fit.take(200, f64::NAN);
        assert_eq!(fit.solve(), None);
    }
}
