//! How forecasts came out over all sensors of a partition: ends anywhere set the range of forecasts everywhere.
//!
//! For each chemistry, and apart for the first battery of a sensor and for later ones, the last outcomes are kept as the
//! binary logarithm of days lived over days forecast. A battery that was changed before its end tells that it would have
//! lived longer (censored): quantiles are those of Kaplan and Meier. The k-th of n ends bounds a share k / (n + 1) of those
//! to come, whatever their distribution (order statistics), so that the range holds eight of ten ends as soon as nine are
//! known.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::chemistry::Chemistry;
use super::experience::Experience;
use super::forecast::RangeBasis;

/// What became of a battery that people were asked to change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outcome {
    pub chemistry: Chemistry,
    /// The sensor had shown before how long its batteries live.
    pub is_later: bool,
    /// It came to its end; else it was changed before, and would have lived longer.
    pub ended: bool,
    /// Binary logarithm of days lived over days forecast, by its first request: of the first battery by its readings alone,
    /// of a later one as told.
    pub log: f32,
}

/// Outcomes of a partition, bounded.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Fleet {
    rows: Vec<Row>,
    #[serde(skip)]
    table: Option<Table>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Row {
    #[serde(rename = "c")]
    chemistry: Chemistry,
    #[serde(rename = "l")]
    is_later: bool,
    /// The newest last: key of battery and day, UTC day, logarithm in 1/32, whether it ended.
    #[serde(rename = "o")]
    outcomes: VecDeque<(u32, u16, i8, bool)>,
}

impl Fleet {
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Takes in an outcome of the UTC day `day` (since 1970). `key` tells it from others: a replay that brings it again
    /// changes nothing. False where nothing changed.
    pub fn learn(&mut self, key: u32, day: u16, outcome: &Outcome) -> bool {
        if !outcome.log.is_finite() {
            return false;
        }
        let position = self
            .rows
            .iter()
            .position(|row| (row.chemistry, row.is_later) == (outcome.chemistry, outcome.is_later))
            .unwrap_or_else(|| {
                let (chemistry, is_later) = (outcome.chemistry, outcome.is_later);
                self.rows.push(Row { chemistry, is_later, outcomes: VecDeque::new() });
                self.rows.len() - 1
            });
        let outcomes = &mut self.rows[position].outcomes;
        if outcomes.iter().any(|(known, ..)| *known == key) {
            return false;
        }
        // In range by the clamp.
        let log = (outcome.log * PER_OCTAVE).round().clamp(-127.0, 127.0) as i8;
        outcomes.push_back((key, day, log, outcome.ended));
        while outcomes.len() > KEPT {
            outcomes.pop_front();
        }
        true
    }

    /// What the outcomes before the UTC day `today` say. It is the same all day, so that a replay of the day gives the same
    /// forecasts.
    pub fn table(&mut self, today: u16) -> &Table {
        if self.table.as_ref().is_none_or(|table| table.day != today) {
            let known = self.rows.iter().filter_map(|row| {
                let before = row.outcomes.iter().filter(|(_, day, ..)| *day < today);
                let logs = before.map(|(_, _, log, ended)| (f64::from(*log) / f64::from(PER_OCTAVE), *ended));
                Some(((row.chemistry, row.is_later), Spread::of(logs.collect())?))
            });
            self.table = Some(Table { day: today, spreads: known.collect() });
        }
        self.table.get_or_insert_default()
    }
}

/// What a fleet has taught, for one day.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Table {
    day: u16,
    spreads: Vec<((Chemistry, bool), Spread)>,
}

/// Nothing is known of any fleet.
pub static NONE: Table = Table { day: 0, spreads: Vec::new() };

/// How lives spread around forecasts, binary logarithms.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Spread {
    ends: u16,
    low: f64,
    middle: f64,
    high: f64,
}

