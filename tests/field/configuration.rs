//! Configuration of the cases, as TOML text through the daemon's own reader.

use std::sync::Arc;

use thirstd::config::{self, Faults, Loaded};
use thirstd::engine::settings::Settings;

/// Feeds of one value per topic.
pub const VALUES: &str = r#"
[[feeds]]
topic = "yard/{site}/{sensor}/temp_c"
format = "value"
reading = { quantity = "air_temperature", unit = "Cel" }
[[feeds]]
topic = "yard/{site}/{sensor}/rain_total_mm"
format = "value"
reading = { quantity = "rain_counter", unit = "mm" }
[[feeds]]
topic = "yard/{site}/{sensor}/press_hpa"
format = "value"
reading = { quantity = "air_pressure", unit = "hPa" }
"#;

/// A feed of JSON documents with the fields that the cases use, without a time of their own.
pub const STATES: &str = r#"
[[feeds]]
topic = "yard/{site}/{sensor}/state"
format = "json"
[feeds.fields]
"/temp_c" = { quantity = "air_temperature", unit = "Cel" }
"/rh_pct" = { quantity = "relative_humidity", unit = "%" }
"/wind_mps" = { quantity = "wind_speed", unit = "m/s" }
"/wind_dir" = { quantity = "wind_from_direction", unit = "deg" }
"/rain_total_mm" = { quantity = "rain_counter", unit = "mm" }
"/batt_v" = { quantity = "battery_voltage", unit = "V" }
"#;

/// [`STATES`] with the time of the message at `pointer`, in `format`.
pub fn timed_states(pointer: &str, format: &str) -> String {
    format!("{STATES}[feeds.time]\npointer = \"{pointer}\"\nformat = \"{format}\"\n")
}

/// One site.
pub struct Site<'a> {
    pub id: &'a str,
    pub zone: &'a str,
    /// Further keys of the site.
    pub keys: &'a str,
    /// Id of each sensor, and further keys of it.
    pub sensors: &'a [(&'a str, &'a str)],
    /// Further keys of its only group, a sprayed lawn with 10 mm a run.
    pub group: &'a str,
}

impl Default for Site<'_> {
    fn default() -> Self {
        Self { id: "oak", zone: "UTC", keys: "", sensors: &[("air", "")], group: "" }
    }
}

impl Site<'_> {
    fn text(&self) -> String {
        let Self { id, zone, keys, group, .. } = self;
        let sensors: String = self
            .sensors
            .iter()
            .map(|(sensor, keys)| format!("[[sites.sensors]]\nid = \"{sensor}\"\n{keys}\n"))
            .collect();
        format!(
            r#"
[[sites]]
id = "{id}"
zone = "{zone}"
latitude = 51.5
longitude = 0.1
elevation = "60 m"
{keys}
{sensors}
[[sites.groups]]
id = "lawn"
kind = "spray"
run_depth = "10 mm"
{group}
[[sites.controllers]]
id = "relay"
capability = "percent"
"#
        )
    }
}

/// Settings of `sites` heard through `feeds`.
pub fn settings(feeds: &str, sites: &[Site<'_>]) -> Arc<Settings> {
    load(feeds, sites).unwrap_or_else(|faults| panic!("{faults}")).settings
}

/// What the daemon's reader makes of it.
pub fn load(feeds: &str, sites: &[Site<'_>]) -> Result<Loaded, Faults> {
    let sites: String = sites.iter().map(Site::text).collect();
    let text = format!("history = true\n[broker]\nhost = \"localhost\"\n{feeds}{sites}");
    config::load_text("case.toml", &text, std::iter::empty())
}
