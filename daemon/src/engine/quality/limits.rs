//! What is believed of each quantity: limits as data, with the source of each default.

use serde::{Deserialize, Serialize};

use super::drift::DriftSettings;
use super::duplicate::RepeatSettings;
use crate::engine::{
    reading::Quantity,
    stamp::{DAY, HOUR, MINUTE},
};

/// Limits of all quantities, and how repeats are told apart. Every limit can be set per site.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// In the order of [`Quantity::ALL`], which is the order of declaration: a quantity is its own index, always in range.
    limits: [QuantityLimits; Quantity::ALL.len()],
    /// Below this wind speed in m/s a direction means nothing.
    pub calm_below_m_per_s: f64,
    /// Radiation is held against what the sun can give at its height.
    pub sun_limits: bool,
    /// Envelopes of weeks. `None`: nobody looks.
    pub drift: Option<DriftSettings>,
    pub repeat: RepeatSettings,
}

impl Settings {
    pub fn limits(&self, quantity: Quantity) -> &QuantityLimits {
        &self.limits[quantity as usize]
    }

    pub fn limits_mut(&mut self, quantity: Quantity) -> &mut QuantityLimits {
        &mut self.limits[quantity as usize]
    }
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            limits: Quantity::ALL.map(QuantityLimits::default_for),
            calm_below_m_per_s: 0.3, // Beaufort 0 ends at 0.2 m/s (WMO-No. 306, code table 1100).
            sun_limits: true,
            drift: Some(DriftSettings::default()),
            repeat: RepeatSettings::default(),
        }
    }
}

/// Limits of one quantity, in its unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct QuantityLimits {
    /// Below this or above `hard_max` a value is bad.
    pub hard_min: f64,
    pub hard_max: f64,
    /// Values between these and the hard limits are taken as the nearer end, and counted as clipped.
    #[serde(default)]
    pub clip_to: Option<Span>,
    /// More than this while the sun is down is suspect.
    #[serde(default)]
    pub night_max: Option<f64>,
    /// How fast the value can change, by rising `minutes`. Empty: any change is believed.
    #[serde(default)]
    pub step: Vec<StepLimit>,
    /// How far one value can stand out from the two around it. `None`: as far as it likes.
    #[serde(default)]
    pub spike: Option<SpikeLimits>,
    /// How long the value can stay. `None`: as long as it likes.
    #[serde(default)]
    pub flat: Option<FlatLimits>,
    /// Rejected readings that agree among themselves for so long become the new reference, so that one wrong value
    /// cannot lock out the truth.
    pub reanchor_ms: i64,
}

/// From `min` to `max`, both included.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Span {
    pub min: f64,
    pub max: f64,
}

/// The greatest change within `minutes`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StepLimit {
    pub minutes: f64,
    pub suspect: f64,
    pub fail: f64,
}

/// The greatest height of one value above or below both the one before it and the one after it.
///
/// A value that moved by more than `suspect` counts only once the next one has come: see [`super::Track::judge`].
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SpikeLimits {
    pub suspect: f64,
    pub fail: f64,
    /// Between readings further apart the weather can go up and come down, ms.
    pub within_ms: i64,
}

/// How long a value can stay within a tolerance.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FlatLimits {
    /// Values no further than this from the one at which it became flat are the same value.
    pub tolerance: f64,
    pub lasting: Lasting,
    /// Other durations while the value is exactly 0. `None`: 0 is a value like any other.
    #[serde(default)]
    pub lasting_at_zero: Option<Lasting>,
    /// At or above this a constant value is real (humidity at saturation).
    #[serde(default)]
    pub exempt_at_or_above: Option<f64>,
    /// Tested in daylight only: at night the value is constant anyway.
    #[serde(default)]
    pub daylight_only: bool,
}

/// After how long a flat line is suspect, and after how long it is bad (`None`: never), in ms.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Lasting {
    pub suspect_ms: i64,
    pub fail_ms: Option<i64>,
}

