//! `[[sites.groups]]`: what grows there, when it may be watered, and how much one run brings.

use super::calendar;
use super::measure::{AREA, DAYS, DEPTH, HOURS, MINUTES, RATE, SHARE};
use super::table::Table;
use crate::engine::settings::{Ground, GroupKind, GroupSettings, Method, ProbeSettings, SensorSettings, Window};
use crate::engine::site::normals::{Normals, coarse};
use crate::engine::site::{evapotranspiration::Climate, soil::Texture};

/// Where a number of a group came from, for `check`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Sources {
    pub plant_factor: Source,
    pub rain_exposure: Source,
    pub watering_days: Source,
    pub window: Source,
    pub run_depth: Source,
    pub credit: Source,
    pub ceiling: Source,
    pub least: Source,
    pub most: Source,
}

/// Where a number came from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Source {
    #[default]
    Default,
    Given,
    /// From another key of the file, in words.
    From(&'static str),
}

/// What a group takes over from its site.
pub(super) struct OfSite<'s> {
    pub sensors: &'s [SensorSettings],
    pub normals: Option<&'s Normals>,
    pub climate: Climate,
    pub latitude_degrees: f64,
    pub watering_days: Option<[bool; 7]>,
    pub window: Option<Window>,
}

/// Reads a group.
pub(super) fn read(table: &Table<'_>, site: &OfSite<'_>) -> Option<(GroupSettings, Sources)> {
    let mut sources = Sources::default();
    let id = table.id("id", "lawn");
    let label = table.text("label", "Front lawn");
    let kind = table.word("kind", &KINDS);
    if !table.has("kind") {
        table.missing("kind", "write how it is watered: \"spray\", \"rotor\", \"drip\", \"bubbler\" or \"other\"");
    }
    let kind = kind.unwrap_or(GroupKind::Other);
    let plant_factor = plant_factor(table, site.climate, &mut sources);
    let rain_exposure = given(table.number("rain_exposure", 0.0..=1.0), &mut sources.rain_exposure);
    let (watering_days, window) = days_and_window(table, site, &mut sources);
    let watering_days_known = sources.watering_days != Source::Default;
    let averaging_days = table.measured_whole("averaging", &DAYS, 1..=30);
    if averaging_days.is_some() && watering_days_known {
        let key = if table.has("averaging") { "averaging" } else { "averaging_days" };
        table.fault(key, "is for groups whose watering days are not known; remove it, or remove watering_days");
    }
    let run = Run::read(table, kind);
    let run_depth_mm = run.depth(table, &plant_factor, &watering_days, site, &mut sources);
    let credit = given(table.measured("credit", &DEPTH, 0.0..=50.0), &mut sources.credit);
    let storage = table.measured("root_zone_storage", &DEPTH, 1.0..=300.0);
    let ceiling = given(table.measured("ceiling", &DEPTH, 1.0..=300.0), &mut sources.ceiling);
    if ceiling.is_none() && storage.is_some() {
        sources.ceiling = Source::From("root_zone_storage");
    }
    let soil = Soil::read(table);
    let total_mm = soil.total_mm(table, storage);
    let method = table.word("method", &METHODS).unwrap_or_default();
    if method == Method::Account && total_mm.is_none() {
        table.fault("method", "an account needs the root zone: write soil and root_depth, or root_zone_storage");
    }
    // What plants take before they feel it.
    let readily_mm = storage.or_else(|| total_mm.map(|total| total * soil.depletion_fraction));
    if ceiling.is_none() && storage.is_none() && readily_mm.is_some() {
        sources.ceiling = Source::From("soil × root_depth × allowable_depletion");
    }
    let probe = table.table("soil_moisture").and_then(|table| probe(&table, site.sensors)).map(Box::new);
    // A shallow root zone cannot spare 5 mm: water held back for rain is water that is missing before the next run.
    let usual_credit = readily_mm.map_or(CREDIT_MM, |storage| CREDIT_MM.min(CREDIT_SHARE * storage));
    if credit.is_none() && usual_credit < CREDIT_MM {
        sources.credit = Source::From("a tenth of the root zone");
    }
    let least = given(table.measured_whole("least", &SHARE, 0..=100), &mut sources.least);
    let run_minutes = run.minutes.or_else(|| run.net_rate().map(|rate| 60.0 * run_depth_mm / rate));
    let least_percent = least.unwrap_or_else(|| least_percent(kind, run_minutes, &mut sources));
    let most_percent = given(table.measured_whole("most", &SHARE, 1..=200), &mut sources.most).unwrap_or(MOST_PERCENT);
    if least_percent > most_percent {
        table.fault(
            if table.has("least_percent") { "least_percent" } else { "least" },
            format!("a run of at least {least_percent} % can never be at most {most_percent} %"),
        );
    }
    let area_m2 = table.measured("area", &AREA, 0.1..=1_000_000.0);
    let dry_guard = table.measured_whole("dry_guard", &SHARE, 100..=1000);
    let id = id?.to_owned();
    Some((
        GroupSettings {
            label: label.map_or_else(|| id.clone(), str::to_owned),
            id,
            kind,
            plant_factor,
            rain_exposure: rain_exposure.unwrap_or(1.0),
            watering_days,
            watering_days_known,
            averaging_days: averaging_days.unwrap_or(1),
            window,
            run_depth_mm,
            run_minutes,
            efficiency: run.efficiency,
            area_m2,
            net_rate_mm_per_hour: run.net_rate(),
            credit_mm: credit.unwrap_or(usual_credit),
            ceiling_mm: ceiling.or(readily_mm).unwrap_or(CEILING_MM),
            least_percent,
            most_percent,
            dry_guard_percent: dry_guard.unwrap_or(DRY_GUARD_PERCENT),
            method,
            ground: Ground {
                texture: soil.texture,
                slope_percent: soil.slope_percent,
                total_mm,
                depletion_fraction: soil.depletion_fraction,
            },
            probe,
        },
        sources,
    ))
}

