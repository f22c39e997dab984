//! An invented world and the engine in one loop, offline: the world hears the decisions, and all it publishes becomes a
//! recording.

use std::io;
use std::sync::Arc;

use thirstd::engine::output::Output;
use thirstd::engine::settings::Settings;
use thirstd::engine::stamp::Stamp;

use crate::offline::{Offline, Sink};
use crate::recording::{Entry, Line};
use crate::world::sprinkler::Instructions;
use crate::world::{Message, World};

/// Lets `world` live through `slots` slots under `settings`, and hands every line of it to `write`, in order of time.
/// Running the recording under the same settings gives the decisions that the world heard.
///
/// # Errors
/// Those of `write`.
pub fn record(
    mut world: World,
    slots: i64,
    settings: &Arc<Settings>,
    mut write: impl FnMut(&Line) -> io::Result<()>,
) -> io::Result<()> {
    let mut ears = Ears { prefix: settings.prefix.clone(), instructions: Instructions::default(), is_new: false };
    let mut engine: Option<Offline> = None;
    for _ in 0..slots {
        for message in world.step(&ears.instructions) {
            let at = Stamp(message.at);
            // A run of the recording begins with its first line.
            let engine = engine.get_or_insert_with(|| Offline::new(Arc::clone(settings), 1, at));
            // Decisions that fall between two messages are confirmed when they are made.
            while let Some(due) = engine.engine().deadline().filter(|due| *due < at) {
                engine.run_until(due, &mut ears)?;
                confirm(&mut world, due, engine, &mut ears, &mut write)?;
            }
            tell(message, engine, &mut ears, &mut write)?;
            confirm(&mut world, at, engine, &mut ears, &mut write)?;
        }
    }
    Ok(())
}

/// Bridges confirm what is new, until nothing is.
fn confirm(
    world: &mut World,
    at: Stamp,
    engine: &mut Offline,
    ears: &mut Ears,
    write: &mut impl FnMut(&Line) -> io::Result<()>,
) -> io::Result<()> {
    while std::mem::take(&mut ears.is_new) {
        for message in world.confirm(at.0, &ears.instructions) {
            tell(message, engine, ears, write)?;
        }
    }
    Ok(())
}

fn tell(
    message: Message,
    engine: &mut Offline,
    ears: &mut Ears,
    write: &mut impl FnMut(&Line) -> io::Result<()>,
) -> io::Result<()> {
    let Message { at, topic, payload } = message;
    let entry = Entry::Message { topic, payload: payload.into_bytes(), retain: false, dup: false };
    let line = Line { at: Stamp(at), entry };
    write(&line)?;
    engine.feed(line, ears)
}

/// Hears the instructions among the outputs.
struct Ears {
    prefix: String,
    instructions: Instructions,
    is_new: bool,
}

impl Sink for Ears {
    fn output(&mut self, _: Stamp, output: &Output) -> io::Result<()> {
        if let Output::State { topic, payload } = output {
            self.is_new |= self.instructions.take(&self.prefix, topic, payload);
        }
        Ok(())
    }

    fn warning(&mut self, _: &str) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod sprayed;

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use thirstd::config;

    use super::*;
    use crate::offline::{self, Options};
    use crate::recording::{Reader, Writer};
    use crate::world::config::configuration;
    use crate::world::faults::{Fault, Switches};
    use crate::world::scenario::{invented, usual_start};

    fn settings(text: &str) -> Arc<Settings> {
        config::load_text("world.toml", text, std::iter::empty()).unwrap_or_else(|faults| panic!("{faults}")).settings
    }

    fn recorded(sites: usize, days: i64, seed: u64, without: &[Fault]) -> (Vec<u8>, Arc<Settings>) {
        let scenario = invented(sites, days as u32, usual_start(), seed);
        let settings = settings(&configuration(&scenario));
        let world = World::new(scenario, seed, Switches::without(without.iter().copied()));
        let mut writer = Writer::new(Vec::new());
        record(world, days * 144, &settings, |line| writer.write(line)).unwrap();
        (writer.into_inner(), settings)
    }

    /// Alerts by kind, and every instruction with its time.
    #[derive(Default)]
    struct Heard {
        alerts: BTreeMap<String, u32>,
        instructions: Vec<(Stamp, Vec<u8>)>,
        warnings: u32,
    }

    impl Sink for Heard {
        fn output(&mut self, at: Stamp, output: &Output) -> io::Result<()> {
            if let Output::State { topic, payload } = output {
                if topic.contains("/instruction/") {
                    self.instructions.push((at, payload.clone()));
                }
                let kind = topic.split('/').skip_while(|level| *level != "alert").nth(1);
                if let Some(kind) = kind.filter(|_| !payload.is_empty()) {
                    *self.alerts.entry(kind.to_owned()).or_default() += 1;
                }
            }
            Ok(())
        }

        fn warning(&mut self, _: &str) -> io::Result<()> {
            self.warnings += 1;
            Ok(())
        }
    }

    fn run(recording: &[u8], settings: Arc<Settings>) -> (Heard, offline::Summary) {
        let mut heard = Heard::default();
        let reader = Reader::new("test", recording);
        let summary = offline::run(reader, settings, Options::default(), &mut heard).unwrap();
        (heard, summary)
    }

    #[test]
    fn configurations_of_many_worlds_are_accepted() {
        for seed in 0..20 {
            settings(&configuration(&invented(12, 30, usual_start(), seed)));
        }
    }

    #[test]
    fn a_recording_in_closed_loop_is_the_same_every_time_and_in_order() {
        let (first, settings) = recorded(4, 5, 11, &[]);
        assert_eq!(first, recorded(4, 5, 11, &[]).0);
        let (heard, summary) = run(&first, settings);
        assert_eq!(heard.warnings, 0, "time never goes back");
        assert!(summary.messages > 4 * 5 * 40, "{}", summary.messages);
        assert!(heard.instructions.len() > 20);
    }

    #[test]
    fn bridges_confirm_in_time_so_that_nobody_is_called_disobedient() {
        let (recording, settings) = recorded(4, 8, 5, &[]);
        let text = String::from_utf8(recording.clone()).unwrap();
        assert!(text.contains("\\\"in_force\\\"") && text.contains("\\\"runs\\\""), "bridges report");
        let (heard, _) = run(&recording, settings);
        assert_eq!(heard.alerts.get("not_obeyed"), None, "{:?}", heard.alerts);
    }

    #[test]
    fn without_faults_no_alert_is_raised() {
        let (recording, settings) = recorded(4, 8, 5, &Fault::ALL);
        let (heard, _) = run(&recording, settings);
        assert_eq!(heard.alerts, BTreeMap::new());
    }
}
