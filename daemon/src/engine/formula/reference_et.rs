//! Reference evapotranspiration by the standardized Penman–Monteith equation and by temperature alone.

use super::super::units::{
    Celsius, Hours, Kilopascals, KilopascalsPerCelsius, MegajoulesPerM2, Meters, MetersPerSecond, Millimeters, Radians,
};
use super::{radiation, solar, vapor};

/// The reference surface.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Surface {
    /// Clipped cool-season grass of 0.12 m: ETo.
    #[default]
    Short,
    /// Alfalfa of 0.5 m: ETr.
    Tall,
}

/// How radiation under a clear sky is estimated.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ClearSky {
    /// By elevation alone ([`radiation::clear_sky_simple`]).
    #[default]
    Simple,
    /// By water vapor and air mass ([`radiation::clear_sky_full`]).
    Full,
}

/// Numbers of one step in the standardized equation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Terms {
    pub slope: KilopascalsPerCelsius,
    pub psychrometric: KilopascalsPerCelsius,
    pub air: Celsius,
    /// Saturation vapor pressure es and actual vapor pressure ea.
    pub saturation: Kilopascals,
    pub actual: Kilopascals,
    /// At 2 m.
    pub wind: MetersPerSecond,
    pub net_radiation: MegajoulesPerM2,
    pub soil_heat: MegajoulesPerM2,
    /// Cn and Cd of the step and surface (ASCE-EWRI, Table 1). Cn belongs to the length of the step.
    pub numerator: f64,
    pub denominator: f64,
}

/// The standardized reference evapotranspiration equation, in mm of the step. May be slightly negative: dew.
///
/// Source: ASCE-EWRI (2005), Eq. 1; with Cn 900 and Cd 0.34 it is FAO-56, Eq. 6. Air more than saturated counts as
/// saturated; wind is kept within 0 to 100 m/s.
///
/// ```
/// use thirstd::engine::{formula::reference_et::{Terms, standardized}, units::*};
/// // FAO-56, Example 18 (Uccle, 6 July), from its printed intermediate values: 3.9 mm.
/// let et = standardized(&Terms {
///     slope: KilopascalsPerCelsius(0.122),
///     psychrometric: KilopascalsPerCelsius(0.0666),
///     air: Celsius(16.9),
///     saturation: Kilopascals(1.997),
///     actual: Kilopascals(1.409),
///     wind: MetersPerSecond(2.078),
///     net_radiation: MegajoulesPerM2(13.28),
///     soil_heat: MegajoulesPerM2(0.0),
///     numerator: 900.0,
///     denominator: 0.34,
/// });
/// assert!((et.0 - 3.88).abs() < 0.01);
/// ```
pub fn standardized(terms: &Terms) -> Millimeters {
    let delta = terms.slope.0.clamp(0.0, 10.0);
    let gamma = terms.psychrometric.0.clamp(0.0, 1.0);
    let u2 = terms.wind.0.clamp(0.0, 100.0);
    let available = terms.net_radiation.0.clamp(-100.0, 100.0) - terms.soil_heat.0.clamp(-100.0, 100.0);
    let evaporable = MegajoulesPerM2(available).water().0;
    let deficit = (terms.saturation.0.clamp(0.0, 120.0) - terms.actual.0.clamp(0.0, 120.0)).max(0.0);
    let t = terms.air.0.clamp(-100.0, 100.0);
    let above = delta * evaporable + gamma * terms.numerator.clamp(0.0, 10_000.0) * u2 * deficit / (t + 273.0);
    let below = delta + gamma * (1.0 + terms.denominator.clamp(0.0, 10.0) * u2);
    Millimeters(if below > 0.0 { above / below } else { 0.0 })
}

