//! The simulated links beside published tables, and the bar that the daemon has to clear.

use serde_json::Value;

use super::*;

const TABLES: &str = include_str!("../../../tests/vectors/link_tables.json");

fn tables() -> Value {
    serde_json::from_str(TABLES).unwrap()
}

/// The simulation of `loss` at five minutes beside the row of a table: within four standard errors of both, and the share
/// lost by the bursts that a table may itself have had.
fn check(loss: Loss, row: &Value, years: f64, table_years: f64) {
    for (allowed, expected) in row["false_alarms_per_sensor_year"].as_object().unwrap() {
        let (allowed, expected) = (allowed.parse::<i64>().unwrap(), expected.as_f64().unwrap());
        let slots = (years * 365.25 * 288.0) as i64;
        let found = fixed(loss, 300, allowed, slots, 7);
        // Counts scatter as their root, more where they come in bursts.
        let error = 5.0 * (expected.max(found).max(0.5) * (1.0 / years + 1.0 / table_years)).sqrt() + 0.02 * expected;
        assert!((found - expected).abs() <= error, "{loss:?} {allowed}: {found} beside {expected} ± {error}");
    }
}

#[test]
fn independent_losses_are_those_of_the_formula() {
    for row in tables()["k_vs_p_iid"].as_array().unwrap() {
        let share = row["p"].as_f64().unwrap();
        if row["interval_s"] == 300 {
            check(Loss::Alone { share }, row, 4.0, f64::INFINITY);
        }
    }
}

#[test]
fn bursts_are_those_of_the_table() {
    for row in tables()["gilbert_elliott_300s"].as_array().unwrap() {
        let (share, mean_burst) = (row["mean_loss"].as_f64().unwrap(), row["mean_bad_burst_slots"].as_f64().unwrap());
        let loss = Loss::Bursts { share, mean_burst };
        let mut channel = Channel::new(loss, 3);
        let lost = (0..400_000).filter(|_| channel.loses()).count() as f64 / 400_000.0;
        assert!((lost - share).abs() < 0.012, "{loss:?}: {lost}");
        check(loss, row, 4.0, 30.0);
    }
}

#[test]
fn a_bursty_link_gives_few_false_alerts_and_death_is_told_all_the_same() {
    // Half an alert a sensor-year is the bar. One in 1.1 sensor-years is within chance of it; bursts of two and a half hours
    // are above it, as replay/link.md says with more sensors, and must not get worse.
    for (mean_burst, most) in [(3.0, 1), (10.0, 1), (30.0, 3)] {
        let row = row(Loss::Bursts { share: 0.1, mean_burst }, 300, 2, 200, 11).unwrap();
        assert!((row.lost - 0.1).abs() < 0.03, "{row:?}");
        assert!(row.false_alerts <= most, "{row:?}");
        assert_eq!(row.untold, 0, "{row:?}");
        assert!((0.4..=13.0).contains(&row.delay_median_hours), "{row:?}");
    }
    let clean = row(Loss::Alone { share: 0.01 }, 300, 1, 100, 11).unwrap();
    assert_eq!((clean.false_alerts, clean.weak, clean.unstable), (0, 0, 0), "{clean:?}");
    assert!(clean.delay_median_hours < 0.6, "{clean:?}");
}
