//! How a yard is set up: its sensors, its controller, its watering days, and what goes wrong.

use std::fmt::Write;

use super::neighbors;
use super::rules::Schedule;
use super::weather::{Normals, Series};
use super::zones::{TABLE, ZONES};

/// Everything that a run can be told to do differently.
#[derive(Clone, Debug, PartialEq)]
pub struct Setup {
    pub sensors: Sensors,
    pub controller: Controller,
    /// Days on which the controller waters, Monday first.
    pub days: [bool; 7],
    /// False: the daemon is not told the watering days and believes that every day is one.
    pub days_told: bool,
    pub rain_hold: RainHold,
    /// True: the daemon knows the storage of each root zone; false: it takes its default ceiling.
    pub storage_known: bool,
    /// Rain that a ledger stores ahead, mm; None: the daemon's default.
    pub credit_mm: Option<f64>,
    /// The bridge reports its runs and what is in force.
    pub reports: bool,
    /// Holds for freeze and wind, which the protocol does not know.
    pub frost_and_wind: bool,
    /// The bridge hears nothing of the daemon but its fallback table.
    pub away: bool,
    pub site_factor: SiteFactor,
    /// Sites nearby that measure the same weather.
    pub neighbors: usize,
    pub seed: u64,
}

impl Default for Setup {
    fn default() -> Self {
        Self {
            sensors: Sensors::FULL,
            controller: Controller::PercentPerGroup,
            days: [true, false, true, false, true, false, false],
            days_told: true,
            rain_hold: RainHold::Auto,
            storage_known: false,
            credit_mm: None,
            reports: true,
            frost_and_wind: false,
            away: false,
            site_factor: SiteFactor::Monthly,
            neighbors: 0,
            seed: 1,
        }
    }
}

/// What the yard's one sensor measures beside temperature.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sensors {
    pub humidity: bool,
    pub wind: bool,
    pub sun: bool,
    pub rain: bool,
}

impl Sensors {
    pub const FULL: Self = Self { humidity: true, wind: true, sun: true, rain: true };
    pub const TEMPERATURE_AND_RAIN: Self = Self { humidity: false, wind: false, sun: false, rain: true };

    pub fn text(self) -> String {
        let parts = [("humidity", self.humidity), ("wind", self.wind), ("sun", self.sun), ("rain", self.rain)];
        let read: Vec<&str> = parts.iter().filter(|(_, read)| *read).map(|(name, _)| *name).collect();
        match read.as_slice() {
            [] => "temperature alone".to_owned(),
            _ => format!("temperature, {}", read.join(", ")),
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Controller {
    PercentPerGroup,
    Percent,
    Hold,
    /// A contact for each zone: as many controllers, each of which can only hold.
    Relays,
    TwelveMonths,
}

impl Controller {
    /// As in a configuration.
    pub fn capability(self) -> &'static str {
        match self {
            Self::PercentPerGroup => "percent_per_group",
            Self::Percent => "percent",
            Self::Hold | Self::Relays => "hold",
            Self::TwelveMonths => "twelve_months",
        }
    }

    /// For people.
    pub fn name(self) -> &'static str {
        if self == Self::Relays { "a contact for each zone" } else { self.capability() }
    }

    /// The id of the controller that waters `zone`.
    pub fn id(self, zone: usize) -> &'static str {
        if self == Self::Relays { RELAYS[zone] } else { CONTROLLER }
    }

    /// All ids.
    pub fn ids(self) -> &'static [&'static str] {
        if self == Self::Relays { &RELAYS } else { &[CONTROLLER] }
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum RainHold {
    Auto,
    Days(f64),
    Off,
}

/// What evapotranspiration by temperature alone is multiplied by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SiteFactor {
    Monthly,
    Annual,
    None,
}

/// The id of the yard's site, of its sensor and of its controller.
pub const SITE: &str = "yard";
pub const SENSOR: &str = "mast";
pub const CONTROLLER: &str = "valves";
const RELAYS: [&str; ZONES] = ["relay-1", "relay-2", "relay-3", "relay-4", "relay-5", "relay-6"];

/// Local hours between which the controller may water.
pub const OPENS_HOUR: i64 = 2;
pub const CLOSES_HOUR: i64 = 10;

