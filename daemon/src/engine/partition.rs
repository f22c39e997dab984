//! What belongs to no site: senders that nobody listed, messages that no feed wants.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::output::{Level, Output};
use super::sensor::Tally;
use super::sensor::battery::fleet::Fleet;
use super::sensor::succession::Strangers;
use super::stamp::{HOUR, Stamp};
use super::view::{IntakeView, StrangerView};

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Partition {
    #[serde(rename = "j", default)]
    pub applied: u64,
    #[serde(rename = "s", default)]
    strangers: Strangers,
    #[serde(rename = "x", default)]
    rejects: BTreeMap<String, Tally>,
    #[serde(rename = "l", default)]
    stranger_lines: Tally,
    /// The visit list as it was last told.
    #[serde(rename = "v", default)]
    pub visits: super::visits::Told,
    /// What became of batteries at all sites.
    #[serde(rename = "b", default, skip_serializing_if = "Fleet::is_empty")]
    pub fleet: Fleet,
    #[serde(skip)]
    pub dirty_since: Option<u64>,
}

impl Partition {
    /// Counts a message that reached no site. The log hears of each cause at most once an hour.
    pub fn reject(&mut self, cause: &'static str, text: &str, now: Stamp, outputs: &mut Vec<Output>) {
        let tally = self.rejects.entry(cause.to_owned()).or_default();
        if let Some(since) = count(tally, now) {
            let text = format!("rejected, {cause} ({since} since the last line): {text}");
            outputs.push(Output::Log { level: Level::Warn, site: String::new(), text });
        }
    }

    /// Notes a sender that is not in the settings.
    pub fn stranger(&mut self, site: &str, sensor: &str, now: Stamp, outputs: &mut Vec<Output>) {
        *self.rejects.entry("unknown_sender".to_owned()).or_default() = {
            let mut tally = self.rejects.get("unknown_sender").copied().unwrap_or_default();
            tally.count += 1;
            tally
        };
        if self.strangers.note(site, sensor, now)
            && let Some(since) = count(&mut self.stranger_lines, now)
        {
            let (site, sensor) = (super::decode::loss::excerpt(site), super::decode::loss::excerpt(sensor));
            let text = format!(
                "heard a sender that is not in the settings: site {site:?}, sensor {sensor:?} ({since} new since the last line); it drives no decision"
            );
            outputs.push(Output::Log { level: Level::Warn, site: String::new(), text });
        }
    }

    pub fn view(&self) -> IntakeView {
        IntakeView {
            rejects: self.rejects.iter().map(|(cause, tally)| (cause.clone(), tally.count)).collect(),
            strangers: self
                .strangers
                .iter()
                .map(|stranger| StrangerView {
                    site: stranger.site.clone(),
                    sensor: stranger.sensor.clone(),
                    first: stranger.first.utc(),
                    last: stranger.last.utc(),
                    messages: stranger.messages,
                })
                .collect(),
        }
    }
}

/// Counts one more. How many came since the last line, where it is time for one.
fn count(tally: &mut Tally, now: Stamp) -> Option<u64> {
    tally.count += 1;
    if tally.said_at.is_some_and(|at| now.since(at).abs() < HOUR) {
        return None;
    }
    let since = tally.count - tally.said;
    (tally.said, tally.said_at) = (tally.count, Some(now));
    Some(since)
}
