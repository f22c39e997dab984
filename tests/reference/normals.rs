//! Climate normals of long public series: against a second program, against each other, and scored on years not seen.

use std::path::PathBuf;

use chrono::{Datelike, NaiveDate};
use thirstd::climate::{Climate, ClimateDay, Fit, Ground, Wanted, climate_of};
use thirstd::engine::formula::reference_et::Climate as Air;
use thirstd::engine::site::normals::{Learnt, Normals, coarse, monthly};
use thirstd::weather_file::{DayRow, History, Rows, parse};

use super::table::{self, mean_and_rmse, number};

/// A series of the weather folder; None where it is absent.
fn history(file: &str) -> Option<History> {
    let folder = std::env::var_os("THIRST_DATA")
        .map_or_else(|| PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../shared/data"), PathBuf::from);
    Some(parse(file, &std::fs::read(folder.join(file)).ok()?).unwrap_or_else(|fault| panic!("{fault}")))
}

fn de_bilt() -> Wanted {
    Wanted { latitude_degrees: Some(52.1), elevation_m: Some(2.0), ..Wanted::default() }
}

fn maricopa() -> Wanted {
    Wanted { latitude_degrees: Some(33.069), elevation_m: Some(361.0), ..Wanted::default() }
}

fn normals(file: &str, wanted: &Wanted) -> Option<Climate> {
    Some(climate_of(file, &history(file)?, wanted).unwrap_or_else(|fault| panic!("{fault}")))
}

/// Days of a series with evapotranspiration.
fn days(file: &str, wanted: &Wanted, wind_height_m: f64) -> Option<Vec<ClimateDay>> {
    let ground = Ground {
        latitude_degrees: wanted.latitude_degrees.unwrap(),
        elevation_m: wanted.elevation_m.unwrap(),
        wind_height_m,
    };
    let Rows::Days(rows) = history(file)?.rows else { panic!("{file} is daily") };
    Some(rows.iter().map(|row| ClimateDay::of(row, &ground)).collect())
}

fn skipped() {
    println!("skipped: no weather data");
}

#[test]
fn courses_are_those_of_a_second_program() {
    let expected = table::rows(include_str!("../vectors/year_curves.csv"));
    let mut compared = 0;
    for row in &expected {
        let (file, quantity) = row["series"].split_once(':').unwrap();
        let years: [i32; 2] = ["from_year", "until_year"].map(|column| row[column].parse().unwrap());
        let fitted = if file == "fallon_tmin_fifth_days.csv" {
            let mut fit = Fit::default();
            for day in table::rows(include_str!("../vectors/fallon_tmin_fifth_days.csv")) {
                fit.take(day["date"].parse::<NaiveDate>().unwrap().ordinal(), number(&day, "tmin_c").unwrap());
            }
            fit.solve().unwrap()
        } else {
            let place = if file.starts_with("debilt") { de_bilt() } else { maricopa() };
            let wanted = Wanted { from_year: Some(years[0]), until_year: Some(years[1]), ..place };
            let Some(climate) = normals(file, &wanted) else {
                skipped();
                continue;
            };
            let index = ["eto", "tmin", "tmax"].iter().position(|name| *name == quantity).unwrap();
            climate.report.quantities[index].fitted.unwrap()
        };
        for (column, found) in ["a0", "a1", "b1", "a2", "b2"].into_iter().zip(fitted.curve.0) {
            let expected = number(row, column).unwrap();
            assert!((f64::from(found) - expected).abs() < 2e-4, "{file} {quantity} {column}: {found} for {expected}");
        }
        let rmse = number(row, "rmse").unwrap();
        assert!((fitted.deviation - rmse).abs() < 2e-4, "{file} {quantity}: {} for {rmse}", fitted.deviation);
        compared += 1;
    }
    assert!(compared >= 1);
}

#[test]
fn both_layouts_of_a_station_give_the_same_temperatures_and_rain() {
    let wanted = de_bilt();
    let (Some(full), Some(station)) = (
        normals("debilt_1980_2019_full.csv", &wanted),
        normals("debilt_1980_2019_ghcnd_layout.csv", &Wanted::default()),
    ) else {
        return skipped();
    };
    let (one, other) = (&full.normals, &station.normals);
    assert_eq!(
        (one.tmin_curve, one.tmax_curve, one.frost_odds),
        (other.tmin_curve, other.tmax_curve, other.frost_odds)
    );
    let sum = |months: &[f64; 12]| months.iter().sum::<f64>();
    let (rain, in_tenths) = (one.rain_mm.unwrap(), other.rain_mm.unwrap());
    for (one, other) in rain.iter().zip(in_tenths) {
        // Rain below 0.05 mm is 0.025 in the one and 0 in the other.
        assert!((0.0..0.2).contains(&(one - other)), "{one} {other}");
    }
    // Temperature alone against all sensors: +10 % in the year, −30 % in winter, as its factors say.
    let ratio = sum(&other.eto_mm) / sum(&one.eto_mm);
    println!("ETo by temperature alone / in full: {ratio:.3} ({:.0} / {:.0} mm)", sum(&other.eto_mm), sum(&one.eto_mm));
    assert!((ratio - 1.102).abs() < 0.005, "{ratio}");
    let factors = one.hargreaves_factor.unwrap();
    for ((factor, by_temperature), full) in factors.iter().zip(other.eto_mm).zip(one.eto_mm) {
        assert!(
            (f64::from(*factor) * by_temperature - full).abs() < 0.01 * full,
            "{factor} × {by_temperature} for {full}"
        );
    }
    assert_eq!(other.hargreaves_factor, None);
}

#[test]
fn eighteen_desert_years_peak_in_june_as_published() {
    let Some(Climate { normals, report }) = normals("maricopa_2003_2020_full.csv", &maricopa()) else {
        return skipped();
    };
    // Mean of the network's own daily values in June: 8.77 mm.
    assert!((normals.peak_eto_mm() - 8.77).abs() < 0.01, "{}", normals.peak_eto_mm());
    assert_eq!(normals.eto_of_month_mm(5), normals.peak_eto_mm());
    let (days, bias, rmse) = report.published.unwrap();
    assert!(days == 6575 && bias.abs() < 0.001 && rmse < 0.004, "{days} {bias} {rmse}");
    let year: f64 = normals.eto_mm.iter().sum();
    assert!((year - 1886.0).abs() < 2.0, "{year}");
    let by_day: f64 = dates(2027).map(|date| normals.eto_of_day_mm(date)).sum();
    assert!((by_day - year).abs() < 0.005 * year, "{by_day} {year}");
}

fn dates(year: i32) -> impl Iterator<Item = NaiveDate> {
    NaiveDate::from_ymd_opt(year, 1, 1).unwrap().iter_days().take_while(move |date| date.year() == year)
}

#[test]
fn counted_frost_odds_score_like_the_normal_distribution_and_miss_half_as_many_frosts() {
    // Brier scores of the second half of the years after odds of the first half.
    for (file, wanted, halves, expected, missed) in [
        ("debilt_1980_2019_full.csv", de_bilt(), (1980, 1999, 2000), (0.1001, 0.1005, 0.1014), (20, 37)),
        ("maricopa_2003_2020_full.csv", maricopa(), (2003, 2011, 2012), (0.0422, 0.0414, 0.0430), (5, 14)),
    ] {
        let (first, last, after) = halves;
        let wanted = Wanted { from_year: Some(first), until_year: Some(last), ..wanted };
        let Some(Climate { normals: counted, .. }) = normals(file, &wanted) else { return skipped() };
        let by_course = Normals { frost_odds: None, ..counted.clone() };
        let scored = days(file, &wanted, 10.0).unwrap();
        let nights: Vec<(NaiveDate, f64)> = scored
            .iter()
            .filter(|day| day.date.year() >= after)
            .filter_map(|day| Some((day.date, if day.tmin_celsius? <= 0.0 { 1.0 } else { 0.0 })))
            .collect();
        let brier = |odds: &dyn Fn(NaiveDate) -> f64| {
            nights.iter().map(|(date, frost)| (odds(*date) - frost).powi(2)).sum::<f64>() / nights.len() as f64
        };
        let lines = brier(&|date| counted.frost_odds(date).unwrap());
        let course = brier(&|date| by_course.frost_odds(date).unwrap());
        let months = brier(&|date| counted.frost_odds.unwrap()[date.month0() as usize].into());
        println!("{file}: counted {lines:.4}, normal distribution {course:.4}, plain months {months:.4}");
        let near = |score: f64, expected: f64| assert!((score - expected).abs() < 0.0006, "{score} for {expected}");
        near(lines, expected.0);
        near(course, expected.1);
        near(months, expected.2);
        assert!(lines < months);
        // What matters more: frosts of nights in which none is reckoned with.
        let unforeseen = |odds: &dyn Fn(NaiveDate) -> f64| {
            nights.iter().filter(|(date, frost)| *frost > 0.0 && odds(*date) < 0.1).count()
        };
        let by_count = unforeseen(&|date| counted.frost_odds(date).unwrap());
        let by_distribution = unforeseen(&|date| by_course.frost_odds(date).unwrap());
        println!("{file}: frosts below odds of 10 %: counted {by_count}, normal distribution {by_distribution}");
        assert_eq!((by_count, by_distribution), missed);
    }
}

#[test]
fn monthly_factors_bring_temperature_alone_as_near_as_the_site_says() {
    // Figures as in the daemon's table of method errors.
    for (file, wanted, wind, years, of_normals, learnt_mm) in [
        ("debilt_1980_2019_full.csv", de_bilt(), 10.0, (1980, 1999), 0.503, 0.511),
        ("maricopa_2003_2020_full.csv", maricopa(), 3.0, (2003, 2011), 0.953, 0.957),
    ] {
        let fit = Wanted { from_year: Some(years.0), until_year: Some(years.1), ..wanted };
        let Some(Climate { normals, .. }) = normals(file, &fit) else { return skipped() };
        let days = days(file, &wanted, wind).unwrap();
        let factors = normals.hargreaves_factor.unwrap();
        let errors = |days: &mut dyn Iterator<Item = &ClimateDay>, factor: &dyn Fn(NaiveDate) -> f64| -> Vec<f64> {
            days.map(|day| factor(day.date) * day.eto_by_temperature_mm.unwrap() - day.full_eto_mm.unwrap()).collect()
        };
        let later = errors(&mut days.iter().filter(|day| day.date.year() > years.1), &|date| {
            monthly::of_date(|month| f64::from(factors[month]), date)
        });
        let rmse = mean_and_rmse(&later).1;
        // Each year is taught by the full days of the year before it.
        let (first, last) = (days[0].date.year(), days[days.len() - 1].date.year());
        let mut taught = Vec::new();
        for year in first..last {
            let mut learnt = Learnt::default();
            for day in days.iter().filter(|day| day.date.year() == year) {
                let month = day.date.month0() as usize;
                learnt.take(month, day.full_eto_mm.unwrap(), day.eto_by_temperature_mm.unwrap());
            }
            taught.extend(errors(&mut days.iter().filter(|day| day.date.year() == year + 1), &|date| {
                monthly::of_date(|month| learnt.temperature_factor(month, 1.0), date)
            }));
        }
        let learnt = mean_and_rmse(&taught).1;
        println!("{file}: factors of the normals {rmse:.3} mm a day, learnt in one year {learnt:.3} mm a day");
        assert!((rmse - of_normals).abs() < 0.004 && (learnt - learnt_mm).abs() < 0.002, "{rmse} {learnt}");
    }
}

#[test]
fn own_days_bring_normals_nearer_to_the_year_that_follows() {
    for (file, wanted, wind, years) in [
        ("debilt_1980_2019_full.csv", de_bilt(), 10.0, (1980, 1999)),
        ("maricopa_2003_2020_full.csv", maricopa(), 3.0, (2003, 2011)),
    ] {
        let fit = Wanted { from_year: Some(years.0), until_year: Some(years.1), ..wanted };
        let Some(Climate { normals, .. }) = normals(file, &fit) else { return skipped() };
        let days = days(file, &wanted, wind).unwrap();
        let guess =
            coarse::eto_of_months_mm(wanted.latitude_degrees.unwrap(), if wind == 3.0 { Air::Dry } else { Air::Humid });
        let last = days[days.len() - 1].date.year();
        let mut errors: [Vec<f64>; 4] = Default::default();
        for year in years.1 + 1..=last - 2 {
            let mut learnt = Learnt::default();
            for day in days.iter().filter(|day| (year..=year + 1).contains(&day.date.year())) {
                let month = day.date.month0() as usize;
                learnt.take(month, day.full_eto_mm.unwrap(), day.eto_by_temperature_mm.unwrap());
            }
            for day in days.iter().filter(|day| day.date.year() == year + 2) {
                let (month, truth) = (day.date.month0() as usize, day.full_eto_mm.unwrap());
                let (normal, guess) = (normals.eto_of_month_mm(month), f64::from(guess[month]));
                let said = [normal, learnt.refined_mm(month, normal), guess, learnt.instead_of_guess_mm(month, guess)];
                errors.iter_mut().zip(said).for_each(|(errors, said)| errors.push(said - truth));
            }
        }
        let [normal, refined, guess, learnt] = errors.map(|errors| mean_and_rmse(&errors).1);
        println!(
            "{file}: normals {normal:.3}, with two own years {refined:.3}; guess {guess:.3}, with them {learnt:.3}"
        );
        assert!(refined < normal + 0.005 && learnt < guess + 0.005 && learnt < 1.03 * normal);
    }
}

#[test]
fn the_guess_by_latitude_is_as_far_off_as_it_says() {
    let rows = table::rows(include_str!("../vectors/eto_by_latitude.csv"));
    let errors_of = |climate: &str, fitted: &str, guess: &dyn Fn(f64) -> [f32; 12]| -> Vec<f64> {
        rows.iter()
            .filter(|row| row["climate"] == climate && row["fitted"] == fitted)
            .flat_map(|row| {
                let guess = guess(number(row, "latitude_degrees").unwrap());
                (0..12).map(move |month| {
                    f64::from(guess[month]) - number(row, &format!("mm_per_day_{:02}", month + 1)).unwrap()
                })
            })
            .collect()
    };
    for (climate, air, expected, flat_expected) in [("humid", Air::Humid, 0.37, 1.96), ("dry", Air::Dry, 0.67, 2.38)] {
        let (bias, rmse) =
            mean_and_rmse(&errors_of(climate, "yes", &|latitude| coarse::eto_of_months_mm(latitude, air)));
        let (_, flat) = mean_and_rmse(&errors_of(climate, "yes", &|_| [4.0; 12]));
        println!("{climate}: bias {bias:+.2}, rmse {rmse:.2} mm a day; a flat 4 mm {flat:.2}");
        assert!((rmse - expected).abs() < 0.02 && (flat - flat_expected).abs() < 0.02, "{rmse} {flat}");
        assert!(rmse <= coarse::error_mm(air) + 0.01);
    }
    // A place that the guess was not fitted to, on a cool coast: too high in every month.
    let (bias, rmse) =
        mean_and_rmse(&errors_of("humid", "no", &|latitude| coarse::eto_of_months_mm(latitude, Air::Humid)));
    println!("San Francisco: bias {bias:+.2}, rmse {rmse:.2} mm a day");
    assert!((bias - 0.84).abs() < 0.02 && (rmse - 0.89).abs() < 0.02, "{bias} {rmse}");
}

#[test]
fn usual_dew_point_and_wind_stand_in_as_well_as_the_site_says() {
    // Figures as in the daemon's table of method errors: normals of the first half of the years, scored on the second.
    for (file, wanted, wind_m, years, expected) in [
        ("debilt_1980_2019_full.csv", de_bilt(), 10.0, (1980, 1999), [0.272, 0.372]),
        ("maricopa_2003_2020_full.csv", maricopa(), 3.0, (2003, 2011), [0.272, 0.827]),
    ] {
        let fit = Wanted { from_year: Some(years.0), until_year: Some(years.1), ..wanted };
        let Some(Climate { normals, .. }) = normals(file, &fit) else { return skipped() };
        let ground = Ground {
            latitude_degrees: wanted.latitude_degrees.unwrap(),
            elevation_m: wanted.elevation_m.unwrap(),
            wind_height_m: wind_m,
        };
        let Rows::Days(rows) = history(file).unwrap().rows else { panic!("{file} is daily") };
        let (mut dew_point_alone, mut with_wind) = (Vec::new(), Vec::new());
        for row in rows.iter().filter(|row| row.date.year() > years.1) {
            let truth = ClimateDay::of(row, &ground).full_eto_mm.unwrap();
            let dew_point = row.lowest_celsius.unwrap() - normals.usual_dew_point_depression(row.date).unwrap();
            let stand_in = DayRow { dew_point_celsius: Some(dew_point), ..*row };
            dew_point_alone.push(ClimateDay::of(&stand_in, &ground).full_eto_mm.unwrap() - truth);
            let at_2_m = Ground { wind_height_m: 2.0, ..ground };
            let stand_in = DayRow { wind_m_per_s: normals.usual_wind(row.date), ..stand_in };
            with_wind.push(ClimateDay::of(&stand_in, &at_2_m).full_eto_mm.unwrap() - truth);
        }
        let found = [dew_point_alone, with_wind].map(|errors| mean_and_rmse(&errors).1);
        println!("{file}: usual dew point {:.3}, and usual wind {:.3} mm a day", found[0], found[1]);
        assert!(found.iter().zip(expected).all(|(found, expected)| (found - expected).abs() < 0.004), "{found:?}");
    }
}
