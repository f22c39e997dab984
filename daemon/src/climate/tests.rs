//! Blocks that the configuration reads, faults in words, and hostile histories.

use proptest::prelude::*;

use super::*;
use crate::config::load_text;
use crate::engine::settings::{DisplayUnits, SiteSettings};
use crate::weather_file::parse;

const ONE_SITE: &str = include_str!("../../../deploy/config/one-site.toml");

/// Years of made-up weather: frost in January, rain every fifth day, two columns of temperature.
fn history(years: std::ops::RangeInclusive<i32>, columns: &str, row: impl Fn(u32) -> String) -> History {
    let first = chrono::NaiveDate::from_ymd_opt(*years.start(), 1, 1).unwrap();
    let mut text = format!("date,tmin_c,tmax_c,rain_mm{columns}\n");
    for date in first.iter_days().take_while(|date| years.contains(&chrono::Datelike::year(date))) {
        let day = chrono::Datelike::ordinal(&date);
        let warmth = -12.0 * (std::f64::consts::TAU * f64::from(day) / 365.25).cos();
        let rain = if day.is_multiple_of(5) { 10.0 } else { 0.0 };
        text.push_str(&format!("{date},{:.2},{:.2},{rain}{}\n", 8.0 + warmth, 19.0 + warmth, row(day)));
    }
    parse("made-up.csv", text.as_bytes()).unwrap()
}

fn at_45() -> Wanted {
    Wanted { latitude_degrees: Some(45.0), ..Wanted::default() }
}

fn full_day(_: u32) -> String {
    ",14.0,5.0,2.0".to_owned()
}

const FULL: &str = ",shortwave_mj_m2,dew_point_c,wind_2m_m_s";

fn site_with(block: &str) -> SiteSettings {
    // The main file's last site takes the table at its end.
    let text = format!("{ONE_SITE}\n{block}");
    let loaded =
        load_text("thirstd.toml", &text, std::iter::empty()).unwrap_or_else(|faults| panic!("{faults}\n{block}"));
    loaded.settings.sites[0].clone()
}

/// A block without its line breaks.
fn flowing(climate: &Climate) -> String {
    block(climate, Header::OwnFile, DisplayUnits::Metric).replace("\n# ", " ")
}

#[test]
fn what_is_written_is_what_the_configuration_reads() {
    let history = history(2001..=2012, FULL, full_day);
    let climate = climate_of("made-up.csv", &history, &at_45()).unwrap();
    for units in [DisplayUnits::Metric, DisplayUnits::Us] {
        let site = site_with(&block(&climate, Header::Site, units));
        let (read, made) = (site.normals.as_ref().unwrap(), &climate.normals);
        let near =
            |read: f64, made: f64, within: f64| assert!((read - made).abs() <= within, "{read} for {made}, {units:?}");
        for month in 0..12 {
            near(read.eto_mm[month], made.eto_mm[month], 0.13);
            near(read.rain_mm.unwrap()[month], made.rain_mm.unwrap()[month], 0.13);
            near(read.frost_odds.unwrap()[month].into(), made.frost_odds.unwrap()[month].into(), 0.0006);
            near(read.hargreaves_factor.unwrap()[month].into(), made.hargreaves_factor.unwrap()[month].into(), 0.0006);
        }
        for (read, made) in [
            (read.eto_curve, made.eto_curve),
            (read.tmin_curve, made.tmin_curve),
            (read.tmax_curve, made.tmax_curve),
            (read.dew_point_curve, made.dew_point_curve),
            (read.wind_curve, made.wind_curve),
        ] {
            (1..=366).for_each(|day| near(read.unwrap().at(day), made.unwrap().at(day), 0.003));
        }
        assert_eq!((read.years, &read.source), (made.years, &made.source));
        assert!(site.frost_months[0] && !site.frost_months[6] && !site.frost_months_given);
        assert_eq!(site.place.temperature_factors[3], read.hargreaves_factor.unwrap()[3]);
    }
    let shared = format!(
        "{}\n{}",
        ONE_SITE.replace("id = \"heron-bend\"", "id = \"heron-bend\"\nnormals = \"reed-valley\""),
        block(&climate, Header::Shared("reed-valley"), DisplayUnits::Metric)
    );
    let loaded = load_text("thirstd.toml", &shared, std::iter::empty()).unwrap_or_else(|faults| panic!("{faults}"));
    assert_eq!(loaded.settings.sites[0].normals.as_ref().unwrap().years, climate.normals.years);
    let own = block(&climate, Header::OwnFile, DisplayUnits::Metric);
    assert!(own.contains("\n[normals]\n") && !own.contains("[sites.normals]"));
    assert!(own.lines().all(|line| line.chars().count() <= 120), "{own}");
}

