//! What one commit is made of, beside the engine's own state: collected while stepping, sorted for the store.

use std::collections::HashMap;

use crate::engine::event::Now;
use crate::engine::output::{Level, Output, Record};
use crate::engine::settings::Settings;

use super::line;
use super::mqtt::Ack;
use super::store::{Answer, AuditRow, Commit, HistoryLines, JournalBlob, Store, Topic};

/// A batch on its way through the engine.
#[derive(Debug, Default)]
pub(super) struct Batch {
    /// The time and the version of the settings before its first event.
    pub(super) since: Now,
    pub(super) settings_before: u32,
    pub(super) journal: JournalBlob,
    pub(super) outputs: Vec<Output>,
    /// In receive order.
    pub(super) acks: Vec<Ack>,
    pub(super) answered: Vec<i64>,
    pub(super) cleared: Vec<String>,
    /// Topics and payloads of the daemon itself.
    pub(super) own: Vec<(String, Vec<u8>)>,
    pub(super) subscriptions: Option<Vec<String>>,
    /// Something changed that is in none of these.
    pub(super) is_urgent: bool,
}

impl Batch {
    /// True when there is nothing to keep.
    pub(super) fn is_empty(&self) -> bool {
        self.journal.is_empty()
            && self.outputs.is_empty()
            && self.acks.is_empty()
            && self.answered.is_empty()
            && self.cleared.is_empty()
            && self.own.is_empty()
            && self.subscriptions.is_none()
            && !self.is_urgent
    }
}

/// Sorts outputs into `commit`, points of history under their `fleet`; what is left is for the log, after the commit.
pub(super) fn sort(
    outputs: Vec<Output>,
    settings: &Settings,
    fleet: Option<&str>,
    now: Now,
    store: &mut Store,
    commit: &mut Commit,
) -> Vec<Output> {
    let mut logs = Vec::new();
    let mut places: HashMap<String, usize> = HashMap::new();
    for output in outputs {
        match output {
            Output::State { topic, payload } => {
                match places.get(&topic).and_then(|place| commit.topics.get_mut(*place)) {
                    Some(last) => last.payload = payload,
                    None => {
                        places.insert(topic.clone(), commit.topics.len());
                        let owner = owner(&settings.prefix, &topic).to_owned();
                        commit.topics.push(Topic { topic, owner, payload });
                    }
                }
            }
            Output::Answer { topic, payload } => {
                commit.answers.push(Answer { id: store.next_answer(), topic, payload });
            }
            Output::Record(record) if settings.history => add_record(&record, fleet, &mut commit.history),
            Output::Record(_) => {}
            Output::Audit { site, who, text } => commit.audit.push(AuditRow { at: now.wall, site, who, text }),
            Output::Diary(line) => commit.diary.push(line),
            // Taken out while stepping.
            Output::Digest(_) => {}
            Output::Log { .. } => logs.push(output),
        }
    }
    logs
}

/// Writes the log lines among `outputs`.
pub(super) fn log(outputs: &[Output]) {
    for output in outputs {
        if let Output::Log { level, site, text } = output {
            match level {
                Level::Info => tracing::info!(target: "thirstd", site, "{text}"),
                Level::Warn => tracing::warn!(target: "thirstd", site, "{text}"),
                Level::Error => tracing::error!(target: "thirstd", site, "{text}"),
            }
        }
    }
}

/// The site that a topic of ours is about; empty: none.
pub(super) fn owner<'a>(prefix: &str, topic: &'a str) -> &'a str {
    let below = topic.strip_prefix(prefix).and_then(|rest| rest.strip_prefix("/site/"));
    below.and_then(|below| below.split('/').next()).unwrap_or_default()
}

/// Adds a point to the lines of its lane.
pub(super) fn add_record(record: &Record, fleet: Option<&str>, history: &mut Vec<HistoryLines>) {
    let place = match history.iter().position(|lines| lines.lane == record.lane) {
        Some(place) => place,
        None => {
            history.push(HistoryLines { lane: record.lane, lines: 0, bytes: Vec::new() });
            history.len() - 1
        }
    };
    let lines = &mut history[place];
    if line::append(record, fleet, &mut lines.bytes) {
        lines.lines += 1;
    } else if lines.lines == 0 {
        history.remove(place);
    }
}

#[cfg(test)]
mod tests {
    use tempfile::TempDir;

    use super::super::store::Limits;
    use super::super::testing::settings;
    use super::*;
    use crate::engine::output::{Lane, Value};
    use crate::engine::stamp::Stamp;

    fn record(lane: Lane, value: f64) -> Output {
        let fields = vec![("v", Value::Float(value))];
        Output::Record(Record { lane, measurement: "m", tags: vec![], fields, at: Stamp(1) })
    }

    #[test]
    fn outputs_are_sorted_for_the_store_and_only_the_last_state_of_a_topic_counts() {
        let folder = TempDir::new().unwrap();
        let (mut store, _) = Store::open(&folder.path().join("store.db"), Limits::default()).unwrap();
        let state = |topic: &str, payload: &str| Output::State { topic: topic.into(), payload: payload.into() };
        let answer = |payload: &str| Output::Answer { topic: "r".into(), payload: payload.into() };
        let outputs = vec![
            state("t/site/oak/totals", "1"),
            answer("a"),
            record(Lane::Reading, 1.0),
            record(Lane::Account, 2.0),
            record(Lane::Reading, f64::NAN),
            record(Lane::Reading, 3.0),
            state("t/visits", "v"),
            state("t/site/oak/totals", "2"),
            Output::Audit { site: "oak".into(), who: "ann".into(), text: "hold".into() },
            answer("b"),
            Output::Log { level: Level::Info, site: "oak".into(), text: "x".into() },
        ];
        let settings = Settings { history: true, ..settings() };
        let now = Now { wall: Stamp(9), ..Now::default() };
        let mut commit = Commit::default();
        let logs = sort(outputs, &settings, Some("valley"), now, &mut store, &mut commit);
        let topic = |topic: &str, owner: &str, payload: &str| Topic {
            topic: topic.into(),
            owner: owner.into(),
            payload: payload.into(),
        };
        assert_eq!(commit.topics, [topic("t/site/oak/totals", "oak", "2"), topic("t/visits", "", "v")]);
        assert_eq!(commit.answers.iter().map(|answer| answer.id).collect::<Vec<_>>(), [1, 2]);
        assert_eq!(
            commit.history,
            [
                HistoryLines {
                    lane: Lane::Reading,
                    lines: 2,
                    bytes: b"m,fleet=valley v=1 1\nm,fleet=valley v=3 1\n".to_vec()
                },
                HistoryLines { lane: Lane::Account, lines: 1, bytes: b"m,fleet=valley v=2 1\n".to_vec() },
            ]
        );
        assert_eq!(commit.audit[0].at, Stamp(9));
        assert_eq!(logs.len(), 1);
    }

    #[test]
    fn without_history_no_point_is_kept() {
        let folder = TempDir::new().unwrap();
        let (mut store, _) = Store::open(&folder.path().join("store.db"), Limits::default()).unwrap();
        let mut commit = Commit::default();
        sort(vec![record(Lane::Reading, 1.0)], &settings(), None, Now::default(), &mut store, &mut commit);
        assert_eq!(commit.history, []);
    }
}