/// Wind speed at 2 m over short grass from a reading at `height`, symbol u2, in m/s.
///
/// Source: FAO-56, Eq. 47; ASCE-EWRI (2005), Eq. 33. The logarithmic profile has no meaning close to the grass: height
/// is kept within 0.5 m to 200 m (our choice), speed within 0 to 100 m/s.
///
/// ```
/// use thirstd::engine::{formula::reference_et::wind_at_2_m, units::{Meters, MetersPerSecond}};
/// // FAO-56, Example 14: 3.2 m/s at 10 m is 2.4 m/s at 2 m.
/// assert!((wind_at_2_m(MetersPerSecond(3.2), Meters(10.0)).0 - 2.4).abs() < 0.05);
/// ```
pub fn wind_at_2_m(wind: MetersPerSecond, height: Meters) -> MetersPerSecond {
    wind_by_profile(wind, wind_profile(height))
}

/// What [`wind_at_2_m`] divides by: the logarithm for the height.
pub fn wind_profile(height: Meters) -> f64 {
    (67.8 * height.0.clamp(0.5, 200.0) - 5.42).ln()
}

/// [`wind_at_2_m`] where [`wind_profile`] of the height is known.
pub fn wind_by_profile(wind: MetersPerSecond, profile: f64) -> MetersPerSecond {
    MetersPerSecond(wind.0.clamp(0.0, 100.0) * 4.87 / profile)
}

/// Weather of one day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DailyWeather {
    pub day_of_year: u32,
    pub latitude: Radians,
    pub elevation: Meters,
    pub highest: Celsius,
    pub lowest: Celsius,
    /// Actual vapor pressure ea.
    pub actual_vapor: Kilopascals,
    /// Rs of the day.
    pub shortwave: MegajoulesPerM2,
    /// At 2 m.
    pub wind: MetersPerSecond,
    pub clear_sky: ClearSky,
}

impl DailyWeather {
    /// Extraterrestrial radiation Ra of the day.
    pub fn extraterrestrial(&self) -> MegajoulesPerM2 {
        radiation::extraterrestrial_daily(self.latitude, self.day_of_year)
    }

    /// Clear-sky radiation Rso of the day by the chosen method.
    pub fn clear_sky_radiation(&self) -> MegajoulesPerM2 {
        let r_a = self.extraterrestrial();
        match self.clear_sky {
            ClearSky::Simple => radiation::clear_sky_simple(self.elevation, r_a),
            ClearSky::Full => radiation::clear_sky_full(
                r_a,
                self.actual_vapor,
                vapor::pressure_at(self.elevation),
                radiation::mean_sine_of_elevation(self.latitude, self.day_of_year),
            ),
        }
    }

    /// Net radiation Rn of the day. Without sun to judge the clouds by (polar night) the sky counts as clear.
    pub fn net_radiation(&self) -> MegajoulesPerM2 {
        let cloudiness = radiation::cloudiness(self.shortwave, self.clear_sky_radiation()).unwrap_or(1.0);
        let loss = radiation::net_longwave_daily(self.highest, self.lowest, self.actual_vapor, cloudiness);
        MegajoulesPerM2(radiation::net_shortwave(self.shortwave).0 - loss.0)
    }
}

/// Reference evapotranspiration of a day in mm, soil heat flux 0; may be slightly negative.
///
/// Source: ASCE-EWRI (2005), Eq. 1 with the daily constants; for the short surface the same as FAO-56, Eq. 6.
///
/// ```
/// use thirstd::engine::{formula::reference_et::*, units::*};
/// // FAO-56, Example 18: Uccle, 50°48′ N, 100 m, 6 July (187): 3.9 mm.
/// let weather = DailyWeather {
///     day_of_year: 187,
///     latitude: Degrees(50.8).radians(),
///     elevation: Meters(100.0),
///     highest: Celsius(21.5),
///     lowest: Celsius(12.3),
///     actual_vapor: Kilopascals(1.409),
///     shortwave: MegajoulesPerM2(22.07),
///     wind: MetersPerSecond(2.078),
///     clear_sky: ClearSky::Simple,
/// };
/// assert!((daily(&weather, Surface::Short).0 - 3.88).abs() < 0.01);
/// ```
pub fn daily(weather: &DailyWeather, surface: Surface) -> Millimeters {
    let air = mean_of(weather.highest, weather.lowest);
    // ASCE-EWRI (2005), Table 1.
    let (numerator, denominator) = match surface {
        Surface::Short => (900.0, 0.34),
        Surface::Tall => (1600.0, 0.38),
    };
    standardized(&Terms {
        slope: vapor::vapor_pressure_slope(air),
        psychrometric: vapor::psychrometric_constant(vapor::pressure_at(weather.elevation)),
        air,
        saturation: vapor::mean_saturation_vapor_pressure(weather.highest, weather.lowest),
        actual: weather.actual_vapor,
        wind: weather.wind,
        net_radiation: weather.net_radiation(),
        soil_heat: MegajoulesPerM2(0.0),
        numerator,
        denominator,
    })
}