fn plant_factor(table: &Table<'_>, climate: Climate, sources: &mut Sources) -> [f64; 12] {
    let planting = table.word("planting", &PLANTINGS);
    let factor = table.monthly("plant_factor", 0.0..=1.5);
    match (factor, planting) {
        (Some(_), Some(_)) => {
            table.fault("plant_factor", "planting is given too; keep one of them");
            COOL_TURF
        }
        (Some(factor), None) => {
            sources.plant_factor = Source::Given;
            factor
        }
        (None, Some(planting)) => {
            sources.plant_factor = Source::From("planting");
            planting.factor(climate)
        }
        // The thirstiest planting: too little water shows later than too much costs.
        (None, None) => COOL_TURF,
    }
}

fn days_and_window(table: &Table<'_>, site: &OfSite<'_>, sources: &mut Sources) -> ([bool; 7], Window) {
    let days = calendar::weekdays(table, "watering_days");
    let window = table.spot_of("window").and_then(|spot| calendar::window(&spot));
    let source = |own: bool, of_site: bool| match (own, of_site) {
        (true, _) => Source::Given,
        (false, true) => Source::From("the site"),
        (false, false) => Source::Default,
    };
    sources.watering_days = source(days.is_some(), site.watering_days.is_some());
    sources.window = source(window.is_some(), site.window.is_some());
    (days.or(site.watering_days).unwrap_or([true; 7]), window.or(site.window).unwrap_or(WINDOW))
}

/// What the file says about the soil.
struct Soil {
    texture: Option<Texture>,
    slope_percent: f64,
    available: Option<f64>,
    root_depth_mm: Option<f64>,
    depletion_fraction: f64,
}

