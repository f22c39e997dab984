//! The daemon from start to stop: restore, connect, pass messages, drain in order.

use std::future::Future;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use rumqttc::AsyncClient;
use thirst_schemas::{DaemonState, DaemonStatus, topics};
use tokio::task::{AbortHandle, JoinHandle as Task};

use crate::config::History;
use crate::engine::settings::Settings;
use crate::engine::stamp::Stamp;

use super::certificates::Watch;
use super::clock::{Clock, SystemClock};
use super::history::{self, HistoryLink, Link, Watch as HistoryWatch};
use super::intake::{Intake, Room};
use super::mqtt::{BrokerSettings, Ingest, Outbox, Publisher, Status, Subscriptions, resend};
use super::restore::{ReadSettings, Source};
use super::store::{Limits, Reader, StoreError};
use super::watcher::Watcher;
use super::writer::{Links, Writer};

/// Everything the daemon is told.
#[derive(Clone)]
pub struct RunSettings {
    pub settings: Arc<Settings>,
    /// `settings` as one text, kept in the store so that a later start can replay under them.
    pub text: String,
    /// Reads such a text again; None: this program does not understand it any more.
    pub read_settings: ReadSettings,
    pub broker: BrokerSettings,
    pub store_path: PathBuf,
    pub limits: Limits,
    pub room: Room,
    /// Smallest pause between two commits, 0–200 ms.
    pub commit_interval_ms: u64,
    /// Topics sent again per second, where all of them are. At least 1.
    pub resend_per_second: u32,
    /// The machine's, unless time is played.
    pub clock: Arc<dyn Clock>,
    pub watcher: Option<Arc<dyn Watcher>>,
    /// None: points of history are not sent.
    pub history: Option<History>,
    /// With less free beside the store, history is not kept any more, bytes.
    pub free_floor_bytes: u64,
}

impl RunSettings {
    /// The given settings and our defaults for the rest.
    pub fn new(settings: Arc<Settings>, text: String, broker: BrokerSettings, store_path: PathBuf) -> Self {
        Self {
            settings,
            text,
            read_settings: Arc::new(|_| None),
            broker,
            store_path,
            limits: Limits::default(),
            room: Room::default(),
            commit_interval_ms: 0,
            // Our choice: a large fleet does not drown its bridges.
            resend_per_second: 200,
            clock: Arc::new(SystemClock::start()),
            watcher: None,
            history: None,
            free_floor_bytes: 64 << 20,
        }
    }
}

/// Why the daemon could not start, or ended without being asked to.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("the system gives no thread for writing: {0}")]
    Thread(std::io::Error),
    #[error("the writing thread ended by itself; this is a fault of thirstd, the log before this line says more")]
    WriterEnded,
    #[error("what is said about ourselves cannot be written: {0}")]
    Status(String),
}

/// Runs until `shutdown` is ready, then drains: nothing more is read, what was read is committed and acknowledged, what is
/// due is published, the broker is told that we are gone.
///
/// # Errors
/// See [`RunError`]. A broker that is away is no error; the daemon waits for it.
pub async fn run(settings: RunSettings, shutdown: impl Future<Output = ()>) -> Result<(), RunError> {
    let mut daemon = Daemon::start(settings).await?;
    tokio::select! {
        () = shutdown => {}
        () = daemon.links.intake.drained() => {
            daemon.publishing.abort();
            daemon.reading.abort();
            return Err(RunError::WriterEnded);
        }
    }
    daemon.stop().await;
    Ok(())
}

/// The running parts.
struct Daemon {
    links: Links,
    offline: Status,
    writer: Option<JoinHandle<()>>,
    reading: Task<()>,
    publishing: Task<()>,
    resending: AbortHandle,
    watching: [AbortHandle; 2],
    /// What sends history.
    sending: Vec<AbortHandle>,
    reading_client: AsyncClient,
    publishing_client: AsyncClient,
}

