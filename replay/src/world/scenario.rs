//! What a world is made of: sites with their climate, devices, controllers, and what is planned to happen.

use super::battery::Chemistry;
use super::faults::{Fault, Loss, Planned};
use super::random::Random;
use super::sensor::{Kind, SensorPlan, Units};
use super::sprinkler::{Capability, ControllerPlan, Group};
use super::time::{DAY, HOUR, MINUTE, midnight};
use super::weather::{Climate, Day};

/// A world before it begins.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// Unix milliseconds.
    pub start: i64,
    /// Length of a slot, ms.
    pub slot: i64,
    /// First levels of every topic of the daemon.
    pub prefix: String,
    pub sites: Vec<SitePlan>,
}

/// A place that is watered.
#[derive(Clone, Debug, PartialEq)]
pub struct SitePlan {
    pub id: String,
    pub label: String,
    pub climate: Climate,
    pub elevation_m: f64,
    /// From the IANA list, and its offset from UTC while the world runs, ms.
    pub zone: &'static str,
    pub offset: i64,
    /// Texts for people.
    pub units: Units,
    /// `length` of the rain hold in a configuration, where it is not `auto`.
    pub rain_length: Option<&'static str>,
    /// The first days; the rest is drawn.
    pub script: Vec<Day>,
    pub sensors: Vec<SensorPlan>,
    pub controller: ControllerPlan,
    pub errands: Vec<Errand>,
}

/// Somebody sends a command, `after` milliseconds after the start.
#[derive(Clone, Debug, PartialEq)]
pub struct Errand {
    pub after: i64,
    /// What switches it off: [`Fault::Service`] or [`Fault::Operator`].
    pub by: Fault,
    /// The command without its `id`.
    pub command: serde_json::Value,
    /// The device that gets a new battery with it.
    pub new_battery: Option<String>,
}

/// `count` invented sites for `days` days from `start` on, all of them different, with faults strewn over them.
pub fn invented(count: usize, days: u32, start: i64, seed: u64) -> Scenario {
    let sites = (0..count).map(|index| site(index, days, seed)).collect();
    Scenario { start, slot: 10 * MINUTE, prefix: "thirst/v1".to_owned(), sites }
}

/// 2027-04-01, local midnight on average: spring in the north, autumn in the south.
pub fn usual_start() -> i64 {
    midnight(2027, 4, 1)
}

fn site(index: usize, days: u32, seed: u64) -> SitePlan {
    let mut random = Random::new(seed, &format!("site {index}"));
    let id = format!(
        "{}-{}-{}",
        FIRST_WORDS[random.index(FIRST_WORDS.len())],
        SECOND_WORDS[random.index(SECOND_WORDS.len())],
        index + 1
    );
    let region = REGIONS[random.index(REGIONS.len())];
    let climate = Climate {
        latitude_degrees: rounded(region.climate.latitude_degrees + random.between(-1.5, 1.5)),
        longitude_degrees: rounded(region.climate.longitude_degrees + random.between(-2.0, 2.0)),
        mean_celsius: region.climate.mean_celsius + random.between(-2.0, 2.0),
        wet_day_mm: region.climate.wet_day_mm * random.between(0.7, 1.4),
        wind_m_per_s: region.climate.wind_m_per_s * random.between(0.7, 1.3),
        ..region.climate
    };
    let length = i64::from(days) * DAY;
    let mut sensors = vec![sensor("mast", Kind::Mast, length, &mut random)];
    if random.chance(0.4) {
        sensors.push(sensor("gauge", Kind::Gauge, length, &mut random));
    }
    if random.chance(0.4) {
        sensors.push(sensor("low-corner", Kind::Thermometer, length, &mut random));
    }
    let errands = sensors.iter().filter_map(|sensor| visit(sensor, length, &mut random)).collect();
    let capability = [Capability::PercentPerGroup, Capability::Percent, Capability::Hold][random.index(3)];
    SitePlan {
        label: id.clone(),
        id,
        climate,
        elevation_m: (region.elevation_m * random.between(0.6, 1.4)).round(),
        zone: region.zone,
        offset: region.offset_hours * HOUR,
        units: Units::Metric,
        rain_length: None,
        script: Vec::new(),
        sensors,
        controller: ControllerPlan {
            id: "valves".to_owned(),
            capability,
            groups: if random.chance(0.5) { vec![lawn(), beds()] } else { vec![lawn()] },
            opens_hour: 2,
            closes_hour: 8,
        },
        errands,
    }
}

fn sensor(id: &str, kind: Kind, length: i64, random: &mut Random) -> SensorPlan {
    let chemistry = Chemistry::ALL[random.index(Chemistry::ALL.len())];
    let mut faults = vec![Planned { fault: Fault::Battery, from: 0, to: length, size: 1.0 }];
    let mut strew = |fault: Fault, a_year: f64, hours: f64, size: f64, random: &mut Random| {
        // At most one of a kind, at a moment drawn whether or not it happens.
        let (odds, place, lasting) = (random.unit(), random.unit(), random.exponential());
        let years = length as f64 / (365.0 * DAY as f64);
        if odds < 1.0 - (-a_year * years).exp() {
            let from = (place * length as f64) as i64;
            faults.push(Planned { fault, from, to: from + ((0.2 + lasting) * hours * HOUR as f64) as i64, size });
        }
    };
    strew(Fault::Silence, 6.0, 12.0, 0.0, random);
    strew(Fault::Clock, 2.0, 24.0, 10_800.0, random);
    if kind != Kind::Thermometer {
        strew(Fault::Reset, 2.0, 1.0, 0.0, random);
        strew(Fault::Jump, 3.0, 3.0, 650.4, random);
        strew(Fault::Knock, 4.0, 1.0, 1.4, random);
        strew(Fault::Spray, 1.0, 20.0 * 24.0, 0.0, random);
    }
    let units = if random.chance(0.7) { Units::Metric } else { Units::Us };
    SensorPlan {
        id: id.to_owned(),
        kind,
        units,
        interval: [10, 10, 20, 30][random.index(4)] * MINUTE,
        // A fifth of a millimeter or a hundredth of an inch.
        tip_mm: if units == Units::Metric { 0.2 } else { 0.254 },
        chemistry,
        battery_used: random.between(0.0, 0.9),
        battery_days: random.between(120.0, 500.0),
        own_time: random.chance(0.3),
        loss: Loss {
            single: random.between(0.0, 0.04),
            in_bursts: random.between(0.0, 0.02),
            burst_length: random.between(2.0, 6.0),
        },
        faults,
    }
}