impl Soil {
    fn read(table: &Table<'_>) -> Self {
        let texture = table.word("soil", &SOILS);
        let of_volume = table.measured("available_water", &SHARE, 1.0..=60.0).map(|percent| percent / 100.0);
        let depletion = table.measured("allowable_depletion", &SHARE, 10.0..=80.0);
        Self {
            texture,
            slope_percent: table.measured("slope", &SHARE, 0.0..=100.0).unwrap_or(0.0),
            available: of_volume.or(texture.map(Texture::available_water)),
            root_depth_mm: table.measured("root_depth", &DEPTH, 20.0..=3000.0),
            depletion_fraction: depletion.unwrap_or(DEPLETION_PERCENT) / 100.0,
        }
    }

    /// Water between field capacity and wilting point in the root zone, mm, where known.
    fn total_mm(&self, table: &Table<'_>, storage_mm: Option<f64>) -> Option<f64> {
        if storage_mm.is_some() && self.root_depth_mm.is_some() {
            let key = if table.has("root_depth") { "root_depth" } else { "root_depth_mm" };
            table.fault(key, "root_zone_storage is given too; keep one of them");
        }
        if self.root_depth_mm.is_some() && self.available.is_none() {
            let key = if table.has("root_depth") { "root_depth" } else { "root_depth_mm" };
            table.fault(key, "needs soil or available_water beside it to become a storage");
        }
        let by_soil = self.available.zip(self.root_depth_mm).map(|(share, depth)| share * depth);
        storage_mm.map(|storage| storage / self.depletion_fraction).or(by_soil)
    }
}

fn probe(table: &Table<'_>, sensors: &[SensorSettings]) -> Option<ProbeSettings> {
    for key in ["sensor", "full", "refill"] {
        if !table.has_either(key) {
            table.missing(key, "a soil-moisture sensor needs its id and its two marks: sensor, full, refill");
        }
    }
    let sensor = table.id("sensor", "probe")?;
    if !sensors.iter().any(|known| known.id == sensor) {
        table.fault("sensor", "the site has no such sensor; write the id of one of its [[sites.sensors]]");
    }
    let full_percent = table.measured("full", &SHARE, 1.0..=100.0)?;
    let refill_percent = table.measured("refill", &SHARE, 0.0..=99.0)?;
    if refill_percent >= full_percent {
        table.here().note(format!("refill ({refill_percent} %) lies at or above full ({full_percent} %)"));
        return None;
    }
    Some(ProbeSettings {
        sensor: sensor.to_owned(),
        full_percent,
        refill_percent,
        daily_correction_mm: table.measured("daily_correction", &DEPTH, 0.0..=20.0).unwrap_or(DAILY_CORRECTION_MM),
        longest_hours: table.measured_whole("longest", &HOURS, 1..=720).unwrap_or(PROBE_HOURS),
    })
}

/// What the file says about a 100 % run.
struct Run {
    depth_mm: Option<f64>,
    minutes: Option<f64>,
    rate_mm_per_hour: Option<f64>,
    efficiency: f64,
    /// The month whose need was programmed, January 0.
    set_up_month: Option<usize>,
}

impl Run {
    fn read(table: &Table<'_>, kind: GroupKind) -> Self {
        let run = Self {
            depth_mm: table.measured("run_depth", &DEPTH, 0.1..=200.0),
            minutes: table.measured("run", &MINUTES, 0.5..=1440.0),
            rate_mm_per_hour: table.measured("application_rate", &RATE, 0.1..=500.0),
            efficiency: table.measured("efficiency", &SHARE, 10.0..=100.0).unwrap_or(efficiency_percent(kind)) / 100.0,
            set_up_month: table.whole::<usize>("set_up_month", 1..=12).map(|month| month - 1),
        };
        if run.set_up_month.is_some() && (run.depth_mm.is_some() || run.minutes.is_some()) {
            table.fault("set_up_month", "the depth of a run is given otherwise; keep one of them");
        }
        let key = if table.has("run_minutes") { "run_minutes" } else { "run" };
        if run.depth_mm.is_none() && run.minutes.is_some() && run.rate_mm_per_hour.is_none() {
            table.fault(key, "needs application_rate beside it to become a depth; or write run_depth");
        }
        run
    }

