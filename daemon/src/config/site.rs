//! `[[sites]]` and the files of `sites.d`: one property with its sensors, groups and controllers.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use super::group::{self, OfSite, Sources};
use super::measure::{DEPTH, HEIGHT, HOURS, MINUTES, SECONDS, SHARE, SPEED};
use super::restriction::{self, District};
use super::spot::Spot;
use super::table::Table;
use super::{calendar, hold, limits, normals, sensor, zone};
use crate::engine::decision::reason::Capability;
use crate::engine::formula::radiation::Exposure;
use crate::engine::quality;
use crate::engine::settings::{
    ControllerSettings, DecideAt, DisplayUnits, GroupSettings, RestrictionRule, SensorSettings, SiteSettings,
    WhenUnknown,
};
use crate::engine::site::evapotranspiration::{ClearSky, Climate, FactorSource, Place};
use crate::engine::site::normals::{DefaultEto, Normals, coarse};

/// A site, and what is known of its making.
pub(super) struct Site<'n> {
    pub settings: SiteSettings,
    /// As `settings.groups`.
    pub sources: Vec<Sources>,
    pub here: Spot<'n>,
    /// As `settings.sensors`.
    pub sensors: Vec<Spot<'n>>,
    pub elevation_given: bool,
}

/// Reads a site; `districts` and `shared` normals by id.
pub(super) fn read<'n>(
    table: &Table<'n>,
    districts: &HashMap<String, District>,
    shared: &HashMap<String, Arc<Normals>>,
) -> Option<Site<'n>> {
    let id = table.id("id", "oak");
    let heard_as = sensor::name(table, "heard_as");
    let label = table.text("label", "12 Oak Lane");
    let zone = match table.spot_of("zone") {
        Some(spot) => zone::read(&spot),
        None => {
            table.missing("zone", format!("write {}", zone::HOW));
            None
        }
    };
    let (place, elevation_given) = place(table);
    let latitude_degrees = place.map_or(0.0, |place| place.latitude_degrees);
    let units = table.word("units", &[("metric", DisplayUnits::Metric), ("us", DisplayUnits::Us)]).unwrap_or_default();
    let normals = normals::of_site(table, shared);
    let place = place.map(|place| factors(table, place, normals.as_deref()));
    let of_site = OfSite {
        normals: normals.as_deref(),
        climate: place.map_or(Climate::default(), |place| place.climate),
        latitude_degrees,
        watering_days: calendar::weekdays(table, "watering_days"),
        window: table.spot_of("window").and_then(|spot| calendar::window(&spot)),
    };
    let site_name = heard_as.or(id).unwrap_or_default();
    let (sensors, sensor_spots) = sensors(table, site_name);
    let (groups, sources) = groups(table, &of_site);
    let controllers = controllers(table, &groups);
    let restrictions = restrictions(table, districts, &groups);
    let decide_at = decide_at(table);
    let lateness_hours = table.measured_whole("lateness", &HOURS, 0..=48).unwrap_or(48);
    let rain = hold::rain(table.table("rain").as_ref());
    let freeze = hold::freeze(table.table("freeze").as_ref());
    let wind = hold::wind(table.table("wind").as_ref());
    let frost_months = calendar::months(table, "frost_months");
    let when_unknown = table.word("when_unknown", &[("scale", WhenUnknown::Scale), ("hold", WhenUnknown::Hold)]);
    let climate = place.map_or(Climate::default(), |place| place.climate);
    let default_eto = match table.measured("default_eto", &DEPTH, 0.0..=20.0) {
        Some(mm) => DefaultEto::Flat(mm),
        None => DefaultEto::ByLatitude(coarse::eto_of_months_mm(latitude_degrees, climate)),
    };
    let least_frost_odds =
        table.measured("frost_odds", &SHARE, 0.1..=100.0).unwrap_or(LEAST_FROST_ODDS_PERCENT) / 100.0;
    let default_scale_percent = table.measured_whole("default_scale", &SHARE, 0..=200).unwrap_or(DEFAULT_SCALE_PERCENT);
    let settle_seconds = table.measured_whole("settle", &SECONDS, 0..=3600).unwrap_or(10);
    let minimum_dwell_minutes = table.measured_whole("minimum_dwell", &MINUTES, 0..=1440).unwrap_or(10);
    let release_in_window = table.truth("release_in_window").unwrap_or(false);
    let valid_hours = table.measured_whole("valid", &HOURS, 1..=168).unwrap_or(26);
    let refresh_hours = table.measured_whole("refresh", &HOURS, 1..=168).unwrap_or(6);
    if refresh_hours >= valid_hours {
        let key = ["refresh", "refresh_hours", "valid", "valid_hours"].into_iter().find(|key| table.has(key));
        table.fault(
            key.unwrap_or("refresh"),
            format!("a decision valid for {valid_hours} h must be refreshed sooner than every {refresh_hours} h"),
        );
    }
    let quality = table.table("quality").map_or_else(quality::Settings::default, |table| limits::read(&table));
    let id = id?.to_owned();
    let settings = SiteSettings {
        heard_as: heard_as.unwrap_or(&id).to_owned(),
        label: label.map_or_else(|| id.clone(), str::to_owned),
        id,
        zone: zone?,
        place: place?,
        units,
        sensors,
        groups,
        controllers,
        decide_at,
        lateness_hours,
        rain,
        freeze,
        wind,
        restrictions,
        frost_months_given: frost_months.is_some(),
        frost_months: frost_months
            .or_else(|| normals.as_ref()?.frost_months(least_frost_odds))
            .unwrap_or_else(|| default_frost_months(latitude_degrees)),
        least_frost_odds,
        normals,
        when_unknown: when_unknown.unwrap_or(WhenUnknown::Scale),
        default_eto,
        default_scale_percent,
        settle_seconds,
        release_in_window,
        minimum_dwell_minutes,
        valid_hours,
        refresh_hours,
        quality,
    };
    Some(Site { settings, sources, here: table.here(), sensors: sensor_spots, elevation_given })
}

