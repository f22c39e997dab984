//! The true water balance of the zones, and what 30 days of it are worth.
//!
//! Modelled on the published protocol: adequacy is the share of the plants' need that the soil could give, excess the water
//! beyond what the soil could hold as a share of that need. A window counts where 30 days brought at least 10.16 mm of rain
//! and 63.5 mm of evapotranspiration; it passes with at least 80 % adequacy and at most 10 % excess in every zone, and at
//! most 5 % mean excess (the thresholds from memory).

use serde::Serialize;

use super::zones::{PerZone, TABLE, ZONES};

/// One day of the balance, for each zone, mm.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Balance {
    pub need: PerZone,
    /// Need that the soil could not meet.
    pub short: PerZone,
    /// Irrigation that the soil could not hold. Rain beyond it is lost too, but not charged.
    pub surplus: PerZone,
    pub given: PerZone,
}

/// The soil of the six zones, half full at first. It is never set back.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Soil {
    pub water_mm: PerZone,
}

impl Default for Soil {
    fn default() -> Self {
        Self { water_mm: TABLE.map(|zone| zone.storage_mm / 2.0) }
    }
}

impl Soil {
    /// One day: irrigation, then rain, then the plants' need. `month`: January is 0.
    pub fn day(&mut self, month: usize, eto_mm: f64, rain_mm: f64, given: PerZone) -> Balance {
        let mut day = Balance { given, ..Balance::default() };
        for (index, zone) in TABLE.iter().enumerate() {
            let water = &mut self.water_mm[index];
            *water += given[index];
            day.surplus[index] = (*water - zone.storage_mm).max(0.0);
            *water = (water.min(zone.storage_mm) + rain_mm).min(zone.storage_mm);
            day.need[index] = zone.factor.get(month).unwrap_or(&0.0) * eto_mm;
            *water -= day.need[index];
            day.short[index] = (-*water).max(0.0);
            *water = water.max(0.0);
        }
        day
    }
}

/// Weather and balance of a whole history, day by day.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Account {
    pub eto_mm: Vec<f64>,
    pub rain_mm: Vec<f64>,
    pub days: Vec<Balance>,
}

/// Which windows are scored.
#[derive(Clone, Copy, Debug, Default)]
pub struct Scored<'a> {
    /// The first day that a window may begin with.
    pub from: usize,
    /// Only windows that hold one of these days.
    pub overlapping: Option<&'a [bool]>,
    /// Year of each day, for [`Score::years`].
    pub years: &'a [i32],
}

/// What the windows were worth.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Score {
    /// Eligible windows of 30 days.
    pub windows: usize,
    pub pass_percent: f64,
    /// The worst zone of the worst window, and the mean over zones and windows, %.
    pub adequacy_min: f64,
    pub adequacy_mean: f64,
    /// Mean over zones and windows, and the worst zone of the worst window, %.
    pub excess_mean: f64,
    pub excess_max: f64,
    /// Net irrigation in 30 days, mean over zones and windows.
    pub net_water_mm: f64,
    /// Mean adequacy, mean excess, and the share of windows that would pass if this were the only zone.
    pub zones: Vec<ZoneScore>,
    #[serde(skip)]
    pub years: Vec<YearScore>,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct ZoneScore {
    pub zone: &'static str,
    pub adequacy_mean: f64,
    pub excess_mean: f64,
    pub pass_percent: f64,
}

/// Windows by the year of their first day.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct YearScore {
    pub year: i32,
    pub windows: usize,
    pub passed: usize,
}

impl Account {
    /// Runs `given` (a row of depths for each day) through the soil, without a reset.
    pub fn of(eto_mm: &[f64], rain_mm: &[f64], months: &[usize], given: &[PerZone]) -> Self {
        let mut soil = Soil::default();
        let weather = eto_mm.iter().zip(rain_mm).zip(months).zip(given);
        let days = weather.map(|(((eto, rain), month), given)| soil.day(*month, *eto, *rain, *given)).collect();
        Self { eto_mm: eto_mm.to_vec(), rain_mm: rain_mm.to_vec(), days }
    }

