//! Watches how far history is behind and how full the disk is, and raises alerts of the daemon itself.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use thirst_schemas::{AlertKind, Urgency, round1};

use crate::config::History;
use crate::engine::stamp::{HOUR, MINUTE, Stamp};
use crate::shell::clock::{self, Clock};
use crate::shell::intake::{Arrival, Intake};
use crate::shell::mqtt::Outbox;
use crate::shell::own_alert::{Notice, OwnAlert};

use super::{Link, Sight};

/// What the watch knows of the daemon.
pub(in crate::shell) struct Watch {
    pub(in crate::shell) history: Option<History>,
    pub(in crate::shell) link: Arc<Link>,
    pub(in crate::shell) free_floor_bytes: u64,
    pub(in crate::shell) prefix: String,
    pub(in crate::shell) instance: String,
    pub(in crate::shell) epoch: u64,
    pub(in crate::shell) store_path: PathBuf,
    pub(in crate::shell) intake: Arc<Intake>,
    pub(in crate::shell) outbox: Arc<Outbox>,
}

impl Watch {
    /// Looks now and again. Never returns.
    pub(in crate::shell) async fn run(self, clock: impl Clock) {
        let own = |kind, subject| OwnAlert::new(&self.prefix, &self.instance, kind, subject);
        let mut alerts = [own(AlertKind::HistoryBehind, "database"), own(AlertKind::DiskLow, "store")];
        let path = self.store_path.clone();
        let recalled = tokio::task::spawn_blocking(move || {
            alerts.iter_mut().for_each(|alert| alert.recall(&path));
            alerts
        });
        let Ok([mut behind, mut disk]) = recalled.await else { return };
        let (mut standing, mut is_low) = (None, disk.is_open());
        loop {
            let path = self.store_path.clone();
            let free = tokio::task::spawn_blocking(move || free_bytes(&path)).await.ok().flatten();
            // What cannot be asked proves nothing.
            is_low = free.map_or(is_low, |free| is_disk_low(free, self.free_floor_bytes, is_low));
            self.link.set_disk_is_low(is_low);
            let now = clock.wall();
            // A clock that is wrong cannot tell how long something waits.
            if now >= clock::build_date() {
                let notice = self.history.as_ref().and_then(|history| {
                    let cause = cause(&self.link.sight(), history, is_low, behind.is_open(), now)?;
                    Some(worded(&mut standing, cause, history, now))
                });
                if notice.is_none() {
                    standing = None;
                }
                self.say(&mut behind, notice, now);
                let notice = is_low.then(|| disk_notice(free.unwrap_or(0), self.history.is_some()));
                self.say(&mut disk, notice, now);
            }
            tokio::time::sleep(PAUSE).await;
        }
    }

    fn say(&self, alert: &mut OwnAlert, notice: Option<Notice>, now: Stamp) {
        let arrived = !self.outbox.owes(&alert.topic);
        if let Some(payload) = alert.judge(notice, now, self.epoch, arrived) {
            self.intake.put(Arrival::Own { topic: alert.topic.clone(), payload });
        }
    }
}

/// Why history is behind.
#[derive(Clone, Debug, PartialEq)]
enum Cause {
    /// It takes a person; the database's words.
    Fault(String),
    /// Lines are given up.
    Dropped { is_disk_low: bool },
    /// The oldest line waits since then; what the database says, if anything.
    Late { oldest: Stamp, why: Option<String>, bytes: u64 },
}

/// What there is to be said; `is_open`: something was, so that it ends only when most of it is gone.
fn cause(sight: &Sight, history: &History, is_disk_low: bool, is_open: bool, now: Stamp) -> Option<Cause> {
    if let Some(trouble) = sight.trouble.as_ref().filter(|trouble| trouble.is_fault) {
        return Some(Cause::Fault(trouble.text.clone()));
    }
    if sight.dropped_at.is_some_and(|at| now.since(at) < DROPPED_FOR) {
        return Some(Cause::Dropped { is_disk_low });
    }
    let limit = i64::from(history.behind_after_minutes) * MINUTE;
    let limit = if is_open { limit / 6 } else { limit };
    let oldest = sight.oldest.filter(|oldest| now.since(*oldest) > limit)?;
    let why = sight.trouble.as_ref().map(|trouble| trouble.text.clone());
    Some(Cause::Late { oldest, why, bytes: sight.count.bytes })
}

