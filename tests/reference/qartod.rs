//! The QARTOD tests as PyPI ioos_qc 3.0.0 understands them: whole series, counted in samples, with its quirks.
//!
//! A yardstick, not a part of the daemon, which judges one reading at a time and by time; where the two differ, and why,
//! stands in `DEVELOPERS.md`. A missing value is NaN, times are whole seconds since 1970.

use chrono::{DateTime, Datelike};
use thirstd::engine::reading::Flag::{self, Bad, Good, Missing, NotEvaluated, Suspect};

/// Both ends included, in either order.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span(pub f64, pub f64);

impl Span {
    fn sorted(self) -> (f64, f64) {
        (self.0.min(self.1), self.0.max(self.1))
    }

    fn excludes(self, value: f64) -> bool {
        let (min, max) = self.sorted();
        value < min || max < value
    }
}

/// Gross range: beyond `fail` bad, beyond `suspect` suspect. An infinite value is bad, only NaN is missing.
///
/// # Errors
/// When `suspect` does not lie within `fail`.
pub fn gross_range(values: &[f64], fail: Span, suspect: Option<Span>) -> Result<Vec<Flag>, String> {
    if let Some(suspect) = suspect {
        let (inner, outer) = (suspect.sorted(), fail.sorted());
        if inner.0 < outer.0 || outer.1 < inner.1 {
            return Err(format!("Suspect {inner:?} must fall within the Fail {outer:?}"));
        }
    }
    let judge = |value: f64| match value {
        _ if value.is_nan() => Missing,
        _ if fail.excludes(value) => Bad,
        _ if suspect.is_some_and(|suspect| suspect.excludes(value)) => Suspect,
        _ => Good,
    };
    Ok(values.iter().copied().map(judge).collect())
}

/// How a spike is measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SpikeMethod {
    /// Against the mean of both neighbors.
    Average,
    /// The smaller of the steps to and from it, when they go opposite ways.
    Differential,
}

/// Spike: the ends of a series, and the neighbors of a missing value, are not evaluated. A limit of 0 is none.
pub fn spike(values: &[f64], suspect: f64, fail: f64, method: SpikeMethod) -> Vec<Flag> {
    let beyond = |height: f64, limit: f64| limit != 0.0 && limit < height;
    let judge = |index: usize| {
        let value = values[index];
        if !value.is_finite() {
            return Missing;
        }
        let Some([before, _, after]) = index.checked_sub(1).and_then(|first| values.get(first..index + 2)) else {
            return NotEvaluated;
        };
        if !before.is_finite() || !after.is_finite() {
            return NotEvaluated;
        }
        let height = match method {
            SpikeMethod::Average => (value - (before + after) / 2.0).abs(),
            SpikeMethod::Differential if (value - before) * (after - value) < 0.0 => {
                (value - before).abs().min((after - value).abs())
            }
            SpikeMethod::Differential => 0.0,
        };
        match () {
            () if beyond(height, fail) => Bad,
            () if beyond(height, suspect) => Suspect,
            () => Good,
        }
    };
    (0..values.len()).map(judge).collect()
}

/// Rate of change per second since the value before, however long ago; within one second the change itself. What follows
/// a missing value is good.
pub fn rate_of_change(values: &[f64], times: &[i64], suspect: f64, fail: Option<f64>) -> Vec<Flag> {
    let judge = |index: usize| {
        if !values[index].is_finite() {
            return Missing;
        }
        let Some(before) = index.checked_sub(1) else { return Good };
        let change = (values[index] - values[before]).abs();
        let rate = match times[index] - times[before] {
            0 => change,
            seconds => (change / seconds as f64).abs(),
        };
        match fail {
            Some(fail) if fail < rate => Bad,
            _ if suspect < rate => Suspect,
            _ => Good,
        }
    };
    (0..values.len()).map(judge).collect()
}

/// Flat line: the values of so many samples as the median interval puts into `suspect` and `fail` seconds, and one more,
/// lie within less than `tolerance`. Fewer than three samples are all good.
pub fn flat_line(values: &[f64], times: &[i64], suspect: i64, fail: i64, tolerance: f64) -> Vec<Flag> {
    if values.len() < 3 {
        return vec![Good; values.len()];
    }
    let interval = median_interval(times);
    let is_flat = |index: usize, seconds: i64| {
        let count = (seconds as f64 / interval) as usize;
        let Some(window) = index.checked_sub(count).map(|first| &values[first..=index]) else { return false };
        range(window).is_some_and(|range| range < tolerance)
    };
    let judge = |index: usize| match () {
        () if !values[index].is_finite() => Missing,
        () if is_flat(index, fail) => Bad,
        () if is_flat(index, suspect) => Suspect,
        () => Good,
    };
    (0..values.len()).map(judge).collect()
}

/// How the strength of a signal is measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Strength {
    /// Standard deviation of the population.
    Deviation,
    Range,
}

/// The window of an attenuated signal: the samples of `(t - seconds, t]`, of which so many must be there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    pub seconds: i64,
    pub least: usize,
}

