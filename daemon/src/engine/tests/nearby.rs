//! Sites that stand in for each other: dead sensors, cold nights, silent gauges, and the way back.

use proptest::prelude::*;

use super::*;
use crate::engine::output::take_digests;
use crate::engine::site::normals::Basis;
use crate::engine::state::SiteState;
use crate::engine::view::SiteView;

/// Oak and, 5 km to the north and 100 m higher, elm; each lists the other where `listed`.
fn two_sites(listed: bool) -> Settings {
    let mut settings = settings();
    let mut elm = oak("elm");
    elm.place.latitude_degrees += 5.0 / 111.19;
    elm.place.elevation_m += 100.0;
    settings.sites.push(elm);
    if listed {
        for (site, other) in [(0, "elm"), (1, "oak")] {
            settings.sites[site].neighbors = vec![other.into()];
            settings.sites[site].is_neighbor = true;
        }
    }
    settings
}

/// An engine that is driven as the daemon drives it.
pub(super) struct Yard {
    pub(super) driver: Driver,
    pub(super) outputs: Vec<Output>,
    digests: Vec<crate::engine::event::Digest>,
}

impl Yard {
    pub(super) fn new(settings: Settings) -> Self {
        let (engine, _) = Engine::restore(Arc::new(settings), 1, std::iter::empty());
        Self { driver: Driver::new(engine, now(START)), outputs: Vec::new(), digests: Vec::new() }
    }

    pub(super) fn advance(&mut self, at: Stamp) {
        self.driver.advance(now(at), &mut self.outputs);
        self.pass_on(at);
    }

    pub(super) fn hear(&mut self, at: Stamp, site: &str, payload: &str) {
        let topic = format!("yard/{site}/combo/state");
        let event = Event::Message { topic, payload: payload.into(), retain: false, dup: false };
        self.driver.apply(now(at), event, &mut self.outputs);
        self.pass_on(at);
    }

    fn pass_on(&mut self, at: Stamp) {
        for digest in take_digests(&mut self.outputs) {
            self.digests.push(digest.clone());
            self.driver.apply(now(at), Event::NeighborDigest(digest), &mut self.outputs);
        }
    }

    pub(super) fn day(&self, site: &str, date: &str) -> crate::engine::site::days::Figures {
        self.driver.engine().view(site).unwrap().day(date.parse().unwrap()).unwrap().figures
    }

    pub(super) fn state(&self, site: usize) -> &SiteState {
        &self.driver.engine().sites[site]
    }
}

/// What a combined sensor says of a summer day, or in `winter`; `without` names the fields that are missing.
pub(super) fn said(at: Stamp, rain: f64, warmer: f64, without: &str) -> String {
    let hour = (at.0 % DAY) as f64 / HOUR as f64;
    let sun = ((hour - 4.0) / 16.0 * std::f64::consts::PI).sin().max(0.0);
    let jitter = (at.0 / MINUTE % 7) as f64 * 0.01;
    let fields = [
        // The night moves, too: what does not is no thermometer.
        ("t", 12.0 + 10.0 * sun + 2.0 * (hour * std::f64::consts::TAU / 24.0).sin() + jitter + warmer),
        ("h", 80.0 - 40.0 * sun + jitter),
        ("w", 1.0 + 1.5 * sun + 10.0 * jitter),
        ("s", 850.0 * sun + jitter),
        ("r", rain),
    ];
    let kept = fields.iter().filter(|(name, _)| !without.contains(name));
    let kept: Vec<String> = kept.map(|(name, value)| format!("\"{name}\":{value:.2}")).collect();
    format!("{{{}}}", kept.join(","))
}

/// Five days of five-minute weather. Elm is 0.65 °C colder, as its elevation has it; both have 8 mm of rain on 3 June
/// from 06 to 10 h UTC. `lost` says what oak's sensor does not say; "all": not even a message.
fn five_days(yard: &mut Yard, lost: impl Fn(Stamp) -> &'static str) {
    let shower = START.plus(2 * DAY + 6 * HOUR);
    for step in 0..(5 * 288) {
        let at = START.plus(step * 5 * MINUTE + 1);
        let rain = 100.0 + 2.0 * (at.since(shower) as f64 / HOUR as f64).clamp(0.0, 4.0).floor();
        match lost(at) {
            "all" => yard.advance(at),
            without => yard.hear(at, "oak", &said(at, rain, 0.0, without)),
        }
        yard.hear(at.plus(1), "elm", &said(at, rain, -0.65, ""));
    }
}

fn after(days: i64) -> impl Fn(Stamp) -> bool {
    move |at| at >= START.plus(days * DAY)
}

