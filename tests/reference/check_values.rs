//! Every row of `vectors/check_values.csv` within its tolerance, or listed with the reason why not.

use std::collections::{HashMap, HashSet};

use chrono::{Datelike, NaiveDate};
use thirstd::engine::{
    formula::{
        radiation,
        reference_et::{self, ClearSky, Climate, DailyWeather, HourlyWeather, Surface, Terms},
        root_zone::{self, DayWater},
        solar, vapor,
    },
    units::*,
};

use self::inputs::Inputs;
use super::table;

mod fallon;
mod inputs;

/// Rows that are not computed here.
const ELSEWHERE: &[(&str, &str)] = &[
    (
        "bulk_maricopa_fao56",
        "a whole series: maricopa.rs compares 6,575 days with the network's own values; the file is not ours",
    ),
    ("bulk_fallon_daily", "a whole series: fallon.rs compares 364 days"),
    ("bulk_fallon_hourly", "a whole series: fallon.rs compares 8,758 hours"),
    ("bulk_necolorado", "a whole series that no registry package carries"),
];

#[test]
fn every_row_is_within_its_tolerance_or_listed() {
    let table = table::rows(include_str!("../vectors/check_values.csv"));
    let mut problems = Vec::new();
    let mut checked = 0;
    let elsewhere: HashMap<&str, &str> = ELSEWHERE.iter().copied().collect();
    let ids: HashSet<&str> = table.iter().map(|row| row["id"].as_str()).collect();
    for (listed, _) in ELSEWHERE {
        if !ids.contains(listed) {
            problems.push(format!("{listed} is listed but not in the table"));
        }
    }
    for row in &table {
        let id = row["id"].as_str();
        match (computed(id, &Inputs::of(id, &row["inputs"])), elsewhere.contains_key(id)) {
            (Some(_), true) => problems.push(format!("{id} is both computed and listed")),
            (None, false) => problems.push(format!("{id} is neither computed nor listed")),
            (None, true) => {}
            (Some(value), false) => {
                let expected = table::number(row, "expected").unwrap();
                let tolerance = table::number(row, "tolerance").unwrap();
                // `<=` with the last digits of a decimal tolerance.
                if (value - expected).abs() <= tolerance * (1.0 + 1e-9) {
                    checked += 1;
                } else {
                    problems.push(format!("{id}: {value} for {expected} ± {tolerance} ({})", row["source"]));
                }
            }
        }
    }
    assert!(problems.is_empty(), "{} problems:\n{}", problems.len(), problems.join("\n"));
    assert_eq!(checked + ELSEWHERE.len(), table.len());
    println!("{checked} values checked, {} listed", ELSEWHERE.len());
}

fn computed(id: &str, inputs: &Inputs) -> Option<f64> {
    let group = |prefix: &str| id.strip_prefix(prefix);
    if group("faoT23_").is_some() {
        return Some(vapor::saturation_vapor_pressure(inputs.celsius("t")).0);
    }
    if group("faoT24_").is_some() || group("asce_C3_slope_").is_some() {
        return Some(vapor::vapor_pressure_slope(inputs.celsius("t")).0);
    }
    if group("fao36_").is_some() {
        let depth =
            root_zone::total_available_water(inputs.of_name("thFC"), inputs.of_name("thWP"), inputs.of_name("Zr"));
        return Some(depth.0);
    }
    if let Some(day) = group("fao37_day") {
        return Some(stress_on_day(inputs, day.parse().ok()?));
    }
    if let Some(name) = group("fao17_") {
        return bangkok(name, inputs);
    }
    if let Some(name) = group("fao18_") {
        return uccle(name, inputs);
    }
    if let Some(name) = group("fao19_14_").or_else(|| group("fao19_02_")).or_else(|| group("asce_ex19_")) {
        return ndiaye(name, inputs);
    }
    if let Some(name) = group("fao20_") {
        return lyon(name, inputs);
    }
    if let Some(name) = group("asce_fallon_d_") {
        return fallon::day(name, inputs);
    }
    if let Some(name) = group("refet_fallon_d_") {
        return fallon::day_with_variants(name, inputs);
    }
    if let Some(name) = group("asce_fallon_h_") {
        return fallon::hour(name, inputs);
    }
    if let Some(name) = group("refet_fallon_h_") {
        return fallon::hour_with_variants(name, inputs);
    }
    if id.starts_with("asce_greeley_") {
        let surface = if id.ends_with("_etr") { Surface::Tall } else { Surface::Short };
        let weather = measured_day(inputs, inputs.day(), Kilopascals(inputs.of_name("ea")), ClearSky::Simple);
        return Some(reference_et::daily(&weather, surface).0);
    }
    if let Some(date) = group("maricopa_") {
        let date: NaiveDate = date.parse().ok()?;
        let ea = vapor::saturation_vapor_pressure(inputs.celsius("tdew"));
        let weather = measured_day(inputs, date.ordinal(), ea, ClearSky::Simple);
        return Some(reference_et::daily(&weather, Surface::Short).0);
    }
    single(id, inputs)
}