impl QuantityLimits {
    /// The default limits of `quantity`.
    pub fn default_for(quantity: Quantity) -> Self {
        match quantity {
            Quantity::AirTemperature => Self {
                // 1 min suspect: Zahumenský, Guidelines on Quality Control Procedures for Data from Automatic Weather
                // Stations, WMO 2004. 5 min fail: Montana Mesonet. 60 min fail: 35 °F/h, NOAA MADIS. 6 h suspect and
                // 12 h: WMO-No. 488 (1993). The others: our choice.
                step: steps(&[
                    (1.0, 3.0, 6.0),
                    (5.0, 6.0, 10.0),
                    (60.0, 12.0, 19.4),
                    (360.0, 15.0, 23.3),
                    (720.0, 25.0, 25.0),
                ]),
                spike: spike(3.0, 6.0),
                // WMO 2004 asks for 0.1 °C in 60 min; real plateaus last longer. Our choice.
                flat: flat(0.05, 3 * HOUR, Some(6 * HOUR)),
                // Our choice: irrigated sites lie well within it; the widest in use is -80 to 60 °C.
                ..Self::within(-40.0, 55.0)
            },
            Quantity::RelativeHumidity => Self {
                // Wet sensors read past 100. Clip band to 105: our choice (Austrian practice clips to 104).
                clip_to: Some(Span { min: 0.0, max: 100.0 }),
                // 1 min: WMO 2004. 5 min fail: Montana Mesonet. 60 min fail: NOAA MADIS. The others: our choice.
                step: steps(&[(1.0, 10.0, 15.0), (5.0, 15.0, 20.0), (60.0, 35.0, 50.0), (720.0, 90.0, 100.0)]),
                spike: spike(20.0, 30.0),
                // WMO 2004 asks for 1 % in 60 min; at saturation true plateaus reach 20 h. Our choice.
                flat: flat(0.5, 8 * HOUR, Some(24 * HOUR))
                    .map(|flat| FlatLimits { exempt_at_or_above: Some(95.0), ..flat }),
                ..Self::within(0.0, 105.0)
            },
            Quantity::DewPointTemperature => Self {
                // As air temperature; 12 h: WMO-No. 488 (1993).
                step: steps(&[(1.0, 3.0, 6.0), (5.0, 6.0, 10.0), (60.0, 12.0, 19.4), (720.0, 20.0, 20.0)]),
                spike: spike(3.0, 6.0),
                flat: flat(0.05, 3 * HOUR, Some(6 * HOUR)),
                ..Self::within(-80.0, 35.0) // WMO 2004.
            },
            Quantity::AirPressure => Self {
                // 1 min: WMO 2004. 60 min fail: NOAA MADIS. Suspect from 1 h on, and 12 h: WMO-No. 488 (1993). Fail
                // between 1 h and 12 h: on the line between the two.
                step: steps(&[
                    (1.0, 0.5, 2.0),
                    (60.0, 3.0, 10.0),
                    (120.0, 6.0, 14.3),
                    (180.0, 9.0, 17.6),
                    (360.0, 18.0, 25.2),
                    (720.0, 36.0, 36.0),
                ]),
                spike: spike(2.0, 4.0),
                // WMO 2004 asks for 0.1 hPa in 60 min; true plateaus reach 2.6 h. Our choice.
                flat: flat(0.05, 3 * HOUR, Some(6 * HOUR)),
                ..Self::within(500.0, 1_100.0) // Pressure at the station, WMO 2004.
            },
            Quantity::WindSpeed => Self {
                // 1 min fail: WMO 2004. 5 min fail: Montana Mesonet. The others: our choice.
                step: steps(&[(1.0, 15.0, 20.0), (5.0, 30.0, 40.0), (720.0, 60.0, 75.0)]),
                flat: wind_flat(),
                ..Self::within(0.0, 75.0) // WMO 2004.
            },
            Quantity::WindSpeedOfGust => Self { flat: wind_flat(), ..Self::within(0.0, 100.0) }, // Montana Mesonet.
            Quantity::WindFromDirection => Self::within(0.0, 360.0),                             // WMO 2004.
            Quantity::SurfaceDownwellingShortwaveFlux => Self {
                // The offset of a pyranometer at night is no sun.
                clip_to: Some(Span { min: 0.0, max: f64::MAX }),
                night_max: Some(10.0), // Our choice.
                // 1 min: WMO 2004. The others: our choice; the sun rises in a gap.
                step: steps(&[(1.0, 800.0, 1_000.0), (60.0, 1_200.0, 1_500.0), (720.0, 2_000.0, 2_211.0)]),
                // Our choice.
                flat: flat(2.5, 3 * HOUR, Some(6 * HOUR)).map(|flat| FlatLimits { daylight_only: true, ..flat }),
                // BSRN global network recommended QC tests V2.0 (Long and Dutton, 2002), physically possible limits:
                // from -4 to 1.5 × solar constant (1,361 W/m², at perihelion × 1.034) × µ^1.2 + 100, here at µ = 1.
                ..Self::within(-4.0, 2_211.0)
            },
            // The caps of `site::rain` judge what an interval's rain can be; this is the world record of 24 h.
            Quantity::RainfallAmount => Self::within(0.0, 1_825.0),
            // `site::rain` judges counters; no counter shows more.
            Quantity::RainCounter => Self::within(0.0, 1e10),
            // The greatest minute believed, 40 mm, for an hour: see `site::rain::Caps`.
            Quantity::RainfallRate => Self::within(0.0, 2_400.0),
            Quantity::SoilMoisture => Self {
                // Our choice, wide of the 2.5 % in 5 min of the Montana Mesonet: there nobody waters.
                step: steps(&[(5.0, 10.0, 25.0), (60.0, 30.0, 40.0), (720.0, 40.0, 60.0)]),
                spike: spike(5.0, 10.0),
                flat: flat(0.0, 7 * DAY, None), // Our choice.
                ..Self::within(0.0, 60.0)       // flagit (ISMN).
            },
            Quantity::SoilTemperature => Self {
                // 5 min fail: Montana Mesonet. The others: our choice.
                step: steps(&[(5.0, 3.0, 5.0), (60.0, 8.0, 12.0), (720.0, 25.0, 30.0)]),
                spike: spike(2.0, 4.0),
                flat: flat(0.0, 24 * HOUR, Some(72 * HOUR)), // Our choice, to 10 cm depth.
                ..Self::within(-40.0, 60.0)                  // Montana Mesonet.
            },
            // Spans of percentages.
            Quantity::LeafWetness | Quantity::BatteryLevel => Self::within(0.0, 100.0),
            Quantity::BatteryOk => Self::within(0.0, 1.0),
            // What the hardware can mean by it; our choice.
            Quantity::BatteryVoltage => Self::within(0.0, 60.0),
            Quantity::Rssi => Self::within(-200.0, 50.0),
            Quantity::Snr => Self::within(-100.0, 100.0),
            // The integers a 64-bit float holds exactly.
            Quantity::SequenceNumber => Self::within(0.0, 9_007_199_254_740_992.0),
        }
    }