impl Spread {
    /// None where fewer than [`ENOUGH`] came to their end.
    fn of(mut logs: Vec<(f64, bool)>) -> Option<Self> {
        let ends = logs.iter().filter(|(_, ended)| *ended).count();
        if ends < ENOUGH {
            return None;
        }
        // At a tie ends come before those that lived on.
        logs.sort_by(|a, b| a.0.total_cmp(&b.0).then_with(|| b.1.cmp(&a.1)));
        let count = logs.len();
        let widened = (count + 1) as f64 / count as f64;
        let mut lives = 1.0;
        let (mut low, mut middle, mut high) = (None, None, None);
        for (index, (log, ended)) in logs.iter().enumerate() {
            if !ended {
                continue;
            }
            lives *= 1.0 - 1.0 / (count - index) as f64;
            let ended = 1.0 - lives;
            if ended <= TAIL * widened + ROUNDING || low.is_none() {
                low = Some(*log);
            }
            if ended >= 0.5 - ROUNDING && middle.is_none() {
                middle = Some(*log);
            }
            if ended >= (1.0 - TAIL) * widened - ROUNDING && high.is_none() {
                high = Some(*log);
            }
        }
        // Those that lived on leave the long side open.
        let longest = logs.last().map_or(0.0, |(log, _)| *log);
        let high = high.unwrap_or(longest + OPEN_END);
        Some(Self { ends: ends as u16, low: low?, middle: middle.unwrap_or(longest), high })
    }
}

/// By how much the time left is longer than readings say, and within which shares of that the end will come.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shares {
    pub factor: f64,
    pub earliest: f64,
    pub latest: f64,
    pub range: RangeBasis,
    pub outcomes: u16,
}

impl Table {
    /// What fleet and sensor together say of a battery. The sensor's own outcomes move the middle; the range is that of
    /// the fleet, else of the sensor from three outcomes on, else 0.6 to 1.6.
    pub fn shares(&self, chemistry: Chemistry, own: &Experience) -> Shares {
        let of = |is_later: bool| {
            self.spreads.iter().find(|(row, _)| *row == (chemistry, is_later)).map(|(_, spread)| *spread)
        };
        let (first, later) = (of(false), of(true));
        let middle = first.map_or(0.0, |first| TRUSTED * first.middle);
        let factor = own.factor(middle);
        let (low, high, range, outcomes) = match (own.outcomes(), first, later) {
            (0, Some(first), _) => (first.low - middle, first.high - middle, RangeBasis::Fleet, first.ends),
            (1.., _, Some(later)) => (later.low, later.high, RangeBasis::Fleet, later.ends),
            (count @ 3.., _, None) => {
                let (earliest, latest) = own.range();
                return Shares { factor, earliest, latest, range: RangeBasis::Sensor, outcomes: u16::from(count) };
            }
            (1..3, Some(first), None) => (first.low - middle, first.high - middle, RangeBasis::Fleet, first.ends),
            _ => {
                let (earliest, latest) = ASSUMED;
                return Shares { factor, earliest, latest, range: RangeBasis::Assumed, outcomes: 0 };
            }
        };
        let (earliest, latest) = (low.exp2().clamp(0.1, 0.95), high.exp2().clamp(1.05, 6.0));
        Shares { factor, earliest, latest, range, outcomes }
    }
}

/// Until outcomes are known (our choice): capacities, loads and colds differ by about that much, and the confidence limits
/// of a trend alone are far too narrow: with them at most two ends of ten came inside (`monte_carlo_coverage` in
/// tests/vectors/battery_cases.json).
pub const ASSUMED: (f64, f64) = (0.6, 1.6);

/// Share of the fleet's middle by which a forecast is moved. Our choice: a forecast that says more is asked for later, when
/// the curve falls faster than when the outcomes were asked for; moved by all of it, made-up fleets of NiMH died too soon.
const TRUSTED: f64 = 0.3;
/// Share of the ends on each side of the range: it holds eight of ten. Our choice.
const TAIL: f64 = 0.1;
/// The fewest ends of which the first bounds a tenth of those to come: 1 / (9 + 1).
const ENOUGH: usize = 9;
/// The newest count: devices and makes change. Our choice.
const KEPT: usize = 128;
const PER_OCTAVE: f32 = 32.0;
/// Half as long again as the longest that was seen. Our choice.
const OPEN_END: f64 = 0.585;
const ROUNDING: f64 = 1e-9;

