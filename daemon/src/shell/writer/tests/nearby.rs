//! Digests of sites: journalled, passed on, and the same after a restart.

use super::*;
use crate::config;
use crate::engine::stamp::MINUTE;

/// Oak lists elm; both have a thermometer.
fn two_sites() -> Arc<Settings> {
    let site = |id: &str, keys: &str| {
        format!(
            "[[sites]]\nid = \"{id}\"\nzone = \"UTC\"\nlatitude = 51.5\nlongitude = 0.1\nelevation = \"60 m\"\n{keys}\n\
             [[sites.sensors]]\nid = \"air\"\n[[sites.groups]]\nid = \"lawn\"\nkind = \"spray\"\nrun_depth = \"10 mm\"\n\
             [[sites.controllers]]\nid = \"relay\"\ncapability = \"percent\"\n"
        )
    };
    let text = format!(
        "[broker]\nhost = \"localhost\"\n[[feeds]]\ntopic = \"yard/{{site}}/{{sensor}}\"\nformat = \"value\"\n\
         reading = {{ quantity = \"air_temperature\", unit = \"Cel\" }}\n{}{}",
        site("oak", "neighbors = [\"elm\"]"),
        site("elm", "")
    );
    config::load_text("two.toml", &text, std::iter::empty()).unwrap_or_else(|faults| panic!("{faults}")).settings
}

#[test]
fn an_hour_of_a_neighbor_is_journalled_and_found_again_after_a_restart() {
    let bench = Bench::new();
    let settings = two_sites();
    let writer = || {
        let (found, again) = (settings.clone(), settings.clone());
        let read_settings: crate::shell::restore::ReadSettings = Arc::new(move |_| Some(again.clone()));
        let source = Source { settings: found, read_settings, ..bench.source("two") };
        let state = source.restore(&bench.clock).unwrap();
        let mut writer = Writer::new(source, state, Box::new(bench.clock.clone()), Duration::ZERO, bench.links.clone());
        assert!(writer.take_settings());
        writer
    };
    let elm = |step: i64| {
        let payload = format!("{}", 18.0 + (step % 7) as f64 / 10.0).into_bytes();
        let topic = "yard/elm/air".to_owned();
        Arrival::Message(Message { connection: bench.connection, packet: 0, topic, payload, retain: false, dup: false })
    };
    let mut running = writer();
    bench.turn(&mut running, vec![Arrival::Up { session_present: false, refused: vec![], granted: vec![] }]);
    for step in 0..(5 * 12) {
        bench.clock.0.0.fetch_add(5 * MINUTE, Ordering::Relaxed);
        bench.clock.0.1.fetch_add(5 * MINUTE, Ordering::Relaxed);
        bench.turn(&mut running, vec![elm(step)]);
    }
    let digests = || bench.journal().iter().filter(|line| line.contains("NeighborDigest")).count();
    let told = digests();
    assert!((4..=5).contains(&told), "{told} of five hours");
    let oak = |writer: &Writer| {
        let view = writer.state.driver.engine().view("oak").unwrap();
        let figures = view.today.unwrap().figures;
        (figures, view.closed_days)
    };
    let before = oak(&running);
    assert!(before.0.coldest_celsius.is_some(), "{before:?}");
    drop(running);
    let restarted = writer();
    assert_eq!(oak(&restarted), before);
    assert_eq!(digests(), told, "a restart tells nothing anew");
}
