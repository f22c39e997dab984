//! S16: days of 23, 24.5 and 25 hours, and midnights that do not exist.

use std::collections::BTreeMap;

use chrono::{Datelike, NaiveDate};
use chrono_tz::Tz;
use thirstd::engine::civil;
use thirstd::engine::output::Output;
use thirstd::engine::stamp::{HOUR, MINUTE, Stamp};

use crate::case::{Line, at, lines};
use crate::configuration::{Site, VALUES, settings};
use crate::world::{World, near, number, tag};

/// Site ids beside the zones of the case.
const SITES: [(&str, &str); 6] = [
    ("havana", "America/Havana"),
    ("cairo", "Africa/Cairo"),
    ("beirut", "Asia/Beirut"),
    ("santiago", "America/Santiago"),
    ("berlin", "Europe/Berlin"),
    ("lord-howe", "Australia/Lord_Howe"),
];

#[test]
fn s16_every_tip_of_a_year_is_in_exactly_one_day_of_its_zone() {
    let [Line::Event { line, .. }] = &lines("S16")[..] else { panic!("one event") };
    let zones: Vec<&str> = line["zones"].as_array().unwrap().iter().map(|zone| zone.as_str().unwrap()).collect();
    assert_eq!(zones, SITES.map(|(_, zone)| zone));

    // One gauge serves all six sites. The windows open at half past two; with rain kept off, no frost to fear and as much
    // need on every day, each of them gives water, so that its closing shows in the log.
    let gauge = [("gauge", "heard_under = \"oak\"")];
    let sites = SITES.map(|(id, zone)| Site {
        id,
        zone,
        keys: "window = \"02:30-04:00\"\nfreeze = { enabled = false }\ndefault_eto = \"4 mm\"",
        sensors: &gauge,
        group: "rain_exposure = 0",
    });
    let start = at("2026-12-29T00:00:00Z");
    let mut world = World::new(settings(VALUES, &sites), start);
    world.is_quiet = true;
    let end = at("2028-01-01T12:00:00Z");
    world.goes_on(start.plus(30 * MINUTE), end, HOUR, "yard/oak/gauge/rain_total_mm", |number| {
        format!("{:.1}", 0.2 * number as f64)
    });

    for (id, zone) in SITES {
        let days = days(&world, id);
        let day = |date: &str| days[&date.parse::<NaiveDate>().unwrap()];
        // The sum over the days is the sum of the tips: all but the first, which is the baseline.
        let year: f64 = days.values().map(|(rain, _)| rain).sum();
        let today = world.view(id).today.unwrap();
        let tips = (end.since(start) / HOUR - 1) as f64;
        assert!(near(year + today.figures.water.rain_mm, 0.2 * tips), "{zone}: {year}");
        for (date, mm) in expected(id) {
            assert!(near(day(date).0, mm), "{zone} {date}: {}", day(date).0);
        }
        // No day is missing, and each begins where the one before ends.
        let dates: Vec<NaiveDate> = days.keys().copied().collect();
        assert!(dates.windows(2).all(|pair| pair[0].succ_opt() == Some(pair[1])), "{zone}");
        let zone: Tz = zone.parse().unwrap();
        for (date, (_, begins)) in &days {
            assert_eq!(*begins, civil::day_start(zone, *date), "{zone} {date}");
            assert!(civil::date(zone, *begins) == *date && civil::date(zone, begins.plus(-1)) < *date, "{zone} {date}");
        }
        // The job of half past two runs exactly once on every date, also where the time is skipped or comes twice.
        let mut runs: BTreeMap<NaiveDate, usize> = BTreeMap::new();
        for (when, output) in world.outputs() {
            if matches!(output, Output::Log { site, text, .. } if site == id && text.contains("window opens")) {
                *runs.entry(civil::date(zone, *when)).or_default() += 1;
            }
        }
        for date in dates.iter().filter(|date| date.year() == 2027) {
            assert_eq!(runs.get(date), Some(&1), "{zone} {date}");
        }
    }
    let length = |zone: &str, date: &str| {
        let (zone, date): (Tz, NaiveDate) = (zone.parse().unwrap(), date.parse().unwrap());
        civil::day_end(zone, date).since(civil::day_start(zone, date)) as f64 / HOUR as f64
    };
    assert_eq!(length("Australia/Lord_Howe", "2027-04-04"), 24.5);
    assert_eq!(length("Australia/Lord_Howe", "2027-10-03"), 23.5);
}

/// Rain of the days that the case names, mm.
fn expected(site: &str) -> Vec<(&'static str, f64)> {
    match site {
        "havana" => vec![("2027-03-14", 4.6), ("2027-11-07", 5.0), ("2027-06-01", 4.8)],
        "berlin" => vec![("2027-03-28", 4.6), ("2027-10-31", 5.0)],
        "cairo" => vec![("2027-04-30", 4.6)],
        "beirut" => vec![("2027-03-28", 4.6)],
        "santiago" => vec![("2027-09-05", 4.6)],
        _ => vec![],
    }
}

/// The closed days of a site as history has them last: rain and beginning.
fn days(world: &World, site: &str) -> BTreeMap<NaiveDate, (f64, Stamp)> {
    let zone: Tz = SITES.iter().find(|(id, _)| *id == site).unwrap().1.parse().unwrap();
    let mut days = BTreeMap::new();
    for record in world.closed_days().into_iter().filter(|record| tag(record, "site") == Some(site)) {
        days.insert(civil::date(zone, record.at), (number(record, "rain_mm").unwrap(), record.at));
    }
    days
}