    fn net_rate(&self) -> Option<f64> {
        self.rate_mm_per_hour.map(|rate| rate * self.efficiency)
    }

    /// Net depth of a 100 % run, mm: given, or by minutes and rate, or the need of a peak week over its watering days.
    fn depth(
        &self,
        table: &Table<'_>,
        plant_factor: &[f64; 12],
        watering_days: &[bool; 7],
        site: &OfSite<'_>,
        sources: &mut Sources,
    ) -> f64 {
        if let Some(depth) = self.depth_mm {
            sources.run_depth = Source::Given;
            return depth;
        }
        if let (Some(minutes), Some(rate)) = (self.minutes, self.net_rate()) {
            sources.run_depth = Source::From("run × application_rate × efficiency");
            let depth = minutes / 60.0 * rate;
            if !(0.1..=200.0).contains(&depth) {
                let key = if table.has("run_minutes") { "run_minutes" } else { "run" };
                table.fault(
                    key,
                    format!("a 100 % run of {depth:.2} mm is hardly meant; check run and application_rate"),
                );
            }
            return depth.max(0.1);
        }
        // At least one watering day is chosen: an empty list is a fault.
        let days = watering_days.iter().filter(|day| **day).count().max(1) as f64;
        let factor = |month: usize| plant_factor.get(month).copied().unwrap_or(0.0);
        let peak = match (site.normals, self.set_up_month) {
            (Some(normals), Some(month)) => {
                sources.run_depth = Source::From("plant factor × the normal of set_up_month");
                normals.eto_of_month_mm(month) * factor(month)
            }
            (Some(normals), None) => {
                sources.run_depth = Source::From("plant factor × peak of the normals");
                (0..12).map(|month| normals.eto_of_month_mm(month) * factor(month)).fold(0.0, f64::max)
            }
            (None, Some(month)) => {
                sources.run_depth = Source::From("plant factor × set_up_month by latitude");
                factor(month) * f64::from(coarse::eto_of_months_mm(site.latitude_degrees, site.climate)[month % 12])
            }
            (None, None) => {
                sources.run_depth = Source::From("plant factor × peak by latitude");
                let months = coarse::eto_of_months_mm(site.latitude_degrees, site.climate);
                plant_factor.iter().zip(months).map(|(factor, mm)| factor * f64::from(mm)).fold(0.0, f64::max)
            }
        };
        (peak * 7.0 / days).max(0.1)
    }
}

/// Shorter runs wet leaves and pipes and little else; as a share of a 100 % run.
fn least_percent(kind: GroupKind, run_minutes: Option<f64>, sources: &mut Sources) -> u16 {
    let shortest = match kind {
        GroupKind::Spray => 3.0,
        GroupKind::Rotor => 10.0,
        GroupKind::Drip => 20.0,
        GroupKind::Bubbler | GroupKind::Other => return LEAST_PERCENT,
    };
    match run_minutes {
        Some(minutes) => {
            sources.least = Source::From("the shortest run of its kind");
            // Between 1 and 100, so the cast is exact.
            (100.0_f64 * shortest / minutes).ceil().clamp(1.0, 100.0) as u16
        }
        None => LEAST_PERCENT,
    }
}

fn given<T>(value: Option<T>, source: &mut Source) -> Option<T> {
    if value.is_some() {
        *source = Source::Given;
    }
    value
}

/// Share of the water that reaches the root zone. Our choice, within the range of the zones of the published
/// performance test of climatologically based controllers (55 % to 75 % for sprays, 65 % rotor, 80 % drip).
fn efficiency_percent(kind: GroupKind) -> f64 {
    match kind {
        GroupKind::Spray | GroupKind::Rotor | GroupKind::Other => 65.0,
        GroupKind::Drip | GroupKind::Bubbler => 80.0,
    }
}

