//! Fallon, Nevada, 1 July 2015: the day and the hour from 18 to 19 h UTC, by the standard's constants and by Ref-ET's.

use std::f64::consts::PI;

use thirstd::engine::{
    formula::{
        radiation,
        reference_et::{self, ClearSky, HourlyWeather, Surface, Terms},
        solar, vapor,
    },
    units::*,
};

use super::{Inputs, daily_step, daily_terms, measured_day};

pub fn day(name: &str, inputs: &Inputs) -> Option<f64> {
    let ea = vapor::saturation_vapor_pressure(inputs.celsius("tdew"));
    daily_step(name, &measured_day(inputs, inputs.day(), ea, ClearSky::Simple))
}

/// Ref-ET's own constants where they differ from the standard's: declination, solar constant, pressure exponent, slope.
/// With them as inputs our formulas have to give its printed digits.
struct Variants {
    declination: Radians,
    pressure: Kilopascals,
}

const SOLAR_CONSTANT: f64 = 1367.0 * 0.0036;

impl Variants {
    fn of(inputs: &Inputs) -> Self {
        let day = f64::from(inputs.day());
        let ratio: f64 = (293.0 - 0.0065 * inputs.elevation().0) / 293.0;
        Self {
            declination: Radians(23.45_f64.to_radians() * (2.0 * PI * (day + 284.0) / 365.0).sin()),
            pressure: Kilopascals(101.3 * ratio.powf(9.8 / (0.0065 * 286.9))),
        }
    }

    fn ra(&self, inputs: &Inputs, from: f64, to: f64) -> MegajoulesPerM2 {
        let (phi, delta) = (inputs.latitude().0, self.declination.0);
        let swept = (to - from) * phi.sin() * delta.sin() + phi.cos() * delta.cos() * (to.sin() - from.sin());
        MegajoulesPerM2(12.0 / PI * SOLAR_CONSTANT * solar::inverse_relative_distance(inputs.day()) * swept)
    }

    fn slope(air: Celsius) -> KilopascalsPerCelsius {
        KilopascalsPerCelsius(4098.0 * vapor::saturation_vapor_pressure(air).0 / (air.0 + 237.3).powi(2))
    }
}

pub fn day_with_variants(name: &str, inputs: &Inputs) -> Option<f64> {
    let variants = Variants::of(inputs);
    let ea = vapor::saturation_vapor_pressure(inputs.celsius("tdew"));
    let weather = measured_day(inputs, inputs.day(), ea, ClearSky::Full);
    let sunset = solar::sunset_hour_angle(weather.latitude, variants.declination).0;
    let r_a = variants.ra(inputs, -sunset, sunset);
    let sine = radiation::mean_sine_of_elevation(weather.latitude, weather.day_of_year);
    let r_so = radiation::clear_sky_full(r_a, ea, variants.pressure, sine);
    let clouds = radiation::cloudiness(weather.shortwave, r_so)?;
    let r_nl = radiation::net_longwave_daily(weather.highest, weather.lowest, ea, clouds);
    let r_n = MegajoulesPerM2(radiation::net_shortwave(weather.shortwave).0 - r_nl.0);
    let terms = Terms {
        slope: Variants::slope(inputs.mean_air()),
        psychrometric: vapor::psychrometric_constant(variants.pressure),
        net_radiation: r_n,
        ..daily_terms(&weather, MegajoulesPerM2(0.0))
    };
    Some(match name {
        "rso" => r_so.0,
        "rnl" => r_nl.0,
        "rn" => r_n.0,
        "eto" => reference_et::standardized(&terms).0,
        "etr" => reference_et::standardized(&Terms { numerator: 1600.0, denominator: 0.38, ..terms }).0,
        _ => return None,
    })
}

fn fallon_hour_weather(inputs: &Inputs) -> HourlyWeather {
    HourlyWeather {
        day_of_year: inputs.day(),
        latitude: inputs.latitude(),
        middle: solar::solar_time_angle(Degrees(inputs.of_name("lon")), inputs.day(), Hours(inputs.of_name("utc_mid"))),
        length: Hours(1.0),
        elevation: inputs.elevation(),
        air: inputs.celsius("tmean"),
        actual_vapor: vapor::saturation_vapor_pressure(inputs.celsius("tdew")),
        shortwave: MegajoulesPerM2(inputs.of_name("rs")),
        wind: inputs.u2(),
        clear_sky: ClearSky::Simple,
    }
}

pub fn hour(name: &str, inputs: &Inputs) -> Option<f64> {
    let weather = fallon_hour_weather(inputs);
    let cloudiness = weather.own_cloudiness()?;
    Some(match name {
        "ra" => weather.extraterrestrial().0,
        "eto" => reference_et::hourly(&weather, Surface::Short, cloudiness).0,
        "etr" => reference_et::hourly(&weather, Surface::Tall, cloudiness).0,
        _ => return None,
    })
}

pub fn hour_with_variants(name: &str, inputs: &Inputs) -> Option<f64> {
    let variants = Variants::of(inputs);
    let weather = fallon_hour_weather(inputs);
    let r_a = variants.ra(inputs, weather.middle.0 - PI / 24.0, weather.middle.0 + PI / 24.0);
    let sine = solar::sine_of_elevation(weather.latitude, variants.declination, weather.middle);
    let r_so = radiation::clear_sky_full(r_a, weather.actual_vapor, variants.pressure, sine);
    let clouds = radiation::cloudiness(weather.shortwave, r_so)?;
    let r_nl = radiation::net_longwave_of_span(weather.air, weather.actual_vapor, clouds, weather.length);
    let r_n = MegajoulesPerM2(radiation::net_shortwave(weather.shortwave).0 - r_nl.0);
    let terms = |numerator, denominator, soil_share: f64| Terms {
        slope: Variants::slope(weather.air),
        psychrometric: vapor::psychrometric_constant(variants.pressure),
        air: weather.air,
        saturation: vapor::saturation_vapor_pressure(weather.air),
        actual: weather.actual_vapor,
        wind: weather.wind,
        net_radiation: r_n,
        soil_heat: MegajoulesPerM2(soil_share * r_n.0),
        numerator,
        denominator,
    };
    Some(match name {
        "rnl" => r_nl.0,
        "eto" => reference_et::standardized(&terms(37.0, 0.24, 0.1)).0,
        "etr" => reference_et::standardized(&terms(66.0, 0.25, 0.04)).0,
        _ => return None,
    })
}
