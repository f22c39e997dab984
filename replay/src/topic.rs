//! What a topic of ours is about.

/// The kinds of topics that the daemon publishes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    Decision,
    Instruction,
    Fallback,
    Totals,
    Sensor,
    Alert,
    Result,
    Visits,
    Daemon,
    Other,
}

impl Kind {
    pub fn name(self) -> &'static str {
        match self {
            Self::Decision => "decision",
            Self::Instruction => "instruction",
            Self::Fallback => "fallback",
            Self::Totals => "totals",
            Self::Sensor => "sensor",
            Self::Alert => "alert",
            Self::Result => "result",
            Self::Visits => "visits",
            Self::Daemon => "daemon",
            Self::Other => "other",
        }
    }
}

/// A topic of ours, taken apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Parts<'a> {
    pub kind: Kind,
    /// Empty where the topic is about no site.
    pub site: &'a str,
    /// Group, controller, sensor, or kind and subject of an alert; empty where there is none.
    pub subject: &'a str,
}

/// Takes `topic` apart; what is not under `prefix` is [`Kind::Other`] with the whole topic as its subject.
pub fn parts<'a>(prefix: &str, topic: &'a str) -> Parts<'a> {
    let other = Parts { kind: Kind::Other, site: "", subject: topic };
    let Some(below) = topic.strip_prefix(prefix).and_then(|rest| rest.strip_prefix('/')) else {
        return other;
    };
    let (first, rest) = below.split_once('/').unwrap_or((below, ""));
    match (first, rest) {
        ("visits", "") => Parts { kind: Kind::Visits, site: "", subject: "" },
        ("daemon", about) => match about.split_once('/') {
            None => Parts { kind: Kind::Daemon, site: "", subject: about },
            Some((_, alert)) => match alert.strip_prefix("alert/") {
                Some(subject) => Parts { kind: Kind::Alert, site: "", subject },
                None => other,
            },
        },
        ("site", rest) => {
            let (site, about) = rest.split_once('/').unwrap_or((rest, ""));
            let (word, subject) = about.split_once('/').unwrap_or((about, ""));
            match SITE_KINDS.into_iter().find(|kind| kind.name() == word) {
                Some(kind) => Parts { kind, site, subject },
                None => Parts { site, ..other },
            }
        }
        _ => other,
    }
}

/// The kind of `topic` alone.
pub fn kind(prefix: &str, topic: &str) -> Kind {
    parts(prefix, topic).kind
}

const SITE_KINDS: [Kind; 7] =
    [Kind::Decision, Kind::Instruction, Kind::Fallback, Kind::Totals, Kind::Sensor, Kind::Alert, Kind::Result];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_topic_of_ours_is_taken_apart_and_the_rest_is_other() {
        let check = |topic: &str, kind, site: &str, subject: &str| {
            assert_eq!(parts("thirst/v1", topic), Parts { kind, site, subject }, "{topic}");
        };
        check("thirst/v1/site/oak/decision/lawn", Kind::Decision, "oak", "lawn");
        check("thirst/v1/site/oak/instruction/valves", Kind::Instruction, "oak", "valves");
        check("thirst/v1/site/oak/fallback", Kind::Fallback, "oak", "");
        check("thirst/v1/site/oak/totals", Kind::Totals, "oak", "");
        check("thirst/v1/site/oak/sensor/mast", Kind::Sensor, "oak", "mast");
        check("thirst/v1/site/oak/alert/sensor_silent/mast", Kind::Alert, "oak", "sensor_silent/mast");
        check("thirst/v1/site/oak/result", Kind::Result, "oak", "");
        check("thirst/v1/visits", Kind::Visits, "", "");
        check("thirst/v1/daemon/main", Kind::Daemon, "", "main");
        check("thirst/v1/daemon/main/alert/disk_low/store", Kind::Alert, "", "disk_low/store");
        check("thirst/v1/daemon/main/x", Kind::Other, "", "thirst/v1/daemon/main/x");
        check("thirst/v1/site/oak/decisions", Kind::Other, "oak", "thirst/v1/site/oak/decisions");
        check("thirst/v12/visits", Kind::Other, "", "thirst/v12/visits");
        check("yard/oak", Kind::Other, "", "yard/oak");
        check("", Kind::Other, "", "");
    }
}