#[test]
fn a_course_that_is_known_is_found_with_its_months_and_its_frost() {
    let history = history(2001..=2004, FULL, full_day);
    let Climate { normals, report } = climate_of("made-up.csv", &history, &at_45()).unwrap();
    let tmin = normals.tmin_curve.unwrap();
    assert!((tmin.mean() - 8.0).abs() < 0.01 && (f64::from(tmin.0[1]) + 12.0).abs() < 0.01, "{tmin:?}");
    assert!(normals.tmin_deviation.unwrap() <= 0.1, "a course without scatter");
    let rain: f64 = normals.rain_mm.unwrap().iter().sum();
    assert!((rain - 730.5).abs() < 8.0, "10 mm every fifth day: {rain}");
    let odds = normals.frost_odds.unwrap();
    assert!(odds[0] == 1.0 && odds[6] == 0.0, "{odds:?}");
    assert_eq!((report.full_days, report.temperature_days, report.years), (1461, 0, (2001, 2004)));
    assert_eq!(normals.wind_curve.unwrap().mean().round(), 2.0);
}

#[test]
fn days_without_sun_count_by_temperature_times_the_factors_of_full_days() {
    // Sun is missing on every third day.
    let row = |day: u32| if day.is_multiple_of(3) { ",,5.0,2.0".to_owned() } else { full_day(day) };
    let (whole, patchy) = (history(2001..=2008, FULL, full_day), history(2001..=2008, FULL, row));
    let of = |history| climate_of("made-up.csv", history, &at_45()).unwrap();
    let (whole, patchy) = (of(&whole), of(&patchy));
    assert!(patchy.report.tuned && patchy.report.temperature_days > 900, "{:?}", patchy.report);
    for month in 0..12 {
        let (one, other) = (whole.normals.eto_mm[month], patchy.normals.eto_mm[month]);
        assert!((one - other).abs() < 0.03 * one, "{one} {other}");
    }
    assert!(flowing(&patchy).contains("times the monthly factors of the full days"));
}

#[test]
fn the_last_thirty_years_are_taken_unless_others_are_asked_for() {
    let history = history(1971..=2010, "", |_| String::new());
    let years = |wanted| climate_of("made-up.csv", &history, &wanted).map(|climate| climate.report.years);
    assert_eq!(years(at_45()), Ok((1981, 2010)));
    assert_eq!(years(Wanted { from_year: Some(1971), ..at_45() }), Ok((1971, 2010)));
    assert_eq!(years(Wanted { until_year: Some(1990), ..at_45() }), Ok((1971, 1990)));
    let text = flowing(&climate_of("made-up.csv", &history, &at_45()).unwrap());
    assert!(text.contains("The years 1971 to 1980 were left out; --from-year takes them."), "{text}");
}

#[test]
fn what_is_missing_is_said_with_what_to_do() {
    let check = |history: &History, wanted: &Wanted, said: &str| {
        let fault = climate_of("made-up.csv", history, wanted).unwrap_err().to_string();
        assert_eq!(fault, said);
    };
    let years = history(2001..=2010, "", |_| String::new());
    check(
        &years,
        &Wanted::default(),
        "made-up.csv: says no latitude: give it in degrees with --latitude, for example --latitude 52.1",
    );
    check(
        &years,
        &Wanted { from_year: Some(2020), ..at_45() },
        "made-up.csv: has no day from 2020 to 2010; it reaches from 2001 to 2010",
    );
    let mut summers = years.clone();
    if let Rows::Days(days) = &mut summers.rows {
        days.retain(|day| (3..=10).contains(&chrono::Datelike::month(&day.date)));
    }
    check(
        &summers,
        &at_45(),
        "made-up.csv: Jan, Feb, Nov, Dec have lowest and highest temperature on less than 80 % of their days (2001 to 2010): \
         take other years with --from-year and --until-year, or another station",
    );
}

#[test]
fn a_quantity_with_too_few_days_is_left_out_and_named() {
    let row = |day: u32| if (32..60).contains(&day) { ",14.0,5.0,".to_owned() } else { full_day(day) };
    let history = history(2001..=2010, FULL, row);
    let climate = climate_of("made-up.csv", &history, &at_45()).unwrap();
    assert_eq!(climate.normals.wind_curve, None);
    let text = flowing(&climate);
    assert!(text.contains("Left out, on too few days: wind at 2 m (Feb 0 %)."), "{text}");
}