impl Daemon {
    async fn start(settings: RunSettings) -> Result<Self, RunError> {
        let clock = settings.clock.clone();
        let since = clock.wall();
        let limits = match &settings.history {
            Some(history) => Limits { history_bytes: u64::from(history.limit_mib) << 20, ..settings.limits },
            None => settings.limits,
        };
        let source = Source {
            path: settings.store_path.clone(),
            limits,
            settings: settings.settings.clone(),
            text: settings.text.clone(),
            read_settings: settings.read_settings.clone(),
        };
        // Replaying a long tail takes a second or two: not on a thread that others share.
        let told = clock.clone();
        let restoring = tokio::task::spawn_blocking(move || source.restore(&*told).map(|state| (source, state)));
        let (source, state) = restoring.await.map_err(|_| RunError::WriterEnded)??;
        let recovered = &state.recovered;
        tracing::info!(
            target: "thirstd",
            version = env!("CARGO_PKG_VERSION"),
            epoch = recovered.epoch,
            sites = settings.settings.sites.len(),
            next = recovered.next_sequence,
            "started"
        );

        let status = |is_online: bool, reason: Option<&str>| {
            status(&settings.settings, recovered.epoch, since, is_online, reason)
        };
        let online = status(true, None)?;
        let offline = status(false, Some("stopped"))?;
        let will = status(false, Some("connection lost"))?;

        let intake = Arc::new(Intake::new(settings.room));
        let subscriptions =
            Subscriptions { wanted: filters(&settings.settings), stored: recovered.subscriptions.clone() };
        let (reading_client, ingest) = Ingest::new(&settings.broker, subscriptions, intake.clone());
        let (publishing_client, publisher) = Publisher::new(&settings.broker, will);
        let outbox = Arc::new(Outbox::new(publishing_client.clone(), intake.clone(), settings.broker.max_packet_bytes));
        outbox.set_status(online);
        let watcher = settings.watcher.clone();
        let epoch = Arc::new(AtomicU64::new(recovered.epoch));
        let link = Arc::new(Link::default());
        let history = settings.history.as_ref().map(|own| HistoryLink { link: link.clone(), fleet: own.fleet.clone() });
        let links = Links { intake, acks: ingest.acks(), outbox: outbox.clone(), watcher, epoch, history };

        let watch = Watch {
            tls: settings.broker.tls.clone(),
            prefix: settings.settings.prefix.clone(),
            instance: settings.settings.instance.clone(),
            epoch: links.epoch.clone(),
            store_path: settings.store_path.clone(),
            intake: links.intake.clone(),
            outbox: outbox.clone(),
        };
        let behind = HistoryWatch {
            history: settings.history.clone(),
            link: link.clone(),
            free_floor_bytes: settings.free_floor_bytes,
            prefix: settings.settings.prefix.clone(),
            instance: settings.settings.instance.clone(),
            epoch: recovered.epoch,
            store_path: settings.store_path.clone(),
            intake: links.intake.clone(),
            outbox: outbox.clone(),
        };

        let interval = Duration::from_millis(settings.commit_interval_ms.min(LONGEST_INTERVAL_MS));
        let writer = Writer::new(source, state, Box::new(clock.clone()), interval, links.clone());
        let writer = writer.spawn().map_err(RunError::Thread)?;
        let sending = settings.history.as_ref().map_or_else(Vec::new, |own| {
            history::start(own, &settings.settings.instance, &settings.store_path, &link, &clock)
        });
        let path = settings.store_path.clone();
        let resending = resend(outbox.clone(), move || Reader::open(&path), settings.resend_per_second.max(1));
        Ok(Self {
            links,
            offline,
            writer: Some(writer),
            reading: tokio::spawn(ingest.run()),
            publishing: tokio::spawn(publisher.run(outbox)),
            resending: tokio::spawn(resending).abort_handle(),
            watching: [
                tokio::spawn(watch.run(clock.clone())).abort_handle(),
                tokio::spawn(behind.run(clock)).abort_handle(),
            ],
            sending,
            reading_client,
            publishing_client,
        })
    }

