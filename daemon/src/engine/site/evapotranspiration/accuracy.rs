//! How far each method was from full readings on long public records.
//!
//! Root mean square error per day against daily Penman–Monteith with all inputs read. Dry: Maricopa, Arizona, 2003 to
//! 2020 (AZMET, 6,575 days, mean 5.16 mm). Humid: De Bilt, the Netherlands, 1980 to 2019 (KNMI, 14,610 days, mean
//! 1.82 mm). All inputs read: what the choice of clear-sky method changes at Maricopa.

use super::{Climate, FactorSource, Method, Place, Substituted};

#[derive(Clone, Copy)]
pub(super) struct Row {
    pub rmse_mm: f64,
    /// Record and method.
    pub source: &'static str,
}

/// The row for a method and what it had to do without. Where no row has exactly these inputs, the next one with less.
pub(super) fn row(method: Method, substituted: Substituted, place: &Place) -> Row {
    let Substituted { humidity, wind, sun } = substituted;
    let dry = place.climate == Climate::Dry;
    let (usual_wind, usual_dew_point) =
        (place.usual_wind_m_per_s.is_some(), place.usual_dew_point_depression.is_some());
    let (rmse_mm, source) = match method {
        Method::AsceHourly => ALL_READ,
        Method::None => (0.0, "no temperature: no estimate"),
        Method::HargreavesSamani => match (dry, place.factor_source) {
            (true, FactorSource::Unknown) => (1.018, "Maricopa AZ 2003-2020, Hargreaves-Samani"),
            (true, FactorSource::Settings) => (0.975, "Maricopa AZ 2003-2020, Hargreaves-Samani x site factor 1.054"),
            (true, FactorSource::Normals) => MONTHLY_DRY,
            (true, FactorSource::OwnDays) => (
                LEARNT_DRY_MM,
                "Maricopa AZ 2003-2020, Hargreaves-Samani x monthly factors from the full days of the year before",
            ),
            (false, FactorSource::Unknown) => (0.600, "De Bilt NL 1980-2019, Hargreaves-Samani"),
            (false, FactorSource::Settings) => (0.515, "De Bilt NL 1980-2019, Hargreaves-Samani x site factor 0.879"),
            (false, FactorSource::Normals) => MONTHLY_HUMID,
            (false, FactorSource::OwnDays) => (
                LEARNT_HUMID_MM,
                "De Bilt NL 1980-2019, Hargreaves-Samani x monthly factors from the full days of the year before",
            ),
        },
        Method::PenmanMonteithDaily => match (humidity, wind, sun, dry) {
            (false, false, false, _) => ALL_READ,
            (false, false, true, true) => (0.249, "Maricopa AZ 2003-2020, temperature, humidity, wind"),
            (false, false, true, false) => (0.313, "De Bilt NL 1980-2019, temperature, humidity, wind"),
            (false, true, false, true) => (0.866, "Maricopa AZ 2003-2020, temperature, humidity, sun (2 m/s)"),
            (false, true, false, false) => (0.215, "De Bilt NL 1980-2019, temperature, humidity, sun (2 m/s)"),
            (false, true, true, true) if usual_wind => {
                (0.940, "Maricopa AZ 2003-2020, temperature, humidity (mean wind)")
            }
            (false, true, true, true) => (0.937, "Maricopa AZ 2003-2020, temperature, humidity (2 m/s)"),
            (false, true, true, false) if usual_wind => {
                (0.394, "De Bilt NL 1980-2019, temperature, humidity (mean wind)")
            }
            (false, true, true, false) => (0.390, "De Bilt NL 1980-2019, temperature, humidity (2 m/s)"),
            (true, false, false, true) if usual_dew_point => {
                (0.272, "Maricopa AZ 2012-2020, temperature, wind, sun (dew point by normals)")
            }
            (true, false, false, false) if usual_dew_point => {
                (0.272, "De Bilt NL 2000-2019, temperature, wind, sun (dew point by normals)")
            }
            (true, true, false, true) if usual_dew_point && usual_wind => {
                (0.827, "Maricopa AZ 2012-2020, temperature, sun (dew point and wind by normals)")
            }
            (true, true, false, false) if usual_dew_point && usual_wind => {
                (0.372, "De Bilt NL 2000-2019, temperature, sun (dew point and wind by normals)")
            }
            (true, _, false, true) => (1.052, "Maricopa AZ 2003-2020, temperature, sun (2 m/s)"),
            (true, _, false, false) => (0.356, "De Bilt NL 1980-2019, temperature, sun (2 m/s)"),
            (true, _, true, _) => return temperature_alone(place.climate),
        },
    };
    Row { rmse_mm, source }
}

/// Penman–Monteith with nothing but temperature.
pub(super) fn temperature_alone(climate: Climate) -> Row {
    match climate {
        Climate::Dry => Row { rmse_mm: 1.134, source: "Maricopa AZ 2003-2020, temperature (dew point Tmin-2)" },
        Climate::Humid => Row { rmse_mm: 0.518, source: "De Bilt NL 1980-2019, temperature (dew point Tmin)" },
    }
}

const ALL_READ: (f64, &str) = (0.069, "Maricopa AZ 2003-2020, full against simple clear-sky method");

/// Monthly factors from the first half of the years, scored on the second half.
const MONTHLY_DRY: (f64, &str) = (0.953, "Maricopa AZ 2012-2020, Hargreaves-Samani x monthly factors of 2003-2011");
const MONTHLY_HUMID: (f64, &str) = (0.503, "De Bilt NL 2000-2019, Hargreaves-Samani x monthly factors of 1980-1999");
/// Monthly factors from the full days of one year, scored on the next.
const LEARNT_DRY_MM: f64 = 0.957;
const LEARNT_HUMID_MM: f64 = 0.511;