    /// Scores every eligible window.
    pub fn score(&self, scored: Scored<'_>) -> Score {
        let rain = Running::of(self.rain_mm.iter().copied());
        let eto = Running::of(self.eto_mm.iter().copied());
        let hit = scored.overlapping.map(|days| Running::of(days.iter().map(|day| f64::from(u8::from(*day)))));
        let zone = |pick: fn(&Balance) -> &PerZone| -> [Running; ZONES] {
            std::array::from_fn(|zone| Running::of(self.days.iter().map(|day| pick(day)[zone])))
        };
        let (need, short) = (zone(|day| &day.need), zone(|day| &day.short));
        let (surplus, given) = (zone(|day| &day.surplus), zone(|day| &day.given));
        let mut sum = Score { adequacy_min: 100.0, ..Score::default() };
        let mut zones: Vec<ZoneScore> =
            TABLE.iter().map(|zone| ZoneScore { zone: zone.id, ..ZoneScore::default() }).collect();
        let mut passed = 0;
        for first in scored.from..(self.days.len() + 1).saturating_sub(WINDOW) {
            let eligible = rain.over(first) >= LEAST_RAIN_MM && eto.over(first) >= LEAST_ETO_MM;
            if !eligible || hit.as_ref().is_some_and(|hit| hit.over(first) < 0.5) {
                continue;
            }
            let (mut good, mut of_all) = (true, 0.0);
            for index in 0..ZONES {
                let wanted = need[index].over(first).max(1e-9);
                let adequacy = 100.0 * (wanted - short[index].over(first)) / wanted;
                let excess = 100.0 * surplus[index].over(first) / wanted;
                let fine = adequacy >= LEAST_ADEQUACY && excess <= MOST_EXCESS;
                good &= fine;
                of_all += excess / ZONES as f64;
                sum.adequacy_min = sum.adequacy_min.min(adequacy);
                sum.adequacy_mean += adequacy / ZONES as f64;
                sum.excess_max = sum.excess_max.max(excess);
                sum.net_water_mm += given[index].over(first) / ZONES as f64;
                zones[index].adequacy_mean += adequacy;
                zones[index].excess_mean += excess;
                zones[index].pass_percent += if fine { 100.0 } else { 0.0 };
            }
            good &= of_all <= MOST_MEAN_EXCESS;
            sum.excess_mean += of_all;
            sum.windows += 1;
            passed += usize::from(good);
            if let Some(year) = scored.years.get(first) {
                if sum.years.last().is_none_or(|last| last.year != *year) {
                    sum.years.push(YearScore { year: *year, ..YearScore::default() });
                }
                if let Some(last) = sum.years.last_mut() {
                    last.windows += 1;
                    last.passed += usize::from(good);
                }
            }
        }
        let count = sum.windows.max(1) as f64;
        sum.pass_percent = 100.0 * passed as f64 / count;
        for mean in [&mut sum.adequacy_mean, &mut sum.excess_mean, &mut sum.net_water_mm] {
            *mean /= count;
        }
        for zone in &mut zones {
            for mean in [&mut zone.adequacy_mean, &mut zone.excess_mean, &mut zone.pass_percent] {
                *mean = rounded(*mean / count);
            }
        }
        sum.zones = zones;
        sum.round()
    }
}

impl Score {
    fn round(mut self) -> Self {
        for value in [
            &mut self.pass_percent,
            &mut self.adequacy_min,
            &mut self.adequacy_mean,
            &mut self.excess_mean,
            &mut self.excess_max,
            &mut self.net_water_mm,
        ] {
            *value = rounded(*value);
        }
        self
    }
}

/// Two decimals.
pub fn rounded(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}

/// Sums from the first day on, so that any window is a difference.
struct Running(Vec<f64>);

impl Running {
    fn of(values: impl Iterator<Item = f64>) -> Self {
        let mut sums = vec![0.0];
        let mut sum = 0.0;
        sums.extend(values.map(|value| {
            sum += value;
            sum
        }));
        Self(sums)
    }

    fn over(&self, first: usize) -> f64 {
        let at = |index: usize| self.0.get(index).copied().unwrap_or_default();
        at(first + WINDOW) - at(first)
    }
}

/// Days of a window.
pub const WINDOW: usize = 30;

/// Windows that begin within the first days are not scored: the half-full soil of the start still tells.
pub const SETTLING: usize = 60;