#[test]
fn a_site_that_measures_everything_keeps_nothing_of_its_neighbors_and_a_site_that_nobody_lists_tells_nothing() {
    let mut yard = Yard::new(two_sites(true));
    five_days(&mut yard, |_| "");
    assert!(yard.state(0).book.neighborhood.is_empty());
    assert_eq!(yard.digests.len(), 2 * (5 * 24 - 1), "every full hour of both");
    assert_eq!(yard.day("oak", "2027-06-03").eto_basis, Basis::Measured);
    let mut alone = Yard::new(two_sites(false));
    five_days(&mut alone, |_| "");
    assert_eq!(alone.digests, []);
    assert_eq!(yard.day("oak", "2027-06-03"), alone.day("oak", "2027-06-03"));
}

#[test]
fn a_dead_thermometer_is_replaced_by_the_neighbors_brought_down_to_the_site() {
    let (mut whole, mut yard) = (Yard::new(two_sites(true)), Yard::new(two_sites(true)));
    five_days(&mut whole, |_| "");
    let dead = after(1);
    five_days(&mut yard, |at| if dead(at) { "t" } else { "" });
    let (own, near) = (whole.day("oak", "2027-06-04"), yard.day("oak", "2027-06-04"));
    assert!((own.water.eto_mm - near.water.eto_mm).abs() < 0.1, "{} {}", own.water.eto_mm, near.water.eto_mm);
    assert_eq!((near.method.name(), near.eto_basis), ("asce_hourly", Basis::Neighbours));
    assert!(near.uncertainty_mm > 4.0 * own.uncertainty_mm, "{} {}", near.uncertainty_mm, own.uncertainty_mm);
    let share = near.coverage / own.coverage;
    assert!((share - 0.75).abs() < 0.03, "three of four inputs are its own: {share} of {}", own.coverage);
    let totals = payloads(&yard.outputs, "oak/totals");
    let last = totals.last().unwrap();
    assert_eq!((&last["eto_method"], &last["basis"]["air_temperature"]), (&"neighbours".into(), &"neighbours".into()));
    assert_eq!(last["basis"]["wind_speed"], "measured");
    assert_eq!(last["previous_day"]["basis"]["air_temperature"], "neighbours");
}

#[test]
fn rain_of_the_neighbors_fills_a_day_whose_gauge_was_silent_and_silence_alone_is_no_dry_day() {
    let mut yard = Yard::new(two_sites(true));
    let dead = after(1);
    five_days(&mut yard, |at| if dead(at) { "r" } else { "" });
    let day = yard.day("oak", "2027-06-03");
    assert!((day.water.rain_mm - 8.0).abs() < 0.01, "{}", day.water.rain_mm);
    assert_eq!(day.rain_basis, Basis::Neighbours);
    let mut alone = Yard::new(two_sites(false));
    five_days(&mut alone, |at| if dead(at) { "r" } else { "" });
    assert_eq!(alone.day("oak", "2027-06-03").rain_basis, Basis::Default);
}

#[test]
fn a_counter_that_comes_back_knows_better_than_the_neighbors_and_nothing_counts_twice() {
    let mut yard = Yard::new(two_sites(true));
    let (from, to) = (START.plus(2 * DAY + 3 * HOUR), START.plus(2 * DAY + 15 * HOUR));
    five_days(&mut yard, |at| if (from..to).contains(&at) { "all" } else { "" });
    let day = yard.day("oak", "2027-06-03");
    assert!((day.water.rain_mm - 8.0).abs() < 0.01, "{}", day.water.rain_mm);
}

#[test]
fn suspect_hours_are_not_passed_on() {
    let mut yard = Yard::new(two_sites(true));
    // A wind that does not move for hours is suspect, then bad.
    five_days(&mut yard, |_| "");
    let before = yard.digests.len();
    let start = START.plus(5 * DAY);
    for step in 0..72 {
        let at = start.plus(step * 5 * MINUTE + 1);
        let text = said(at, 108.0, 0.0, "w").replace('{', "{\"w\":3.3,");
        yard.hear(at, "oak", &text);
    }
    let late: Vec<_> = yard.digests[before..].iter().filter(|digest| digest.from == "oak").collect();
    let last = late.last().unwrap();
    assert!(last.air_temperature_celsius.is_some() && last.wind_speed_m_per_s.is_none(), "{last:?}");
    assert!(late[0].wind_speed_m_per_s.is_some());
}

