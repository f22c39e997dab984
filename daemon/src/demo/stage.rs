//! The scenario of the demo: three invented places in one valley, and what happens to them in nine days of May.
//!
//! | day | fern-gate, a courtyard | granite-step, a terrace high up | dune-row, a dry slope |
//! |---|---|---|---|
//! | 1 Mon | dry, and the plants drink | the same, with a contact alone | the same, with one percentage |
//! | 2 Tue | watered what is owed; at 15:00 a technician cleans the gauge, and it tips | | the rain counter jumps by 640 mm and back |
//! | 3 Wed | at 10:00 the operator discards the tips; 11 mm of rain from 13:00 on | | |
//! | 4 Thu | held | frost until morning | |
//! | 5 Fri | held until the plants need water again | silent from 09:00 to 19:00 | 9 mm of rain from 05:00 on |
//! | 6 Sat | | its battery's end is foreseen | the same, and held for three days, as its settings say |
//! | 7 Sun | | the battery is low; at 11:00 a technician changes it | 16:00: the operator releases the rain hold |
//! | 8 Mon | a windy afternoon | | |
//!
//! After that the weather is drawn.

use serde_json::json;

use super::world::battery::Chemistry;
use super::world::faults::{Fault, Loss, Planned};
use super::world::scenario::{Errand, Scenario, SitePlan, beds, lawn};
use super::world::sensor::{Kind, SensorPlan, Units};
use super::world::sprinkler::{Capability, ControllerPlan, Group};
use super::world::time::{DAY, HOUR, MINUTE, midnight};
use super::world::weather::{Climate, Day, Rain};

/// The three sites, from local midnight on Monday, 2027-05-03.
pub fn scenario() -> Scenario {
    Scenario {
        start: midnight(2027, 5, 3) - OFFSET,
        slot: 10 * MINUTE,
        prefix: "thirst/v1".to_owned(),
        sites: vec![fern_gate(), granite_step(), dune_row()],
    }
}

fn fern_gate() -> SitePlan {
    let script = vec![
        EVE,
        day(0.5, 0.1, 1.8),
        day(1.0, 0.15, 2.0),
        wet(-1.0, 0.9, 2.4, Rain { begins_hour: 13.0, hours: 6.0, mm: 11.0 }),
        day(-1.5, 0.55, 2.0),
        day(0.5, 0.15, 1.6),
        day(1.0, 0.1, 1.8),
        day(1.5, 0.2, 2.0),
        day(2.0, 0.3, 6.4),
        day(0.5, 0.4, 2.2),
    ];
    SitePlan {
        label: "Fern Gate".to_owned(),
        climate: climate(39.71, -105.12, 11.5, 3.0),
        elevation_m: 1_620.0,
        script,
        sensors: vec![SensorPlan {
            faults: vec![planned(Fault::Knock, DAY + 15 * HOUR + 10 * MINUTE, 10 * MINUTE, 1.4)],
            ..sensor("mast", Kind::Mast, Chemistry::LiSocl2, 0.3)
        }],
        controller: controller("valves", Capability::PercentPerGroup, vec![lawn(), beds()]),
        errands: vec![
            Errand {
                after: DAY + 15 * HOUR,
                by: Fault::Service,
                command: json!({ "who": "technician", "verb": "service", "sensor": "mast", "kind": "cleaned" }),
                new_battery: None,
            },
            Errand {
                after: 2 * DAY + 10 * HOUR,
                by: Fault::Operator,
                command: json!({
                    "who": "operator", "verb": "discard_rain", "sensor": "mast", "note": "It tipped while it was cleaned"
                }),
                new_battery: None,
            },
        ],
        ..place("fern-gate")
    }
}

fn granite_step() -> SitePlan {
    let script = vec![
        EVE,
        day(1.5, 0.1, 2.0),
        day(1.0, 0.2, 2.2),
        day(-2.0, 0.5, 2.6),
        day(-6.5, 0.0, 1.2),
        day(1.5, 0.1, 1.8),
        day(2.0, 0.1, 2.0),
        day(2.0, 0.2, 2.0),
        day(1.5, 0.3, 2.4),
        day(1.0, 0.3, 2.2),
    ];
    let mast = SensorPlan {
        battery_days: 75.0,
        faults: vec![
            planned(Fault::Silence, 4 * DAY + 9 * HOUR, 10 * HOUR, 0.0),
            // The last of it goes fast.
            planned(Fault::Battery, 4 * DAY + 19 * HOUR, 14 * HOUR, 28.0),
        ],
        ..sensor("mast", Kind::Mast, Chemistry::AlkalineAa2, 0.52)
    };
    let rotor = Group {
        label: "the meadow".to_owned(),
        id: "meadow".to_owned(),
        kind: "rotor",
        run_minutes: 30.0,
        rate_mm_per_hour: 15.0,
        ..lawn()
    };
    SitePlan {
        label: "Granite Step".to_owned(),
        climate: climate(39.66, -105.41, 8.5, 2.0),
        elevation_m: 2_250.0,
        script,
        sensors: vec![mast],
        controller: controller("relay", Capability::Hold, vec![rotor]),
        errands: vec![Errand {
            after: 6 * DAY + 11 * HOUR,
            by: Fault::Service,
            command: json!({ "who": "technician", "verb": "service", "sensor": "mast", "kind": "battery" }),
            new_battery: Some("mast".to_owned()),
        }],
        ..place("granite-step")
    }
}

