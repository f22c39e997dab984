//! What comes into the engine, and the time it comes with.

use std::sync::Arc;

use super::settings::Settings;
use super::stamp::Stamp;

/// The time of a step, told by the shell or by a recording. Nothing in the engine asks for it elsewhere.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Now {
    /// Civil time. Days, decision times and holds run on it.
    pub wall: Stamp,
    /// Milliseconds the daemon has run, monotonic, continued across restarts.
    pub uptime: i64,
    /// The part of `uptime` spent connected to the broker. Silence and settle times run on it, so that our own absence is
    /// never taken for a sensor's.
    pub listening: i64,
    /// False while the wall clock cannot be right: before the program was built, or before the last stored time. Then no
    /// day closes and no history is written.
    pub trusted: bool,
}

/// Everything that can change the engine's state.
#[derive(Clone, Debug)]
pub enum Event {
    /// A publication on a subscribed topic, raw, so that replay decodes it again.
    Message {
        topic: String,
        payload: Vec<u8>,
        retain: bool,
        dup: bool,
    },
    /// A command to one site.
    Command {
        site: String,
        payload: Vec<u8>,
        retain: bool,
    },
    /// What a controller's bridge tells of itself.
    Report {
        site: String,
        controller: String,
        payload: Vec<u8>,
        retain: bool,
    },
    /// The hour's weather of a neighboring site.
    NeighborDigest(Digest),
    /// Connected, and the broker has answered every subscription; `refused` are the filters it would not grant.
    BrokerUp {
        session_present: bool,
        refused: Vec<String>,
    },
    BrokerDown,
    /// Wall clock and uptime parted by `by` milliseconds (positive: the wall clock went ahead).
    ClockStep {
        by: i64,
    },
    /// New settings, valid from now.
    Settings(Arc<Settings>),
    /// A deadline of the engine has come.
    Tick,
}

/// Hour means of a site for the sites that list it as a neighbor. Emitted at each full UTC hour.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Digest {
    pub from: String,
    /// Start of the hour.
    pub hour: Stamp,
    pub air_temperature_celsius: Option<f64>,
    pub relative_humidity_percent: Option<f64>,
    pub wind_speed_m_per_s: Option<f64>,
    pub shortwave_w_per_m2: Option<f64>,
    /// None: no gauge, or no reading in the hour. Never 0 for silence.
    pub rain_mm: Option<f64>,
    pub latitude_degrees: f64,
    pub longitude_degrees: f64,
    pub elevation_m: f64,
}

impl Event {
    /// Sorts a publication by its topic: commands and reports under `prefix`, everything else is a message.
    pub fn from_message(prefix: &str, topic: &str, payload: Vec<u8>, retain: bool, dup: bool) -> Self {
        let below = topic.strip_prefix(prefix).and_then(|rest| rest.strip_prefix("/site/"));
        if let Some(below) = below {
            let mut levels = below.split('/');
            let parts = (levels.next(), levels.next(), levels.next(), levels.next());
            match parts {
                (Some(site), Some("command"), None, None) => {
                    return Self::Command { site: site.to_owned(), payload, retain };
                }
                (Some(site), Some("report"), Some(controller), None) => {
                    return Self::Report { site: site.to_owned(), controller: controller.to_owned(), payload, retain };
                }
                _ => {}
            }
        }
        Self::Message { topic: topic.to_owned(), payload, retain, dup }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn topics_under_the_prefix_are_commands_and_reports_and_nothing_else_is() {
        let kind = |topic: &str| match Event::from_message("thirst/v1", topic, vec![], false, false) {
            Event::Command { site, .. } => format!("command {site}"),
            Event::Report { site, controller, .. } => format!("report {site} {controller}"),
            Event::Message { topic, .. } => format!("message {topic}"),
            _ => "other".to_owned(),
        };
        assert_eq!(kind("thirst/v1/site/oak/command"), "command oak");
        assert_eq!(kind("thirst/v1/site/oak/report/valves"), "report oak valves");
        assert_eq!(kind("thirst/v1/site/oak/report"), "message thirst/v1/site/oak/report");
        assert_eq!(kind("thirst/v1/site/oak/command/x"), "message thirst/v1/site/oak/command/x");
        assert_eq!(kind("thirst/v12/site/oak/command"), "message thirst/v12/site/oak/command");
        assert_eq!(kind("yard/oak/command"), "message yard/oak/command");
    }
}