/// Weather of an hour, or of a part of one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HourlyWeather {
    pub day_of_year: u32,
    pub latitude: Radians,
    /// Solar time angle of the middle ([`solar::solar_time_angle`]).
    pub middle: Radians,
    /// More than 0, usually 1.
    pub length: Hours,
    pub elevation: Meters,
    pub air: Celsius,
    /// Actual vapor pressure ea.
    pub actual_vapor: Kilopascals,
    /// Rs over `length`.
    pub shortwave: MegajoulesPerM2,
    /// At 2 m.
    pub wind: MetersPerSecond,
    pub clear_sky: ClearSky,
}

/// What sun and air give an hour whatever its readings; the hours of a day share most of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HourFrame {
    /// Ra of the hour.
    pub extraterrestrial: MegajoulesPerM2,
    /// Of the sun in the middle of the hour.
    pub sine_of_elevation: f64,
    /// Mean air pressure at the elevation.
    pub pressure: Kilopascals,
}

/// The sine of 0.3 rad.
const SINE_OF_LOW_SUN: f64 = 0.295_520_206_661_339_57;

impl HourlyWeather {
    /// Extraterrestrial radiation Ra over `length`.
    pub fn extraterrestrial(&self) -> MegajoulesPerM2 {
        radiation::extraterrestrial_of_span(self.latitude, self.day_of_year, self.middle, self.length)
    }

    /// Clear-sky radiation Rso over `length` by the chosen method.
    pub fn clear_sky_radiation(&self) -> MegajoulesPerM2 {
        self.clear_sky_in(&self.frame())
    }

    /// What sun and air give this hour, whatever its readings.
    pub fn frame(&self) -> HourFrame {
        HourFrame {
            extraterrestrial: self.extraterrestrial(),
            sine_of_elevation: self.sine_of_elevation(),
            pressure: vapor::pressure_at(self.elevation),
        }
    }

    /// The hour's own cloudiness fcd; None where the sun stands below 0.3 rad, too low to judge the clouds by: then the
    /// last daytime value of the site is to be kept.
    ///
    /// Source: ASCE-EWRI (2005), Eq. 45 and 46.
    pub fn own_cloudiness(&self) -> Option<f64> {
        self.own_cloudiness_in(&self.frame())
    }

    /// [`HourlyWeather::own_cloudiness`] where [`HourlyWeather::frame`] is known.
    pub fn own_cloudiness_in(&self, frame: &HourFrame) -> Option<f64> {
        if frame.sine_of_elevation < SINE_OF_LOW_SUN {
            return None;
        }
        radiation::cloudiness(self.shortwave, self.clear_sky_in(frame))
    }

    fn clear_sky_in(&self, frame: &HourFrame) -> MegajoulesPerM2 {
        match self.clear_sky {
            ClearSky::Simple => radiation::clear_sky_simple(self.elevation, frame.extraterrestrial),
            ClearSky::Full => radiation::clear_sky_full(
                frame.extraterrestrial,
                self.actual_vapor,
                frame.pressure,
                frame.sine_of_elevation,
            ),
        }
    }

    /// Net radiation Rn over `length` with the cloudiness that holds.
    pub fn net_radiation(&self, cloudiness: f64) -> MegajoulesPerM2 {
        let loss = radiation::net_longwave_of_span(self.air, self.actual_vapor, cloudiness, self.length);
        MegajoulesPerM2(radiation::net_shortwave(self.shortwave).0 - loss.0)
    }

