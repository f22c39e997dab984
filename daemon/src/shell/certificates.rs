//! Watches the certificates that we need for the broker, and raises an alert of the daemon itself before one runs out.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use thirst_schemas::{AlertKind, Urgency, round2};

use crate::config::{TlsContents, TlsFiles};
use crate::engine::stamp::{DAY, Stamp};

use super::clock::{self, Clock};
use super::intake::{Arrival, Intake};
use super::mqtt::Outbox;
use super::own_alert::{Notice, OwnAlert};

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
        let own = |subject| OwnAlert::new(&self.prefix, &self.instance, AlertKind::CertificateExpiring, subject);
        let (path, mut alerts) = (self.store_path.clone(), SUBJECTS.map(own));
        let recalled = tokio::task::spawn_blocking(move || {
            alerts.iter_mut().for_each(|alert| alert.recall(&path));
            alerts
        });
        // Reading panics nowhere; and if it did, there would be no alerts to watch.
        let Ok(mut alerts) = recalled.await else { return };
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
                for (alert, notice) in alerts.iter_mut().zip(notices) {
                    let arrived = !self.outbox.owes(&alert.topic);
                    if let Some(payload) =
                        alert.judge(notice, clock.wall(), self.epoch.load(Ordering::Relaxed), arrived)
                    {
                        self.intake.put(Arrival::Own { topic: alert.topic.clone(), payload });
                    }
                }
            }
            tokio::time::sleep(PAUSE).await;
        }
    }
}

/// For each of [`SUBJECTS`] what there is to say at `now`.
fn notices(files: &TlsFiles, contents: &TlsContents, now: Stamp) -> [Option<Notice>; 2] {
    let due = |expires: Option<Stamp>, what: &str, path: Option<&PathBuf>, action| {
        let expires = expires.filter(|expires| expires.since(now) <= AHEAD)?;
        let name = path?.file_name()?.to_string_lossy();
        let (verb, urgency) = if expires > now { ("expires", Urgency::Today) } else { ("expired", Urgency::Now) };
        let left_days = round2(expires.since(now) as f64 / DAY as f64);
        Some(Notice {
            urgency,
            text: format!("{what} in {name} {verb} on {}.", expires.text()),
            action: String::from(action),
            figures: BTreeMap::from([(Cow::Borrowed("left_days"), left_days)]),
        })
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

    #[test]
    fn nothing_is_said_of_files_that_are_not_there() {
        let empty = TlsContents { authorities: Vec::new(), client: None };
        assert_eq!(notices(&files(), &empty, at(0)), [None, None]);
    }
}