fn place(table: &Table<'_>) -> (Option<Place>, bool) {
    let degrees = |key: &'static str, limit: f64, example: &str| {
        let value = table.number(key, -limit..=limit);
        if !table.has(key) {
            table.missing(key, format!("write it in degrees, for example {example}"));
        }
        value
    };
    let latitude = degrees("latitude", 90.0, "40.02 (south is negative)");
    let longitude = degrees("longitude", 180.0, "-105.27 (west is negative)");
    if latitude == Some(0.0) && longitude == Some(0.0) {
        table.fault("latitude", "0, 0 lies in the sea; write where the site is");
    }
    let elevation = table.measured("elevation", &HEIGHT, -430.0..=6000.0);
    let wind_height_m = table.measured("wind_height", &HEIGHT, 0.3..=100.0).unwrap_or(2.0);
    let clear_sky = table.word("clear_sky", &[("simple", ClearSky::Simple), ("full", ClearSky::Full)]);
    let climate = table.word("climate", &[("humid", Climate::Humid), ("dry", Climate::Dry)]);
    let exposure = table.word("exposure", &[("inland", Exposure::Inland), ("coast", Exposure::Coast)]);
    let usual_wind_m_per_s = table.measured("usual_wind", &SPEED, 0.1..=20.0);
    let place = latitude.zip(longitude).map(|(latitude_degrees, longitude_degrees)| Place {
        latitude_degrees,
        longitude_degrees,
        elevation_m: elevation.unwrap_or(0.0),
        wind_height_m,
        clear_sky: clear_sky.unwrap_or_default(),
        climate: climate.unwrap_or_default(),
        exposure: exposure.unwrap_or_default(),
        usual_wind_m_per_s,
        usual_dew_point_depression: None,
        temperature_factors: [1.0; 12],
        factor_source: FactorSource::Unknown,
    });
    (place, elevation.is_some())
}

/// The place with the factors of evapotranspiration by temperature alone: given, or those of the normals.
fn factors(table: &Table<'_>, place: Place, normals: Option<&Normals>) -> Place {
    let given = table.monthly("site_factor", 0.5..=2.0).map(|months| months.map(|factor| factor as f32));
    match (given, normals.and_then(|normals| normals.hargreaves_factor)) {
        (Some(temperature_factors), _) => Place { temperature_factors, factor_source: FactorSource::Settings, ..place },
        (None, Some(temperature_factors)) => {
            Place { temperature_factors, factor_source: FactorSource::Normals, ..place }
        }
        (None, None) => place,
    }
}

fn sensors<'n>(table: &Table<'n>, site: &str) -> (Vec<SensorSettings>, Vec<Spot<'n>>) {
    let tables = table.tables("sensors");
    if table.is_without("sensors") {
        table.missing("sensors", "write at least one [[sites.sensors]] with an id");
    }
    let mut seen = HashSet::new();
    let mut heard = HashSet::new();
    let mut sensors = Vec::new();
    let mut spots = Vec::new();
    for sensor_table in &tables {
        let Some((sensor, spot)) = sensor::read(sensor_table, site) else { continue };
        if !seen.insert(sensor.id.clone()) {
            sensor_table.fault("id", "another sensor of this site has it; ids are given once");
        } else if !heard.insert((sensor.heard_under.clone(), sensor.heard_as.clone())) {
            let key = if sensor_table.has("heard_as") { "heard_as" } else { "id" };
            sensor_table.fault(key, "another sensor of this site is heard under this name");
        }
        sensors.push(sensor);
        spots.push(spot);
    }
    (sensors, spots)
}

fn groups(table: &Table<'_>, of_site: &OfSite<'_>) -> (Vec<GroupSettings>, Vec<Sources>) {
    let tables = table.tables("groups");
    if table.is_without("groups") {
        table.missing("groups", "write at least one [[sites.groups]] with id and kind");
    }
    let mut seen = HashSet::new();
    let read = tables.iter().filter_map(|table| {
        let read = group::read(table, of_site)?;
        if !seen.insert(read.0.id.clone()) {
            table.fault("id", "another group of this site has it; ids are given once");
        }
        Some(read)
    });
    read.unzip()
}

