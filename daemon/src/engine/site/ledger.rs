//! The ledger: how much water a group's plants are owed.
//!
//! `owed = clamp(owed + plant factor × ETo − effective rain, −credit, ceiling)` per day, and owed falls by what was
//! delivered. With method account it is what the root zone lacks, by FAO-56, chapter 8. A second implementation, scored over whole histories, is the reference in the tests.

use serde::{Deserialize, Serialize};

use crate::engine::formula::root_zone;
use crate::engine::settings::{GroupSettings, Method};
use crate::engine::units::Millimeters;

/// Water owed at the last closed day, and what was delivered since, mm. Positive: the plants need water.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Ledger {
    #[serde(rename = "o", default)]
    owed_mm: f64,
    /// What the plants went without since the last watering, mm: as owed, but without a ceiling. For the dry guard.
    #[serde(rename = "d", default)]
    dry_mm: f64,
    /// Owed as it would stand if rain that a gauge in doubt did not catch had fallen.
    #[serde(rename = "u", default, skip_serializing_if = "Option::is_none")]
    doubted_mm: Option<f32>,
}

/// Reference evapotranspiration and rain of one day, or of a day so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct DayWater {
    #[serde(rename = "e", default)]
    pub eto_mm: f64,
    #[serde(rename = "r", default)]
    pub rain_mm: f64,
}

impl Ledger {
    /// Owed with the day so far, mm.
    pub fn owed_mm(self, group: &GroupSettings, month: usize, today: DayWater) -> f64 {
        clamp(self.owed_mm + self.balance_mm(group, month, today), group)
    }

    /// Books a day that has closed.
    pub fn post(&mut self, group: &GroupSettings, month: usize, day: DayWater) {
        self.both(|ledger| clamp(ledger.owed_mm + ledger.balance_mm(group, month, day), group));
        self.dry_mm = (self.dry_mm + balance_mm(group, month, day)).max(group.least_owed_mm());
    }

    /// What the plants went without since the last watering, with the day so far, mm: no ceiling cuts it off.
    pub fn dry_mm(self, group: &GroupSettings, month: usize, today: DayWater) -> f64 {
        (self.dry_mm + balance_mm(group, month, today)).max(group.least_owed_mm())
    }

    /// Books the difference after a closed day was figured anew.
    pub fn correct(&mut self, group: &GroupSettings, month: usize, before: DayWater, after: DayWater) {
        let difference = self.balance_mm(group, month, after) - self.balance_mm(group, month, before);
        self.both(|ledger| clamp(ledger.owed_mm + difference, group));
        self.dry_mm = (self.dry_mm + difference).max(group.least_owed_mm());
    }

    /// Books water that was delivered, mm net, and says how far owed fell. It pays for the day so far as well, which is
    /// posted only at its close.
    pub fn deliver(&mut self, group: &GroupSettings, month: usize, today: DayWater, mm: f64) -> f64 {
        let owed_before = self.owed_mm(group, month, today);
        self.both(|ledger| {
            let balance = ledger.balance_mm(group, month, today);
            // What is owed beyond the ceiling is past; what is given beyond the credit is lost. Rain may fill up further.
            let before = ledger.owed_mm.min(group.most_owed_mm() - balance);
            let fullest = before.min(group.least_owed_mm() - balance);
            (before - mm.max(0.0)).max(fullest)
        });
        self.dry_mm = self.owed_mm;
        (owed_before - self.owed_mm(group, month, today)).max(0.0)
    }

    /// Takes a delivery back that did not happen: owed rises by what it fell.
    pub fn take_back(&mut self, fell_mm: f64) {
        self.both(|ledger| ledger.owed_mm + fell_mm.max(0.0));
        self.dry_mm += fell_mm.max(0.0);
    }