/// Examples 2 to 16 and other single formulas.
fn single(id: &str, inputs: &Inputs) -> Option<f64> {
    let radiation_of = |name: &str| MegajoulesPerM2(inputs.of_name(name));
    Some(match id {
        "fao2a" | "fao4a" | "asce_C_p" => vapor::pressure_at(inputs.elevation()).0,
        "fao2b" | "asce_C_g" => vapor::psychrometric_constant(Kilopascals(inputs.of_name("P"))).0,
        "fao3a" | "fao3b" | "fao3d" => vapor::saturation_vapor_pressure(inputs.celsius("t")).0,
        "fao3c" => inputs.es().0,
        "fao4b" => {
            // gpsy is the coefficient times the pressure.
            let pressure = Kilopascals(inputs.of_name("gpsy") / 0.000_662);
            vapor::vapor_pressure_of_bulbs(inputs.celsius("tdry"), inputs.celsius("twet"), pressure).0
        }
        "fao5a" => inputs.ea_of_extremes().0,
        "fao5b" => {
            let (highest, lowest) = (inputs.celsius("tmax"), inputs.celsius("tmin"));
            vapor::vapor_pressure_of_mean_humidity(highest, lowest, inputs.percent("rhmean")).0
        }
        "fao5c" => vapor::vapor_pressure_of_humidity(inputs.celsius("tmin"), inputs.percent("rhmax")).0,
        "fao6" => inputs.es().0 - inputs.ea_of_extremes().0,
        "fao8a" => solar::inverse_relative_distance(inputs.day()),
        "fao8b" => solar::declination(inputs.day()).0,
        "fao8c" => solar::sunset_hour_angle(inputs.latitude(), solar::declination(inputs.day())).0,
        "fao8d" | "fao10a" | "fao15a" => inputs.daily_ra().0,
        "fao9" | "fao10b" => inputs.daylight().0,
        "fao10c" => inputs.shortwave_from_sunshine().0,
        "fao11" => example_11(inputs).0,
        "fao12a" => radiation::net_shortwave(radiation_of("rs")).0,
        "fao12b" => {
            let example = Inputs::of(id, "tmax=25.1;tmin=19;ea=2.1;rs=14.5;rso=18.8");
            radiation::net_shortwave(MegajoulesPerM2(14.5)).0 - example_11(&example).0
        }
        "fao13" => radiation::soil_heat_of_month(inputs.celsius("tprev"), inputs.celsius("tnext")).0,
        "fao13b" => MegajoulesPerM2(0.33).water().0,
        "fao14" => {
            let (wind, height) = (MetersPerSecond(inputs.of_name("uz")), Meters(inputs.of_name("z")));
            reference_et::wind_at_2_m(wind, height).0
        }
        "fao15b" => inputs.shortwave_from_temperature().0,
        "fao16" => radiation::net_shortwave(inputs.shortwave_from_temperature()).0,
        "fao52_hs" => {
            let (highest, lowest) = (inputs.celsius("tmax"), inputs.celsius("tmin"));
            reference_et::hargreaves_samani(highest, lowest, inputs.daily_ra()).0
        }
        "pyeto_hs" => {
            let (mean, highest, lowest) = (inputs.celsius("tmean"), inputs.celsius("tmax"), inputs.celsius("tmin"));
            reference_et::hargreaves_samani_of_mean(mean, highest, lowest, radiation_of("Ra")).0
        }
        _ => return None,
    })
}

