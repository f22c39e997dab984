//! From rows of a weather history to days: extremes, rain, and reference evapotranspiration by the best method the row allows.

use chrono::{Datelike, NaiveDate, TimeDelta};

use crate::engine::formula::reference_et::{self, ClearSky, DailyWeather, Surface};
use crate::engine::formula::{radiation, vapor};
use crate::engine::units::{Celsius, Degrees, Kilopascals, MegajoulesPerM2, Meters, MetersPerSecond, Percent};
use crate::weather_file::{DayRow, HourRow};

/// Where the history was measured, as far as evapotranspiration depends on it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ground {
    pub latitude_degrees: f64,
    pub elevation_m: f64,
    /// Of the anemometer above ground.
    pub wind_height_m: f64,
}

/// A day of the history.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ClimateDay {
    pub date: NaiveDate,
    pub tmin_celsius: Option<f64>,
    pub tmax_celsius: Option<f64>,
    pub rain_mm: Option<f64>,
    pub dew_point_celsius: Option<f64>,
    /// At 2 m.
    pub wind_m_per_s: Option<f64>,
    /// By daily Penman–Monteith, where temperature, humidity, wind and sun were all measured, mm.
    pub full_eto_mm: Option<f64>,
    /// By Hargreaves–Samani, mm.
    pub eto_by_temperature_mm: Option<f64>,
    /// As published with the data, mm.
    pub published_eto_mm: Option<f64>,
}

impl ClimateDay {
    pub fn of(row: &DayRow, ground: &Ground) -> Self {
        let extremes = row.lowest_celsius.zip(row.highest_celsius).filter(|(lowest, highest)| lowest <= highest);
        let wind =
            row.wind_m_per_s.map(|wind| reference_et::wind_at_2_m(MetersPerSecond(wind), Meters(ground.wind_height_m)));
        let actual_vapor = actual_vapor(row);
        let latitude = Degrees(ground.latitude_degrees).radians();
        let day_of_year = row.date.ordinal();
        let full = || {
            let (lowest, highest) = extremes?;
            let weather = DailyWeather {
                day_of_year,
                latitude,
                elevation: Meters(ground.elevation_m),
                highest: Celsius(highest),
                lowest: Celsius(lowest),
                actual_vapor: actual_vapor?,
                shortwave: MegajoulesPerM2(row.shortwave_mj_per_m2?),
                wind: wind?,
                clear_sky: ClearSky::Simple,
            };
            Some(reference_et::daily(&weather, Surface::Short).0.max(0.0))
        };
        let by_temperature = extremes.map(|(lowest, highest)| {
            let sun = radiation::extraterrestrial_daily(latitude, day_of_year);
            reference_et::hargreaves_samani(Celsius(highest), Celsius(lowest), sun).0
        });
        let dew_point = actual_vapor.filter(|vapor| vapor.0 > 0.0).map(|vapor| vapor::dew_point(vapor).0);
        Self {
            date: row.date,
            tmin_celsius: row.lowest_celsius,
            tmax_celsius: row.highest_celsius,
            rain_mm: row.rain_mm,
            dew_point_celsius: row.dew_point_celsius.or(dew_point),
            wind_m_per_s: wind.map(|wind| wind.0),
            full_eto_mm: full().filter(|mm| mm.is_finite()),
            eto_by_temperature_mm: by_temperature.filter(|mm| mm.is_finite()),
            published_eto_mm: row.eto_mm,
        }
    }
}

/// Actual vapor pressure by the best of what was read: dew point, extremes of humidity, mean humidity.
///
/// Source: FAO-56, Eq. 14, 17 and 19.
fn actual_vapor(row: &DayRow) -> Option<Kilopascals> {
    if let Some(dew_point) = row.dew_point_celsius {
        return Some(vapor::saturation_vapor_pressure(Celsius(dew_point)));
    }
    let (lowest, highest) = (Celsius(row.lowest_celsius?), Celsius(row.highest_celsius?));
    let percent = |value: Option<f64>| value.map(|value| Percent(value.clamp(0.0, 100.0)));
    match (percent(row.highest_humidity_percent), percent(row.lowest_humidity_percent)) {
        (Some(most), Some(least)) => Some(vapor::vapor_pressure_of_extremes(highest, lowest, most, least)),
        _ => {
            let mean = percent(row.mean_humidity_percent)?;
            Some(Kilopascals(vapor::mean_saturation_vapor_pressure(highest, lowest).0 * mean.0 / 100.0))
        }
    }
}

/// Days of hours of local standard time. A quantity of a day needs 20 of its hours. Our choice.
pub fn days_of_hours(hours: &[HourRow]) -> Vec<DayRow> {
    let date_of = |hour: &HourRow| (hour.end - TimeDelta::minutes(1)).date();
    hours
        .chunk_by(|one, other| date_of(one) == date_of(other))
        .filter_map(|hours| day_of(date_of(hours.first()?), hours))
        .collect()
}

fn day_of(date: NaiveDate, hours: &[HourRow]) -> Option<DayRow> {
    let values = |value: fn(&HourRow) -> Option<f64>| {
        let values: Vec<f64> = hours.iter().filter_map(value).collect();
        (values.len() >= LEAST_HOURS).then_some(values)
    };
    let mean = |values: Vec<f64>| values.iter().sum::<f64>() / values.len() as f64;
    let air = values(|hour| hour.air_celsius);
    let vapor = values(|hour| {
        let of_dew_point =
            hour.dew_point_celsius.map(|dew_point| vapor::saturation_vapor_pressure(Celsius(dew_point)).0);
        of_dew_point.or_else(|| {
            let saturation = vapor::saturation_vapor_pressure(Celsius(hour.air_celsius?)).0;
            Some(saturation * hour.humidity_percent?.clamp(0.0, 100.0) / 100.0)
        })
    });
    let extreme = |pick: fn(f64, f64) -> f64| air.as_ref().and_then(|air| air.iter().copied().reduce(pick));
    Some(DayRow {
        date,
        lowest_celsius: extreme(f64::min),
        highest_celsius: extreme(f64::max),
        dew_point_celsius: vapor
            .map(mean)
            .filter(|vapor| *vapor > 0.0)
            .map(|mean| vapor::dew_point(Kilopascals(mean)).0),
        wind_m_per_s: values(|hour| hour.wind_m_per_s).map(mean),
        // W/m² over a day are so many MJ/m².
        shortwave_mj_per_m2: values(|hour| hour.shortwave_w_per_m2).map(|sun| mean(sun).max(0.0) * 0.0864),
        rain_mm: values(|hour| hour.rain_mm).map(|rain| rain.iter().sum()),
        eto_mm: values(|hour| hour.eto_mm).map(|eto| eto.iter().sum()),
        ..DayRow::default()
    })
}

const LEAST_HOURS: usize = 20;
