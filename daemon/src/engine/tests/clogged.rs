//! A gauge that reports and never tips beside neighbors that have rain: judged, replaced, and believed again.

use super::nearby::{Yard, said};
use super::*;
use crate::engine::alert::AlertKind;
use crate::engine::site::normals::Basis;

/// Oak and two neighbors, 5 km to the north and to the south.
fn three_sites() -> Settings {
    let mut settings = settings();
    for (id, north) in [("elm", 5.0), ("ash", -5.0)] {
        let mut site = oak(id);
        site.place.latitude_degrees += north / 111.19;
        site.is_neighbor = true;
        settings.sites.push(site);
    }
    settings.sites[0].neighbors = vec!["elm".into(), "ash".into()];
    settings
}

/// It rains from 06 to 10 h UTC on each third day, from 2 June on.
const FIRST: Stamp = Stamp(START.0 + DAY + 6 * HOUR);

/// What the gauges have counted at `at`, with `mm` in every hour of rain.
fn fallen(at: Stamp, mm: f64) -> f64 {
    let hours = |rain: i64| (at.since(FIRST.plus(rain * 3 * DAY)) as f64 / HOUR as f64).clamp(0.0, 4.0).floor();
    100.0 + mm * (0..6).map(hours).sum::<f64>()
}

/// Ten-minute weather from `from` to `to`; `oak` says what its counter shows, None that its sensor is silent.
fn plays(yard: &mut Yard, (from, to): (i64, i64), mm: [f64; 2], oak: impl Fn(Stamp) -> Option<f64>) {
    for step in from..to {
        let at = START.plus(step * 10 * MINUTE + 1);
        match oak(at) {
            Some(rain) => yard.hear(at, "oak", &said(at, rain, 0.0, "")),
            None => yard.advance(at),
        }
        for (second, (site, mm)) in (1..).zip(["elm", "ash"].into_iter().zip(mm)) {
            yard.hear(at.plus(second), site, &said(at, fallen(at, mm), 0.0, ""));
        }
    }
}

const DAYS: i64 = 144;

fn is_open(yard: &Yard) -> bool {
    yard.state(0).alerts.is_open(AlertKind::GaugeClogged, "combo")
}

/// Clogged from the beginning, up to the night after the third rain.
fn clogged() -> Yard {
    let mut yard = Yard::new(three_sites());
    plays(&mut yard, (0, 6 * DAYS), [2.0, 2.0], |_| Some(100.0));
    assert!(!is_open(&yard), "two rains can pass a site by");
    plays(&mut yard, (6 * DAYS, 8 * DAYS), [2.0, 2.0], |_| Some(100.0));
    assert!(is_open(&yard));
    yard
}

#[test]
fn after_three_rains_that_two_neighbors_had_a_gauge_without_a_tip_counts_as_silent() {
    let mut yard = clogged();
    let alerts = payloads(&yard.outputs, "oak/alert/gauge_clogged");
    assert_eq!(alerts.len(), 1);
    let text = alerts[0]["text"].as_str().unwrap();
    assert!(text.contains("looks clogged") && text.contains("3 times") && text.contains("24"), "{text}");
    assert!(alerts[0]["suggested_action"].as_str().unwrap().contains("cleaned"), "{}", alerts[0]);
    assert_eq!((&alerts[0]["figures"]["rains_missed"], &alerts[0]["urgency"]), (&3.0.into(), &"next_visit".into()));
    // The rain that proved it counts after all, and so does every one that follows.
    assert!((yard.day("oak", "2027-06-08").water.rain_mm - 8.0).abs() < 0.01);
    plays(&mut yard, (8 * DAYS, 12 * DAYS), [2.0, 2.0], |_| Some(100.0));
    let day = yard.day("oak", "2027-06-11");
    // The neighbors' own gauges doubt the first hour of a fourth rain at one time of day, and do not pass it on.
    assert!((day.water.rain_mm - 6.0).abs() < 0.01 && day.rain_basis == Basis::Neighbours, "{day:?}");
    assert_eq!(payloads(&yard.outputs, "oak/alert/gauge_clogged").len(), 1, "said once");
    let saved = rmp_serde::to_vec_named(yard.state(0)).unwrap();
    assert_eq!(
        rmp_serde::from_slice::<crate::engine::state::SiteState>(&saved).unwrap().sensors,
        yard.state(0).sensors
    );
}

