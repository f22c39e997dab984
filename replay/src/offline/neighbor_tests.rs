//! Sites of one recording stand in for each other, as they do in the daemon.

use std::fmt::Write as _;

use thirstd::config;
use thirstd::engine::stamp::{DAY, HOUR, MINUTE};

use super::*;

const START: Stamp = Stamp(1_811_808_000_000); // 2027-06-01T00:00:00Z

fn settings() -> Arc<Settings> {
    let mut text = String::from(
        "[broker]\nhost = \"localhost\"\n[[feeds]]\ntopic = \"yard/{site}/{sensor}/temp\"\nformat = \"value\"\n\
         reading = { quantity = \"air_temperature\", unit = \"Cel\" }\n",
    );
    for (id, neighbors) in [("oak", "neighbors = [\"elm\"]"), ("elm", "")] {
        let _ = write!(
            text,
            "[[sites]]\nid = \"{id}\"\nzone = \"UTC\"\nlatitude = 51.5\nlongitude = 0.1\nelevation = \"60 m\"\n{neighbors}\n\
             [[sites.sensors]]\nid = \"air\"\n[[sites.groups]]\nid = \"lawn\"\nkind = \"spray\"\nrun_depth = \"10 mm\"\n\
             [[sites.controllers]]\nid = \"relay\"\ncapability = \"percent\"\n"
        );
    }
    config::load_text("yard.toml", &text, std::iter::empty()).unwrap_or_else(|faults| panic!("{faults}")).settings
}

/// Totals of oak, in order.
#[derive(Default)]
struct Totals(Vec<serde_json::Value>);

impl Sink for Totals {
    fn output(&mut self, _: Stamp, output: &Output) -> io::Result<()> {
        if let Output::State { topic, payload } = output
            && topic.ends_with("site/oak/totals")
        {
            self.0.extend(serde_json::from_slice::<serde_json::Value>(payload));
        }
        assert!(!matches!(output, Output::Digest(_)), "digests stay inside");
        Ok(())
    }

    fn warning(&mut self, text: &str) -> io::Result<()> {
        panic!("{text}");
    }
}

/// Three days of ten-minute temperatures; oak falls silent after the first.
fn run_three_days() -> Vec<serde_json::Value> {
    let mut run = Offline::new(settings(), 1, START);
    let mut totals = Totals::default();
    for step in 0..(3 * 144) {
        let at = START.plus(step * 10 * MINUTE + 1);
        let hour = (at.0 % DAY) as f64 / HOUR as f64;
        let celsius = 15.0 + 8.0 * ((hour - 9.0) / 12.0 * std::f64::consts::PI).sin();
        for site in ["oak", "elm"].into_iter().filter(|site| *site == "elm" || step < 144) {
            let payload = format!("{celsius:.2}").into_bytes();
            let topic = format!("yard/{site}/air/temp");
            let entry = Entry::Message { topic, payload, retain: false, dup: false };
            run.feed(Line { at, entry }, &mut totals).unwrap();
        }
    }
    run.finish(None, &mut totals).unwrap();
    totals.0
}

#[test]
fn a_silent_site_of_a_recording_lives_on_its_neighbor_and_twice_is_the_same() {
    let totals = run_three_days();
    let last = totals.last().unwrap();
    assert_eq!((&last["day"], &last["eto_method"]), (&"2027-06-03".into(), &"neighbours".into()));
    assert_eq!(last["previous_day"]["basis"]["air_temperature"], "neighbours");
    let eto = last["previous_day"]["eto_mm"].as_f64().unwrap();
    assert!((2.0..6.0).contains(&eto), "{eto}");
    assert_eq!(totals, run_three_days());
}
