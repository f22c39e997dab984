//! What one field of one stream was seen to carry: numbers with their movement, texts, units. Bounded.

use std::collections::BTreeSet;

use crate::engine::stamp::Stamp;

/// One field over time.
#[derive(Clone, Debug, Default)]
pub struct FieldSeen {
    /// A name that stands beside the value, as in `{"name": "wind", "value": 3}`.
    pub hint: Option<String>,
    /// A unit that stands beside or behind the value.
    pub unit: Option<String>,
    /// The value of a SenML record.
    pub in_pack: bool,
    pub numbers: Numbers,
    pub truths: u32,
    pub nulls: u32,
    /// Numbers that were written as text, and those of them with a decimal comma.
    pub from_text: u32,
    pub commas: u32,
    /// A few different texts that are no numbers, with their times.
    pub texts: Vec<(Stamp, String)>,
    pub text_count: u32,
}

/// Numbers of a field: extremes, movement, and a thinned series.
#[derive(Clone, Debug, Default)]
pub struct Numbers {
    pub count: u32,
    pub least: f64,
    pub most: f64,
    pub last: f64,
    pub rises: u32,
    pub falls: u32,
    /// All were whole numbers.
    pub whole: bool,
    /// Rises by exactly 1.
    pub ones: u32,
    /// Different sizes of rises, in millionths.
    pub steps: BTreeSet<i64>,
    /// Fault codes that were left out of all the rest.
    pub codes: Vec<f64>,
    /// At even distances over the time of the survey.
    pub series: Vec<(Stamp, f64)>,
    stride: u32,
    skipped: u32,
}

impl FieldSeen {
    pub fn number(&mut self, at: Stamp, value: f64) {
        self.numbers.add(at, value);
    }

    /// A text: a number in disguise with or without a unit, or words.
    pub fn text(&mut self, at: Stamp, text: &str) {
        match disguised(text) {
            Some(found) => {
                self.from_text += 1;
                self.commas += u32::from(found.comma);
                if !found.unit.is_empty() {
                    self.unit = Some(found.unit.chars().take(LONGEST_UNIT).collect());
                }
                self.numbers.add(at, found.value);
            }
            None => {
                self.text_count = self.text_count.saturating_add(1);
                let known = self.texts.iter().any(|(_, known)| known == text);
                if !known && self.texts.len() < MOST_TEXTS {
                    self.texts.push((at, text.chars().take(LONGEST_TEXT).collect()));
                }
            }
        }
    }

    /// True where nearly all that came were numbers.
    pub fn is_number(&self) -> bool {
        self.numbers.count > 0 && self.numbers.count >= self.text_count + self.truths
    }
}

impl Numbers {
    fn add(&mut self, at: Stamp, value: f64) {
        if FAULT_CODES.contains(&value) {
            if !self.codes.contains(&value) {
                self.codes.push(value);
            }
            return;
        }
        if self.count == 0 {
            (self.least, self.most, self.whole, self.stride) = (value, value, true, 1);
        } else {
            let step = value - self.last;
            self.rises += u32::from(step > 0.0);
            self.falls += u32::from(step < 0.0);
            self.ones += u32::from(step == 1.0);
            if step > 0.0 && step < LARGEST_STEP && self.steps.len() < MOST_STEPS {
                // Below the largest step this is exact.
                self.steps.insert((step * 1e6).round() as i64);
            }
        }
        self.count = self.count.saturating_add(1);
        (self.least, self.most, self.last) = (self.least.min(value), self.most.max(value), value);
        self.whole &= value.fract() == 0.0;
        if self.skipped > 0 {
            self.skipped -= 1;
            return;
        }
        if self.series.len() >= MOST_KEPT {
            let mut keep = false;
            self.series.retain(|_| {
                keep = !keep;
                keep
            });
            self.stride = self.stride.saturating_mul(2);
        }
        self.series.push((at, value));
        self.skipped = self.stride - 1;
    }

    /// Never fell, but for a new start near zero, and rose at least once.
    pub fn only_rises(&self) -> bool {
        let resets = self.series.windows(2).filter(|pair| pair[1].1 < pair[0].1);
        self.rises > 0 && self.falls <= 1 && resets.clone().all(|pair| pair[1].1 <= 0.05 * pair[0].1)
    }