    fn sine_of_elevation(&self) -> f64 {
        solar::sine_of_elevation(self.latitude, solar::declination(self.day_of_year), self.middle)
    }
}

/// Reference evapotranspiration of an hour in mm; may be slightly negative at night.
///
/// `cloudiness` is [`HourlyWeather::own_cloudiness`] or the last one that there was. For a part of an hour Cn and the
/// radiation stand in proportion.
///
/// Source: ASCE-EWRI (2005), Eq. 1 with the hourly constants of Table 1 and soil heat by Eq. 65 and 66.
///
/// ```
/// use thirstd::engine::{formula::{reference_et::*, solar::solar_time_angle}, units::*};
/// // PyPI refet 0.5.0, tests/test_hourly.py: Fallon, Nevada, 1 July 2015, 18 to 19 h UTC: 0.606 mm.
/// let weather = HourlyWeather {
///     day_of_year: 182,
///     latitude: Degrees(39.4575).radians(),
///     middle: solar_time_angle(Degrees(-118.77388), 182, Hours(18.5)),
///     length: Hours(1.0),
///     elevation: Meters(1208.5),
///     air: Celsius(33.222),
///     actual_vapor: Kilopascals(1.1990),
///     shortwave: MegajoulesPerM2(2.5606),
///     wind: MetersPerSecond(1.3709),
///     clear_sky: ClearSky::Simple,
/// };
/// let cloudiness = weather.own_cloudiness().unwrap();
/// assert!((hourly(&weather, Surface::Short, cloudiness).0 - 0.606).abs() < 0.001);
/// ```
pub fn hourly(weather: &HourlyWeather, surface: Surface, cloudiness: f64) -> Millimeters {
    hourly_at(weather, surface, cloudiness, vapor::pressure_at(weather.elevation))
}

/// [`hourly`] where the mean air pressure of its elevation is known.
pub fn hourly_at(weather: &HourlyWeather, surface: Surface, cloudiness: f64, pressure: Kilopascals) -> Millimeters {
    let net_radiation = weather.net_radiation(cloudiness);
    // ASCE-EWRI (2005), Table 1: day and night by the sign of net radiation. Cd, then soil heat as a share of Rn.
    let (per_hour, denominator, soil_share) = match (surface, net_radiation.0 >= 0.0) {
        (Surface::Short, true) => (37.0, 0.24, 0.1),
        (Surface::Short, false) => (37.0, 0.96, 0.5),
        (Surface::Tall, true) => (66.0, 0.25, 0.04),
        (Surface::Tall, false) => (66.0, 1.7, 0.2),
    };
    standardized(&Terms {
        slope: vapor::vapor_pressure_slope(weather.air),
        psychrometric: vapor::psychrometric_constant(pressure),
        air: weather.air,
        saturation: vapor::saturation_vapor_pressure(weather.air),
        actual: weather.actual_vapor,
        wind: weather.wind,
        net_radiation,
        soil_heat: MegajoulesPerM2(soil_share * net_radiation.0),
        numerator: per_hour * weather.length.0.clamp(0.0, 24.0),
        denominator,
    })
}

/// Reference evapotranspiration of a day from temperature alone, in mm, never below 0.
///
/// Source: FAO-56, Eq. 52 (Hargreaves and Samani, 1985), Ra in mm of water. A temperature range below 0 counts as 0.
///
/// ```
/// use thirstd::engine::{formula::{radiation::extraterrestrial_daily, reference_et::hargreaves_samani}, units::*};
/// // FAO-56, Example 20 (Lyon, 15 July), by Eq. 52: 5.0 mm.
/// let r_a = extraterrestrial_daily(Degrees(45.72).radians(), 196);
/// assert!((hargreaves_samani(Celsius(26.6), Celsius(14.8), r_a).0 - 5.0).abs() < 0.05);
/// ```
pub fn hargreaves_samani(highest: Celsius, lowest: Celsius, extraterrestrial: MegajoulesPerM2) -> Millimeters {
    hargreaves_samani_of_mean(mean_of(highest, lowest), highest, lowest, extraterrestrial)
}