fn example_11(inputs: &Inputs) -> MegajoulesPerM2 {
    let clouds = radiation::cloudiness(MegajoulesPerM2(inputs.of_name("rs")), MegajoulesPerM2(inputs.of_name("rso")));
    let ea = Kilopascals(inputs.of_name("ea"));
    radiation::net_longwave_daily(inputs.celsius("tmax"), inputs.celsius("tmin"), ea, clouds.unwrap())
}

/// FAO-56, Example 37: the series by Eq. 84 and 85.
fn stress_on_day(inputs: &Inputs, number: u32) -> f64 {
    let total = Millimeters(inputs.of_name("TAW"));
    let day =
        DayWater { rain: Millimeters(0.0), irrigation: Millimeters(0.0), crop_et: Millimeters(inputs.of_name("ETc")) };
    let fraction = root_zone::depletion_fraction_for(inputs.of_name("p"), day.crop_et);
    let mut depletion = Millimeters(inputs.of_name("Dr0"));
    for _ in 1..number {
        depletion = root_zone::balance_day(depletion, total, fraction, &day).depletion;
    }
    root_zone::stress_coefficient(depletion, total, fraction)
}

/// FAO-56, Example 17: monthly means at Bangkok. The month has a soil heat flux, so the day's shortcut does not fit.
fn bangkok(name: &str, inputs: &Inputs) -> Option<f64> {
    if name == "delta" {
        return Some(vapor::vapor_pressure_slope(inputs.celsius("t")).0);
    }
    let weather = DailyWeather {
        wind: MetersPerSecond(inputs.of_name("u2")),
        shortwave: inputs.shortwave_from_sunshine(),
        ..day_without_wind_and_sun(inputs, inputs.day(), Kilopascals(inputs.of_name("ea")), ClearSky::Simple)
    };
    let soil_heat = radiation::soil_heat_of_last_month(inputs.celsius("tmonth_prev"), inputs.celsius("tmonth"));
    if name == "g" {
        return Some(soil_heat.0);
    }
    if name == "eto" {
        let terms = daily_terms(&weather, soil_heat);
        return Some(reference_et::standardized(&terms).0);
    }
    daily_step(name, &weather)
}

/// FAO-56, Example 18: Uccle.
fn uccle(name: &str, inputs: &Inputs) -> Option<f64> {
    let weather = DailyWeather {
        wind: reference_et::wind_at_2_m(MetersPerSecond(inputs.of_name("u10")), Meters(10.0)),
        shortwave: inputs.shortwave_from_sunshine(),
        ..day_without_wind_and_sun(inputs, inputs.day(), inputs.ea_of_extremes(), ClearSky::Simple)
    };
    if name == "N" {
        return Some(inputs.daylight().0);
    }
    daily_step(name, &weather)
}

/// FAO-56, Example 20: Lyon without humidity, wind and sun readings.
fn lyon(name: &str, inputs: &Inputs) -> Option<f64> {
    let ea = reference_et::vapor_pressure_of_lowest(inputs.celsius("tmin"), Climate::Humid);
    let weather = DailyWeather {
        wind: reference_et::usual_wind(None),
        shortwave: inputs.shortwave_from_temperature(),
        ..day_without_wind_and_sun(inputs, inputs.day(), ea, ClearSky::Simple)
    };
    daily_step(name, &weather)
}

fn day_without_wind_and_sun(inputs: &Inputs, day_of_year: u32, ea: Kilopascals, clear_sky: ClearSky) -> DailyWeather {
    DailyWeather {
        day_of_year,
        latitude: inputs.latitude(),
        elevation: inputs.elevation(),
        highest: inputs.celsius("tmax"),
        lowest: inputs.celsius("tmin"),
        actual_vapor: ea,
        shortwave: MegajoulesPerM2(0.0),
        wind: MetersPerSecond(0.0),
        clear_sky,
    }
}

fn measured_day(inputs: &Inputs, day_of_year: u32, ea: Kilopascals, clear_sky: ClearSky) -> DailyWeather {
    DailyWeather {
        shortwave: MegajoulesPerM2(inputs.of_name("rs")),
        wind: inputs.u2(),
        ..day_without_wind_and_sun(inputs, day_of_year, ea, clear_sky)
    }
}

