//! Maricopa, Arizona, 2003 to 2020 (AZMET): eighteen years of published daily values, and what each substitute costs.

use chrono::{Datelike, NaiveDate};
use thirstd::engine::{
    formula::{
        radiation::{self, Exposure},
        reference_et::{self, ClearSky, Climate, DailyWeather, Surface},
        vapor,
    },
    site::evapotranspiration::unmeasured_rmse_mm,
    units::*,
};

use super::table::{self, Row, mean_and_rmse, number};

fn weather(row: &Row, clear_sky: ClearSky) -> DailyWeather {
    let date: NaiveDate = row["date"].parse().unwrap();
    let read = |column: &str| number(row, column).unwrap();
    DailyWeather {
        day_of_year: date.ordinal(),
        latitude: Degrees(33.069).radians(),
        elevation: Meters(361.0),
        highest: Celsius(read("tmax_c")),
        lowest: Celsius(read("tmin_c")),
        actual_vapor: vapor::saturation_vapor_pressure(Celsius(read("dew_point_c"))),
        shortwave: MegajoulesPerM2(read("shortwave_mj_m2")),
        wind: reference_et::wind_at_2_m(MetersPerSecond(read("wind_3m_m_s")), Meters(3.0)),
        clear_sky,
    }
}

fn eto(weather: &DailyWeather) -> f64 {
    reference_et::daily(weather, Surface::Short).0
}

#[test]
fn eighteen_years_agree_with_the_network_with_the_simple_clear_sky() {
    let Some(rows) = table::weather("maricopa_2003_2020_full.csv") else {
        println!("skipped: no weather data");
        return;
    };
    assert_eq!(rows.len(), 6575);
    let compare = |clear_sky| {
        let differences: Vec<f64> = rows
            .iter()
            .map(|row| eto(&weather(row, clear_sky)) - number(row, "published_eto_short_mm").unwrap())
            .collect();
        mean_and_rmse(&differences)
    };
    let (bias, rmse) = compare(ClearSky::Simple);
    println!("simple: bias {bias:+.4}, rmse {rmse:.4} mm/d");
    assert!(rmse < 0.004 && bias.abs() < 0.001, "{bias} {rmse}");
    let (bias, rmse) = compare(ClearSky::Full);
    println!("full: bias {bias:+.4}, rmse {rmse:.4} mm/d");
    assert!((rmse - 0.069).abs() < 0.002, "{bias} {rmse}");
}

#[test]
fn substitutes_cost_what_the_site_says_they_cost() {
    let Some(rows) = table::weather("maricopa_2003_2020_full.csv") else {
        println!("skipped: no weather data");
        return;
    };
    let rmse_of = |method: &dyn Fn(&DailyWeather) -> f64| {
        let differences: Vec<f64> = rows
            .iter()
            .map(|row| weather(row, ClearSky::Simple))
            .map(|weather| method(&weather) - eto(&weather))
            .collect();
        mean_and_rmse(&differences).1
    };
    let without_sun = |weather: &DailyWeather| {
        let (r_a, r_so) = (weather.extraterrestrial(), weather.clear_sky_radiation());
        let (highest, lowest) = (weather.highest, weather.lowest);
        let shortwave = radiation::shortwave_from_temperature(highest, lowest, Exposure::Inland, r_a, r_so);
        DailyWeather { shortwave, ..*weather }
    };
    let without_wind = |weather: &DailyWeather| DailyWeather { wind: reference_et::usual_wind(None), ..*weather };
    let without_humidity = |weather: &DailyWeather, climate| DailyWeather {
        actual_vapor: reference_et::vapor_pressure_of_lowest(weather.lowest, climate),
        ..*weather
    };
    let temperature_alone = |weather: &DailyWeather| {
        reference_et::hargreaves_samani(weather.highest, weather.lowest, weather.extraterrestrial()).0
    };
    // Figures as in the daemon's table of method errors.
    for (name, rmse, expected) in [
        ("Hargreaves-Samani", rmse_of(&temperature_alone), 1.018),
        ("Hargreaves-Samani x 1.054", rmse_of(&|weather| 1.054 * temperature_alone(weather)), 0.975),
        ("without sun", rmse_of(&|weather| eto(&without_sun(weather))), 0.249),
        ("without wind", rmse_of(&|weather| eto(&without_wind(weather))), 0.866),
        ("without sun and wind", rmse_of(&|weather| eto(&without_sun(&without_wind(weather)))), 0.937),
        (
            "without humidity and wind",
            rmse_of(&|weather| eto(&without_humidity(&without_wind(weather), Climate::Humid))),
            1.052,
        ),
        (
            "temperature alone, dry",
            rmse_of(&|weather| eto(&without_sun(&without_humidity(&without_wind(weather), Climate::Dry)))),
            1.134,
        ),
    ] {
        println!("{name}: rmse {rmse:.3} mm/d");
        assert!((rmse - expected).abs() < 0.01, "{name}: {rmse} for {expected}");
    }
}