#[cfg(test)]
mod tests {
    use super::*;

    fn fleet(logs: &[(f64, bool)]) -> Fleet {
        let mut fleet = Fleet::default();
        for (key, (log, ended)) in (0..).zip(logs) {
            let chemistry = Chemistry::AlkalineAa2;
            fleet.learn(key, 100, &Outcome { chemistry, is_later: false, ended: *ended, log: *log as f32 });
        }
        fleet
    }

    fn shares(fleet: &mut Fleet, today: u16) -> Shares {
        fleet.table(today).shares(Chemistry::AlkalineAa2, &Experience::default())
    }

    #[test]
    fn nine_ends_set_the_range_from_the_next_day_on_and_eight_do_not() {
        let logs: Vec<(f64, bool)> = (1..=9).map(|step| (f64::from(step - 3) / 4.0, true)).collect();
        let assumed = shares(&mut fleet(&logs[..8]), 101);
        assert_eq!((assumed.range, assumed.earliest, assumed.latest), (RangeBasis::Assumed, 0.6, 1.6));
        let mut nine = fleet(&logs);
        assert_eq!(shares(&mut nine, 100).range, RangeBasis::Assumed);
        let learnt = shares(&mut nine, 101);
        assert_eq!((learnt.range, learnt.outcomes), (RangeBasis::Fleet, 9));
        // The fifth of nine is the middle, the first and the last bound eight of ten.
        assert!((learnt.factor - (0.3 * 0.5_f64).exp2()).abs() < 1e-9, "{learnt:?}");
        assert!((learnt.factor * learnt.earliest - (-0.5_f64).exp2()).abs() < 1e-9, "{learnt:?}");
        assert!((learnt.factor * learnt.latest - 1.5_f64.exp2()).abs() < 1e-9, "{learnt:?}");
        let other = nine.table(101).shares(Chemistry::Nimh9V, &Experience::default());
        assert_eq!((other.range, other.factor), (RangeBasis::Assumed, 1.0));
    }

    /// Fleming, Harrington: six of 21 leukemia patients' textbook survival (Freireich et al. 1963, 6-MP group; from memory):
    /// the Kaplan-Meier estimate there is 0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448 at 6, 7, 10, 13, 16, 22 and 23.
    #[test]
    fn quantiles_with_batteries_that_were_changed_early_are_those_of_kaplan_and_meier() {
        let weeks = [
            (6, true),
            (6, true),
            (6, true),
            (6, false),
            (7, true),
            (9, false),
            (10, true),
            (10, false),
            (11, false),
            (13, true),
            (16, true),
            (17, false),
            (19, false),
            (20, false),
            (22, true),
            (23, true),
            (25, false),
            (32, false),
            (32, false),
            (34, false),
            (35, false),
        ];
        let spread = Spread::of(weeks.map(|(week, ended)| (f64::from(week), ended)).to_vec()).unwrap();
        assert_eq!((spread.ends, spread.low, spread.middle), (9, 6.0, 23.0));
        assert!(spread.high > 35.0, "the long side is open: {spread:?}");
    }

    #[test]
    fn outcomes_that_come_again_count_once_and_all_of_it_is_bounded_and_survives_saving() {
        let mut fleet = fleet(&[(0.5, true); 500]);
        let (chemistry, is_later, ended) = (Chemistry::AlkalineAa2, false, true);
        assert!(!fleet.learn(499, 101, &Outcome { chemistry, is_later, ended, log: 0.5 }));
        assert!(!fleet.learn(9_999, 101, &Outcome { chemistry, is_later, ended, log: f32::NAN }));
        let bytes = rmp_serde::to_vec_named(&fleet).unwrap();
        assert!(bytes.len() < 2_000, "{}", bytes.len());
        assert_eq!(rmp_serde::from_slice::<Fleet>(&bytes).unwrap(), fleet);
        assert_eq!(fleet.rows[0].outcomes.len(), KEPT);
    }
}
