//! History on its way from the store to a database: one sender for each lane, one watch over both.
//!
//! Lines are in the store first, with the commit that made them. A [`sender`] reads them there on a connection of its own,
//! sends them oldest first, the same bytes again until they are taken, and says in [`link`] what is done; the writer thread
//! takes that out with its next commit ([`tally`]). A crash in between sends the same lines once more, which changes nothing
//! in the database. [`influx`] is the only file that knows the database's client.

mod cut;
mod database;
mod influx;
mod link;
mod quarantine;
mod sender;
mod tally;
mod watch;

use std::path::{Path, PathBuf};
use std::sync::Arc;

use tokio::task::AbortHandle;

use crate::config::History;
use crate::engine::output::Lane;

use super::clock::Clock;

pub(super) use link::{Link, Sight, Trouble};
pub(super) use tally::Tally;
pub(super) use watch::Watch;

use influx::Influx;
use quarantine::Quarantine;
use sender::{Pace, Sender};

/// What the writer thread has to know of history.
#[derive(Clone, Debug)]
pub(super) struct HistoryLink {
    pub(super) link: Arc<Link>,
    pub(super) fleet: String,
}

/// Starts the senders; they run until they are aborted.
pub(super) fn start(
    history: &History,
    instance: &str,
    store: &Path,
    link: &Arc<Link>,
    clock: &Arc<dyn Clock>,
) -> Vec<AbortHandle> {
    let quarantine = Arc::new(Quarantine::beside(store));
    let sender = |lane: Lane, bucket: &str| Sender {
        lane,
        bucket: bucket.to_owned(),
        instance: instance.to_owned(),
        pace: Pace::of(history),
        store: store.to_owned(),
        link: link.clone(),
        quarantine: quarantine.clone(),
        clock: clock.clone(),
        database: Influx::new(history.clone()),
    };
    let senders = [sender(Lane::Reading, &history.bucket), sender(Lane::Account, &history.bucket_long)];
    senders.into_iter().map(|sender| tokio::spawn(sender.run()).abort_handle()).collect()
}

/// A file beside the store: its name with `suffix`.
fn beside(store: &Path, suffix: &str) -> PathBuf {
    let mut name = store.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}
