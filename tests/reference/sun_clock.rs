//! A clock that is wrong by hours, found by the sun: a year of hours from Fallon, Nevada (AgriMet), shifted and shaded.
//!
//! The file's sun is a 15-minute mean at the end of each hour; the mean of an hour is drawn between two of them. Its stamps
//! are said to be standard time, but from 8 March to 1 November its sun rises and sets an hour late: they are summer time.
//! That is a feed with a wrong zone as it is met in the field, and it is found like one.

use chrono::{NaiveDate, NaiveDateTime, TimeDelta};
use thirstd::engine::{
    formula::radiation::Exposure,
    site::{
        evapotranspiration::{ClearSky, Climate, FactorSource, Place},
        sun_clock::{Finding, SunClock, shift_minutes},
    },
};

use super::table::{self, number};

const PLACE: Place = Place {
    latitude_degrees: 39.4575,
    longitude_degrees: -118.773_88,
    elevation_m: 1208.5,
    wind_height_m: 3.0,
    clear_sky: ClearSky::Simple,
    climate: Climate::Dry,
    exposure: Exposure::Inland,
    usual_wind_m_per_s: None,
    usual_dew_point_depression: None,
    temperature_factors: [1.0; 12],
    factor_source: FactorSource::Unknown,
};

/// W/m² of each hour of the year, by hours since its first in UTC; with the stamps put right, or as they are said to be.
fn year(put_right: bool) -> Option<Vec<Option<f64>>> {
    let rows = table::weather("fallon_2015_hourly.csv")?;
    let first = NaiveDate::from_ymd_opt(2015, 1, 1).unwrap().and_hms_opt(0, 0, 0).unwrap();
    let mut samples = vec![None; 366 * 24];
    for row in &rows {
        let end = NaiveDateTime::parse_from_str(&row["hour_ending_local_standard"], "%Y-%m-%dT%H:%M").unwrap();
        let in_summer = ("2015-03-08T03:00"..="2015-11-01T01:00").contains(&row["hour_ending_local_standard"].as_str());
        let utc = end + TimeDelta::hours(if put_right && in_summer { 7 } else { 8 });
        samples[usize::try_from((utc - first).num_hours()).unwrap()] = number(row, "shortwave_w_m2");
    }
    // The sample at hour h is of h less 7.5 min; the middle of the hour from h to h + 1 lies 37.5 min after it.
    Some(samples.windows(2).map(|pair| Some(0.375 * pair[0]? + 0.625 * pair[1]?)).collect())
}

#[derive(Clone, Copy, PartialEq)]
enum Shade {
    None,
    Morning,
    Evening,
    Both,
}

/// A fifth of the sun is left where a house or trees stand before it: up to 9 h, or from 15 h, local standard time.
fn shaded(shade: Shade, local_hour: usize, sun: f64) -> f64 {
    let morning = matches!(shade, Shade::Morning | Shade::Both) && local_hour < 9;
    let evening = matches!(shade, Shade::Evening | Shade::Both) && local_hour >= 15;
    if morning || evening { 0.2 * sun } else { sun }
}

/// Days of the year (0 to 364) at whose end the clock is found to be off, and the first finding from each of four starts.
fn found(year: &[Option<f64>], hours_late: i64, shade: Shade) -> (Vec<usize>, Vec<Option<usize>>) {
    let day_shift = |day: usize| {
        let mut means = [None; 24];
        // The civil day at UTC-8; each reading is dated `hours_late` late.
        for hour in 0..24 {
            let real = i64::try_from(day * 24 + 8 + hour).unwrap() - hours_late;
            let Some(sun) = usize::try_from(real).ok().and_then(|real| *year.get(real)?) else { continue };
            let local = usize::try_from((real - 8).rem_euclid(24)).unwrap();
            means[(hour + 8) % 24] = Some(shaded(shade, local, sun));
        }
        shift_minutes(&PLACE, u32::try_from(day + 1).unwrap(), &means)
    };
    let shifts: Vec<Option<f64>> = (0..365).map(day_shift).collect();
    let run = |start: usize| {
        let mut clock = SunClock::default();
        let mut off = Vec::new();
        for (day, shift) in shifts.iter().enumerate().skip(start) {
            if let Some(shift) = shift {
                clock.note(NaiveDate::from_yo_opt(2015, u32::try_from(day + 1).unwrap()).unwrap(), *shift);
            }
            if let Finding::Off(_) = clock.finding() {
                off.push(day);
            }
        }
        off
    };
    let delays = [1, 91, 182, 274].map(|start| run(start).first().map(|day| day + 1 - start)).to_vec();
    (run(1), delays)
}

#[test]
fn the_sun_finds_clocks_that_are_hours_off_and_takes_no_shade_for_one() {
    let Some(year) = year(true) else {
        println!("skipped: no weather data");
        return;
    };
    for shade in [Shade::None, Shade::Morning, Shade::Evening, Shade::Both] {
        let (days, _) = found(&year, 0, shade);
        let name = ["none", "morning", "evening", "both"][shade as usize];
        println!("right clock, shade {name}: {} days with a false alarm", days.len());
        assert_eq!(days, Vec::<usize>::new(), "shade {name}");
    }
    for hours_late in [-2, -1, 1, 2, 7] {
        let (days, delays) = found(&year, hours_late, Shade::None);
        let delays: Vec<usize> = delays.into_iter().map(|delay| delay.unwrap_or(usize::MAX)).collect();
        println!("{hours_late:+} h: found after {delays:?} days from four starts, and on {} of 364 days", days.len());
        // Five clear days have to come first.
        assert!(delays.iter().all(|delay| *delay <= 30), "{hours_late}: {delays:?}");
    }
}

#[test]
fn summer_time_where_standard_time_was_said_is_found_and_its_end_too() {
    let Some(year) = year(false) else {
        println!("skipped: no weather data");
        return;
    };
    let (days, _) = found(&year, 0, Shade::None);
    let (first, last) = (days[0], days[days.len() - 1]);
    // 8 March is day 66, 1 November day 304, counted from 0.
    println!("stamps as they are: off from day {first} to day {last}, on {} days", days.len());
    assert!((66..=76).contains(&first) && (304..=345).contains(&last), "{first} {last}");
}