    /// Every rise is a multiple of `unit`.
    pub fn steps_by(&self, unit: f64) -> bool {
        let unit = unit * 1e6;
        !self.steps.is_empty()
            && self.steps.iter().all(|step| {
                let times = *step as f64 / unit;
                times > 0.5 && (times - times.round()).abs() * unit < STEP_TOLERANCE
            })
    }

    /// The middle of the values that were kept.
    pub fn median(&self) -> f64 {
        let mut values: Vec<f64> = self.series.iter().map(|(_, value)| *value).collect();
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied().unwrap_or(self.last)
    }
}

/// A number that was written as text.
struct Disguised<'t> {
    value: f64,
    comma: bool,
    unit: &'t str,
}

fn disguised(text: &str) -> Option<Disguised<'_>> {
    let text = text.trim();
    let end = text.find(|c: char| !(c.is_ascii_digit() || "+-.,".contains(c))).unwrap_or(text.len());
    let (digits, rest) = text.split_at_checked(end)?;
    let unit = rest.trim();
    // Times and identifiers go on with digits, or with much text.
    if digits.is_empty() || unit.contains(|c: char| c.is_ascii_digit() && c != '2' && c != '3') || unit.len() > 12 {
        return None;
    }
    let comma = digits.contains(',') && !digits.contains('.');
    let value: f64 = if comma { digits.replacen(',', ".", 1).parse() } else { digits.parse() }.ok()?;
    value.is_finite().then_some(Disguised { value, comma, unit })
}

/// Numbers that stand for "no reading" and for nothing else.
const FAULT_CODES: [f64; 10] = [-999.0, -9999.0, -99.9, -999.9, 9999.0, 32767.0, -32768.0, 65535.0, 3276.7, 6553.5];

const MOST_KEPT: usize = 96;
const MOST_STEPS: usize = 32;
const MOST_TEXTS: usize = 6;
const LONGEST_TEXT: usize = 64;
const LONGEST_UNIT: usize = 12;

/// Larger rises say nothing about a bucket.
const LARGEST_STEP: f64 = 1e6;

/// In millionths: what is left of decimals that binary numbers cannot hold.
const STEP_TOLERANCE: f64 = 200.0;

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(values: &[f64]) -> Numbers {
        let mut numbers = Numbers::default();
        for (second, value) in values.iter().enumerate() {
            numbers.add(Stamp(second as i64 * 1000), *value);
        }
        numbers
    }

    #[test]
    fn movement_is_counted_and_the_series_stays_small() {
        let numbers = seen(&[1.0, 1.2, 1.2, 1.6, -999.0, 1.8]);
        assert_eq!((numbers.count, numbers.rises, numbers.falls, numbers.whole), (5, 3, 0, false));
        assert!(numbers.only_rises() && numbers.steps_by(0.2) && !numbers.steps_by(0.254));
        assert_eq!(numbers.codes, [-999.0]);
        let many: Vec<f64> = (0..10_000).map(f64::from).collect();
        let numbers = seen(&many);
        assert!(numbers.series.len() <= MOST_KEPT && numbers.series.len() >= MOST_KEPT / 2);
        assert_eq!((numbers.least, numbers.most, numbers.ones), (0.0, 9999.0 - 1.0, 9998));
        assert!(seen(&[5.0, 5.2, 0.0, 0.2]).only_rises());
        assert!(!seen(&[5.0, 5.2, 4.9, 5.2]).only_rises());
    }

    #[test]
    fn numbers_in_text_are_found_with_unit_and_comma() {
        let check = |text: &str, expected: Option<(f64, bool, &str)>| {
            let found = disguised(text).map(|found| (found.value, found.comma, found.unit));
            assert_eq!(found, expected, "{text}");
        };
        check("21.5", Some((21.5, false, "")));
        check("21,5 °C", Some((21.5, true, "°C")));
        check("-3 W/m2", Some((-3.0, false, "W/m2")));
        check("2027-06-01T04:00:00Z", None);
        check("online", None);
        check("", None);
        check("a4c138", None);
        check("12 apples and pears", None);
    }
}