/// One step of the daily calculation by its symbol.
fn daily_step(name: &str, weather: &DailyWeather) -> Option<f64> {
    let pressure = vapor::pressure_at(weather.elevation);
    let air = Celsius((weather.highest.0 + weather.lowest.0) / 2.0);
    Some(match name {
        "u2" => weather.wind.0,
        "p" | "pair_asce" => pressure.0,
        "gamma" => vapor::psychrometric_constant(pressure).0,
        "delta" | "es_slope_asce" => vapor::vapor_pressure_slope(air).0,
        "es" => vapor::mean_saturation_vapor_pressure(weather.highest, weather.lowest).0,
        "ea" => weather.actual_vapor.0,
        "ra" | "ra_asce" => weather.extraterrestrial().0,
        "rs" => weather.shortwave.0,
        "rso" => weather.clear_sky_radiation().0,
        "rnl" => radiation::net_shortwave(weather.shortwave).0 - weather.net_radiation().0,
        "rn" => weather.net_radiation().0,
        "eto" => reference_et::daily(weather, Surface::Short).0,
        "etr" => reference_et::daily(weather, Surface::Tall).0,
        _ => return None,
    })
}

fn daily_terms(weather: &DailyWeather, soil_heat: MegajoulesPerM2) -> Terms {
    let air = Celsius((weather.highest.0 + weather.lowest.0) / 2.0);
    Terms {
        slope: vapor::vapor_pressure_slope(air),
        psychrometric: vapor::psychrometric_constant(vapor::pressure_at(weather.elevation)),
        air,
        saturation: vapor::mean_saturation_vapor_pressure(weather.highest, weather.lowest),
        actual: weather.actual_vapor,
        wind: weather.wind,
        net_radiation: weather.net_radiation(),
        soil_heat,
        numerator: 900.0,
        denominator: 0.34,
    }
}

/// FAO-56, Example 19: two hours at N'Diaye. FAO-56 takes Cd 0.34 by day and night, ASCE 0.24 and 0.96.
fn ndiaye(name: &str, inputs: &Inputs) -> Option<f64> {
    let air = inputs.celsius("T");
    let utc = Hours(inputs.of_name("t_mid") + inputs.of_name("tzW") / 15.0);
    let weather = HourlyWeather {
        day_of_year: inputs.day(),
        latitude: inputs.latitude(),
        middle: solar::solar_time_angle(Degrees(-inputs.of_name("lonW")), inputs.day(), utc),
        length: Hours(1.0),
        elevation: inputs.elevation(),
        air,
        actual_vapor: vapor::vapor_pressure_of_humidity(air, inputs.percent("RH")),
        shortwave: MegajoulesPerM2(inputs.of_name("Rs")),
        wind: MetersPerSecond(inputs.of_name("u2")),
        clear_sky: ClearSky::Simple,
    };
    let cloudiness = match inputs.values.get("Rs/Rso") {
        Some(share) => radiation::cloudiness_of_share(*share),
        None => weather.own_cloudiness()?,
    };
    let net = weather.net_radiation(cloudiness);
    let soil_heat = MegajoulesPerM2(if net.0 >= 0.0 { 0.1 } else { 0.5 } * net.0);
    Some(match name {
        "omega" => weather.middle.0,
        "ra" => weather.extraterrestrial().0,
        "rso" => weather.clear_sky_radiation().0,
        "rnl" => radiation::net_shortwave(weather.shortwave).0 - net.0,
        "rn" => net.0,
        "g" => soil_heat.0,
        "eto" => {
            let terms = Terms {
                slope: vapor::vapor_pressure_slope(air),
                psychrometric: vapor::psychrometric_constant(vapor::pressure_at(weather.elevation)),
                air,
                saturation: vapor::saturation_vapor_pressure(air),
                actual: weather.actual_vapor,
                wind: weather.wind,
                net_radiation: net,
                soil_heat,
                numerator: 37.0,
                denominator: 0.34,
            };
            reference_et::standardized(&terms).0
        }
        "14" | "02" => reference_et::hourly(&weather, Surface::Short, cloudiness).0,
        _ => return None,
    })
}