/// A technician changes some batteries.
fn visit(sensor: &SensorPlan, length: i64, random: &mut Random) -> Option<Errand> {
    let (comes, place) = (random.chance(0.3), random.unit());
    let command = serde_json::json!({ "who": "technician", "verb": "service", "sensor": sensor.id, "kind": "battery" });
    let after = (place * length as f64) as i64;
    comes.then(|| Errand { after, by: Fault::Service, command, new_battery: Some(sensor.id.clone()) })
}

/// Grass under sprinklers: 20 minutes give 9.1 mm net.
pub fn lawn() -> Group {
    Group {
        id: "lawn".to_owned(),
        label: "the lawn".to_owned(),
        kind: "spray",
        planting: "cool_turf",
        run_minutes: 20.0,
        rate_mm_per_hour: 42.0,
        efficiency_percent: 65.0,
    }
}

/// Flowers on drip lines: 60 minutes give 6.4 mm net.
pub fn beds() -> Group {
    Group {
        id: "beds".to_owned(),
        label: "the beds".to_owned(),
        kind: "drip",
        planting: "flowers",
        run_minutes: 60.0,
        rate_mm_per_hour: 8.0,
        efficiency_percent: 80.0,
    }
}

fn rounded(degrees: f64) -> f64 {
    (degrees * 100.0).round() / 100.0
}

/// A part of the world that keeps one time all year.
#[derive(Clone, Copy, Debug)]
struct Region {
    zone: &'static str,
    offset_hours: i64,
    elevation_m: f64,
    climate: Climate,
}

const FIRST_WORDS: [&str; 12] =
    ["alder", "brook", "clover", "dusk", "ember", "flint", "gorse", "hazel", "juniper", "moss", "sorrel", "thistle"];
const SECOND_WORDS: [&str; 10] =
    ["bank", "close", "corner", "garth", "hill", "lane", "meadow", "steps", "terrace", "yard"];

/// Climates in round figures: our choice, after the kind of place, not a record of it.
const REGIONS: [Region; 5] = [
    Region { zone: "America/Phoenix", offset_hours: -7, elevation_m: 400.0, climate: HOT_DRY },
    Region { zone: "America/Regina", offset_hours: -6, elevation_m: 550.0, climate: PRAIRIE },
    Region { zone: "Australia/Brisbane", offset_hours: 10, elevation_m: 60.0, climate: WARM_WET },
    Region { zone: "Africa/Johannesburg", offset_hours: 2, elevation_m: 1_500.0, climate: HIGH },
    Region { zone: "Asia/Tashkent", offset_hours: 5, elevation_m: 450.0, climate: STEPPE },
];

const HOT_DRY: Climate = Climate {
    latitude_degrees: 33.4,
    longitude_degrees: -112.0,
    mean_celsius: 22.5,
    season_celsius: 11.0,
    swing_celsius: 8.0,
    dryness_celsius: 9.0,
    wet_after_dry: 0.06,
    wet_after_wet: 0.3,
    wet_day_mm: 5.0,
    wind_m_per_s: 2.6,
};
const PRAIRIE: Climate = Climate {
    latitude_degrees: 50.4,
    longitude_degrees: -104.6,
    mean_celsius: 4.0,
    season_celsius: 17.0,
    swing_celsius: 7.0,
    dryness_celsius: 2.0,
    wet_after_dry: 0.2,
    wet_after_wet: 0.45,
    wet_day_mm: 4.0,
    wind_m_per_s: 4.5,
};
const WARM_WET: Climate = Climate {
    latitude_degrees: -27.5,
    longitude_degrees: 152.8,
    mean_celsius: 20.5,
    season_celsius: 5.0,
    swing_celsius: 5.5,
    dryness_celsius: 0.5,
    wet_after_dry: 0.24,
    wet_after_wet: 0.6,
    wet_day_mm: 9.0,
    wind_m_per_s: 3.0,
};
const HIGH: Climate = Climate {
    latitude_degrees: -26.2,
    longitude_degrees: 28.0,
    mean_celsius: 15.8,
    season_celsius: 5.0,
    swing_celsius: 6.5,
    dryness_celsius: 3.0,
    wet_after_dry: 0.2,
    wet_after_wet: 0.55,
    wet_day_mm: 8.0,
    wind_m_per_s: 3.2,
};
const STEPPE: Climate = Climate {
    latitude_degrees: 41.3,
    longitude_degrees: 69.2,
    mean_celsius: 14.5,
    season_celsius: 13.0,
    swing_celsius: 6.5,
    dryness_celsius: 4.0,
    wet_after_dry: 0.15,
    wet_after_wet: 0.45,
    wet_day_mm: 5.0,
    wind_m_per_s: 2.4,
};
