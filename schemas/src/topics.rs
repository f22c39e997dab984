//! Topics: built from the prefix and ids, and taken apart again where others publish.

use crate::alert::AlertKind;
use crate::head::is_id;

/// The prefix where the settings name no other.
pub const DEFAULT_PREFIX: &str = "thirst/v1";

/// Topic of a [`crate::DaemonStatus`]; also of the will.
pub fn daemon(prefix: &str, instance: &str) -> String {
    join(prefix, &["daemon", instance])
}

/// Topic of a [`crate::Alert`] of the daemon itself.
pub fn daemon_alert(prefix: &str, instance: &str, kind: AlertKind, subject: &str) -> String {
    join(prefix, &["daemon", instance, "alert", kind.name(), subject])
}

/// Topic of a [`crate::Decision`].
pub fn decision(prefix: &str, site: &str, group: &str) -> String {
    join(prefix, &["site", site, "decision", group])
}

/// Topic of an [`crate::Instruction`].
pub fn instruction(prefix: &str, site: &str, controller: &str) -> String {
    join(prefix, &["site", site, "instruction", controller])
}

/// Topic of a [`crate::Fallback`].
pub fn fallback(prefix: &str, site: &str) -> String {
    join(prefix, &["site", site, "fallback"])
}

/// Topic of [`crate::Totals`].
pub fn totals(prefix: &str, site: &str) -> String {
    join(prefix, &["site", site, "totals"])
}

/// Topic of a [`crate::SensorStatus`].
pub fn sensor(prefix: &str, site: &str, sensor: &str) -> String {
    join(prefix, &["site", site, "sensor", sensor])
}

/// Topic of an [`crate::Alert`] of a site.
pub fn alert(prefix: &str, site: &str, kind: AlertKind, subject: &str) -> String {
    join(prefix, &["site", site, "alert", kind.name(), subject])
}

/// Topic of a [`crate::Command`].
pub fn command(prefix: &str, site: &str) -> String {
    join(prefix, &["site", site, "command"])
}

/// Topic of a [`crate::CommandResult`].
pub fn result(prefix: &str, site: &str) -> String {
    join(prefix, &["site", site, "result"])
}

/// Topic of a [`crate::Report`].
pub fn report(prefix: &str, site: &str, controller: &str) -> String {
    join(prefix, &["site", site, "report", controller])
}

/// Topic of [`crate::Visits`].
pub fn visits(prefix: &str) -> String {
    join(prefix, &["visits"])
}

/// The filter that takes the commands to all sites.
pub fn command_filter(prefix: &str) -> String {
    command(prefix, "+")
}

/// The filter that takes the reports of all bridges.
pub fn report_filter(prefix: &str) -> String {
    report(prefix, "+", "+")
}

/// What a topic below the prefix says about a message from others.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Inbound<'a> {
    /// A [`crate::Command`] to a site.
    Command { site: &'a str },
    /// A [`crate::Report`] from the bridge of a controller.
    Report { site: &'a str, controller: &'a str },
}

/// Takes the topic of a command or a report apart. Nothing for every other topic, and for ids that are none.
///
/// ```
/// use thirst_schemas::topics::{self, Inbound};
/// let topic = topics::report("thirst/v1", "mill-terrace", "shed");
/// assert_eq!(topics::parse("thirst/v1", &topic), Some(Inbound::Report { site: "mill-terrace", controller: "shed" }));
/// ```
pub fn parse<'a>(prefix: &str, topic: &'a str) -> Option<Inbound<'a>> {
    let below = topic.strip_prefix(prefix)?.strip_prefix("/site/")?;
    let mut levels = below.split('/');
    let site = levels.next().filter(|site| is_id(site))?;
    match (levels.next()?, levels.next(), levels.next()) {
        ("command", None, None) => Some(Inbound::Command { site }),
        ("report", Some(controller), None) if is_id(controller) => Some(Inbound::Report { site, controller }),
        _ => None,
    }
}

fn join(prefix: &str, levels: &[&str]) -> String {
    let length = levels.iter().map(|level| level.len() + 1).sum::<usize>();
    let mut topic = String::with_capacity(prefix.len() + length);
    topic.push_str(prefix);
    for level in levels {
        topic.push('/');
        topic.push_str(level);
    }
    topic
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn topics_are_those_of_the_documentation() {
        let kind = AlertKind::GaugeKnocked;
        for (topic, wanted) in [
            (daemon("p", "one"), "p/daemon/one"),
            (daemon_alert("p", "one", AlertKind::DiskLow, "store"), "p/daemon/one/alert/disk_low/store"),
            (decision("p/q", "s", "lawn"), "p/q/site/s/decision/lawn"),
            (instruction("p", "s", "shed"), "p/site/s/instruction/shed"),
            (fallback("p", "s"), "p/site/s/fallback"),
            (totals("p", "s"), "p/site/s/totals"),
            (sensor("p", "s", "gauge"), "p/site/s/sensor/gauge"),
            (alert("p", "s", kind, "gauge"), "p/site/s/alert/gauge_knocked/gauge"),
            (command("p", "s"), "p/site/s/command"),
            (result("p", "s"), "p/site/s/result"),
            (report("p", "s", "shed"), "p/site/s/report/shed"),
            (visits("p"), "p/visits"),
            (command_filter("p"), "p/site/+/command"),
            (report_filter("p"), "p/site/+/report/+"),
        ] {
            assert_eq!(topic, wanted);
        }
    }

    #[test]
    fn only_topics_of_commands_and_reports_are_taken_apart() {
        let long = "a".repeat(65);
        for (topic, wanted) in [
            ("p/site/s-1/command", Some(Inbound::Command { site: "s-1" })),
            ("p/site/s/report/c", Some(Inbound::Report { site: "s", controller: "c" })),
            ("p/site/s/report", None),
            ("p/site/s/report/", None),
            ("p/site/s/report/c/d", None),
            ("p/site/s/command/", None),
            ("p/site/s/command/x", None),
            ("p/site//command", None),
            ("p/site/S/command", None),
            ("p/site/+/command", None),
            ("p/site/s", None),
            ("p/site/s/result", None),
            ("p/site/s/decision/lawn", None),
            ("px/site/s/command", None),
            ("q/site/s/command", None),
            ("p", None),
            ("", None),
            (format!("p/site/{long}/command").as_str(), None),
        ] {
            assert_eq!(parse("p", topic), wanted, "{topic}");
        }
    }
}