fn dune_row() -> SitePlan {
    let script = vec![
        EVE,
        day(1.0, 0.05, 2.2),
        day(1.5, 0.05, 2.4),
        day(1.5, 0.2, 2.2),
        day(0.5, 0.3, 2.0),
        wet(-1.5, 0.85, 2.4, Rain { begins_hour: 5.0, hours: 5.0, mm: 9.0 }),
        day(1.0, 0.2, 2.0),
        day(1.5, 0.1, 2.0),
        day(2.0, 0.1, 2.2),
        day(2.0, 0.1, 2.2),
    ];
    let mast = SensorPlan {
        units: Units::Us,
        tip_mm: 0.254,
        battery_days: 75.0,
        faults: vec![planned(Fault::Jump, DAY + 14 * HOUR, 90 * MINUTE, 640.08)],
        ..sensor("mast", Kind::Mast, Chemistry::AlkalineAa2, 0.6)
    };
    SitePlan {
        label: "Dune Row".to_owned(),
        climate: climate(39.58, -104.88, 14.5, 6.0),
        elevation_m: 1_710.0,
        units: Units::Us,
        rain_length: Some("3 days"),
        script,
        sensors: vec![mast],
        controller: controller("panel", Capability::Percent, vec![lawn()]),
        errands: vec![Errand {
            after: 6 * DAY + 16 * HOUR,
            by: Fault::Operator,
            command: json!({
                "who": "operator", "verb": "release", "reasons": ["rain"], "note": "New grass must not dry out"
            }),
            new_battery: None,
        }],
        ..place("dune-row")
    }
}

/// By the sun, the first hour of the first day is the last of the day before.
const EVE: Day = Day { anomaly_celsius: 0.5, cloud: 0.1, wind_m_per_s: 1.8, rain: None };

/// What the three have in common.
fn place(id: &str) -> SitePlan {
    SitePlan {
        id: id.to_owned(),
        label: String::new(),
        climate: climate(0.0, 0.0, 0.0, 0.0),
        elevation_m: 0.0,
        zone: "America/Denver",
        offset: OFFSET,
        units: Units::Metric,
        rain_length: None,
        script: Vec::new(),
        sensors: Vec::new(),
        controller: controller("valves", Capability::Percent, Vec::new()),
        errands: Vec::new(),
    }
}

fn climate(latitude_degrees: f64, longitude_degrees: f64, mean_celsius: f64, dryness_celsius: f64) -> Climate {
    Climate {
        latitude_degrees,
        longitude_degrees,
        mean_celsius,
        season_celsius: 11.0,
        swing_celsius: 7.5,
        dryness_celsius,
        wet_after_dry: 0.2,
        wet_after_wet: 0.4,
        wet_day_mm: 6.0,
        wind_m_per_s: 2.4,
    }
}

fn controller(id: &str, capability: Capability, groups: Vec<Group>) -> ControllerPlan {
    ControllerPlan { id: id.to_owned(), capability, groups, opens_hour: 3, closes_hour: 7 }
}

fn sensor(id: &str, kind: Kind, chemistry: Chemistry, battery_used: f64) -> SensorPlan {
    SensorPlan {
        id: id.to_owned(),
        kind,
        units: Units::Metric,
        interval: 10 * MINUTE,
        tip_mm: 0.2,
        chemistry,
        battery_used,
        battery_days: 400.0,
        own_time: false,
        loss: Loss { single: 0.01, in_bursts: 0.0, burst_length: 1.0 },
        faults: Vec::new(),
    }
}

fn planned(fault: Fault, from: i64, lasts: i64, size: f64) -> Planned {
    Planned { fault, from, to: from + lasts, size }
}

fn day(anomaly_celsius: f64, cloud: f64, wind_m_per_s: f64) -> Day {
    Day { anomaly_celsius, cloud, wind_m_per_s, rain: None }
}

fn wet(anomaly_celsius: f64, cloud: f64, wind_m_per_s: f64, rain: Rain) -> Day {
    Day { rain: Some(rain), ..day(anomaly_celsius, cloud, wind_m_per_s) }
}

/// Mountain daylight time; the demo ends before November unless somebody lets it run for an hour.
const OFFSET: i64 = -6 * HOUR;
