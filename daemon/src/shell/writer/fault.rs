//! The alert `store_fault` of the daemon itself: raised past the store, since the store is what fails, and closed through it.

use std::collections::BTreeMap;

use thirst_schemas::{Alert, AlertKind, AlertState, Audience, Urgency, topics};

use crate::engine::settings::Settings;
use crate::engine::stamp::Stamp;

use super::super::store::{StoreError, Topic};

/// What stands on the topic of the alert.
#[derive(Debug, Default)]
pub(super) enum Fault {
    #[default]
    None,
    /// Raised, and known to nobody but the broker.
    Open(Box<Alert>),
    /// The store works again; to be closed with the next commit.
    Over(Box<Alert>),
    /// Closed, or left by a run that was killed while its store failed: to be cleared when the broker has the last word.
    Closing,
}

impl Fault {
    /// The store has failed more than once: the payload to publish, where nothing was said yet.
    pub(super) fn raise(&mut self, error: &StoreError, settings: &Settings, epoch: u64, now: Stamp) -> Option<Topic> {
        if matches!(self, Self::Open(_)) {
            return None;
        }
        let alert = alert(error, epoch, now);
        let payload = thirst_schemas::encode(&alert).ok()?;
        *self = Self::Open(Box::new(alert));
        Some(Topic { topic: topic(settings), owner: String::new(), payload })
    }

    /// The store works again.
    pub(super) fn end(&mut self) {
        if let Self::Open(alert) = self {
            *self = Self::Over(alert.clone());
        }
    }

    /// What the next commit shall publish. `arrived`: the broker has all that was said on the topic.
    pub(super) fn tend(
        &mut self,
        settings: &Settings,
        epoch: u64,
        now: Stamp,
        arrived: impl FnOnce(&str) -> bool,
    ) -> Option<(String, Vec<u8>)> {
        let topic = topic(settings);
        match std::mem::take(self) {
            Self::Over(open) => {
                let closed = Alert {
                    state: AlertState::Closed,
                    closed_at: Some(now.utc()),
                    issued_at: now.utc(),
                    epoch,
                    sequence: open.sequence.saturating_add(1).max(sequence(now)),
                    ..*open
                };
                *self = Self::Closing;
                Some((topic, thirst_schemas::encode(&closed).ok()?))
            }
            Self::Closing if arrived(&topic) => Some((topic, Vec::new())),
            other => {
                *self = other;
                None
            }
        }
    }
}

fn topic(settings: &Settings) -> String {
    topics::daemon_alert(&settings.prefix, &settings.instance, AlertKind::StoreFault, SUBJECT)
}

/// A topic that was cleared counts on from the clock: within an epoch no number comes again.
fn sequence(now: Stamp) -> u64 {
    u64::try_from(now.0).unwrap_or(0)
}

fn alert(error: &StoreError, epoch: u64, now: Stamp) -> Alert {
    Alert {
        schema: Default::default(),
        site: None,
        epoch,
        sequence: sequence(now),
        issued_at: now.utc(),
        kind: AlertKind::StoreFault,
        subject: SUBJECT.to_owned(),
        state: AlertState::Open,
        since: now.utc(),
        closed_at: None,
        snoozed_until: None,
        by: None,
        bring: Vec::new(),
        acknowledged_by: None,
        urgency: Urgency::Now,
        audience: Audience::Office,
        text: format!("Nothing can be saved: {error}."),
        suggested_action: ACTION.to_owned(),
        figures: BTreeMap::new(),
    }
}

const SUBJECT: &str = "store";

const ACTION: &str = "Make room on the disk or make it writable; no restart is needed, and nothing is lost: what sensors send \
                      waits at the broker. Until then holds begin, but none ends and no scale changes.";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shell::testing::settings;

    fn read(payload: &[u8]) -> Alert {
        serde_json::from_slice(payload).unwrap()
    }

    #[test]
    fn a_fault_is_raised_once_closed_through_the_store_and_cleared_when_that_has_arrived() {
        let settings = settings();
        let error = StoreError::Write { path: "s.db".into(), cause: "disk is full".into() };
        let mut fault = Fault::default();
        fault.end();
        assert_eq!(fault.tend(&settings, 1, Stamp(5), |_| true), None, "there was none");
        let raised = fault.raise(&error, &settings, 1, Stamp(1_000)).unwrap();
        assert_eq!(raised.topic, "t/daemon/test/alert/store_fault/store");
        let open = read(&raised.payload);
        assert_eq!((open.state, open.urgency), (AlertState::Open, Urgency::Now));
        assert!(open.text.contains("s.db: disk is full"), "{}", open.text);
        assert_eq!(fault.raise(&error, &settings, 1, Stamp(2_000)), None);
        assert_eq!(fault.tend(&settings, 1, Stamp(3_000), |_| true), None, "it still fails");

        fault.end();
        let (_, payload) = fault.tend(&settings, 2, Stamp(4_000), |_| false).unwrap();
        let closed = read(&payload);
        assert_eq!((closed.state, closed.epoch, closed.since), (AlertState::Closed, 2, open.since));
        assert!(closed.sequence > open.sequence);
        assert_eq!(fault.tend(&settings, 2, Stamp(5_000), |_| false), None);
        assert_eq!(fault.tend(&settings, 2, Stamp(5_000), |_| true).unwrap().1, Vec::<u8>::new());
        assert_eq!(fault.tend(&settings, 2, Stamp(6_000), |_| true), None);
    }
}
