//! The sample through the engine: the story that the README tells, and the promises of a run.

use chrono::{DateTime, Utc};
use serde_json::Value as Json;

use thirstd::config;

use super::*;
use crate::report::{Form, Report};
use crate::synthetic::{SAMPLE_CONFIG, sample};

/// Keeps outputs with their times.
#[derive(Default)]
struct Kept(Vec<(Stamp, Output)>);

impl Sink for Kept {
    fn output(&mut self, at: Stamp, output: &Output) -> io::Result<()> {
        self.0.push((at, output.clone()));
        Ok(())
    }

    fn warning(&mut self, _: &str) -> io::Result<()> {
        Ok(())
    }
}

fn settings() -> Arc<Settings> {
    let loaded = config::load_text("orchard-week.toml", SAMPLE_CONFIG, std::iter::empty());
    loaded.unwrap_or_else(|faults| panic!("{faults}")).settings
}

/// The sample with the broker away for a while: before the rain, and within the silence of the mast.
fn sample_with_the_broker_away() -> Vec<Line> {
    let mut lines = sample();
    for (down, up) in [(410, 440), (900, 915)] {
        lines[down].entry = Entry::BrokerDown;
        lines[up].entry = Entry::BrokerUp { session_present: true, refused: Vec::new() };
        for line in &mut lines[down + 1..up] {
            line.entry = Entry::BrokerDown;
        }
    }
    lines
}

fn run_lines(lines: Vec<Line>, mut between: impl FnMut(usize, &mut Offline)) -> Vec<(Stamp, Output)> {
    let mut kept = Kept::default();
    let mut run = Offline::new(settings(), 1, lines[0].at);
    for (index, line) in lines.into_iter().enumerate() {
        between(index, &mut run);
        run.feed(line, &mut kept).unwrap();
    }
    run.finish(None, &mut kept).unwrap();
    kept.0
}

fn readable((at, output): &(Stamp, Output)) -> String {
    match output {
        Output::State { topic, payload } | Output::Answer { topic, payload } => {
            format!("{} {topic} {}", at.text(), String::from_utf8_lossy(payload))
        }
        other => format!("{} {other:?}", at.text()),
    }
}

fn text(form: Form) -> String {
    let mut recording = crate::recording::Writer::new(Vec::new());
    sample().iter().for_each(|line| recording.write(line).unwrap());
    let recording = recording.into_inner();
    let (mut written, settings) = (Vec::new(), settings());
    let mut report = Report::new(&mut written, io::sink(), &settings, form, form == Form::Lines);
    let reader = Reader::new("orchard-week.ndjson", recording.as_slice());
    let summary = run(reader, Arc::clone(&settings), Options::default(), &mut report).unwrap();
    report.finish(&summary).unwrap();
    String::from_utf8(written).unwrap()
}

#[test]
fn the_sample_tells_of_rain_frost_silence_a_rule_and_a_command() {
    let text = text(Form::Lines);
    let tells = |day: &str, parts: &[&str]| {
        let told = text.lines().any(|line| line.starts_with(day) && parts.iter().all(|part| line.contains(part)));
        assert!(told, "nothing on {day} with {parts:?} in:\n{text}");
    };
    tells("2027-04-10", &["decision lawn: hold (restriction)", "no watering on Saturdays"]);
    tells("2027-04-12", &["decision lawn: hold (rain)"]);
    tells("2027-04-13 00:00:00 -07:00", &["day 2027-04-12 closed", "rain 14.0 mm"]);
    tells("2027-04-14", &["decision lawn: hold (", "freeze"]);
    tells("2027-04-15", &["alert sensor_silent/mast opened"]);
    tells("2027-04-15", &["alert sensor_silent/mast closed"]);
    tells("2027-04-16 09:30:12 -07:00", &["result hold of office: done"]);
    tells("2027-04-16 09:30:12 -07:00", &["decision lawn: hold (operator)"]);
    tells("2027-04-17", &["decision lawn: hold (restriction)"]);
}

#[test]
fn equal_recordings_give_equal_bytes() {
    let first = text(Form::Json);
    assert!(first == text(Form::Json));
    assert!(first.lines().count() > 500);
}

#[test]
fn every_payload_is_told_at_the_time_that_it_says_itself() {
    let mut payloads = 0;
    for (at, output) in run_lines(sample_with_the_broker_away(), |_, _| {}) {
        let Output::State { topic, payload } = output else { continue };
        let Ok(payload) = serde_json::from_slice::<Json>(&payload) else { continue };
        let issued: DateTime<Utc> = payload["issued_at"].as_str().unwrap().parse().unwrap();
        assert_eq!(Stamp::from(issued), at, "{topic}");
        payloads += 1;
    }
    assert!(payloads > 300, "{payloads}");
}

#[test]
fn deadlines_run_one_by_one_give_what_the_drivers_own_run_gives() {
    let one_by_one: Vec<Output> =
        run_lines(sample_with_the_broker_away(), |_, _| {}).into_iter().map(|(_, output)| output).collect();

    let lines = sample_with_the_broker_away();
    let mut clock = Clock::new(lines[0].at);
    let (engine, _) = Engine::restore(settings(), 1, std::iter::empty());
    let mut driver = Driver::new(engine, clock.now);
    let mut outputs = Vec::new();
    driver.apply(clock.now, Event::BrokerUp { session_present: false, refused: Vec::new() }, &mut outputs);
    for line in lines {
        clock.now = clock.ahead(line.at);
        match line.entry {
            Entry::BrokerDown => clock.connected = false,
            Entry::BrokerUp { .. } => clock.connected = true,
            _ => {}
        }
        driver.apply(clock.now, line.entry.into_event("thirst/v1"), &mut outputs);
    }
    driver.advance(clock.now, &mut outputs);
    assert_eq!(one_by_one.len(), outputs.len());
    for (ours, drivers) in one_by_one.iter().zip(&outputs) {
        assert_eq!(ours, drivers);
    }
}

#[test]
fn a_run_that_is_saved_and_restored_on_the_way_gives_what_the_uncut_run_gives() {
    let uncut = run_lines(sample_with_the_broker_away(), |_, _| {});
    for every in [1, 7, 97] {
        // As a store keeps them: the last state of each site.
        let mut stored = BTreeMap::new();
        let cut = run_lines(sample_with_the_broker_away(), |index, run| {
            if index > 0 && index % every == 0 {
                stored.extend(run.driver.take_dirty(usize::MAX).into_iter().map(|site| (site.id.clone(), site)));
                let (engine, unreadable) = Engine::restore(settings(), 1, stored.values().cloned());
                assert_eq!(unreadable, Vec::new());
                let sequence = run.driver.engine().sequence();
                run.driver = Driver::new(engine, run.clock.now);
                // The journal's numbers go on; nothing is left in it to bring back.
                run.driver.replay(sequence, run.clock.now, None);
            }
        });
        for (uncut, cut) in uncut.iter().zip(&cut) {
            assert_eq!(readable(uncut), readable(cut), "saved every {every} lines");
        }
        assert_eq!(uncut.len(), cut.len());
    }
}
