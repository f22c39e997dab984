//! The low that is expected in the evening, scored on a year of hours and on forty years of days.
//!
//! A night is cold where its low is 3 °C or less, the default of the freeze hold. What is learnt is learnt on the way: no
//! night is judged by what came after it.

use std::collections::BTreeMap;

use chrono::{Datelike, NaiveDate, NaiveDateTime};
use thirstd::engine::{
    formula::solar::sun_times,
    site::night::{Nights, quarter},
    stamp::{DAY, HOUR, Stamp},
    units::Degrees,
};

use super::table::{self, number};

const HOLD_AT_CELSIUS: f64 = 3.0;

/// Cold nights that were expected and missed, mild nights that were held for and left alone; nights without a word.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Score {
    hits: u32,
    misses: u32,
    false_holds: u32,
    quiet: u32,
    unknown: u32,
}

impl Score {
    fn count(&mut self, expected: Option<f64>, low: f64) {
        let Some(expected) = expected else {
            self.unknown += 1;
            return;
        };
        *match (expected <= HOLD_AT_CELSIUS, low <= HOLD_AT_CELSIUS) {
            (true, true) => &mut self.hits,
            (false, true) => &mut self.misses,
            (true, false) => &mut self.false_holds,
            (false, false) => &mut self.quiet,
        } += 1;
    }
}

/// Temperature and dew point by the hour that ends then, °C; local standard time is eight hours behind UTC.
fn fallon() -> Option<BTreeMap<i64, (f64, f64)>> {
    let rows = table::weather("fallon_2015_hourly.csv")?;
    let hours = rows.iter().filter_map(|row| {
        let text = &row["hour_ending_local_standard"];
        let local = NaiveDateTime::parse_from_str(text, "%Y-%m-%dT%H:%M").unwrap();
        let at = local.and_utc().timestamp_millis() + 8 * HOUR;
        Some((at, (number(row, "air_temperature_c")?, number(row, "dew_point_c")?)))
    });
    Some(hours.collect())
}

#[test]
fn a_year_of_fallon_s_nights_by_the_fall_and_by_the_dew_point() {
    let Some(hours) = fallon() else {
        println!("skipped: no weather data");
        return;
    };
    let (latitude, longitude) = (Degrees(39.4575), Degrees(-118.773_88));
    let near = |at: Stamp| hours.get(&((at.0 + HOUR / 2).div_euclid(HOUR) * HOUR)).copied();
    let (mut by_fall, mut by_dew_point, mut live) = (Score::default(), Score::default(), Score::default());
    let (mut plain, mut damp) = (Nights::default(), Nights::default());
    // Noon of 1 January at the site.
    let first = NaiveDate::from_ymd_opt(2015, 1, 1).unwrap().and_hms_opt(20, 0, 0).unwrap();
    for day in 0..364 {
        let noon = Stamp(first.and_utc().timestamp_millis()).plus(day * DAY);
        let sunset = sun_times(noon, latitude, longitude).sunset.unwrap();
        let morning = sun_times(noon.plus(DAY), latitude, longitude).sunrise.unwrap().plus(HOUR);
        let lows = hours.range(sunset.0 + 2 * HOUR..=morning.0).map(|(_, (t, _))| *t);
        let low = lows.fold(f64::INFINITY, f64::min);
        let (Some((evening, _)), Some((t, d))) = (near(sunset), near(sunset.plus(2 * HOUR))) else { continue };
        let quarter = quarter(sunset.plus(-8 * HOUR).utc().month0() as usize);
        for nights in [&mut plain, &mut damp] {
            nights.begin(quarter, sunset, morning, evening);
        }
        damp.look(t, d);
        by_fall.count(plain.expected_celsius(), low);
        by_dew_point.count(damp.expected_celsius(), low);
        live.count(Some(t), low);
        plain.end(Some(low));
        damp.end(Some(low));
    }
    println!("live alone {live:?}\nby the fall {by_fall:?}\nby the dew point {by_dew_point:?}");
    // Measured: of 156 cold nights a live reading two hours after sunset knew 60. By the fall 120 of 121 cold nights with 62
    // false holds of 163 mild ones; by the dew point 131 of 137 with 34 of 207. Asserted with margin.
    assert!(live.misses > 80, "{live:?}");
    assert!(by_fall.hits >= 112 && by_fall.misses <= 6 && by_fall.false_holds <= 75, "{by_fall:?}");
    assert!(by_dew_point.hits >= 124 && by_dew_point.misses <= 11, "{by_dew_point:?}");
    assert!(by_dew_point.false_holds <= 42, "{by_dew_point:?}");
}

#[test]
fn forty_years_of_de_bilt_s_nights_by_the_fall_from_the_day_s_high() {
    let Some(rows) = table::weather("debilt_1980_2019_full.csv") else {
        println!("skipped: no weather data");
        return;
    };
    let (mut score, mut nights) = (Score::default(), Nights::default());
    for pair in rows.windows(2) {
        let (Some(high), Some(low)) = (number(&pair[0], "tmax_c"), number(&pair[1], "tmin_c")) else { continue };
        let month: usize = pair[0]["date"][5..7].parse().unwrap();
        nights.begin(quarter(month - 1), Stamp(0), Stamp(0), high);
        score.count(nights.expected_celsius(), low);
        nights.end(Some(low));
    }
    println!("by the fall {score:?}");
    // Measured: 4116 of 4356 cold nights expected, 3056 of 10173 mild ones held for.
    assert!(f64::from(score.misses) < 0.08 * f64::from(score.hits + score.misses), "{score:?}");
    assert!(f64::from(score.false_holds) < 0.35 * f64::from(score.false_holds + score.quiet), "{score:?}");
}