const LEAST_RAIN_MM: f64 = 10.16;
const LEAST_ETO_MM: f64 = 63.5;
const LEAST_ADEQUACY: f64 = 80.0;
const MOST_EXCESS: f64 = 10.0;
const MOST_MEAN_EXCESS: f64 = 5.0;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_fills_with_irrigation_then_rain_and_charges_only_irrigation_that_overflows() {
        let mut soil = Soil::default();
        // Zone 2 holds 14 mm and has 7. 10 mm of irrigation: 3 overflow. 5 mm of rain are lost, uncharged. July: 0.71 × 8.
        let day = soil.day(6, 8.0, 5.0, [10.0; ZONES]);
        assert_eq!((day.surplus[1], day.short[1]), (3.0, 0.0));
        assert!((day.need[1] - 5.68).abs() < 1e-12 && (soil.water_mm[1] - 8.32).abs() < 1e-12);
        // Zone 4 holds 50.8 mm and has 25.4 + 10 + 5 − 0.4 × 8.
        assert_eq!(day.surplus[3], 0.0);
        assert!((soil.water_mm[3] - 37.2).abs() < 1e-12);
        // Without water the next days run dry: 8.32 − 5.68 leaves 2.64, then 3.04 mm are short, then all of it.
        let short: Vec<f64> = (0..3).map(|_| soil.day(6, 8.0, 0.0, [0.0; ZONES]).short[1]).collect();
        assert!((short[0]).abs() < 1e-12 && (short[1] - 3.04).abs() < 1e-9 && (short[2] - 5.68).abs() < 1e-12);
    }

    /// 30 days of 4 mm in July with `rain` on the first, and the same irrigation every day.
    fn july(days: usize, rain: f64, given: PerZone) -> Account {
        let (eto, months) = (vec![4.0; days], vec![6; days]);
        let rain: Vec<f64> = (0..days).map(|day| if day % 30 == 0 { rain } else { 0.0 }).collect();
        Account::of(&eto, &rain, &months, &vec![given; days])
    }

    #[test]
    fn a_window_counts_only_with_enough_rain_and_evapotranspiration() {
        let exact = TABLE.map(|zone| zone.factor[6] * 4.0);
        assert_eq!(july(30, 10.15, exact).score(Scored::default()).windows, 0);
        assert_eq!(july(30, 10.16, exact).score(Scored::default()).windows, 1);
        assert_eq!(july(29, 99.0, exact).score(Scored::default()).windows, 0, "29 days are no window");
        let dull = Account::of(&[2.1; 30], &[1.0; 30], &[6; 30], &[[0.0; ZONES]; 30]);
        assert_eq!(dull.score(Scored::default()).windows, 0, "63 mm");
    }

    #[test]
    fn as_much_as_is_needed_passes_and_twice_as_much_or_nothing_does_not() {
        let check = |share: f64, pass_percent: f64| {
            let given = TABLE.map(|zone| zone.factor[6] * 4.0 * share);
            let score = july(60, 20.0, given).score(Scored::default());
            assert_eq!((score.windows, score.pass_percent), (31, pass_percent), "{share}: {score:?}");
        };
        check(0.9, 100.0);
        check(1.0, 100.0);
        check(2.0, 0.0);
        check(0.0, 0.0);
    }

    #[test]
    fn scores_agree_with_a_balance_worked_by_hand() {
        // Zone 2, 30 July days of 4 mm: need 2.84 a day, 85.2 in all. Soil 7, nothing given, 10.16 mm of rain on the first day:
        // min(14, 17.16) = 14, so 14 of 85.2 are met: 16.43 %.
        let score = july(30, 10.16, [0.0; ZONES]).score(Scored::default());
        assert_eq!((score.zones[1].adequacy_mean, score.zones[1].excess_mean), (16.43, 0.0));
        // The same with 5 mm a day: day one 7 + 5 = 12, rain fills to 14, need leaves 11.16; then 16.16 overflows by 2.16
        // every day: 29 × 2.16 = 62.64 of 85.2: 73.52 %.
        let score = july(30, 10.16, [5.0; ZONES]).score(Scored::default());
        assert_eq!((score.zones[1].adequacy_mean, score.zones[1].excess_mean), (100.0, 73.52));
        assert_eq!(score.net_water_mm, 150.0);
    }

    #[test]
    fn only_windows_that_hold_a_marked_day_are_scored_and_years_add_up() {
        let account = july(90, 20.0, [2.0; ZONES]);
        let mut marked = vec![false; 90];
        (marked[40], marked[41]) = (true, true);
        let years: Vec<i32> = (0..90).map(|day| 2027 + day / 50).collect();
        let score = account.score(Scored { from: 0, overlapping: Some(&marked), years: &years });
        // Windows that begin on days 11 to 41.
        assert_eq!(score.windows, 31);
        assert_eq!(score.years.iter().map(|year| year.windows).sum::<usize>(), 31);
        assert_eq!(account.score(Scored { from: 50, ..Scored::default() }).windows, 11);
    }
}
