//! What only the whole configuration can show: names given twice, feeds that overlap, sensors that nobody can hear.

use std::collections::{HashMap, HashSet};

use super::feed::Sole;
use super::site::Site;
use super::table::Table;
use super::tree::quoted;
use crate::engine::decode::{FeedSettings, Part, TopicTemplate};
use crate::engine::settings::GroupKind;
use crate::engine::site::neighborhood::between_km;
use crate::engine::site::normals::{DefaultEto, Normals};

/// Names that need not be written because there is no other.
pub(super) fn sole_names(sites: &[Site<'_>], written: usize) -> Sole {
    let only = match sites {
        [site] if written == 1 => Some(&site.settings),
        // The site's own faults come first; what the feed needs shows when they are gone.
        [] if written <= 1 => return Sole { site: Some(String::new()), sensor: Some(String::new()) },
        _ => None,
    };
    let sensor = only.and_then(|site| match site.sensors.as_slice() {
        [sensor] => Some(sensor.heard_as.clone()),
        _ => None,
    });
    Sole { site: only.map(|site| site.heard_as.clone()), sensor }
}

/// Ids are given once. Two sites may be heard under one name: their sensors tell them apart, or serve both.
pub(super) fn sites(sites: &[Site<'_>]) {
    let mut ids = HashMap::new();
    for site in sites {
        let id = site.settings.id.as_str();
        if let Some(other) = ids.insert(id, site.here.place()) {
            site.here.note(format!("the site id {} is taken at {other}; ids are given once", quoted(id)));
        }
    }
}

/// Neighbors are other sites of this configuration, near enough to have the same weather. Whoever is named tells its hours.
pub(super) fn neighbors(sites: &mut [Site<'_>]) {
    let points: HashMap<String, (f64, f64)> = sites
        .iter()
        .map(|site| {
            let place = &site.settings.place;
            (site.settings.id.clone(), (place.latitude_degrees, place.longitude_degrees))
        })
        .collect();
    let mut named = HashSet::new();
    for site in sites.iter() {
        let own = points.get(&site.settings.id).copied().unwrap_or_default();
        for (id, spot) in site.settings.neighbors.iter().zip(&site.neighbors) {
            if *id == site.settings.id {
                spot.fault("is this site itself; name others");
                continue;
            }
            let Some(point) = points.get(id) else {
                spot.fault(match spot.nearest(id, points.keys().map(String::as_str)) {
                    Some(near) => format!("no such site; did you mean \"{near}\"?"),
                    None => "no [[sites]] has this id".to_owned(),
                });
                continue;
            };
            let km = between_km(own, *point);
            if km > FARTHEST_KM {
                spot.fault(format!("lies {km:.0} km away and has weather of its own; at most {FARTHEST_KM} km"));
            }
            named.insert(id.clone());
        }
    }
    for site in sites {
        site.settings.is_neighbor = named.contains(&site.settings.id);
    }
}

/// Our choice: beyond, days of rain and cloud differ more often than not.
const FARTHEST_KM: f64 = 50.0;

/// Each topic belongs to one feed, and none of ours to any.
pub(super) fn feeds(feeds: &[(FeedSettings, &Table<'_>)], prefix: &str) {
    let own = TopicTemplate::parse(&format!("{prefix}/#"));
    for (index, (feed, table)) in feeds.iter().enumerate() {
        if own.as_ref().is_ok_and(|own| feed.template.overlaps(own)) {
            table.fault("topic", format!("would hear what thirstd itself publishes under {prefix}; narrow it"));
        }
        if let Some((other, _)) = feeds[..index].iter().find(|(other, _)| other.template.overlaps(&feed.template)) {
            table.fault(
                "topic",
                format!(
                    "overlaps {} of {}: some topic fits both; narrow one",
                    quoted(other.template.text()),
                    quoted(&other.name)
                ),
            );
        }
        if feeds[..index].iter().any(|(other, _)| other.name == feed.name) {
            table.fault("name", "another feed has this name");
        }
    }
}

/// Every sensor must be one that some feed can name.
pub(super) fn reach(feeds: &[(FeedSettings, &Table<'_>)], sites: &[Site<'_>]) {
    for site in sites {
        for (sensor, spot) in site.settings.sensors.iter().zip(&site.sensors) {
            let heard =
                |feed: &FeedSettings| can_be(&feed.site, &sensor.heard_under) && can_be(&feed.sensor, &sensor.heard_as);
            if !feeds.iter().any(|(feed, _)| heard(feed)) {
                spot.note(format!(
                    "no feed can hear this sensor: none gives site {} with sensor {}",
                    quoted(&sensor.heard_under),
                    quoted(&sensor.heard_as)
                ));
            }
        }
    }
}

/// What is allowed and perhaps not meant.
pub(super) fn cautions(sites: &[Site<'_>]) -> Vec<String> {
    let mut cautions = Vec::new();
    for site in sites {
        let settings = &site.settings;
        let mut say = |text: String| cautions.push(format!("{}: {text}", settings.id));
        if !site.elevation_given {
            say("no elevation: 0 m is assumed; above 500 m that matters".to_owned());
        }
        match (&settings.normals, &settings.default_eto) {
            (Some(normals), _) if of_the_other_hemisphere(normals, settings.place.latitude_degrees) => {
                say("its normals have their summer where the site has winter; are they of the other hemisphere?".to_owned());
            }
            (Some(_), _) => {}
            (None, DefaultEto::Flat(_)) => {
                say("no normals: days that nobody measured count with the default, not with the season".to_owned());
            }
            (None, DefaultEto::ByLatitude(_)) => say(
                "no normals: days that nobody measured count with a guess by latitude; thirstd normals makes normals of a \
                 public weather history"
                    .to_owned(),
            ),
        }
        if !settings.sensors.iter().any(|sensor| sensor.rain_counts) {
            say("no sensor's rain counts: rain is never seen".to_owned());
        }
        if !settings.freeze.enabled {
            say("freeze holds are off".to_owned());
        }
        for group in &settings.groups {
            let watered = settings.controllers.iter().any(|controller| controller.groups.contains(&group.id));
            if !watered {
                say(format!("no controller waters the group {}", quoted(&group.id)));
            }
            if group.rain_exposure == 0.0 && group.kind == GroupKind::Spray {
                say(format!("rain never reaches the sprayed group {}; is it under a roof?", quoted(&group.id)));
            }
        }
    }
    cautions
}

/// A token that goes over the network for everybody to read.
pub(super) fn exposed(url: &str) -> String {
    format!(
        "history: the token goes to {url} unencrypted, for everybody on the way to read; write https:// where the database \
         speaks it"
    )
}

/// Near the equator nothing can be said.
fn of_the_other_hemisphere(normals: &Normals, latitude_degrees: f64) -> bool {
    let half = |months: [usize; 6]| months.iter().map(|month| normals.eto_mm[*month]).sum::<f64>();
    let (april_on, october_on) = (half([3, 4, 5, 6, 7, 8]), half([9, 10, 11, 0, 1, 2]));
    let summer_is_north = april_on > october_on;
    latitude_degrees.abs() >= SEASONS_FROM_LATITUDE && summer_is_north != (latitude_degrees > 0.0)
}

const SEASONS_FROM_LATITUDE: f64 = 20.0;

fn can_be(part: &Part, name: &str) -> bool {
    match part {
        Part::Captured | Part::Pointer(_) => true,
        Part::Fixed(fixed) => fixed == name,
    }
}
