//! Do two quantities of one message fit together?

use super::{Finding, Judgment, Test};
use crate::engine::reading::Flag;

/// A wind direction beside the wind speed in m/s: in a calm there is none, so it is missing. An unknown speed says
/// nothing.
pub fn direction(judged: Judgment, wind_speed: Option<f64>, calm_below_m_per_s: f64) -> Judgment {
    match wind_speed {
        Some(speed) if speed < calm_below_m_per_s && judged.flag.counts() => {
            judged.with(Some(Finding { flag: Flag::Missing, test: Test::Calm, limit: calm_below_m_per_s, seen: speed }))
        }
        _ => judged,
    }
}

/// A gust beside the mean wind speed, both in m/s: below it, it is suspect.
pub fn gust(judged: Judgment, mean_wind_speed: Option<f64>) -> Judgment {
    let limit = mean_wind_speed.filter(|mean| judged.value + GUST_MARGIN < *mean);
    judged.with(limit.map(|limit| Finding {
        flag: Flag::Suspect,
        test: Test::GustBelowMean,
        limit,
        seen: judged.value,
    }))
}

/// A dew point beside the air temperature, both in °C: above it, it is suspect.
pub fn dew_point(judged: Judgment, air_temperature: Option<f64>) -> Judgment {
    let limit = air_temperature.filter(|air| air + DEW_POINT_MARGIN < judged.value);
    judged.with(limit.map(|limit| Finding {
        flag: Flag::Suspect,
        test: Test::DewPointAboveAir,
        limit,
        seen: judged.value,
    }))
}

/// Our choice: mean and gust are rounded, and not always of the same interval. m/s.
const GUST_MARGIN: f64 = 0.5;

/// Our choice: the accuracy of common thermometers. °C.
const DEW_POINT_MARGIN: f64 = 0.3;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn s30_a_direction_in_a_calm_is_missing() {
        for (speed, flag) in
            [(Some(0.0), Flag::Missing), (Some(0.3), Flag::Good), (Some(3.0), Flag::Good), (None, Flag::Good)]
        {
            assert_eq!(direction(Judgment::good(180.0), speed, 0.3).flag, flag, "{speed:?}");
        }
    }

    #[test]
    fn a_bad_direction_stays_bad_in_a_calm() {
        let bad = Judgment { flag: Flag::Bad, test: Some(Test::Range), ..Judgment::good(-1.0) };
        assert_eq!(direction(bad, Some(0.0), 0.3), bad);
    }

    #[test]
    fn a_gust_below_the_mean_wind_is_suspect() {
        for (value, mean, test) in [
            (2.0, Some(3.0), Some(Test::GustBelowMean)),
            (2.6, Some(3.0), None),
            (9.0, Some(3.0), None),
            (2.0, None, None),
        ] {
            assert_eq!(gust(Judgment::good(value), mean).test, test, "{value} beside {mean:?}");
        }
    }

    #[test]
    fn a_dew_point_above_the_air_temperature_is_suspect() {
        for (value, air, test) in [
            (11.0, Some(10.0), Some(Test::DewPointAboveAir)),
            (10.2, Some(10.0), None),
            (5.0, Some(10.0), None),
            (9.0, None, None),
        ] {
            assert_eq!(dew_point(Judgment::good(value), air).test, test, "{value} beside {air:?}");
        }
    }
}