/// The configuration that the daemon would be given for this yard, but for broker, store and log. `normals` are what its
/// operator knows of the place, `table` the same as a table of the configuration where somebody has written one.
pub fn configuration(
    setup: &Setup,
    series: &Series,
    schedule: &Schedule,
    normals: &Normals,
    table: Option<&str>,
) -> String {
    let mut text = String::new();
    // Writing to a `String` cannot fail.
    macro_rules! line { ($($part:tt)*) => {{ let _ = writeln!(text, $($part)*); }}; }
    line!("[[feeds]]\ntopic = \"yard/{{site}}/{{sensor}}/state\"\nformat = \"json\"");
    line!("time = {{ pointer = \"/ts\", format = \"unix_s\" }}\n\n[feeds.fields]");
    let sensors = setup.sensors;
    for (field, quantity, unit, read) in [
        ("temp_c", "air_temperature", "Cel", true),
        ("rh_pct", "relative_humidity", "%", sensors.humidity),
        ("wind_ms", "wind_speed", "m/s", sensors.wind),
        ("sun_wm2", "surface_downwelling_shortwave_flux", "W/m2", sensors.sun),
        ("rain_mm", "rain_counter", "mm", sensors.rain),
    ] {
        if read {
            line!("\"/{field}\" = {{ quantity = \"{quantity}\", unit = \"{unit}\" }}");
        }
    }
    line!("\"/seq\" = {{ quantity = \"sequence_number\" }}\n");
    let spot = series.spot;
    line!("[[sites]]\nid = \"{SITE}\"");
    line!("latitude = {}\nlongitude = {}", spot.latitude_degrees, spot.longitude_degrees);
    line!("elevation = \"{} m\"\nwind_height = \"{} m\"", spot.elevation_m, spot.wind_height_m);
    line!("zone = \"{}\"\nwindow = \"{OPENS_HOUR:02}:00-{CLOSES_HOUR:02}:00\"", spot.zone().name());
    if setup.neighbors > 0 {
        line!("neighbors = {}", neighbors::ids(setup));
    }
    if setup.days_told {
        let names = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];
        let named: Vec<String> =
            names.iter().zip(setup.days).filter(|(_, on)| *on).map(|(name, _)| format!("\"{name}\"")).collect();
        line!("watering_days = [{}]", named.join(", "));
    }
    if !sensors.sun && !sensors.wind && !sensors.humidity {
        let factors = match setup.site_factor {
            SiteFactor::None => None,
            SiteFactor::Annual => Some([normals.annual_factor; 12]),
            SiteFactor::Monthly => Some(normals.factor),
        };
        if let Some(factors) = factors {
            let listed: Vec<String> = factors.iter().map(|factor| format!("{factor:.3}")).collect();
            line!("site_factor = [{}]", listed.join(", "));
        }
    }
    match table {
        Some(table) => line!("\n{table}"),
        None => {
            let sums = |daily: &[f64; 12]| {
                let sums: Vec<String> =
                    daily.iter().zip(MONTHS).map(|(mm, days)| format!("\"{:.1} mm\"", mm * days)).collect();
                sums.join(", ")
            };
            line!("\n[sites.normals]\neto = [{}]\nrain = [{}]", sums(&normals.eto_mm), sums(&normals.rain_mm));
        }
    }
    line!("\n[sites.rain]");
    match setup.rain_hold {
        RainHold::Auto => line!("length = \"auto\""),
        RainHold::Days(days) => line!("length = \"{days} days\""),
        RainHold::Off => line!("enabled = false"),
    }
    if !setup.frost_and_wind {
        line!("\n[sites.freeze]\nenabled = false\n\n[sites.wind]\nenabled = false");
    }
    line!("\n[[sites.sensors]]\nid = \"{SENSOR}\"\n");
    for (zone, run_mm) in TABLE.iter().zip(schedule.run_mm) {
        let factor: Vec<String> = zone.factor.iter().map(f64::to_string).collect();
        line!("[[sites.groups]]\nid = \"{}\"\nlabel = \"{}\"\nkind = \"{}\"", zone.id, zone.what, zone.kind);
        line!("plant_factor = [{}]\nrun_depth = \"{run_mm:.3} mm\"", factor.join(", "));
        if setup.storage_known {
            line!("root_zone_storage = \"{} mm\"", zone.storage_mm);
        }
        if let Some(credit_mm) = setup.credit_mm {
            line!("credit = \"{credit_mm} mm\"");
        }
        line!("");
    }
    for (id, zone) in setup.controller.ids().iter().zip(&TABLE) {
        line!("[[sites.controllers]]\nid = \"{id}\"\ncapability = \"{}\"", setup.controller.capability());
        if setup.controller == Controller::Relays {
            line!("groups = [\"{}\"]", zone.id);
        }
    }
    text + &neighbors::configuration(setup, series)
}

/// Mean lengths of the months.
const MONTHS: [f64; 12] = [31.0, 28.25, 31.0, 30.0, 31.0, 30.0, 31.0, 31.0, 30.0, 31.0, 30.0, 31.0];