    /// Moves owed by what a soil-moisture sensor says, mm.
    pub fn shift(&mut self, group: &GroupSettings, mm: f64) {
        self.both(|ledger| clamp(ledger.owed_mm + mm, group));
        self.dry_mm = (self.dry_mm + mm).max(group.least_owed_mm());
    }

    /// Rain of `mm` that the gauge did not catch may have fallen: from now on it is reckoned both ways.
    pub fn doubt(&mut self, group: &GroupSettings, month: usize, today: DayWater, mm: f64) {
        let doubted_mm = self.doubted_mm.map_or(self.owed_mm, f64::from);
        let balance = Self { owed_mm: doubted_mm, ..*self }.balance_mm(group, month, today);
        let fell_mm = group.rain_exposure * mm.max(0.0);
        let fullest = doubted_mm.min(group.least_owed_mm() - balance);
        self.doubted_mm = Some((doubted_mm - fell_mm).max(fullest) as f32);
    }

    /// The gauge is believed: nothing fell but what it caught.
    pub fn forget_doubt(&mut self) {
        self.doubted_mm = None;
    }

    /// The gauge is not believed: the rain that it did not catch is booked. Returns by how much owed falls, mm.
    pub fn side_with_doubt(&mut self) -> f64 {
        let Some(doubted_mm) = self.doubted_mm.take().map(f64::from) else { return 0.0 };
        let fell_mm = (self.owed_mm - doubted_mm).max(0.0);
        self.owed_mm -= fell_mm;
        self.dry_mm -= fell_mm;
        fell_mm
    }

    /// Changes owed, and owed as it stands with doubted rain.
    fn both(&mut self, change: impl Fn(Self) -> f64) {
        let doubted_mm = self.doubted_mm.map(|mm| change(Self { owed_mm: f64::from(mm), ..*self }) as f32);
        (self.owed_mm, self.doubted_mm) = (change(*self), doubted_mm);
    }

    /// What a day adds to what is owed, mm. In an account, thirsty plants close up and use less (FAO-56, Eq. 84 and 85).
    fn balance_mm(self, group: &GroupSettings, month: usize, day: DayWater) -> f64 {
        let (Method::Account, Some(total)) = (group.method, group.ground.total_mm) else {
            return balance_mm(group, month, day);
        };
        let crop_et = factor(group, month) * day.eto_mm;
        let p = root_zone::depletion_fraction_for(group.ground.depletion_fraction, Millimeters(crop_et));
        let stress = root_zone::stress_coefficient(Millimeters(self.owed_mm), Millimeters(total), p);
        stress * crop_et - effective_rain_mm(group, day)
    }

    /// Plants at rest owe nothing: what is stored stays.
    pub fn forgive(&mut self) {
        self.both(|ledger| ledger.owed_mm.min(0.0));
        self.dry_mm = self.dry_mm.min(0.0);
    }
}

/// Plant need less effective rain of one day, mm.
pub fn balance_mm(group: &GroupSettings, month: usize, day: DayWater) -> f64 {
    factor(group, month) * day.eto_mm - effective_rain_mm(group, day)
}

/// Rain that reaches the roots: by exposure, and none of a rain below 0.2 ETo, which evaporates from the leaves
/// (FAO-56 chapter 8, from memory). What the root zone cannot hold is cut off by the credit limit of the ledger.
pub fn effective_rain_mm(group: &GroupSettings, day: DayWater) -> f64 {
    if day.rain_mm < 0.2 * day.eto_mm { 0.0 } else { group.rain_exposure * day.rain_mm }
}

fn factor(group: &GroupSettings, month: usize) -> f64 {
    group.plant_factor.get(month).copied().unwrap_or(1.0)
}

