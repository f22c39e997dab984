//! A reading: what one sensor said about one quantity, in the unit the engine works in.

use serde::{Deserialize, Serialize};

use super::stamp::Stamp;

/// What can be read. Names are CF standard names where one exists (CF Conventions standard name table); the rest are
/// ours. The unit in the comment is the one the engine works in; decoding converts to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    AirTemperature,                  // °C
    RelativeHumidity,                // %
    DewPointTemperature,             // °C
    AirPressure,                     // hPa
    WindSpeed,                       // m/s
    WindSpeedOfGust,                 // m/s
    WindFromDirection,               // degrees
    SurfaceDownwellingShortwaveFlux, // W/m²
    RainfallAmount,                  // mm of the interval that ends with the reading
    RainCounter,                     // cumulative: mm, or tips where the unit is "tips"
    RainfallRate,                    // mm/h
    SoilMoisture,                    // % by volume
    SoilTemperature,                 // °C
    LeafWetness,                     // %
    BatteryVoltage,                  // V
    BatteryLevel,                    // %
    BatteryOk,                       // 1 good, 0 low
    Rssi,                            // dBm
    Snr,                             // dB
    SequenceNumber,                  // -
}

impl Quantity {
    pub const ALL: [Self; 20] = [
        Self::AirTemperature,
        Self::RelativeHumidity,
        Self::DewPointTemperature,
        Self::AirPressure,
        Self::WindSpeed,
        Self::WindSpeedOfGust,
        Self::WindFromDirection,
        Self::SurfaceDownwellingShortwaveFlux,
        Self::RainfallAmount,
        Self::RainCounter,
        Self::RainfallRate,
        Self::SoilMoisture,
        Self::SoilTemperature,
        Self::LeafWetness,
        Self::BatteryVoltage,
        Self::BatteryLevel,
        Self::BatteryOk,
        Self::Rssi,
        Self::Snr,
        Self::SequenceNumber,
    ];

    /// The name in configuration, JSON and history.
    pub fn name(self) -> &'static str {
        match self {
            Self::AirTemperature => "air_temperature",
            Self::RelativeHumidity => "relative_humidity",
            Self::DewPointTemperature => "dew_point_temperature",
            Self::AirPressure => "air_pressure",
            Self::WindSpeed => "wind_speed",
            Self::WindSpeedOfGust => "wind_speed_of_gust",
            Self::WindFromDirection => "wind_from_direction",
            Self::SurfaceDownwellingShortwaveFlux => "surface_downwelling_shortwave_flux",
            Self::RainfallAmount => "rainfall_amount",
            Self::RainCounter => "rain_counter",
            Self::RainfallRate => "rainfall_rate",
            Self::SoilMoisture => "soil_moisture",
            Self::SoilTemperature => "soil_temperature",
            Self::LeafWetness => "leaf_wetness",
            Self::BatteryVoltage => "battery_voltage",
            Self::BatteryLevel => "battery_level",
            Self::BatteryOk => "battery_ok",
            Self::Rssi => "rssi",
            Self::Snr => "snr",
            Self::SequenceNumber => "sequence_number",
        }
    }

    /// The quantity of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|quantity| quantity.name() == name)
    }

    /// The unit the engine works in, as a UCUM code.
    pub fn unit(self) -> &'static str {
        match self {
            Self::AirTemperature | Self::DewPointTemperature | Self::SoilTemperature => "Cel",
            Self::RelativeHumidity | Self::SoilMoisture | Self::LeafWetness | Self::BatteryLevel => "%",
            Self::AirPressure => "hPa",
            Self::WindSpeed | Self::WindSpeedOfGust => "m/s",
            Self::WindFromDirection => "deg",
            Self::SurfaceDownwellingShortwaveFlux => "W/m2",
            Self::RainfallAmount | Self::RainCounter => "mm",
            Self::RainfallRate => "mm/h",
            Self::BatteryVoltage => "V",
            Self::Rssi => "dB[mW]",
            Self::Snr => "dB",
            Self::BatteryOk | Self::SequenceNumber => "1",
        }
    }

    /// True for rain, and for what any sensor says of itself beside its weather.
    pub fn is_of_rain_only(self) -> bool {
        matches!(
            self,
            Self::RainfallAmount
                | Self::RainCounter
                | Self::RainfallRate
                | Self::BatteryVoltage
                | Self::BatteryLevel
                | Self::BatteryOk
                | Self::Rssi
                | Self::Snr
                | Self::SequenceNumber
        )
    }

    /// True for what describes the transmission, not the weather: it differs between copies of one message.
    pub fn describes_transmission(self) -> bool {
        matches!(self, Self::Rssi | Self::Snr)
    }
}

/// How the time of a reading came about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TimeSource {
    /// The sensor's own time, believed.
    Payload,
    /// The message had no time, or the feed names none: arrival.
    Arrival,
    /// The message had a time that cannot be: arrival instead.
    BadPayloadTime,
}

/// One value of one quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    pub quantity: Quantity,
    /// In [`Quantity::unit`]; always finite. A rain counter declared in tips is in tips.
    pub value: f64,
    pub observed_at: Stamp,
    pub time_source: TimeSource,
}

/// QARTOD flags (IOOS QARTOD manuals: the numbers are the standard's).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Flag {
    Good = 1,
    NotEvaluated = 2,
    Suspect = 3,
    Bad = 4,
    Missing = 9,
}

impl Flag {
    /// Fit for totals and averages.
    pub fn counts(self) -> bool {
        matches!(self, Self::Good | Self::NotEvaluated | Self::Suspect)
    }
}
