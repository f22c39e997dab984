//! `[[sites.groups]]`: what grows there, when it may be watered, and how much one run brings.

use super::calendar;
use super::measure::{DEPTH, MINUTES, RATE, SHARE};
use super::table::Table;
use crate::engine::settings::{GroupKind, GroupSettings, Window};
use crate::engine::site::evapotranspiration::Climate;
use crate::engine::site::normals::{Normals, coarse};

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
    let run = Run::read(table, kind);
    let run_depth_mm = run.depth(table, &plant_factor, &watering_days, site, &mut sources);
    let credit = given(table.measured("credit", &DEPTH, 0.0..=50.0), &mut sources.credit);
    let storage = table.measured("root_zone_storage", &DEPTH, 1.0..=300.0);
    let ceiling = given(table.measured("ceiling", &DEPTH, 1.0..=300.0), &mut sources.ceiling);
    if ceiling.is_none() && storage.is_some() {
        sources.ceiling = Source::From("root_zone_storage");
    }
    // A shallow root zone cannot spare 5 mm: water held back for rain is water that is missing before the next run.
    let usual_credit = storage.map_or(CREDIT_MM, |storage| CREDIT_MM.min(CREDIT_SHARE * storage));
    if credit.is_none() && usual_credit < CREDIT_MM {
        sources.credit = Source::From("root_zone_storage");
    }
    let least = given(table.measured_whole("least", &SHARE, 0..=100), &mut sources.least);
    let least_percent = least.unwrap_or_else(|| run.least_percent(kind, &mut sources));
    let most_percent = given(table.measured_whole("most", &SHARE, 1..=200), &mut sources.most).unwrap_or(MOST_PERCENT);
    if least_percent > most_percent {
        table.fault(
            if table.has("least_percent") { "least_percent" } else { "least" },
            format!("a run of at least {least_percent} % can never be at most {most_percent} %"),
        );
    }
    let id = id?.to_owned();
    Some((
        GroupSettings {
            label: label.map_or_else(|| id.clone(), str::to_owned),
            id,
            kind,
            plant_factor,
            rain_exposure: rain_exposure.unwrap_or(1.0),
            watering_days,
            window,
            run_depth_mm,
            net_rate_mm_per_hour: run.net_rate(),
            credit_mm: credit.unwrap_or(usual_credit),
            ceiling_mm: ceiling.or(storage).unwrap_or(CEILING_MM),
            least_percent,
            most_percent,
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

/// What the file says about a 100 % run.
struct Run {
    depth_mm: Option<f64>,
    minutes: Option<f64>,
    rate_mm_per_hour: Option<f64>,
    efficiency: f64,
}

impl Run {
    fn read(table: &Table<'_>, kind: GroupKind) -> Self {
        let run = Self {
            depth_mm: table.measured("run_depth", &DEPTH, 0.1..=200.0),
            minutes: table.measured("run", &MINUTES, 0.5..=1440.0),
            rate_mm_per_hour: table.measured("application_rate", &RATE, 0.1..=500.0),
            efficiency: table.measured("efficiency", &SHARE, 10.0..=100.0).unwrap_or(efficiency_percent(kind)) / 100.0,
        };
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
        let peak = match site.normals {
            Some(normals) => {
                sources.run_depth = Source::From("plant factor × peak of the normals");
                let month = |month: usize| normals.eto_of_month_mm(month) * plant_factor.get(month).unwrap_or(&0.0);
                (0..12).map(month).fold(0.0, f64::max)
            }
            None => {
                sources.run_depth = Source::From("plant factor × peak by latitude");
                let months = coarse::eto_of_months_mm(site.latitude_degrees, site.climate);
                plant_factor.iter().zip(months).map(|(factor, mm)| factor * f64::from(mm)).fold(0.0, f64::max)
            }
        };
        (peak * 7.0 / days).max(0.1)
    }

    /// Shorter runs wet leaves and pipes and little else; as a share of a 100 % run.
    fn least_percent(&self, kind: GroupKind, sources: &mut Sources) -> u16 {
        let shortest = match kind {
            GroupKind::Spray => 3.0,
            GroupKind::Rotor => 10.0,
            GroupKind::Drip => 20.0,
            GroupKind::Bubbler | GroupKind::Other => return LEAST_PERCENT,
        };
        match self.minutes {
            Some(minutes) => {
                sources.least = Source::From("the shortest run of its kind");
                // Between 1 and 100, so the cast is exact.
                (100.0_f64 * shortest / minutes).ceil().clamp(1.0, 100.0) as u16
            }
            None => LEAST_PERCENT,
        }
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

const fn hour(hour: u32) -> chrono::NaiveTime {
    match chrono::NaiveTime::from_hms_opt(hour, 0, 0) {
        Some(time) => time,
        None => chrono::NaiveTime::MIN,
    }
}