/// Attenuated signal: a strength below a limit, in the window that ends at each sample; without a window of the whole.
///
/// In a window a missing value makes the range unknown, and is left out of the deviation.
pub fn attenuated_signal(
    values: &[f64],
    times: &[i64],
    suspect: f64,
    fail: f64,
    strength: Strength,
    window: Option<Window>,
) -> Vec<Flag> {
    let of = |samples: &[f64]| match strength {
        Strength::Deviation => deviation(samples),
        Strength::Range => range(samples),
    };
    let judge = |index: usize| {
        if !values[index].is_finite() {
            return Missing;
        }
        let seen = match window {
            None => of(values),
            Some(Window { seconds, least }) => {
                let first = times.iter().position(|time| times[index] - seconds < *time).unwrap_or(index);
                let samples = &values[first..=index];
                let known = samples.iter().filter(|value| value.is_finite()).count();
                let whole = strength == Strength::Deviation || known == samples.len();
                of(samples).filter(|_| least <= known && whole)
            }
        };
        match seen {
            None => NotEvaluated,
            Some(seen) if seen < fail => Bad,
            Some(seen) if seen < suspect => Suspect,
            Some(_) => Good,
        }
    };
    (0..values.len()).map(judge).collect()
}

/// The least samples of `seconds` at the median interval, as the package counts them.
pub fn samples_of(seconds: i64, times: &[i64]) -> usize {
    (seconds as f64 / median_interval(times)) as usize
}

/// The part of the year that a climatology speaks of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Period {
    Month,
    DayOfYear,
    /// By ISO 8601.
    Week,
}

/// What is usual within a span of a period.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Usual {
    pub period: Period,
    pub time: Span,
    pub suspect: Span,
    pub fail: Option<Span>,
}

/// Climatology, the later member of `usual` having the last word. A missing value is good where any
/// member goes by month or day of the year (a quirk of the package).
pub fn climatology(values: &[f64], times: &[i64], usual: &[Usual]) -> Vec<Flag> {
    let judge = |(value, time): (&f64, &i64)| {
        if value.is_nan() {
            let quirk = usual.iter().any(|member| member.period != Period::Week);
            return if quirk { Good } else { Missing };
        }
        let date = DateTime::from_timestamp(*time, 0).expect("a time of our days");
        usual.iter().fold(NotEvaluated, |known, member| {
            let part = match member.period {
                Period::Month => date.month(),
                Period::DayOfYear => date.ordinal(),
                Period::Week => date.iso_week().week(),
            };
            match () {
                () if member.time.excludes(f64::from(part)) => known,
                () if member.fail.is_some_and(|fail| fail.excludes(*value)) => Bad,
                () if member.suspect.excludes(*value) => Suspect,
                () => Good,
            }
        })
    };
    values.iter().zip(times).map(judge).collect()
}

/// Gap: more than `hours` since the time before. The first is flagged like the second; at least two times.
pub fn time_gap(times: &[i64], hours: f64) -> Vec<Flag> {
    let longest = (hours * 3_600.0) as i64;
    let after: Vec<_> = times.windows(2).map(|pair| if longest < pair[1] - pair[0] { Bad } else { Good }).collect();
    [after[0]].into_iter().chain(after.iter().copied()).collect()
}

/// Reception: older than `hours` at `now`.
pub fn data_reception(times: &[i64], hours: f64, now: i64) -> Vec<Flag> {
    let longest = (hours * 3_600.0) as i64;
    times.iter().map(|time| if longest < now - time { Bad } else { Good }).collect()
}

/// The flag of several tests together: bad before suspect before good before not evaluated before missing.
pub fn together(one: &[Flag], other: &[Flag]) -> Vec<Flag> {
    const ORDER: [Flag; 5] = [Missing, NotEvaluated, Good, Suspect, Bad];
    let rank = |flag: &Flag| ORDER.iter().position(|known| known == flag);
    one.iter().zip(other).map(|(one, other)| if rank(one) < rank(other) { *other } else { *one }).collect()
}

/// Greatest less least of the known values.
fn range(values: &[f64]) -> Option<f64> {
    let known = values.iter().copied().filter(|value| value.is_finite());
    let (min, max) =
        known.fold((f64::INFINITY, f64::NEG_INFINITY), |(min, max), value| (min.min(value), max.max(value)));
    (min <= max).then_some(max - min)
}

fn deviation(values: &[f64]) -> Option<f64> {
    let known: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).collect();
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let center = mean(&known);
    let squares: Vec<f64> = known.iter().map(|value| (value - center).powi(2)).collect();
    (!known.is_empty()).then(|| mean(&squares).sqrt())
}

/// Whole seconds.
fn median_interval(times: &[i64]) -> f64 {
    let mut intervals: Vec<i64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
    intervals.sort_unstable();
    let middle = intervals.len() / 2;
    if intervals.len() % 2 == 1 {
        return intervals[middle] as f64;
    }
    ((intervals[middle - 1] + intervals[middle]) as f64 / 2.0).trunc()
}