/// [`hargreaves_samani`] where the mean temperature of the day is known by itself.
///
/// ```
/// use thirstd::engine::{formula::reference_et::hargreaves_samani_of_mean, units::*};
/// // Worked lecture example as in the tests of PyPI pyeto: 35 °C, 38 °C, 28 °C, 38.937 MJ/m²: 6.1 mm.
/// let et = hargreaves_samani_of_mean(Celsius(35.0), Celsius(38.0), Celsius(28.0), MegajoulesPerM2(38.937));
/// assert!((et.0 - 6.1).abs() < 0.06);
/// ```
pub fn hargreaves_samani_of_mean(
    mean: Celsius,
    highest: Celsius,
    lowest: Celsius,
    extraterrestrial: MegajoulesPerM2,
) -> Millimeters {
    let range = (highest.0.clamp(-100.0, 100.0) - lowest.0.clamp(-100.0, 100.0)).max(0.0);
    let water = MegajoulesPerM2(extraterrestrial.0.clamp(0.0, 100.0)).water().0;
    Millimeters((0.0023 * (mean.0.clamp(-100.0, 100.0) + 17.8) * range.sqrt() * water).max(0.0))
}

/// How humid the air of a site is, for what stands in when humidity or clouds are not read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Climate {
    #[default]
    Humid,
    /// Arid and semi-arid.
    Dry,
}

/// Actual vapor pressure when no humidity is read, in kPa: the dew point is about the night's lowest temperature, 2 °C
/// less at a dry site.
///
/// Source: FAO-56, Eq. 48 and Annex 6.
///
/// ```
/// use thirstd::engine::{formula::reference_et::{Climate, vapor_pressure_of_lowest}, units::Celsius};
/// // FAO-56, Example 20: 14.8 °C gives 1.68 kPa.
/// assert!((vapor_pressure_of_lowest(Celsius(14.8), Climate::Humid).0 - 1.68).abs() < 0.005);
/// ```
pub fn vapor_pressure_of_lowest(lowest: Celsius, climate: Climate) -> Kilopascals {
    vapor::saturation_vapor_pressure(Celsius(match climate {
        Climate::Humid => lowest.0,
        Climate::Dry => lowest.0 - 2.0,
    }))
}

/// Wind at 2 m when none is read, in m/s: the site's usual wind, at least 0.5, or 2 m/s where that is unknown.
///
/// Source: FAO-56, chapter 3, "Missing climatic data: wind speed": 2 m/s as first estimate, lower bound 0.5 m/s.
///
/// ```
/// use thirstd::engine::{formula::reference_et::usual_wind, units::MetersPerSecond};
/// // FAO-56, chapter 3: the average of more than 2000 places on Earth is 2 m/s.
/// assert_eq!(usual_wind(None), MetersPerSecond(2.0));
/// ```
pub fn usual_wind(site_mean: Option<MetersPerSecond>) -> MetersPerSecond {
    MetersPerSecond(site_mean.filter(|mean| mean.0.is_finite()).map_or(2.0, |mean| mean.0.clamp(0.5, 100.0)))
}

/// Share Rs/Rso of the clear-sky radiation that usually arrives, for hours with nothing to judge the clouds by.
///
/// Source: FAO-56, chapter 4, hourly time step: 0.4 to 0.6 in humid, 0.7 to 0.8 in dry climates; the middles.
///
/// ```
/// use thirstd::engine::formula::reference_et::{Climate, usual_clear_share};
/// // FAO-56, chapter 4: 0.7 to 0.8 in arid and semi-arid climates.
/// assert_eq!(usual_clear_share(Climate::Dry), 0.75);
/// ```
pub fn usual_clear_share(climate: Climate) -> f64 {
    match climate {
        Climate::Humid => 0.5,
        Climate::Dry => 0.75,
    }
}

fn mean_of(highest: Celsius, lowest: Celsius) -> Celsius {
    Celsius((highest.0.clamp(-100.0, 100.0) + lowest.0.clamp(-100.0, 100.0)) / 2.0)
}

#[cfg(test)]
mod tests;