fn clamp(owed_mm: f64, group: &GroupSettings) -> f64 {
    owed_mm.clamp(group.least_owed_mm(), group.most_owed_mm())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::settings::{Ground, tests::group};

    #[test]
    fn an_evening_run_pays_for_the_day_it_ends() {
        let lawn = GroupSettings { plant_factor: [1.0; 12], ..group() };
        let day = DayWater { eto_mm: 8.0, rain_mm: 0.0 };
        let mut ledger = Ledger::default();
        for _ in 0..10 {
            let owed = ledger.owed_mm(&lawn, 5, day);
            assert!((owed - 8.0).abs() < 1e-9, "{owed}");
            ledger.deliver(&lawn, 5, day, owed);
            ledger.post(&lawn, 5, day);
            assert!(ledger.owed_mm(&lawn, 5, DayWater::default()).abs() < 1e-9);
        }
    }

    #[test]
    fn owed_stays_between_credit_and_ceiling_and_too_much_water_is_stored_only_to_the_credit() {
        let mut ledger = Ledger::default();
        ledger.deliver(&group(), 5, DayWater::default(), 50.0);
        assert_eq!(ledger.owed_mm(&group(), 5, DayWater::default()), -5.0);
        for _ in 0..20 {
            ledger.post(&group(), 5, DayWater { eto_mm: 9.0, rain_mm: 0.0 });
        }
        assert_eq!(ledger.owed_mm(&group(), 5, DayWater::default()), 25.0);
        ledger.forgive();
        assert_eq!(ledger.owed_mm(&group(), 5, DayWater::default()), 0.0);
    }

    #[test]
    fn what_a_plant_went_without_has_no_ceiling_and_counts_anew_from_each_watering() {
        let mut ledger = Ledger::default();
        for _ in 0..10 {
            ledger.post(&group(), 5, DayWater { eto_mm: 5.0, rain_mm: 0.0 });
        }
        assert_eq!(ledger.dry_mm(&group(), 5, DayWater::default()), 40.0);
        assert_eq!(ledger.deliver(&group(), 5, DayWater::default(), 10.0), 10.0);
        assert_eq!(ledger.dry_mm(&group(), 5, DayWater::default()), 15.0);
        ledger.post(&group(), 5, DayWater { eto_mm: 0.0, rain_mm: 90.0 });
        assert_eq!(ledger.dry_mm(&group(), 5, DayWater::default()), -5.0, "what the soil cannot store is no help");
    }

    #[test]
    fn a_delivery_that_is_taken_back_is_owed_again() {
        let mut ledger = Ledger::default();
        ledger.post(&group(), 5, DayWater { eto_mm: 5.0, rain_mm: 0.0 });
        let fell = ledger.deliver(&group(), 5, DayWater::default(), 50.0);
        assert_eq!(fell, 9.0, "4 mm owed and 5 mm of credit: the rest is lost");
        ledger.take_back(fell);
        assert_eq!(ledger.owed_mm(&group(), 5, DayWater::default()), 4.0);
    }

    #[test]
    fn doubted_rain_is_reckoned_both_ways_until_somebody_is_believed() {
        let day = DayWater { eto_mm: 5.0, rain_mm: 0.0 };
        let course = |doubted: bool| {
            let mut ledger = Ledger::default();
            ledger.post(&group(), 5, day);
            ledger.post(&group(), 5, day);
            if doubted {
                ledger.doubt(&group(), 5, DayWater::default(), 30.0);
            }
            ledger
        };
        // 8 mm are owed; with 30 mm of rain it is 5 mm of credit. A run of 8 mm then only keeps what is stored.
        let mut ledger = course(true);
        assert_eq!(ledger.owed_mm(&group(), 5, DayWater::default()), 8.0);
        ledger.deliver(&group(), 5, DayWater::default(), 8.0);
        ledger.post(&group(), 5, day);
        assert_eq!(ledger.owed_mm(&group(), 5, DayWater::default()), 4.0);
        assert_eq!(ledger.side_with_doubt(), 5.0, "of all the rain the soil kept no more than it can store");
        assert_eq!(ledger.owed_mm(&group(), 5, DayWater::default()), -1.0);
        assert_eq!(ledger.side_with_doubt(), 0.0, "booked once");
        let mut ledger = course(true);
        ledger.forget_doubt();
        assert_eq!(ledger, course(false));
    }

    /// Onion on silt of FAO-56, Example 36, as an account: 68 mm, p 0.3.
    fn bed() -> GroupSettings {
        let ground = Ground { total_mm: Some(136.0), depletion_fraction: 0.4, ..Ground::default() };
        GroupSettings { plant_factor: [1.0; 12], method: Method::Account, ground, ceiling_mm: 54.4, ..group() }
    }

    #[test]
    fn an_account_is_the_root_zone_balance_of_fao_56() {
        // Example 37: tomato on silt, 136 mm, p 0.40 at 5 mm a day, 60 mm depleted: 64.66 the next morning.
        let mut ledger = Ledger { owed_mm: 60.0, ..Ledger::default() };
        ledger.post(&bed(), 5, DayWater { eto_mm: 5.0, rain_mm: 0.0 });
        assert!((ledger.owed_mm - 64.66).abs() < 0.01, "{}", ledger.owed_mm);
        // The same as the formula, day by day, with rain and runs between.
        let (mut ledger, mut depletion) = (Ledger::default(), Millimeters(0.0));
        for day in 0..200 {
            let (eto_mm, rain_mm) = (2.0 + f64::from(day % 7), if day % 11 == 5 { 17.0 } else { 0.0 });
            let irrigation = if day % 23 == 9 { 30.0 } else { 0.0 };
            ledger.deliver(&bed(), 5, DayWater::default(), irrigation);
            depletion = Millimeters((depletion.0 - irrigation).max(0.0));
            let p = root_zone::depletion_fraction_for(0.4, Millimeters(eto_mm));
            let water = root_zone::DayWater {
                rain: Millimeters(rain_mm),
                irrigation: Millimeters(0.0),
                crop_et: Millimeters(eto_mm),
            };
            depletion = root_zone::balance_day(depletion, Millimeters(136.0), p, &water).depletion;
            ledger.post(&bed(), 5, DayWater { eto_mm, rain_mm });
            assert!((ledger.owed_mm - depletion.0).abs() < 1e-9, "day {day}: {} {depletion:?}", ledger.owed_mm);
        }
    }

    proptest::proptest! {
        /// Whatever days and runs come, in whatever order: owed stays between credit and ceiling.
        #[test]
        fn owed_never_leaves_its_range(
            happenings in proptest::collection::vec((0u8..4, 0.0..60.0_f64, 0.0..15.0_f64), 1..80),
        ) {
            let (mut ledger, mut day, mut fell) = (Ledger::default(), DayWater::default(), 0.0);
            for (kind, a, b) in happenings {
                match kind {
                    0 => {
                        ledger.post(&group(), 5, day);
                        day = DayWater::default();
                    }
                    1 => day = DayWater { eto_mm: b, rain_mm: day.rain_mm + a },
                    2 => fell = ledger.deliver(&group(), 5, day, a),
                    _ => {
                        ledger.take_back(fell);
                        fell = 0.0;
                    }
                }
                let owed = ledger.owed_mm(&group(), 5, day);
                proptest::prop_assert!((-5.0..=25.0).contains(&owed), "{owed}");
                proptest::prop_assert!(ledger.dry_mm(&group(), 5, day) >= -5.0);
            }
        }
    }

    #[test]
    fn a_run_on_a_day_of_heavy_rain_forgives_nothing_of_the_rain() {
        let mut ledger = Ledger::default();
        ledger.post(&group(), 5, DayWater { eto_mm: 5.0, rain_mm: 0.0 });
        let storm = DayWater { eto_mm: 0.5, rain_mm: 14.4 };
        ledger.deliver(&group(), 5, storm, 1.0);
        assert_eq!(ledger.owed_mm(&group(), 5, DayWater { eto_mm: 5.0, ..storm }), -5.0);
    }
}
