//! A straight line through daily values that a few wrong days cannot bend: the Theil–Sen estimate with its confidence
//! limits.
//!
//! Source: Sen (1968), Estimates of the regression coefficient based on Kendall's tau; ranks, ties and rounding as in the
//! reference values of tests/vectors/battery_cases.json.

/// A line, with the slopes between which the true one lies in 80 of 100 cases, if days were independent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Per unit of x.
    pub slope: f64,
    pub low_slope: f64,
    pub high_slope: f64,
    /// Median of y - slope × x.
    pub intercept: f64,
}

impl Line {
    pub fn at(&self, x: f64) -> f64 {
        self.intercept + self.slope * x
    }
}

/// The line through `points` (x, y). None with fewer than two different x. Points of equal x are no pair. Finite input
/// expected; time and memory grow with the square of the number of points.
pub fn theil_sen(points: &[(f64, f64)]) -> Option<Line> {
    let mut slopes = Vec::with_capacity(points.len() * points.len().saturating_sub(1) / 2);
    for (index, (x, y)) in points.iter().enumerate() {
        let later = points.get(index + 1..).unwrap_or_default();
        slopes.extend(later.iter().filter(|(other, _)| other != x).map(|(other, value)| (value - y) / (other - x)));
    }
    let slope = median(&mut slopes)?;
    let mut residuals: Vec<f64> = points.iter().map(|(x, y)| y - slope * x).collect();
    let intercept = median(&mut residuals)?;
    let spread = Z * variance(points).sqrt();
    let pairs = slopes.len() as f64;
    // Both are small and whole.
    let upper = ((pairs + spread) / 2.0).round_ties_even().min(pairs - 1.0) as usize;
    let lower = (((pairs - spread) / 2.0).round_ties_even() - 1.0).max(0.0) as usize;
    let high_slope = ranked(&mut slopes, upper)?;
    let low_slope = ranked(&mut slopes, lower)?;
    Some(Line { slope, low_slope, high_slope, intercept })
}

/// The median: of an even count the mean of the two in the middle. None of nothing. Changes the order.
pub fn median(values: &mut [f64]) -> Option<f64> {
    let middle = values.len() / 2;
    let upper = ranked(values, middle)?;
    if !values.len().is_multiple_of(2) {
        return Some(upper);
    }
    let lower = values.get(..middle)?.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some((lower + upper) / 2.0)
}

/// The values that never rise and lie nearest to `values` by least squares: neighbors that rise are averaged (pool
/// adjacent violators; Ayer et al., 1955).
pub fn falling(values: &[f64]) -> Vec<f64> {
    let mean = |(sum, count): (f64, usize)| sum / count as f64;
    let mut blocks: Vec<(f64, usize)> = Vec::with_capacity(values.len());
    for value in values {
        let mut block = (*value, 1);
        while let Some(before) = blocks.pop() {
            if mean(before) >= mean(block) {
                blocks.push(before);
                break;
            }
            block = (block.0 + before.0, block.1 + before.1);
        }
        blocks.push(block);
    }
    blocks.into_iter().flat_map(|block| std::iter::repeat_n(mean(block), block.1)).collect()
}

fn ranked(values: &mut [f64], rank: usize) -> Option<f64> {
    (rank < values.len()).then(|| *values.select_nth_unstable_by(rank, f64::total_cmp).1)
}

/// Variance of Kendall's S, less by what ties in x and y make certain.
fn variance(points: &[(f64, f64)]) -> f64 {
    let term = |count: f64| count * (count - 1.0) * (2.0 * count + 5.0);
    let ties = |mut values: Vec<f64>| -> f64 {
        values.sort_unstable_by(f64::total_cmp);
        values.chunk_by(|a, b| a == b).map(|tied| term(tied.len() as f64)).sum()
    };
    let x = ties(points.iter().map(|(x, _)| *x).collect());
    let y = ties(points.iter().map(|(_, y)| *y).collect());
    ((term(points.len() as f64) - x - y) / 18.0).max(0.0)
}

/// Ninetieth percentile of the normal distribution: 10 % lie beyond on either side.
const Z: f64 = 1.281_551_565_544_600_8;