#[test]
fn hours_become_days_of_their_local_date() {
    let mut text =
        "hour_ending_local_standard,air_temperature_c,dew_point_c,wind_2m_m_s,shortwave_w_m2,rain_mm\n".to_owned();
    let first = chrono::NaiveDate::from_ymd_opt(2027, 6, 1).unwrap().and_hms_opt(0, 0, 0).unwrap();
    for hour in 1..=48 {
        let end = first + chrono::TimeDelta::hours(hour);
        let air = if hour <= 24 { 10.0 + hour as f64 } else { 20.0 };
        // The last hours of the second day are missing.
        if hour < 44 {
            text.push_str(&format!("{},{air},8.0,2.0,250,0.1\n", end.format("%Y-%m-%dT%H:%M")));
        }
    }
    let Rows::Hours(hours) = parse("june.csv", text.as_bytes()).unwrap().rows else { panic!("hours") };
    let days = days_of_hours(&hours);
    assert_eq!(days.len(), 2);
    let day = days[0];
    assert_eq!(
        (day.date.to_string().as_str(), day.lowest_celsius, day.highest_celsius),
        ("2027-06-01", Some(11.0), Some(34.0))
    );
    assert!((day.shortwave_mj_per_m2.unwrap() - 21.6).abs() < 1e-9 && (day.rain_mm.unwrap() - 2.4).abs() < 1e-9);
    assert!((day.dew_point_celsius.unwrap() - 8.0).abs() < 1e-6);
    assert_eq!(days[1].highest_celsius, None, "19 hours are no day");
}

#[test]
fn the_picture_names_what_it_shows() {
    let history = history(2001..=2003, FULL, full_day);
    let climate = climate_of("made-up.csv", &history, &at_45()).unwrap();
    let metric = picture(&climate, DisplayUnits::Metric).unwrap();
    for text in
        ["<svg", "made-up.csv, 2001 to 2003", "mm a day", "°C", "usual low", "Dec", "odds of a night at 0 °C or less"]
    {
        assert!(metric.contains(text), "{text}");
    }
    let us = picture(&climate, DisplayUnits::Us).unwrap();
    assert!(us.contains("inches a day") && us.contains("°F") && us.contains("32 °F"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_history_gives_normals_that_can_be_read_or_a_fault(
        lines in proptest::collection::vec(
            (-2000i32..2000, -2000i32..2000, -10i32..30_000, "[0-9.-]{0,6}", prop_oneof![Just(""), Just("\"")]), 0..500),
        ghcn in any::<bool>(),
        latitude in proptest::option::of(-90.0..90.0_f64),
        from in proptest::option::of(1700i32..2200),
    ) {
        let header = if ghcn { "STATION,DATE,LATITUDE,PRCP,TMAX,TMIN" } else { "date,tmin_c,tmax_c,rain_mm,shortwave_mj_m2,dew_point_c,wind_3m_m_s" };
        let first = chrono::NaiveDate::from_ymd_opt(1999, 1, 1).unwrap();
        let mut text = format!("{header}\n");
        for ((one, other, third, odd, quote), date) in lines.iter().zip(first.iter_days()) {
            if ghcn {
                text.push_str(&format!("A,{date},50,{third},{one},{quote}{other}{quote}\n"));
            } else {
                let (low, high) = (f64::from(*one.min(other)) / 40.0, f64::from(*one.max(other)) / 40.0);
                text.push_str(&format!("{date},{low},{high},{},{},{odd},{}\n", f64::from(*third) / 100.0, third % 60, third % 50));
            }
        }
        let wanted = Wanted { latitude_degrees: latitude, from_year: from, ..Wanted::default() };
        if let Ok(history) = parse("x.csv", text.as_bytes())
            && let Ok(climate) = climate_of("x.csv", &history, &wanted)
        {
            let text = block(&climate, Header::Site, DisplayUnits::Metric);
            prop_assert!(text.len() < 10_000);
            prop_assert!(picture(&climate, DisplayUnits::Us).is_ok());
        }
    }

    #[test]
    fn any_bytes_are_normals_or_a_fault(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        if let Ok(history) = parse("x.csv", &bytes) {
            let _ = climate_of("x.csv", &history, &at_45());
        }
    }
}
