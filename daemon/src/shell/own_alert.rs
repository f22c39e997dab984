//! An alert of the daemon itself, from its opening to the empty payload that clears its topic.
//!
//! What was said last lies in the store like every other topic: a restart raises nothing anew.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::path::Path;

use thirst_schemas::{Alert, AlertKind, AlertState, Audience, Urgency, topics};

use crate::engine::stamp::Stamp;

use super::store::Reader;

/// Something to be said.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Notice {
    pub(super) urgency: Urgency,
    pub(super) text: String,
    pub(super) action: String,
    /// The numbers behind it; the keys carry their unit. A change of them alone is not said.
    pub(super) figures: BTreeMap<Cow<'static, str>, f64>,
}

/// One kind and subject, and what was said about it last.
#[derive(Clone, Debug)]
pub(super) struct OwnAlert {
    kind: AlertKind,
    subject: &'static str,
    pub(super) topic: String,
    pub(super) last: Option<Alert>,
}

impl OwnAlert {
    pub(super) fn new(prefix: &str, instance: &str, kind: AlertKind, subject: &'static str) -> Self {
        Self { kind, subject, topic: topics::daemon_alert(prefix, instance, kind, subject), last: None }
    }

    /// Takes up what the store holds of it. A store that cannot be read is said elsewhere.
    pub(super) fn recall(&mut self, store: &Path) {
        let payload = Reader::open(store).and_then(|reader| reader.topic(&self.topic)).ok().flatten();
        self.last = payload.and_then(|payload| serde_json::from_slice(&payload).ok());
    }

    pub(super) fn is_open(&self) -> bool {
        self.last.as_ref().is_some_and(|last| last.state != AlertState::Closed)
    }

    /// The next payload for its topic, where there is one: opened, worded anew, closed, and when that has `arrived` at the
    /// broker, empty.
    pub(super) fn judge(&mut self, notice: Option<Notice>, now: Stamp, epoch: u64, arrived: bool) -> Option<Vec<u8>> {
        let open = self.last.as_ref().filter(|_| self.is_open());
        let mut next = match (notice, open) {
            (Some(notice), Some(open)) if open.text == notice.text => return None,
            (Some(notice), open) => self.alert(notice, open.map_or(now, |open| Stamp::from(open.since)), now, epoch),
            (None, Some(open)) => {
                tracing::info!(target: "thirstd", "alert {} {} is over", self.kind.name(), self.subject);
                Alert {
                    state: AlertState::Closed,
                    closed_at: Some(now.utc()),
                    issued_at: now.utc(),
                    epoch,
                    ..open.clone()
                }
            }
            (None, None) if self.last.is_some() && arrived => {
                self.last = None;
                return Some(Vec::new());
            }
            (None, None) => return None,
        };
        // A topic that was cleared counts on from the clock: within an epoch no number comes again.
        let last = self.last.as_ref().map_or(0, |last| last.sequence);
        next.sequence = last.saturating_add(1).max(u64::try_from(now.0).unwrap_or(0));
        let payload = thirst_schemas::encode(&next).ok()?;
        self.last = Some(next);
        Some(payload)
    }

    fn alert(&self, notice: Notice, since: Stamp, now: Stamp, epoch: u64) -> Alert {
        tracing::warn!(target: "thirstd", "alert {} {}: {}", self.kind.name(), self.subject, notice.text);
        Alert {
            schema: Default::default(),
            site: None,
            epoch,
            sequence: 0,
            issued_at: now.utc(),
            kind: self.kind,
            subject: self.subject.to_owned(),
            state: AlertState::Open,
            since: since.utc(),
            closed_at: None,
            snoozed_until: None,
            by: None,
            bring: Vec::new(),
            acknowledged_by: None,
            urgency: notice.urgency,
            audience: Audience::Office,
            text: notice.text,
            suggested_action: notice.action,
            figures: notice.figures,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::stamp::DAY;

    fn at(days: i64) -> Stamp {
        Stamp(1_800_000_000_000 + days * DAY)
    }

    fn notice(text: &str, urgency: Urgency) -> Option<Notice> {
        let figures = BTreeMap::from([(Cow::Borrowed("left_days"), 20.0)]);
        Some(Notice { urgency, text: text.to_owned(), action: "Renew it.".to_owned(), figures })
    }

    fn read(payload: Option<Vec<u8>>) -> Alert {
        serde_json::from_slice(&payload.unwrap()).unwrap()
    }

    #[test]
    fn an_alert_is_raised_once_reworded_where_its_text_changes_and_closed_when_its_cause_is_gone() {
        let mut own = OwnAlert::new("t", "thirstd", AlertKind::CertificateExpiring, "broker-authority");
        assert_eq!(own.topic, "t/daemon/thirstd/alert/certificate_expiring/broker-authority");
        assert_eq!(own.judge(None, at(0), 3, true), None);
        let opened = read(own.judge(notice("It expires.", Urgency::Today), at(0), 3, true));
        assert_eq!((opened.state, opened.urgency, opened.since), (AlertState::Open, Urgency::Today, at(0).utc()));
        assert_eq!((opened.site.as_ref(), opened.figures["left_days"], opened.epoch), (None, 20.0, 3));
        assert_eq!(own.judge(notice("It expires.", Urgency::Today), at(1), 3, true), None);

        // A restart knows it from the store.
        own.last = Some(opened.clone());
        assert_eq!(own.judge(notice("It expires.", Urgency::Today), at(2), 3, true), None);
        let expired = read(own.judge(notice("It expired.", Urgency::Now), at(21), 3, true));
        assert_eq!((expired.urgency, expired.since), (Urgency::Now, opened.since));
        assert!(expired.sequence > opened.sequence && expired.text.contains("expired"));

        let closed = read(own.judge(None, at(22), 3, true));
        assert_eq!((closed.state, closed.closed_at), (AlertState::Closed, Some(at(22).utc())));
        assert!(closed.sequence > expired.sequence);
        assert_eq!(own.judge(None, at(22), 3, false), None, "the last message is still on its way");
        assert_eq!(own.judge(None, at(22), 3, true), Some(Vec::new()));
        assert_eq!(own.judge(None, at(22), 3, true), None);
        assert!(read(own.judge(notice("It expires.", Urgency::Today), at(22), 3, true)).sequence >= closed.sequence);
    }
}
