//! De Bilt, the Netherlands, 1980 to 2019 (KNMI): what each substitute costs in a humid climate.

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

fn weather(row: &Row) -> DailyWeather {
    let date: NaiveDate = row["date"].parse().unwrap();
    let read = |column: &str| number(row, column).unwrap();
    let (highest, lowest) = (Celsius(read("tmax_c")), Celsius(read("tmin_c")));
    let (highest_humidity, lowest_humidity) = (Percent(read("rh_max_pct")), Percent(read("rh_min_pct")));
    DailyWeather {
        day_of_year: date.ordinal(),
        latitude: Degrees(52.1).radians(),
        elevation: Meters(2.0),
        highest,
        lowest,
        actual_vapor: vapor::vapor_pressure_of_extremes(highest, lowest, highest_humidity, lowest_humidity),
        shortwave: MegajoulesPerM2(read("shortwave_mj_m2")),
        wind: reference_et::wind_at_2_m(MetersPerSecond(read("wind_10m_m_s")), Meters(10.0)),
        clear_sky: ClearSky::Simple,
    }
}

fn eto(weather: &DailyWeather) -> f64 {
    reference_et::daily(weather, Surface::Short).0
}

#[test]
fn substitutes_cost_what_the_site_says_they_cost() {
    let Some(rows) = table::weather("debilt_1980_2019_full.csv") else {
        println!("skipped: no weather data");
        return;
    };
    assert_eq!(rows.len(), 14_610);
    let days: Vec<DailyWeather> = rows.iter().map(weather).collect();
    let mean_wind = days.iter().map(|day| day.wind.0).sum::<f64>() / days.len() as f64;
    let rmse_of = |method: &dyn Fn(&DailyWeather) -> f64| {
        mean_and_rmse(&days.iter().map(|day| method(day) - eto(day)).collect::<Vec<_>>()).1
    };
    let without_sun = |day: &DailyWeather| {
        let (r_a, r_so) = (day.extraterrestrial(), day.clear_sky_radiation());
        let shortwave = radiation::shortwave_from_temperature(day.highest, day.lowest, Exposure::Inland, r_a, r_so);
        DailyWeather { shortwave, ..*day }
    };
    let with_wind = |day: &DailyWeather, mean| DailyWeather { wind: reference_et::usual_wind(mean), ..*day };
    let without_humidity = |day: &DailyWeather| DailyWeather {
        actual_vapor: reference_et::vapor_pressure_of_lowest(day.lowest, Climate::Humid),
        ..*day
    };
    let temperature_alone =
        |day: &DailyWeather| reference_et::hargreaves_samani(day.highest, day.lowest, day.extraterrestrial()).0;
    // Figures as in the daemon's table of method errors.
    for (name, rmse, expected) in [
        ("Hargreaves-Samani", rmse_of(&temperature_alone), 0.600),
        ("Hargreaves-Samani x 0.879", rmse_of(&|day| 0.879 * temperature_alone(day)), 0.515),
        ("without sun", rmse_of(&|day| eto(&without_sun(day))), 0.313),
        ("without wind", rmse_of(&|day| eto(&with_wind(day, None))), 0.215),
        ("without sun and wind", rmse_of(&|day| eto(&without_sun(&with_wind(day, None)))), 0.390),
        (
            "without sun, mean wind",
            rmse_of(&|day| eto(&without_sun(&with_wind(day, Some(MetersPerSecond(mean_wind)))))),
            0.394,
        ),
        ("without humidity and wind", rmse_of(&|day| eto(&without_humidity(&with_wind(day, None)))), 0.356),
        ("temperature alone", rmse_of(&|day| eto(&without_sun(&without_humidity(&with_wind(day, None))))), 0.518),
    ] {
        println!("{name}: rmse {rmse:.3} mm/d");
        assert!((rmse - expected).abs() < 0.01, "{name}: {rmse} for {expected}");
    }
}

#[test]
fn a_day_that_nobody_measured_costs_what_the_site_says_it_costs() {
    let Some(rows) = table::weather("debilt_1980_2019_full.csv") else {
        println!("skipped: no weather data");
        return;
    };
    let days: Vec<(usize, f64)> = rows
        .iter()
        .map(|row| {
            let date: NaiveDate = row["date"].parse().unwrap();
            (date.month0() as usize, eto(&weather(row)))
        })
        .collect();
    let mut sums = [(0.0, 0u32); 12];
    for (month, mm) in &days {
        sums[*month] = (sums[*month].0 + mm, sums[*month].1 + 1);
    }
    let by_month: Vec<f64> = days.iter().map(|(month, mm)| sums[*month].0 / f64::from(sums[*month].1) - mm).collect();
    let by_default: Vec<f64> = days.iter().map(|(_, mm)| 4.0 - mm).collect();
    for (by_normals, differences) in [(true, by_month), (false, by_default)] {
        let (rmse, (said, source)) = (mean_and_rmse(&differences).1, unmeasured_rmse_mm(Climate::Humid, by_normals));
        println!("{source}: rmse {rmse:.3} mm/d");
        assert!((rmse - said).abs() < 0.01, "{source}: {rmse} for {said}");
    }
}