fn controllers(table: &Table<'_>, groups: &[GroupSettings]) -> Vec<ControllerSettings> {
    let tables = table.tables("controllers");
    if table.is_without("controllers") {
        table.missing("controllers", "write at least one [[sites.controllers]] with id and capability");
    }
    let mut seen = HashSet::new();
    let read = tables.iter().filter_map(|table| {
        let controller = controller(table, groups)?;
        if !seen.insert(controller.id.clone()) {
            table.fault("id", "another controller of this site has it; ids are given once");
        }
        Some(controller)
    });
    read.collect()
}

fn controller(table: &Table<'_>, groups: &[GroupSettings]) -> Option<ControllerSettings> {
    let id = table.id("id", "relay");
    let capability = table.word("capability", &CAPABILITIES).unwrap_or(Capability::Hold);
    let named = table.list("groups", "ids of groups");
    let mut watered: Vec<String> = Vec::new();
    for spot in named.iter().flatten() {
        let Some(group) = spot.id("lawn") else { continue };
        check_group(spot, group, groups);
        if watered.iter().any(|other| other == group) {
            spot.fault("is named twice");
        }
        watered.push(group.to_owned());
    }
    if named.as_ref().is_some_and(Vec::is_empty) {
        table.fault("groups", "waters nothing; name its groups, or remove the key for all groups of the site");
    }
    if named.is_none() {
        watered = groups.iter().map(|group| group.id.clone()).collect();
    }
    let step_percent = table.measured_whole("step", &SHARE, 1..=100).unwrap_or(1);
    let least_percent = table.measured_whole("least", &SHARE, 0..=100).unwrap_or(0);
    let most_percent = table.measured_whole("most", &SHARE, 1..=200).unwrap_or(MOST_PERCENT);
    if least_percent > most_percent {
        let key = if table.has("least") { "least" } else { "least_percent" };
        table.fault(key, format!("is more than most ({most_percent} %)"));
    }
    let id = id?.to_owned();
    Some(ControllerSettings { id, capability, groups: watered, step_percent, least_percent, most_percent })
}

fn restrictions(
    table: &Table<'_>,
    districts: &HashMap<String, District>,
    groups: &[GroupSettings],
) -> Vec<RestrictionRule> {
    let mut rules = Vec::new();
    if let Some(spot) = table.spot_of("district")
        && let Some(id) = spot.id("valley-water")
    {
        match districts.get(id) {
            Some(district) => rules.extend(district.rules.iter().cloned()),
            None => spot.fault(match spot.nearest(id, districts.keys().map(String::as_str)) {
                Some(near) => format!("no such district; did you mean \"{near}\"?"),
                None => "no [[districts]] has this id".to_owned(),
            }),
        }
    }
    for table in &table.tables("restrictions") {
        let Some(rule) = restriction::read_rule(table, None) else { continue };
        for (group, spot) in &rule.groups {
            check_group(spot, group, groups);
        }
        rules.push(rule.rule);
    }
    rules
}

fn check_group(spot: &Spot<'_>, group: &str, groups: &[GroupSettings]) {
    if groups.iter().any(|known| known.id == group) {
        return;
    }
    let ids = || groups.iter().map(|group| group.id.as_str());
    spot.fault(match spot.nearest(group, ids()) {
        Some(near) => format!("the site has no such group; did you mean \"{near}\"?"),
        None => format!("the site has no such group; it has {}", ids().collect::<Vec<_>>().join(", ")),
    });
}

fn decide_at(table: &Table<'_>) -> DecideAt {
    let Some(spot) = table.spot_of("decide_at") else { return DecideAt::Sunset };
    if spot.says("sunset") {
        return DecideAt::Sunset;
    }
    match calendar::parse_time(spot.text("18:30").unwrap_or_default()) {
        Some(time) => DecideAt::At(time),
        None => {
            spot.fault("write \"sunset\" or a local time of day, for example \"18:30\"");
            DecideAt::Sunset
        }
    }
}

/// Our choice, coarse: outside the tropics and their rim November to March, in the south May to September.
fn default_frost_months(latitude_degrees: f64) -> [bool; 12] {
    let months: &[usize] = match latitude_degrees {
        latitude if latitude >= FROST_FROM_LATITUDE => &[0, 1, 2, 10, 11],
        latitude if latitude <= -FROST_FROM_LATITUDE => &[4, 5, 6, 7, 8],
        _ => &[],
    };
    std::array::from_fn(|month| months.contains(&month))
}

const FROST_FROM_LATITUDE: f64 = 25.0;

const CAPABILITIES: [(&str, Capability); 5] = [
    ("hold", Capability::Hold),
    ("percent", Capability::Percent),
    ("percent_per_group", Capability::PercentPerGroup),
    ("twelve_months", Capability::TwelveMonths),
    ("minutes", Capability::Minutes),
];

/// Our choice: one night in ten.
const LEAST_FROST_ODDS_PERCENT: f64 = 10.0;
/// Our choice: a little more than half of what was set up for the peak.
const DEFAULT_SCALE_PERCENT: u16 = 60;
const MOST_PERCENT: u16 = 120;
