//! Watches the certificates that we need for the broker, and raises an alert of the daemon itself before one runs out.
//!
//! What was said last lies in the store like every other topic: a restart raises nothing anew.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use thirst_schemas::{Alert, AlertKind, AlertState, Audience, Urgency, round2, topics};

use crate::config::{TlsContents, TlsFiles};
use crate::engine::stamp::{DAY, Stamp};

use super::clock::{self, Clock};
use super::intake::{Arrival, Intake};
use super::mqtt::Outbox;
use super::store::Reader;

/// What the watch knows of the daemon.
pub(super) struct Watch {
    pub(super) tls: Option<TlsFiles>,
    pub(super) prefix: String,
    pub(super) instance: String,
    pub(super) epoch: Arc<AtomicU64>,
    pub(super) store_path: PathBuf,
    pub(super) intake: Arc<Intake>,
    pub(super) outbox: Arc<Outbox>,
}

impl Watch {
    /// Looks at the certificates now and again. Never returns.
    pub(super) async fn run(self, clock: impl Clock) {
        let mut watched = SUBJECTS.map(|subject| Watched { subject, last: None });
        let topics = SUBJECTS
            .map(|subject| topics::daemon_alert(&self.prefix, &self.instance, AlertKind::CertificateExpiring, subject));
        let (path, names) = (self.store_path.clone(), topics.clone());
        let said = tokio::task::spawn_blocking(move || names.map(|topic| last_said(&path, &topic))).await;
        if let Ok(said) = said {
            for (watched, last) in watched.iter_mut().zip(said) {
                watched.last = last;
            }
        }
        loop {
            let files = self.tls.clone();
            // What cannot be read is said when we connect; here it proves nothing.
            let looked =
                tokio::task::spawn_blocking(move || files.map(|files| files.read().map(|now| (files, now)))).await;
            let notices = match looked {
                Ok(None) => Some([None, None]),
                Ok(Some(Ok((files, contents)))) => Some(notices(&files, &contents, clock.wall())),
                Ok(Some(Err(_))) | Err(_) => None,
            };
            // A clock that is wrong cannot tell what is about to expire.
            if let Some(notices) = notices.filter(|_| clock.wall() >= clock::build_date()) {
                for ((watched, topic), notice) in watched.iter_mut().zip(&topics).zip(notices) {
                    let arrived = !self.outbox.owes(topic);
                    if let Some(payload) =
                        watched.judge(notice, clock.wall(), self.epoch.load(Ordering::Relaxed), arrived)
                    {
                        self.intake.put(Arrival::Own { topic: topic.clone(), payload });
                    }
                }
            }
            tokio::time::sleep(PAUSE).await;
        }
    }
}

/// Something about to expire.
#[derive(Clone, Debug, PartialEq)]
struct Notice {
    expires: Stamp,
    text: String,
    action: &'static str,
}

/// For each of [`SUBJECTS`] what there is to say at `now`.
fn notices(files: &TlsFiles, contents: &TlsContents, now: Stamp) -> [Option<Notice>; 2] {
    let due = |expires: Option<Stamp>, what: &str, path: Option<&PathBuf>, action| {
        let expires = expires.filter(|expires| expires.since(now) <= AHEAD)?;
        let name = path?.file_name()?.to_string_lossy();
        let verb = if expires > now { "expires" } else { "expired" };
        Some(Notice { expires, text: format!("{what} in {name} {verb} on {}.", expires.text()), action })
    };
    let own = files.client.as_ref().map(|client| &client.cert_file);
    [
        due(contents.client_expires(), "Our certificate for the broker", own, RENEW_OURS),
        due(
            contents.authorities_expire(),
            "The authority's certificate, by which we trust the broker,",
            files.ca_file.as_ref(),
            RENEW_AUTHORITY,
        ),
    ]
}

/// One certificate and what was said about it last.
#[derive(Debug)]
struct Watched {
    subject: &'static str,
    last: Option<Alert>,
}

