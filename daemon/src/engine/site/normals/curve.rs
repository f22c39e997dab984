//! A year's course as its mean and two harmonics.

use std::f64::consts::TAU;

/// What a day of the year usually has: `a0 + a1 cos w + b1 sin w + a2 cos 2w + b2 sin 2w`, w = 2π J / 365.25 and J the day of
/// the year, 1 to 366. Kept as a0, a1, b1, a2, b2 in the unit of the quantity.
///
/// Two harmonics: a third and a fourth gained nothing at De Bilt and Maricopa.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Curve(pub [f32; 5]);

impl Curve {
    /// The value of a day of the year.
    ///
    /// ```
    /// use thirstd::engine::site::normals::Curve;
    /// let curve = Curve([10.0, -8.0, 0.0, 0.0, 0.0]); // coldest at the turn of the year, 2; warmest half a year later, 18
    /// assert!((curve.at(365) - 2.0).abs() < 0.01 && (curve.at(183) - 18.0).abs() < 0.01);
    /// ```
    pub fn at(&self, day_of_year: u32) -> f64 {
        terms(day_of_year).iter().zip(self.0).map(|(term, factor)| term * f64::from(factor)).sum()
    }

    /// The mean of the year.
    pub fn mean(&self) -> f64 {
        f64::from(self.0[0])
    }

    /// False where a number in it is none, or the year's course leaves `range`.
    pub fn stays_within(&self, range: std::ops::RangeInclusive<f64>) -> bool {
        (1..=366).all(|day| range.contains(&self.at(day)))
    }
}

/// What the five numbers of a [`Curve`] are multiplied by on a day of the year.
pub fn terms(day_of_year: u32) -> [f64; 5] {
    let w = TAU * f64::from(day_of_year) / 365.25;
    [1.0, w.cos(), w.sin(), (2.0 * w).cos(), (2.0 * w).sin()]
}
