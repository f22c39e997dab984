//! A gauge in the reach of a sprinkler, in closed loop: false rain holds a few times, then never again.

use std::io;

use serde_json::Value;
use thirstd::config;
use thirstd::engine::output::Output;
use thirstd::engine::stamp::Stamp;

use crate::offline::{Offline, Sink};
use crate::recording::{Entry, Line};
use crate::world::config::configuration;
use crate::world::faults::{Fault, Loss, Planned, Switches};
use crate::world::scenario::{Scenario, invented, lawn, usual_start};
use crate::world::sensor::{Kind, Units};
use crate::world::sprinkler::{Capability, Group, Instructions};
use crate::world::weather::{Day, Rain};
use crate::world::{Message, World};

/// Days of the world.
const DAYS: usize = 60;

/// At 18 mm/h a run brings 6.9 mm into the gauge: enough to begin a rain hold.
const RUN_MINUTES: f64 = 23.0;

/// What people could notice.
#[derive(Default)]
struct Heard {
    instructions: Instructions,
    /// Times at which a rain hold began.
    rain_holds: Vec<Stamp>,
    is_held: bool,
    /// Kind and time of alerts that opened.
    alerts: Vec<(String, Stamp)>,
    rain_mm: f64,
}

impl Sink for Heard {
    fn output(&mut self, at: Stamp, output: &Output) -> io::Result<()> {
        let Output::State { topic, payload } = output else { return Ok(()) };
        self.instructions.take("thirst/v1", topic, payload);
        let Ok(value) = serde_json::from_slice::<Value>(payload) else { return Ok(()) };
        if topic.contains("/decision/") {
            let held = value["holds"].as_array().is_some_and(|holds| holds.iter().any(|hold| hold["reason"] == "rain"));
            if held && !self.is_held {
                self.rain_holds.push(at);
            }
            self.is_held = held;
        }
        if topic.contains("/alert/") && value["state"] == "open" {
            self.alerts.push((value["kind"].as_str().unwrap_or_default().to_owned(), at));
        }
        if topic.ends_with("/totals") {
            self.rain_mm = value["rain"]["season_mm"].as_f64().unwrap_or(0.0);
        }
        Ok(())
    }

    fn warning(&mut self, text: &str) -> io::Result<()> {
        panic!("{text}");
    }
}

impl Heard {
    fn alerts(&self, kind: &str) -> Vec<Stamp> {
        self.alerts.iter().filter(|(opened, _)| opened == kind).map(|(_, at)| *at).collect()
    }
}

/// One site with one mast, its gauge in the reach of the sprinklers, under a dry sky but for `rain` on the days given.
fn sprayed(rain: &[(usize, Rain)], capability: Capability) -> Scenario {
    let mut scenario = invented(1, DAYS as u32, usual_start(), 3);
    let site = &mut scenario.sites[0];
    site.script = vec![Day { wind_m_per_s: 2.0, cloud: 0.1, ..Day::default() }; DAYS];
    for (day, rain) in rain {
        site.script[*day] = Day { rain: Some(*rain), cloud: 0.9, ..site.script[*day] };
    }
    site.sensors.truncate(1);
    let mast = &mut site.sensors[0];
    assert_eq!(mast.kind, Kind::Mast);
    (mast.units, mast.tip_mm, mast.interval, mast.own_time) = (Units::Metric, 0.2, scenario.slot, false);
    mast.loss = Loss { single: 0.0, in_bursts: 0.0, burst_length: 2.0 };
    mast.faults = vec![Planned { fault: Fault::Spray, from: 0, to: i64::MAX / 2, size: 0.0 }];
    site.errands.clear();
    site.controller.capability = capability;
    site.controller.groups = vec![Group { run_minutes: RUN_MINUTES, ..lawn() }];
    scenario
}

/// Lives through the days; `with_reports`: the bridge tells of its runs.
fn live(scenario: Scenario, with_reports: bool, mut at_day: impl FnMut(usize, &Offline, &Heard)) -> Heard {
    let text = configuration(&scenario);
    let settings =
        config::load_text("world.toml", &text, std::iter::empty()).unwrap_or_else(|faults| panic!("{faults}")).settings;
    let start = Stamp(scenario.start);
    let mut world = World::new(scenario, 3, Switches::without([Fault::Battery]));
    let (mut heard, mut engine) = (Heard::default(), Offline::new(settings, 1, start));
    let slots_a_day = 144;
    for slot in 0..DAYS * slots_a_day {
        for Message { at, topic, payload } in world.step(&heard.instructions) {
            if topic.contains("/report/") && !with_reports {
                continue;
            }
            let entry = Entry::Message { topic, payload: payload.into_bytes(), retain: false, dup: false };
            engine.feed(Line { at: Stamp(at), entry }, &mut heard).unwrap();
        }
        if slot % slots_a_day == slots_a_day - 1 {
            at_day(slot / slots_a_day, &engine, &heard);
        }
    }
    heard
}

#[test]
fn a_sprayed_gauge_holds_water_at_most_three_times_and_then_is_told() {
    for (with_reports, capability) in
        [(true, Capability::Hold), (false, Capability::Hold), (true, Capability::PercentPerGroup)]
    {
        let heard = live(sprayed(&[], capability), with_reports, |_, _, _| {});
        let case = format!("reports {with_reports}, {capability:?}: {:?} {:?}", heard.rain_holds, heard.alerts);
        let told = heard.alerts("gauge_sprayed");
        assert_eq!(told.len(), 1, "{case}");
        assert!(heard.rain_holds.len() <= 3, "{case}");
        // A scaled run can stay below the threshold of a hold.
        assert!(!heard.rain_holds.is_empty() || capability == Capability::PercentPerGroup, "{case}");
        assert!(heard.rain_holds.iter().all(|held| *held <= told[0]), "{case}");
        assert!(heard.alerts("gauge_knocked").is_empty(), "{case}");
        assert!(heard.alerts("dry_guard").is_empty(), "{case}");
        // What counted before it was known: one or two runs.
        assert!(heard.rain_mm <= 2.5 * 7.2, "{case}: {} mm", heard.rain_mm);
    }
}

#[test]
fn rain_on_a_sprayed_gauge_still_counts_at_other_times_and_when_it_goes_on_after_the_run() {
    let at_noon = Rain { begins_hour: 13.0, hours: 4.0, mm: 15.0 };
    let at_run = Rain { begins_hour: 2.0, hours: 7.0, mm: 24.0 };
    let mut before = 0.0;
    let heard = live(sprayed(&[(35, at_noon), (48, at_run)], Capability::Hold), true, |day, _, heard| match day {
        // Days of the script are solar ones, and may begin up to half a day before ours.
        33 | 46 => before = heard.rain_mm,
        36 => assert!((13.0..=15.5).contains(&(heard.rain_mm - before)), "{} mm", heard.rain_mm - before),
        // A run's water can be taken for rain that went on after it, not the other way round.
        50 => assert!((20.0..=32.0).contains(&(heard.rain_mm - before)), "{} mm", heard.rain_mm - before),
        _ => {}
    });
    assert_eq!(heard.alerts("gauge_sprayed").len(), 1);
    assert!(heard.is_held || heard.rain_holds.len() >= 3, "{:?}", heard.rain_holds);
}