/// Common practice in warm inland valleys: in January and February turf needs 15 to 35 % of the peak month.
#[test]
fn winter_in_a_warm_valley_is_a_quarter_of_its_peak() {
    let Some(rows) = table::weather("maricopa_2003_2020_full.csv") else {
        println!("skipped: no weather data");
        return;
    };
    let mut sums = [(0.0, 0u32); 12];
    let mut by_year = std::collections::BTreeMap::<i32, [f64; 12]>::new();
    for row in &rows {
        let date: NaiveDate = row["date"].parse().unwrap();
        let mm = eto(&weather(row, ClearSky::Simple));
        let (sum, days) = &mut sums[date.month0() as usize];
        (*sum, *days) = (*sum + mm, *days + 1);
        by_year.entry(date.year()).or_default()[date.month0() as usize] += mm;
    }
    let means = sums.map(|(sum, days)| sum / f64::from(days));
    let peak = means.iter().copied().fold(0.0, f64::max);
    let percent = means.map(|mean| 100.0 * mean / peak);
    println!("percent of the peak month by month: {percent:.0?}");
    assert!((15.0..=35.0).contains(&percent[0]) && (15.0..=35.0).contains(&percent[1]), "{percent:?}");
    for (year, months) in by_year {
        let peak = months.iter().copied().fold(0.0, f64::max);
        let (january, february) = (100.0 * months[0] / peak, 100.0 * months[1] / peak);
        println!("{year}: January {january:.0} %, February {february:.0} %");
        assert!((15.0..=35.0).contains(&january) && (15.0..=40.0).contains(&february), "{year}: {january} {february}");
    }
}

#[test]
fn a_day_that_nobody_measured_costs_what_the_site_says_it_costs() {
    let Some(rows) = table::weather("maricopa_2003_2020_full.csv") else {
        println!("skipped: no weather data");
        return;
    };
    let days: Vec<(usize, f64)> = rows
        .iter()
        .map(|row| {
            let date: NaiveDate = row["date"].parse().unwrap();
            (date.month0() as usize, eto(&weather(row, ClearSky::Simple)))
        })
        .collect();
    let mut sums = [(0.0, 0u32); 12];
    for (month, mm) in &days {
        sums[*month] = (sums[*month].0 + mm, sums[*month].1 + 1);
    }
    let by_month: Vec<f64> = days.iter().map(|(month, mm)| sums[*month].0 / f64::from(sums[*month].1) - mm).collect();
    let by_default: Vec<f64> = days.iter().map(|(_, mm)| 4.0 - mm).collect();
    for (by_normals, differences) in [(true, by_month), (false, by_default)] {
        let (rmse, (said, source)) = (mean_and_rmse(&differences).1, unmeasured_rmse_mm(Climate::Dry, by_normals));
        println!("{source}: rmse {rmse:.3} mm/d");
        assert!((rmse - said).abs() < 0.01, "{source}: {rmse} for {said}");
    }
}
