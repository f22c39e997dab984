//! The core of deploy/bridge against the engine, at played time: what it reports is what the engine waits for.

use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::json;

use thirst_tests::binaries;
use thirstd::engine::event::Event;
use thirstd::engine::stamp::{MINUTE, SECOND, Stamp};

use crate::case::at;
use crate::configuration::{Site, VALUES, settings};
use crate::world::World;

/// Reads a time in ms and an instruction, and prints the report of a percentage setter whose output works.
const SETTER: &str = "
import json, sys
from zoneinfo import ZoneInfo
from thirst_bridge.actuator import Actuator, Reports
from thirst_bridge.core import Core, Now, Rules
from thirst_bridge.feedback import Feedback
wall, told = json.load(sys.stdin)
now = Now(wall / 1000, 1000.0)
core = Core(Rules('percent', 'oak', 'relay', 'thirstd', ZoneInfo('UTC')), Now(now.wall, 0.0))
core.hear_instruction(now, json.dumps(told).encode())
actuator = Actuator('percent', 0.0, 0.0)
assert actuator.want(now, core.decide(now))[0]
actuator.done(now)
print(json.dumps(Reports('relay', 'percent', 900.0).due(now, actuator, Feedback([]))))
";

fn report_on(world: &World, now: Stamp) -> Vec<u8> {
    let told = world.payload("oak/instruction/relay");
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/bridge");
    let mut command = Command::new(binaries::python(2));
    command.args(["-c", SETTER]).current_dir(folder).env("PYTHONDONTWRITEBYTECODE", "1");
    let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all(json!([now.0, told]).to_string().as_bytes()).unwrap();
    let done = child.wait_with_output().unwrap();
    assert!(done.status.success());
    done.stdout
}

#[test]
fn a_bridge_that_confirms_is_no_alert_and_one_that_falls_silent_is_one() {
    for (confirms, alerts) in [(true, 0), (false, 1)] {
        let start = at("2027-06-01T06:00:00Z");
        let mut world = World::new(settings(VALUES, &[Site::default()]), start);
        let report = |world: &mut World, now: Stamp| {
            let payload = report_on(world, now);
            let (site, controller) = ("oak".to_owned(), "relay".to_owned());
            world.event(now, Event::Report { site, controller, payload, retain: false });
        };
        let now = start.plus(MINUTE);
        world.until(now);
        // In June and with nothing heard defaults let water run, until the office holds.
        assert_eq!(world.payload("oak/instruction/relay")["water_allowed"], true);
        report(&mut world, now.plus(SECOND));
        world.command(now.plus(MINUTE), "oak", r#"{"id": "a", "who": "office", "verb": "hold", "hours": 2}"#);
        world.until(now.plus(2 * MINUTE));
        let told = world.payload("oak/instruction/relay");
        assert_eq!(told["water_allowed"], false, "{told}");
        if confirms {
            report(&mut world, now.plus(3 * MINUTE));
        }
        world.until(now.plus(30 * MINUTE));
        assert_eq!(world.times_raised("oak", "not_obeyed"), alerts, "confirms: {confirms}");
        assert_eq!(world.log("report refused"), Vec::<String>::new());
    }
}