#[test]
fn cold_nearby_holds_only_where_no_thermometer_of_the_site_speaks_and_never_ends_a_hold_of_its_own() {
    let night = |lost: &'static str, own: f64| {
        let mut yard = Yard::new(two_sites(true));
        let mut held = Vec::new();
        for step in 0..(24 * 12) {
            let at = START.plus(step * 5 * MINUTE + 1);
            // Three mild hours, eight at -2 °C nearby, then warm.
            let hour = step as f64 / 12.0;
            let nearby = match hour {
                ..3.0 => 8.0,
                ..4.0 => 8.0 - 10.0 * (hour - 3.0),
                ..12.0 => -2.0,
                ..14.0 => -2.0 + 7.0 * (hour - 12.0),
                _ => 12.0,
            };
            let without = if step < 6 { "" } else { lost };
            let jitter = 0.4 * (step as f64 / 9.0).sin();
            if without != "all" {
                yard.hear(at, "oak", &format!("{{\"t\":{:.2}}}", own + jitter));
            }
            yard.hear(at.plus(1), "elm", &format!("{{\"t\":{:.2}}}", nearby + jitter));
            held.push(yard.state(0).freeze.since().is_some());
        }
        (held.iter().position(|held| *held), held[held.len() - 1])
    };
    assert_eq!(night("", 8.0), (None, false), "its own thermometer says 8 °C");
    let (began, still) = night("all", 8.0);
    assert!(began.is_some_and(|step| (4 * 12..6 * 12).contains(&step)), "{began:?}");
    assert!(!still, "what cold nearby began, warmth nearby ends");
    assert_eq!(night("all", 1.0), (Some(0), true), "its own hold stays until its own thermometer is warm");
}

#[test]
fn a_digest_that_comes_twice_or_from_a_stranger_or_the_future_changes_nothing() {
    let mut yard = Yard::new(two_sites(true));
    let dead = after(1);
    five_days(&mut yard, |at| if dead(at) { "t" } else { "" });
    let at = START.plus(5 * DAY);
    yard.advance(at);
    let (before, digest) = (yard.state(0).book.clone(), yard.digests.last().unwrap().clone());
    let strange = crate::engine::event::Digest { from: "stranger".into(), ..digest.clone() };
    let ahead = crate::engine::event::Digest { hour: at.plus(30 * DAY), ..digest.clone() };
    let hostile = crate::engine::event::Digest {
        from: "elm".into(),
        air_temperature_celsius: Some(f64::NAN),
        rain_mm: Some(-3.0),
        latitude_degrees: f64::INFINITY,
        ..digest.clone()
    };
    for digest in [digest, strange, ahead, hostile] {
        yard.driver.apply(now(at), Event::NeighborDigest(digest), &mut yard.outputs);
    }
    assert_eq!(yard.state(0).book, before);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    /// Whatever was lost for however long: the way back moves what is owed by no more than was said to be uncertain.
    #[test]
    fn coming_back_to_own_readings_makes_no_jump_beyond_the_declared_uncertainty(
        from in 288i64..700,
        length in 6i64..500,
        which in 0usize..6,
        listed in any::<bool>(),
    ) {
        let lost = ["all", "t", "h", "w", "s", "hws"][which];
        let mut yard = Yard::new(two_sites(listed));
        let mut worst: f64 = 0.0;
        for step in 0..(5 * 288) {
            let at = START.plus(step * 5 * MINUTE + 1);
            let is_lost = (from..from + length).contains(&step);
            yard.advance(at);
            let before = yard.driver.engine().view("oak").unwrap();
            match (is_lost, lost) {
                (true, "all") => {}
                (true, lost) => yard.hear(at, "oak", &said(at, 100.0, 0.0, lost)),
                (false, _) => yard.hear(at, "oak", &said(at, 100.0, 0.0, "")),
            }
            let after = yard.driver.engine().view("oak").unwrap();
            if step >= from + length {
                let jump = (after.groups[0].owed_mm - before.groups[0].owed_mm).abs();
                // Where the method changes, the two may differ by what both declare.
                let declared = |view: &SiteView| view.today.as_ref().map_or(0.0, |day| day.figures.uncertainty_mm);
                let today = declared(&before) + declared(&after);
                let closed: f64 = before.closed_days.iter().map(|day| day.figures.uncertainty_mm).sum();
                // Ten minutes of a summer noon evaporate up to 0.15 mm.
                prop_assert!(jump <= 0.15 + today + closed, "step {step}: {jump} for {today} {closed}");
                worst = worst.max(jump);
            }
            yard.hear(at.plus(1), "elm", &said(at, 100.0, -0.65, ""));
        }
        println!("{lost} for {length} steps from {from}, neighbors {listed}: {worst:.2} mm at once at most");
    }
}