pub(super) const KINDS: [(&str, GroupKind); 5] = [
    ("spray", GroupKind::Spray),
    ("rotor", GroupKind::Rotor),
    ("drip", GroupKind::Drip),
    ("bubbler", GroupKind::Bubbler),
    ("other", GroupKind::Other),
];

#[derive(Clone, Copy)]
pub(super) enum Planting {
    Monthly([f64; 12]),
    Constant(f64),
    /// More where the air is humid and plants are used to it.
    ByAir {
        dry: f64,
        humid: f64,
    },
}

impl Planting {
    fn factor(self, climate: Climate) -> [f64; 12] {
        match (self, climate) {
            (Self::Monthly(factor), _) => factor,
            (Self::Constant(factor), _) => [factor; 12],
            (Self::ByAir { dry, .. }, Climate::Dry) => [dry; 12],
            (Self::ByAir { humid, .. }, Climate::Humid) => [humid; 12],
        }
    }
}

/// Plant factors, January first.
///
/// Turf: UC ANR, "Turfgrass crop coefficients" (after Meyer et al., 1985). Woody plants: ANSI/ASABE S623.1, established
/// landscapes, 0.5 in dry and 0.7 in humid air; the same for ground covers and vines, 0.8 for annual flowers and 0.3 for
/// desert plants are after that standard too, values to be confirmed.
pub(super) const PLANTINGS: [(&str, Planting); 8] = [
    ("cool_turf", Planting::Monthly(COOL_TURF)),
    ("warm_turf", Planting::Monthly([0.61, 0.54, 0.76, 0.72, 0.79, 0.68, 0.71, 0.71, 0.62, 0.54, 0.58, 0.55])),
    ("trees", WOODY),
    ("shrubs", WOODY),
    ("vines", WOODY),
    ("ground_cover", WOODY),
    ("flowers", Planting::Constant(0.8)),
    ("desert_plants", Planting::Constant(0.3)),
];
const COOL_TURF: [f64; 12] = [0.61, 0.64, 0.75, 1.04, 0.95, 0.88, 0.94, 0.86, 0.74, 0.75, 0.69, 0.60];
const WOODY: Planting = Planting::ByAir { dry: 0.5, humid: 0.7 };

/// Our choice: the calm and cool hours, when little is lost to wind and sun and nobody is on the lawn.
const WINDOW: Window = Window { opens: hour(2), closes: hour(10) };
/// Our choice, from runs of the ledger over whole histories: 5 mm stored ahead, 25 mm owed at most.
const CREDIT_MM: f64 = 5.0;
/// Where the root zone is known, of what it holds. Our choice, from the same runs: with 5 mm of 14 the small zones of a desert
/// summer run dry before the next watering day.
const CREDIT_SHARE: f64 = 0.1;
const CEILING_MM: f64 = 25.0;
/// Our choice.
const LEAST_PERCENT: u16 = 20;
const MOST_PERCENT: u16 = 120;
/// FAO-56, Table 22, has 0.40 to 0.50 for turf, from memory; half is common practice in landscapes.
const DEPLETION_PERCENT: f64 = 50.0;
/// Our choice.
const DAILY_CORRECTION_MM: f64 = 2.0;
const PROBE_HOURS: u32 = 24;
const METHODS: [(&str, Method); 2] = [("ledger", Method::Ledger), ("account", Method::Account)];
const SOILS: [(&str, Texture); 7] = [
    ("clay", Texture::Clay),
    ("silty_clay", Texture::SiltyClay),
    ("clay_loam", Texture::ClayLoam),
    ("loam", Texture::Loam),
    ("sandy_loam", Texture::SandyLoam),
    ("loamy_sand", Texture::LoamySand),
    ("sand", Texture::Sand),
];
/// Our choice: half as much again as the root zone stores.
const DRY_GUARD_PERCENT: u16 = 150;

const fn hour(hour: u32) -> chrono::NaiveTime {
    match chrono::NaiveTime::from_hms_opt(hour, 0, 0) {
        Some(time) => time,
        None => chrono::NaiveTime::MIN,
    }
}
