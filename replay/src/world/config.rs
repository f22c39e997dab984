//! The configuration that a daemon needs to understand a world.

use std::fmt::Write;

use super::scenario::{Scenario, SitePlan};
use super::sensor::{Kind, SensorPlan, Units};
use super::sprinkler::Capability;

/// Everything but broker, store and log.
pub fn configuration(scenario: &Scenario) -> String {
    let mut text = String::new();
    let sensors = || scenario.sites.iter().flat_map(|site| &site.sensors);
    for units in [Units::Metric, Units::Us] {
        for own_time in [false, true] {
            if sensors().any(|sensor| sensor.units == units && sensor.own_time == own_time) {
                feed(&mut text, scenario, units, own_time);
            }
        }
    }
    for plan in &scenario.sites {
        site(&mut text, plan);
    }
    text
}

/// Writing to a `String` cannot fail.
macro_rules! line {
    ($text:expr, $($part:tt)*) => { let _ = writeln!($text, $($part)*); };
}

fn feed(text: &mut String, scenario: &Scenario, units: Units, own_time: bool) {
    let (topic, fields): (&str, &[(&str, &str, &str)]) = match units {
        Units::Metric => ("yard/{site}/{sensor}/state", &METRIC),
        Units::Us => ("plot/{site}/{sensor}/report", &US),
    };
    let sensors = scenario.sites.iter().flat_map(|site| &site.sensors);
    let kinds: Vec<Kind> = sensors.filter(|sensor| sensor.units == units).map(|sensor| sensor.kind).collect();
    // One feed serves both: a message without its own time counts when it arrives.
    if own_time && text.contains(topic) {
        return;
    }
    let both =
        scenario.sites.iter().flat_map(|site| &site.sensors).any(|sensor| sensor.units == units && sensor.own_time);
    line!(text, "[[feeds]]\ntopic = \"{topic}\"\nformat = \"json\"");
    if both {
        line!(text, "time = {{ pointer = \"/ts\", format = \"unix_s\" }}");
    }
    line!(text, "\n[feeds.fields]");
    for (field, quantity, unit) in fields {
        let needs = match *quantity {
            "relative_humidity" => kinds.iter().any(|kind| *kind != Kind::Gauge),
            "rain_counter" => kinds.iter().any(|kind| *kind != Kind::Thermometer),
            "wind_speed" | "wind_speed_of_gust" | "surface_downwelling_shortwave_flux" => kinds.contains(&Kind::Mast),
            _ => true,
        };
        if needs {
            let unit = if unit.is_empty() { String::new() } else { format!(", unit = \"{unit}\"") };
            line!(text, "\"/{field}\" = {{ quantity = \"{quantity}\"{unit} }}");
        }
    }
    line!(text, "");
}

fn site(text: &mut String, plan: &SitePlan) {
    let climate = &plan.climate;
    line!(text, "[[sites]]\nid = \"{}\"\nlabel = \"{}\"", plan.id, plan.label);
    line!(text, "latitude = {:.2}\nlongitude = {:.2}", climate.latitude_degrees, climate.longitude_degrees);
    line!(text, "elevation = \"{:.0} m\"\nzone = \"{}\"", plan.elevation_m, plan.zone);
    if plan.units == Units::Us {
        line!(text, "units = \"us\"");
    }
    let window = &plan.controller;
    line!(text, "window = \"{:02}:00-{:02}:00\"\n", window.opens_hour, window.closes_hour);
    if let Some(length) = plan.rain_length {
        line!(text, "[sites.rain]\nlength = \"{length}\"\n");
    }
    for sensor in &plan.sensors {
        self::sensor(text, sensor);
    }
    for group in &plan.controller.groups {
        line!(text, "[[sites.groups]]\nid = \"{}\"\nlabel = \"{}\"", group.id, group.label);
        line!(text, "kind = \"{}\"\nplanting = \"{}\"", group.kind, group.planting);
        line!(
            text,
            "run = \"{:.0} min\"\napplication_rate = \"{:.1} mm/h\"",
            group.run_minutes,
            group.rate_mm_per_hour
        );
        line!(text, "efficiency = \"{:.0} %\"\n", group.efficiency_percent);
    }
    let capability = match plan.controller.capability {
        Capability::Hold => "hold",
        Capability::Percent => "percent",
        Capability::PercentPerGroup => "percent_per_group",
    };
    line!(text, "[[sites.controllers]]\nid = \"{}\"\ncapability = \"{capability}\"\n", plan.controller.id);
}

fn sensor(text: &mut String, plan: &SensorPlan) {
    line!(text, "[[sites.sensors]]\nid = \"{}\"", plan.id);
    if plan.kind != Kind::Thermometer {
        line!(text, "gauge = {{ tip = \"{} mm\" }}", plan.tip_mm);
    }
    // An invented world is seldom watched for longer than days.
    line!(text, "battery = {{ chemistry = \"{}\", forecast_after = \"4 days\" }}\n", plan.chemistry.name());
}

/// Field, quantity, unit.
const METRIC: [(&str, &str, &str); 9] = [
    ("temp_c", "air_temperature", "Cel"),
    ("rh_pct", "relative_humidity", "%"),
    ("wind_ms", "wind_speed", "m/s"),
    ("gust_ms", "wind_speed_of_gust", "m/s"),
    ("sun_wm2", "surface_downwelling_shortwave_flux", "W/m2"),
    ("rain_mm", "rain_counter", "mm"),
    ("batt_v", "battery_voltage", "V"),
    ("rssi_dbm", "rssi", "dBm"),
    ("seq", "sequence_number", ""),
];
const US: [(&str, &str, &str); 9] = [
    ("temp_f", "air_temperature", "degF"),
    ("humidity", "relative_humidity", "%"),
    ("wind_mph", "wind_speed", "mph"),
    ("gust_mph", "wind_speed_of_gust", "mph"),
    ("sun", "surface_downwelling_shortwave_flux", "W/m2"),
    ("rain_in", "rain_counter", "in"),
    ("battery", "battery_voltage", "V"),
    ("signal", "rssi", "dBm"),
    ("seq", "sequence_number", ""),
];