#[test]
fn a_clogged_gauge_that_tips_again_is_believed_and_nothing_counts_twice() {
    let mut yard = clogged();
    // On 11 June it has the rain of its neighbors.
    plays(&mut yard, (8 * DAYS, 12 * DAYS), [2.0, 2.0], |at| Some(76.0 + fallen(at, 2.0)));
    assert!(!is_open(&yard));
    let day = yard.day("oak", "2027-06-11");
    // The first hour is told by the neighbors before the gauge tips: it is the gauge's word that counts.
    assert!((day.water.rain_mm - 8.0).abs() < 2.01 && day.water.rain_mm >= 7.99, "{day:?}");
    let last = payloads(&yard.outputs, "oak/alert/gauge_clogged").pop().unwrap();
    assert_eq!(last["state"], "closed");
}

#[test]
fn who_has_cleaned_the_gauge_is_believed_and_it_takes_three_rains_anew() {
    let mut yard = clogged();
    let at = START.plus(8 * DAY);
    let order = Event::Command {
        site: "oak".into(),
        payload: br#"{"id":"c1","who":"pat","verb":"service","sensor":"combo","kind":"cleaned"}"#.to_vec(),
        retain: false,
    };
    yard.driver.apply(now(at), order, &mut yard.outputs);
    assert!(!is_open(&yard));
    plays(&mut yard, (8 * DAYS, 12 * DAYS), [2.0, 2.0], |_| Some(100.0));
    assert!(!is_open(&yard));
    assert_eq!(yard.day("oak", "2027-06-11").water.rain_mm, 0.0, "a dry gauge is a good gauge until it is judged");
}

#[test]
fn a_gauge_that_may_have_had_no_rain_is_not_judged() {
    let check = |what: &str, mm: [f64; 2], oak: &dyn Fn(Stamp) -> Option<f64>| {
        let mut yard = Yard::new(three_sites());
        plays(&mut yard, (0, 12 * DAYS), mm, oak);
        assert!(!is_open(&yard), "{what}");
        assert!(yard.state(0).sensors[0].missed.is_none(), "{what}: {:?}", yard.state(0).sensors[0].missed);
    };
    check("it rains at one neighbor alone", [2.0, 0.0], &|_| Some(100.0));
    check("it rains less than 1 mm at the other", [2.0, 0.2], &|_| Some(100.0));
    check("a tip of its own each time", [2.0, 2.0], &|at| Some(fallen(at, 0.25)));
    check("it is silent", [2.0, 2.0], &|_| None);
    let while_it_rains = |at: Stamp| {
        let since = at.since(FIRST).rem_euclid(3 * DAY);
        (5 * HOUR..=3 * DAY - HOUR).contains(&since)
    };
    check("it is silent while it rains, and has it all afterwards", [2.0, 2.0], &|at| {
        while_it_rains(at).then(|| fallen(at, 2.0))
    });
}

#[test]
fn frost_proves_nothing_because_snow_does_not_tip() {
    let mut yard = Yard::new(three_sites());
    for step in 0..(12 * DAYS) {
        let at = START.plus(step * 10 * MINUTE + 1);
        yard.hear(at, "oak", &said(at, 100.0, -14.0, ""));
        for (second, site) in (1..).zip(["elm", "ash"]) {
            // Their gauges are heated, their thermometers elsewhere.
            yard.hear(at.plus(second), site, &said(at, fallen(at, 2.0), 0.0, ""));
        }
    }
    assert!(yard.state(0).sensors[0].missed.is_none());
}
