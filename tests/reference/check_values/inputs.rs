//! The inputs column of the table, and the first steps that many rows share.

use std::collections::HashMap;

use thirstd::engine::{
    formula::{
        radiation::{self, Exposure},
        reference_et, solar, vapor,
    },
    units::*,
};

/// The inputs of a row by name.
pub struct Inputs {
    id: String,
    pub values: HashMap<String, f64>,
}

impl Inputs {
    /// Understands `lat=-20deg`, `tmax=102.80F`, `rs=674.07 langley*0.041868`, `u=4.80mph*0.44704 at 3 m` (the height
    /// becomes `zw`), `utc start=18:00 period 1 h` (the middle becomes `utc_mid`).
    pub fn of(id: &str, text: &str) -> Self {
        let mut values = HashMap::new();
        for part in text.split(';') {
            let Some((name, value)) = part.split_once('=') else { continue };
            let (value, height) = match value.split_once(" at ") {
                Some((value, height)) => (value, height.strip_suffix(" m").and_then(|height| height.parse().ok())),
                None => (value, None),
            };
            if let Some(height) = height {
                values.insert("zw".to_string(), height);
            }
            if let Some(hour) = value.strip_suffix(":00 period 1 h").and_then(|hour| hour.parse::<f64>().ok()) {
                values.insert("utc_mid".to_string(), hour + 0.5);
            } else if let Some(product) = product(value) {
                let fahrenheit = value.ends_with('F');
                let number = if fahrenheit { (product - 32.0) / 1.8 } else { product };
                values.insert(name.trim().to_string(), number);
            }
        }
        Self { id: id.to_string(), values }
    }

    pub fn of_name(&self, name: &str) -> f64 {
        *self.values.get(name).unwrap_or_else(|| panic!("{}: no input {name}", self.id))
    }

    pub fn celsius(&self, name: &str) -> Celsius {
        Celsius(self.of_name(name))
    }

    pub fn percent(&self, name: &str) -> Percent {
        Percent(self.of_name(name))
    }

    pub fn day(&self) -> u32 {
        let day = *self.values.get("j").or_else(|| self.values.get("doy")).expect("a day of the year");
        day as u32
    }

    pub fn latitude(&self) -> Radians {
        Degrees(self.of_name("lat")).radians()
    }

    pub fn elevation(&self) -> Meters {
        Meters(self.values.get("z").copied().unwrap_or(0.0))
    }

    pub fn mean_air(&self) -> Celsius {
        Celsius((self.of_name("tmax") + self.of_name("tmin")) / 2.0)
    }

    pub fn daily_ra(&self) -> MegajoulesPerM2 {
        radiation::extraterrestrial_daily(self.latitude(), self.day())
    }

    pub fn daylight(&self) -> Hours {
        solar::daylight_hours(solar::sunset_hour_angle(self.latitude(), solar::declination(self.day())))
    }

    pub fn shortwave_from_sunshine(&self) -> MegajoulesPerM2 {
        radiation::shortwave_from_sunshine(Hours(self.of_name("n")), self.daylight(), self.daily_ra())
    }

    pub fn shortwave_from_temperature(&self) -> MegajoulesPerM2 {
        let exposure = if self.of_name("kRs") == 0.19 { Exposure::Coast } else { Exposure::Inland };
        let clear = radiation::clear_sky_simple(self.elevation(), self.daily_ra());
        let (highest, lowest) = (self.celsius("tmax"), self.celsius("tmin"));
        radiation::shortwave_from_temperature(highest, lowest, exposure, self.daily_ra(), clear)
    }

    pub fn ea_of_extremes(&self) -> Kilopascals {
        vapor::vapor_pressure_of_extremes(
            self.celsius("tmax"),
            self.celsius("tmin"),
            self.percent("rhmax"),
            self.percent("rhmin"),
        )
    }

    pub fn es(&self) -> Kilopascals {
        vapor::mean_saturation_vapor_pressure(self.celsius("tmax"), self.celsius("tmin"))
    }

    pub fn u2(&self) -> MetersPerSecond {
        reference_et::wind_at_2_m(MetersPerSecond(self.of_name("u")), Meters(self.of_name("zw")))
    }
}

/// A number, or `number*number`, with unit words behind either.
fn product(text: &str) -> Option<f64> {
    let numbers: Option<Vec<f64>> = text
        .split('*')
        .map(|factor| {
            let end = factor.find(|c: char| !(c.is_ascii_digit() || "+-.".contains(c))).unwrap_or(factor.len());
            factor[..end].parse().ok()
        })
        .collect();
    Some(numbers?.iter().product())
}