/// What is said of a cause. While it is of the same kind, the same: a number that changes is no news.
fn worded(standing: &mut Option<(Cause, Notice)>, cause: Cause, history: &History, now: Stamp) -> Notice {
    if let Some((before, notice)) = standing
        && std::mem::discriminant(before) == std::mem::discriminant(&cause)
    {
        return notice.clone();
    }
    let (url, limit) = (&history.url, history.limit_mib);
    let mut figures = BTreeMap::new();
    let (text, action) = match &cause {
        Cause::Fault(why) => (
            format!("History does not reach the database at {url}: {why}. It waits in the store."),
            format!(
                "Look at url, organization, bucket and token under [history], and at the database. Up to {limit} MiB wait; \
                 beyond, the oldest readings go."
            ),
        ),
        Cause::Dropped { is_disk_low: false } => (
            format!(
                "More history waits for the database at {url} than the {limit} MiB that may: the oldest is given up."
            ),
            "Bring the database back, or raise history.limit_mib where the disk has room.".to_owned(),
        ),
        Cause::Dropped { is_disk_low: true } => (
            "The disk is nearly full: no history is kept.".to_owned(),
            "Make room on the disk of the store.".to_owned(),
        ),
        Cause::Late { oldest, why, bytes } => {
            figures.insert(Cow::Borrowed("behind_minutes"), round1(now.since(*oldest) as f64 / MINUTE as f64));
            figures.insert(Cow::Borrowed("waiting_bytes"), *bytes as f64);
            let why = why.as_ref().map_or_else(|| "it takes lines, but too slowly".to_owned(), Clone::clone);
            (
                format!("History since {} has not reached the database at {url}: {why}.", oldest.text()),
                format!(
                    "Look after the database. Up to {limit} MiB wait in the store; beyond, the oldest readings go."
                ),
            )
        }
    };
    let notice = Notice { urgency: Urgency::Today, text, action, figures };
    *standing = Some((cause, notice.clone()));
    notice
}

fn disk_notice(free: u64, keeps_history: bool) -> Notice {
    let history = if keeps_history { " History is not kept until there is room." } else { "" };
    Notice {
        urgency: Urgency::Now,
        text: format!("The disk of the store is nearly full.{history}"),
        action: "Make room before the store can save no more: then nothing is decided any more.".to_owned(),
        figures: BTreeMap::from([(Cow::Borrowed("free_mib"), round1(free as f64 / f64::from(1 << 20)))]),
    }
}

/// Low below the floor, and until half as much again is free.
fn is_disk_low(free: u64, floor: u64, was_low: bool) -> bool {
    free < if was_low { floor.saturating_add(floor / 2) } else { floor }
}

/// What anybody may still write to the disk of `store`, bytes.
fn free_bytes(store: &Path) -> Option<u64> {
    let folder = store.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let disk = rustix::fs::statvfs(folder).ok()?;
    Some(disk.f_bavail.saturating_mul(disk.f_frsize))
}

/// So long after lines were given up the alert stays, ms. Our choice: it shall not come and go while every commit drops some.
const DROPPED_FOR: i64 = HOUR;

/// Between two looks. Our choice.
const PAUSE: Duration = Duration::from_secs(10);

#[cfg(test)]
mod tests {
    use super::super::Trouble;
    use super::*;
    use crate::shell::testing::history;

    fn sight(minutes: Option<i64>, trouble: Option<(bool, &str)>) -> Sight {
        Sight {
            oldest: minutes.map(|minutes| NOW.plus(-minutes * MINUTE)),
            trouble: trouble.map(|(is_fault, text)| Trouble { is_fault, text: text.to_owned() }),
            ..Sight::default()
        }
    }

    const NOW: Stamp = Stamp(1_800_000_000_000);

    #[test]
    fn history_is_behind_after_an_hour_at_once_where_it_takes_a_person_and_no_more_when_nearly_all_is_sent() {
        let check = |sight: Sight, is_open: bool, expected: Option<&str>| {
            let cause = cause(&sight, &history(), false, is_open, NOW);
            let said = cause.map(|cause| worded(&mut None, cause, &history(), NOW));
            match expected {
                Some(part) => assert!(said.as_ref().is_some_and(|said| said.text.contains(part)), "{said:?}"),
                None => assert_eq!(said, None, "{sight:?}"),
            }
        };
        check(sight(None, None), false, None);
        check(sight(Some(59), Some((false, "it cannot be reached"))), false, None);
        check(sight(Some(61), Some((false, "it cannot be reached"))), false, Some("it cannot be reached"));
        check(sight(Some(61), None), false, Some("too slowly"));
        check(sight(Some(0), Some((true, "it answered 401 Unauthorized"))), false, Some("401 Unauthorized"));
        check(sight(Some(59), None), true, Some("2027-01-15"));
        check(sight(Some(9), None), true, None);
        let dropping = |minutes: i64| Sight { dropped_at: Some(NOW.plus(-minutes * MINUTE)), ..Sight::default() };
        check(dropping(1), false, Some("the oldest is given up"));
        check(dropping(61), true, None);
    }

    #[test]
    fn a_cause_keeps_its_words_until_there_is_another() {
        let mut standing = None;
        let mut said = |minutes, fault: bool| {
            let sight = sight(Some(minutes), fault.then_some((true, "it answered 404")));
            let cause = cause(&sight, &history(), false, true, NOW).unwrap();
            worded(&mut standing, cause, &history(), NOW).text
        };
        let first = said(70, false);
        assert_eq!(said(80, false), first);
        assert!(said(80, true).contains("404"));
        assert_ne!(said(90, false), first);
    }

    #[test]
    fn a_disk_is_low_below_its_floor_and_until_half_as_much_again_is_free() {
        for (free, was_low, expected) in [(99, false, true), (100, false, false), (149, true, true), (150, true, false)]
        {
            assert_eq!(is_disk_low(free, 100, was_low), expected, "{free}");
        }
        assert!(free_bytes(Path::new("no-folder/store.db")).is_none());
        assert!(free_bytes(Path::new("store.db")).is_some());
    }
}