    /// A range and nothing else.
    pub fn within(hard_min: f64, hard_max: f64) -> Self {
        Self {
            hard_min,
            hard_max,
            clip_to: None,
            night_max: None,
            step: Vec::new(),
            spike: None,
            flat: None,
            reanchor_ms: 2 * HOUR, // Our choice.
        }
    }
}

fn steps(limits: &[(f64, f64, f64)]) -> Vec<StepLimit> {
    limits.iter().map(|&(minutes, suspect, fail)| StepLimit { minutes, suspect, fail }).collect()
}

/// Our choice, as the QARTOD manuals leave these to the operator: what WMO 2004 doubts within one minute, and twice that,
/// or the nearest to it that weather does not do up and down within two intervals of ten minutes. Wind and sun do: none.
fn spike(suspect: f64, fail: f64) -> Option<SpikeLimits> {
    Some(SpikeLimits { suspect, fail, within_ms: 20 * MINUTE })
}

fn flat(tolerance: f64, suspect_ms: i64, fail_ms: Option<i64>) -> Option<FlatLimits> {
    Some(FlatLimits {
        tolerance,
        lasting: Lasting { suspect_ms, fail_ms },
        lasting_at_zero: None,
        exempt_at_or_above: None,
        daylight_only: false,
    })
}

/// Our choice: a calm can last a day, the same wind cannot. (WMO 2004 asks for 0.5 m/s in 60 min.)
fn wind_flat() -> Option<FlatLimits> {
    let lasting_at_zero = Some(Lasting { suspect_ms: 24 * HOUR, fail_ms: Some(72 * HOUR) });
    flat(0.05, 3 * HOUR, Some(6 * HOUR)).map(|flat| FlatLimits { lasting_at_zero, ..flat })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_quantity_finds_its_own_limits() {
        let settings = Settings::default();
        for quantity in Quantity::ALL {
            assert_eq!(settings.limits(quantity), &QuantityLimits::default_for(quantity), "{}", quantity.name());
        }
    }

    #[test]
    fn default_limits_are_in_order() {
        for quantity in Quantity::ALL {
            let limits = QuantityLimits::default_for(quantity);
            assert!(limits.hard_min < limits.hard_max);
            for pair in limits.step.windows(2) {
                assert!(pair[0].minutes < pair[1].minutes && pair[0].suspect <= pair[1].suspect, "{}", quantity.name());
                assert!(pair[0].fail <= pair[1].fail, "{}", quantity.name());
            }
            assert!(limits.spike.is_none_or(|spike| 0.0 < spike.suspect && spike.suspect < spike.fail));
            assert!(limits.step.iter().all(|step| 0.0 < step.suspect && step.suspect <= step.fail));
            for lasting in limits.flat.iter().flat_map(|flat| [Some(flat.lasting), flat.lasting_at_zero]).flatten() {
                assert!(lasting.fail_ms.is_none_or(|fail| lasting.suspect_ms < fail), "{}", quantity.name());
            }
        }
    }

    #[test]
    fn rain_battery_and_radio_are_never_a_flat_line() {
        for quantity in [
            Quantity::RainfallAmount,
            Quantity::RainCounter,
            Quantity::RainfallRate,
            Quantity::BatteryVoltage,
            Quantity::BatteryLevel,
            Quantity::BatteryOk,
            Quantity::Rssi,
            Quantity::Snr,
        ] {
            assert_eq!(QuantityLimits::default_for(quantity).flat, None, "{}", quantity.name());
        }
    }
}