impl Watched {
    /// The next payload for its topic, where there is one: opened, worded anew, closed, and when that has `arrived` at the
    /// broker, empty.
    fn judge(&mut self, notice: Option<Notice>, now: Stamp, epoch: u64, arrived: bool) -> Option<Vec<u8>> {
        let open = self.last.as_ref().filter(|last| last.state != AlertState::Closed);
        let mut next = match (notice, open) {
            (Some(notice), Some(open)) if open.text == notice.text => return None,
            (Some(notice), open) => self.alert(&notice, open.map_or(now, |open| Stamp::from(open.since)), now, epoch),
            (None, Some(open)) => {
                tracing::info!(target: "thirstd", "alert certificate_expiring {} is over", self.subject);
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

    fn alert(&self, notice: &Notice, since: Stamp, now: Stamp, epoch: u64) -> Alert {
        tracing::warn!(target: "thirstd", "alert certificate_expiring {}: {}", self.subject, notice.text);
        let left = notice.expires.since(now);
        Alert {
            schema: Default::default(),
            site: None,
            epoch,
            sequence: 0,
            issued_at: now.utc(),
            kind: AlertKind::CertificateExpiring,
            subject: self.subject.to_owned(),
            state: AlertState::Open,
            since: since.utc(),
            closed_at: None,
            snoozed_until: None,
            by: None,
            bring: Vec::new(),
            acknowledged_by: None,
            urgency: if left > 0 { Urgency::Today } else { Urgency::Now },
            audience: Audience::Office,
            text: notice.text.clone(),
            suggested_action: notice.action.to_owned(),
            figures: BTreeMap::from([(Cow::Borrowed("left_days"), round2(left as f64 / DAY as f64))]),
        }
    }
}

/// What the store holds of `topic`. A store that cannot be read is said elsewhere.
fn last_said(store: &Path, topic: &str) -> Option<Alert> {
    let payload = Reader::open(store).and_then(|reader| reader.topic(topic)).ok()??;
    serde_json::from_slice(&payload).ok()
}

const SUBJECTS: [&str; 2] = ["broker-client-certificate", "broker-authority"];

const RENEW_OURS: &str =
    "Have it renewed and put the new certificate and key into the same files; no restart is needed.";
const RENEW_AUTHORITY: &str = "Add the authority's new certificate to that file, then have the broker's renewed; no restart is \
                               needed.";

/// So long before its end an alert comes: common practice.
const AHEAD: i64 = 21 * DAY;

/// Between two looks. Our choice: who renewed a certificate wants to see the alert go.
const PAUSE: Duration = Duration::from_secs(10);

#[cfg(test)]
mod tests {
    use super::*;

    fn at(days: i64) -> Stamp {
        Stamp(1_800_000_000_000 + days * DAY)
    }

    fn files() -> TlsFiles {
        TlsFiles { ca_file: Some("a/ca.pem".into()), client: None }
    }

    fn notice(expires: i64, now: i64) -> Option<Notice> {
        let (expires, now) = (at(expires), at(now));
        let verb = if expires > now { "expires" } else { "expired" };
        Some(Notice { expires, text: format!("It {verb} on {}.", expires.text()), action: RENEW_OURS })
    }

    fn read(payload: Option<Vec<u8>>) -> Alert {
        serde_json::from_slice(&payload.unwrap()).unwrap()
    }

    #[test]
    fn an_alert_is_raised_once_reworded_when_it_has_expired_and_closed_when_renewed() {
        let mut watched = Watched { subject: SUBJECTS[0], last: None };
        assert_eq!(watched.judge(None, at(0), 3, true), None);
        let opened = read(watched.judge(notice(20, 0), at(0), 3, true));
        assert_eq!((opened.state, opened.urgency, opened.since), (AlertState::Open, Urgency::Today, at(0).utc()));
        assert_eq!((opened.site.as_ref(), opened.figures["left_days"], opened.epoch), (None, 20.0, 3));
        assert_eq!(watched.judge(notice(20, 1), at(1), 3, true), None);

        // A restart knows it from the store.
        let mut watched = Watched { subject: SUBJECTS[0], last: Some(opened.clone()) };
        assert_eq!(watched.judge(notice(20, 2), at(2), 3, true), None);
        let expired = read(watched.judge(notice(20, 21), at(21), 3, true));
        assert_eq!((expired.urgency, expired.since), (Urgency::Now, opened.since));
        assert!(expired.sequence > opened.sequence && expired.text.contains("expired on"));

        let closed = read(watched.judge(None, at(22), 3, true));
        assert_eq!((closed.state, closed.closed_at), (AlertState::Closed, Some(at(22).utc())));
        assert!(closed.sequence > expired.sequence);
        assert_eq!(watched.judge(None, at(22), 3, false), None, "the last message is still on its way");
        assert_eq!(watched.judge(None, at(22), 3, true), Some(Vec::new()));
        assert_eq!(watched.judge(None, at(22), 3, true), None);
        assert!(read(watched.judge(notice(40, 22), at(22), 3, true)).sequence >= closed.sequence);
    }

    #[test]
    fn nothing_is_said_of_files_that_are_not_there() {
        let empty = TlsContents { authorities: Vec::new(), client: None };
        assert_eq!(notices(&files(), &empty, at(0)), [None, None]);
    }
}
