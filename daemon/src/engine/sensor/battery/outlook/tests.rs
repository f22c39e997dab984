//! Two months of days: their size, their saving, and what they say of chemistries without a slope.

use super::super::{Battery, BatteryReading};
use super::*;
use crate::engine::stamp::{DAY, HOUR, Stamp};
use crate::engine::units::{Percent, Volts};

/// Hourly readings of the days `from..to`, with an evening after each.
fn live(
    battery: &mut Battery,
    (from, to): (u16, u16),
    settings: &BatterySettings,
    reading: impl Fn(f64) -> BatteryReading,
) -> Vec<DayChange> {
    let mut changes = Vec::new();
    for day in from..to {
        for hour in 0..24u8 {
            let at = Stamp(i64::from(day) * DAY + i64::from(hour) * HOUR);
            let said = reading(f64::from(day) + f64::from(hour) / 24.0);
            battery.read(at.0, said, settings);
            let celsius = 12.0 + f64::from(hour % 12);
            changes.extend(battery.note((at, day, hour), said, Some(celsius), settings));
        }
        changes.extend(battery.outlook_mut().and_then(|outlook| outlook.turn(day + 1, settings, &fleet::NONE)));
    }
    changes
}

fn of(chemistry: Chemistry) -> BatterySettings {
    BatterySettings { chemistry, ..BatterySettings::default() }
}

fn forecast(battery: &Battery) -> Option<Forecast> {
    battery.outlook().and_then(|outlook| outlook.forecast().copied())
}

#[test]
fn two_months_are_small_survive_saving_and_an_older_state_is_read() {
    let settings = of(Chemistry::AlkalineAa2);
    let mut battery = Battery::default();
    live(&mut battery, (20_000, 20_400), &settings, |day| BatteryReading::Volts(Volts(3.0 - (day - 20_000.0) / 500.0)));
    let outlook = battery.outlook().unwrap();
    let bytes = rmp_serde::to_vec_named(outlook).unwrap();
    println!("an outlook of {} days takes {} bytes", outlook.days.count(), bytes.len());
    assert!(bytes.len() <= 400, "{}", bytes.len());
    assert_eq!(rmp_serde::from_slice::<Outlook>(&bytes).unwrap(), *outlook);
    let bytes = rmp_serde::to_vec_named(&battery).unwrap();
    assert_eq!(rmp_serde::from_slice::<Battery>(&bytes).unwrap(), battery);
    // As it was saved before there was an outlook: volts, percent, ok, and three patiences.
    let older = serde_json::json!({
        "v": 2.9, "p": null, "o": true,
        "a": {"l": true, "n": 0, "f": 5}, "b": {"l": false, "n": 0, "f": 0}, "c": {"l": true, "n": 2, "f": 7}
    });
    let older: Battery = rmp_serde::from_slice(&rmp_serde::to_vec_named(&older).unwrap()).unwrap();
    assert!(older.is_low() && older.outlook().is_none());
}

#[test]
fn a_flat_chemistry_is_told_by_its_age_and_by_its_knee_and_never_by_scatter() {
    let plateau = |day: f64| BatteryReading::Volts(Volts(2.92 + 0.01 * (day * 7.3).sin()));
    let mut battery = Battery::default();
    live(&mut battery, (20_000, 20_100), &of(Chemistry::Cr123a), plateau);
    assert_eq!(forecast(&battery), None);
    let aged = BatterySettings { typical_life_days: Some(110), ..of(Chemistry::Cr123a) };
    live(&mut battery, (20_100, 20_101), &aged, plateau);
    let by_age = forecast(&battery).unwrap();
    assert_eq!((by_age.basis, by_age.likely), (forecast::Basis::Age, 10));
    live(&mut battery, (20_101, 20_110), &of(Chemistry::Cr123a), |_| BatteryReading::Volts(Volts(2.44)));
    let knee = forecast(&battery).unwrap();
    assert_eq!(knee.basis, forecast::Basis::Knee);
    assert!((1..=10).contains(&knee.likely), "{knee:?}");
}

#[test]
fn a_sun_that_no_longer_charges_is_told_and_one_that_does_is_not() {
    let settings = of(Chemistry::NimhSun);
    let swing = |day: f64| 0.1 * (day * std::f64::consts::TAU).sin();
    let mut battery = Battery::default();
    live(&mut battery, (20_000, 20_060), &settings, |day| BatteryReading::Volts(Volts(2.55 + swing(day))));
    assert_eq!(forecast(&battery), None);
    live(&mut battery, (20_060, 20_110), &settings, |day| {
        BatteryReading::Volts(Volts(2.5 - 0.005 * (day - 20_060.0) + 0.3 * swing(day)))
    });
    let failing = forecast(&battery).unwrap();
    assert_eq!(failing.basis, forecast::Basis::Charging);
    assert!((5..=40).contains(&failing.likely), "{failing:?}");
}

#[test]
fn percent_has_a_trend_of_its_own_and_a_step_up_is_a_new_battery() {
    let settings = BatterySettings::default();
    let mut battery = Battery::default();
    let level = |day: f64| BatteryReading::Percent(Percent((60.0 - (day - 20_000.0)).round()));
    live(&mut battery, (20_000, 20_030), &settings, level);
    let told = forecast(&battery).unwrap();
    assert!((22..=28).contains(&told.likely), "{told:?}");
    assert!(battery.outlook().unwrap().is_near());
    let changes = live(&mut battery, (20_030, 20_034), &settings, |_| BatteryReading::Percent(Percent(100.0)));
    assert_eq!(changes, [DayChange::Replaced(20_030)]);
    assert!(!battery.outlook().unwrap().is_near());
}

#[test]
fn a_new_battery_of_another_kind_is_judged_by_its_volts() {
    let settings = of(Chemistry::AlkalineAa2);
    let mut battery = Battery::default();
    live(&mut battery, (20_000, 20_012), &settings, |_| BatteryReading::Volts(Volts(2.4)));
    live(&mut battery, (20_012, 20_016), &settings, |_| BatteryReading::Volts(Volts(3.5)));
    assert_eq!(battery.outlook().unwrap().chemistry(&settings), Chemistry::LithiumIronAa2);
    live(&mut battery, (20_016, 20_060), &settings, |_| BatteryReading::Volts(Volts(3.0)));
    assert_eq!(forecast(&battery), None);
}

#[test]
fn a_clock_that_went_back_leaves_no_days_that_have_not_been() {
    let settings = of(Chemistry::AlkalineAa2);
    let mut battery = Battery::default();
    let volts = |day: f64| BatteryReading::Volts(Volts(3.0 - (day - 20_000.0) / 200.0));
    live(&mut battery, (20_000, 20_030), &settings, volts);
    live(&mut battery, (30_000, 30_002), &settings, |_| BatteryReading::Volts(Volts(2.8)));
    battery.outlook_mut().unwrap().clock_stepped_back(20_030);
    live(&mut battery, (20_031, 20_060), &settings, volts);
    assert_eq!(battery.outlook().unwrap().days.newest().unwrap().day, 20_059);
}