    async fn stop(&mut self) {
        tracing::info!(target: "thirstd", "stopping");
        let Links { intake, outbox, epoch, .. } = &self.links;
        intake.close();
        if tokio::time::timeout(COMMIT_PATIENCE, intake.drained()).await.is_err() {
            tracing::warn!(target: "thirstd", "the store is slow; what is not kept stays with the broker");
        }
        // Acknowledgements of the last commit are before the farewell in the client's queue.
        farewell(&self.reading_client, &mut self.reading).await;

        self.resending.abort();
        self.watching.iter().for_each(AbortHandle::abort);
        // What it has sent is taken out of the store with the last commit; the rest waits for the next start.
        self.sending.iter().for_each(AbortHandle::abort);
        if outbox.is_connected() && tokio::time::timeout(PUBLISH_PATIENCE, outbox.settled()).await.is_err() {
            tracing::warn!(target: "thirstd", "not everything was published; it will be at the next start");
        }
        outbox.set_status(self.offline.clone().with_epoch(epoch.load(Ordering::Relaxed)));
        if outbox.is_connected() {
            let _ = tokio::time::timeout(FAREWELL_PATIENCE, outbox.settled()).await;
        }
        farewell(&self.publishing_client, &mut self.publishing).await;

        intake.finish();
        if let Some(writer) = self.writer.take() {
            let joining = tokio::task::spawn_blocking(move || writer.join());
            if !matches!(tokio::time::timeout(COMMIT_PATIENCE, joining).await, Ok(Ok(Ok(())))) {
                tracing::warn!(target: "thirstd", "the writing thread did not end in time");
            }
        }
        tracing::info!(target: "thirstd", "stopped");
    }
}

/// Says farewell to the broker and waits for the task's end; a broker that does not answer is left alone.
async fn farewell(client: &AsyncClient, task: &mut Task<()>) {
    let is_told = client.try_disconnect().is_ok();
    if !is_told || tokio::time::timeout(FAREWELL_PATIENCE, &mut *task).await.is_err() {
        task.abort();
    }
}

/// What the broker shall send us: every feed, commands, reports.
fn filters(settings: &Settings) -> Vec<String> {
    let mut filters: Vec<String> = settings.feeds.iter().map(|feed| feed.template.filter().to_owned()).collect();
    filters.push(topics::command_filter(&settings.prefix));
    filters.push(topics::report_filter(&settings.prefix));
    filters
}

fn status(
    settings: &Settings,
    epoch: u64,
    since: Stamp,
    is_online: bool,
    reason: Option<&str>,
) -> Result<Status, RunError> {
    let status = DaemonStatus {
        schema: Default::default(),
        instance: settings.instance.clone(),
        state: if is_online { DaemonState::Online } else { DaemonState::Offline },
        version: env!("CARGO_PKG_VERSION").to_owned(),
        since: since.utc(),
        epoch,
        reason: reason.map(str::to_owned),
    };
    let payload = thirst_schemas::encode(&status).map_err(|error| RunError::Status(error.to_string()))?;
    Ok(Status { topic: topics::daemon(&settings.prefix, &settings.instance), payload })
}

/// Longest pause between two commits, ms: beyond, decisions come late and a broker's window fills.
const LONGEST_INTERVAL_MS: u64 = 200;

/// How long stopping waits for the disk, for publications, for a farewell. Our choice; together below what service
/// managers allow.
const COMMIT_PATIENCE: Duration = Duration::from_secs(10);
const PUBLISH_PATIENCE: Duration = Duration::from_secs(5);
const FAREWELL_PATIENCE: Duration = Duration::from_secs(2);

#[cfg(test)]
mod tests;
