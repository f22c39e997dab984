//! The shell as a whole, against a real broker (mosquitto) and against one made by hand that does what real ones rarely do.

mod broker;
mod by_hand;
mod process;

use std::future::Future;
use std::path::Path;
use std::time::Duration;

use tempfile::TempDir;
use tokio::sync::oneshot;

use super::super::store::{Commit, JournalEvent, Store, Topic};
use super::super::testing::settings;
use super::*;
use broker::Mosquitto;
use by_hand::HandBroker;

/// A daemon in this process, on a store of its own.
struct Running {
    stop: oneshot::Sender<()>,
    done: Task<Result<(), RunError>>,
}

impl Running {
    fn start(settings: RunSettings) -> Self {
        let (stop, stopped) = oneshot::channel();
        let done = tokio::spawn(run(settings, async move {
            let _ = stopped.await;
        }));
        Self { stop, done }
    }

    async fn stop(self) {
        let _ = self.stop.send(());
        self.done.await.unwrap().unwrap();
    }
}

/// Settings for a broker on `port` of this machine and a store in `folder`, with short pauses.
fn run_settings(port: u16, folder: &Path) -> RunSettings {
    let broker = BrokerSettings {
        host: "127.0.0.1".to_owned(),
        port,
        client_id: "daemon".to_owned(),
        keep_alive_seconds: 5,
        reconnect_min_ms: 20,
        reconnect_max_ms: 100,
        ..BrokerSettings::default()
    };
    let limits = Limits { journal_keep: u64::MAX, ..Limits::default() };
    let settings = Arc::new(settings());
    RunSettings { limits, ..RunSettings::new(settings, "text".to_owned(), broker, folder.join("store.db")) }
}

/// What the journal holds, in short: the payload of commands, the refused filters of connections.
fn journal(folder: &Path) -> Vec<String> {
    let Ok(reader) = Reader::open(&folder.join("store.db")) else { return Vec::new() };
    let text = |event: Option<JournalEvent<'_>>| match event {
        Some(JournalEvent::Command { payload, .. }) if payload.len() > 100 => format!("{} bytes", payload.len()),
        Some(JournalEvent::Command { payload, .. }) => String::from_utf8_lossy(&payload).into_owned(),
        Some(JournalEvent::BrokerUp { session_present, refused }) => format!("up {session_present} {refused:?}"),
        Some(JournalEvent::BrokerDown) => "down".to_owned(),
        other => format!("{other:?}"),
    };
    reader.tail().map_while(Result::ok).map(|entry| text(entry.event)).collect()
}

fn commands(folder: &Path) -> Vec<String> {
    journal(folder).into_iter().filter(|text| !text.starts_with("up") && text != "down").collect()
}

/// Waits until `condition` holds; the test fails when that takes unreasonably long.
async fn until(what: &str, mut condition: impl FnMut() -> bool) {
    let waiting = async {
        while !condition() {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
    };
    within(what, waiting).await;
}

async fn within<T>(what: &str, future: impl Future<Output = T>) -> T {
    match tokio::time::timeout(Duration::from_secs(60), future).await {
        Ok(value) => value,
        Err(_) => panic!("waited too long: {what}"),
    }
}

const COMMAND: &str = "t/site/oak/command";
const STATUS: &str = "t/daemon/test";

#[tokio::test(flavor = "multi_thread")]
async fn every_message_counts_exactly_once_across_kills_of_the_daemon() {
    const MESSAGES: usize = 3_000;
    const KILLS: usize = 4;
    let folder = TempDir::new().unwrap();
    let broker = Mosquitto::start(true).await;
    let mut daemon = process::Daemon::spawn(broker.port, folder.path());
    let ready = || journal(folder.path()).iter().any(|text| text.starts_with("up"));
    until("the daemon is up", ready).await;
    let publisher = broker.client("publisher").await;
    let sending = tokio::spawn(async move {
        for index in 0..MESSAGES {
            publisher.publish(COMMAND, &index.to_string()).await;
        }
        publisher
    });
    for kill in 1..=KILLS {
        until("messages come in", || commands(folder.path()).len() >= kill * MESSAGES / (KILLS + 2)).await;
        daemon.kill();
        daemon = process::Daemon::spawn(broker.port, folder.path());
    }
    until("all messages are there", || commands(folder.path()).len() >= MESSAGES).await;
    let publisher = within("the publisher ends", sending).await.unwrap();
    publisher.publish(COMMAND, "last").await;
    until("the last message is there", || commands(folder.path()).iter().any(|text| text == "last")).await;
    let kept = commands(folder.path());
    let wrong = kept.iter().enumerate().take(MESSAGES).find(|(index, text)| **text != index.to_string());
    assert_eq!(wrong, None, "place and message");
    assert_eq!(kept.len(), MESSAGES + 1);
    daemon.kill();
}

#[tokio::test(flavor = "multi_thread")]
async fn the_will_says_offline_after_a_kill_and_stopping_says_why() {
    let folder = TempDir::new().unwrap();
    let broker = Mosquitto::start(false).await;
    let mut listener = broker.listener("listener", STATUS).await;
    let mut daemon = process::Daemon::spawn(broker.port, folder.path());
    let online = listener.payload(STATUS, "\"online\"").await;
    assert!(online.contains("\"schema\":\"thirst/daemon/1\"") && online.contains("\"epoch\":1"), "{online}");
    daemon.kill();
    listener.payload(STATUS, "connection lost").await;
    let mut daemon = process::Daemon::spawn(broker.port, folder.path());
    listener.payload(STATUS, "\"online\"").await;
    daemon.terminate();
    let offline = listener.payload(STATUS, "\"offline\"").await;
    assert!(offline.contains("\"reason\":\"stopped\""), "{offline}");
    assert!(within("the daemon ends", daemon.ended()).await.success());
    let mut later = broker.listener("later", STATUS).await;
    assert_eq!(later.payload(STATUS, "stopped").await, offline, "it is retained");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_forgot_everything_is_subscribed_and_told_again() {
    let folder = TempDir::new().unwrap();
    let topics = ["t/site/oak/totals", "t/site/oak/fallback"];
    {
        let (mut store, _) = Store::open(&folder.path().join("store.db"), Limits::default()).unwrap();
        let topic = |name: &&str| Topic { topic: (*name).into(), owner: "oak".into(), payload: b"{}".to_vec() };
        store.commit(&Commit { topics: topics.iter().map(topic).collect(), ..Commit::default() }).unwrap();
    }
    let mut broker = Mosquitto::start(false).await;
    let daemon = Running::start(run_settings(broker.port, folder.path()));
    for round in 1..=2 {
        let mut listener = broker.listener("listener", "t/#").await;
        listener.payload(STATUS, "online").await;
        for topic in topics {
            listener.payload(topic, "{}").await;
        }
        let ups = || journal(folder.path()).iter().filter(|text| *text == "up false []").count();
        until("the subscription stands", || ups() == round).await;
        broker.client("publisher").await.publish(COMMAND, &round.to_string()).await;
        until("the message is there", || commands(folder.path()).len() == round).await;
        broker.restart().await;
    }
    daemon.stop().await;
    assert_eq!(commands(folder.path()), ["1", "2"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_kept_the_session_delivers_what_came_meanwhile() {
    let folder = TempDir::new().unwrap();
    let broker = Mosquitto::start(true).await;
    let daemon = Running::start(run_settings(broker.port, folder.path()));
    until("the daemon is up", || !journal(folder.path()).is_empty()).await;
    daemon.stop().await;
    broker.client("publisher").await.publish(COMMAND, "meanwhile").await;
    let daemon = Running::start(run_settings(broker.port, folder.path()));
    until("the message is there", || commands(folder.path()) == ["meanwhile"]).await;
    until("the session was there", || journal(folder.path()).contains(&"up true []".to_owned())).await;
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_message_larger_than_the_clients_own_limit_passes() {
    let folder = TempDir::new().unwrap();
    let broker = Mosquitto::start(false).await;
    let daemon = Running::start(run_settings(broker.port, folder.path()));
    until("the daemon is up", || !journal(folder.path()).is_empty()).await;
    let publisher = broker.client("publisher").await;
    publisher.publish(COMMAND, &"x".repeat(20_000)).await;
    publisher.publish(COMMAND, "after").await;
    until("both are there", || commands(folder.path()) == ["20000 bytes", "after"]).await;
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_queue_that_is_always_full_loses_nothing() {
    let folder = TempDir::new().unwrap();
    let broker = Mosquitto::start(false).await;
    let room = Room { messages: 3, bytes: 1 << 20 };
    let daemon = Running::start(RunSettings { room, ..run_settings(broker.port, folder.path()) });
    until("the daemon is up", || !journal(folder.path()).is_empty()).await;
    let publisher = broker.client("publisher").await;
    for index in 0..500 {
        publisher.publish(COMMAND, &index.to_string()).await;
    }
    until("all are there", || commands(folder.path()).len() == 500).await;
    daemon.stop().await;
    assert_eq!(commands(folder.path()), (0..500).map(|index| index.to_string()).collect::<Vec<_>>());
}

#[tokio::test(flavor = "multi_thread")]
async fn acknowledgements_come_in_receive_order_and_only_for_what_is_in_the_store() {
    let folder = TempDir::new().unwrap();
    let mut broker = HandBroker::start().await;
    let daemon = Running::start(run_settings(broker.port, folder.path()));
    let mut peer = broker.accept(false).await;
    peer.grant(&[]).await;
    for round in 0..5_u16 {
        let packets: Vec<u16> = (round * 40 + 1..=round * 40 + 40).collect();
        peer.publish(&packets.iter().map(|packet| (*packet, false, packet.to_string())).collect::<Vec<_>>()).await;
        for (index, packet) in packets.iter().enumerate() {
            assert_eq!(peer.acknowledgement().await, *packet);
            let kept = commands(folder.path()).len();
            assert!(kept > usize::from(round) * 40 + index, "{packet} is acknowledged, {kept} are kept");
        }
    }
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_message_sent_again_on_a_new_connection_counts_once_and_is_acknowledged_again() {
    let folder = TempDir::new().unwrap();
    let mut broker = HandBroker::start().await;
    let daemon = Running::start(run_settings(broker.port, folder.path()));
    let mut peer = broker.accept(false).await;
    peer.grant(&[]).await;
    peer.publish(&[(1, false, "a".into()), (2, false, "b".into())]).await;
    assert_eq!((peer.acknowledgement().await, peer.acknowledgement().await), (1, 2));
    // The acknowledgements are lost on the way: the connection breaks, the session stays.
    drop(peer);
    let mut peer = broker.accept(true).await;
    peer.publish(&[(1, true, "a".into()), (2, true, "b".into()), (3, false, "b".into())]).await;
    for packet in 1..=3 {
        assert_eq!(peer.acknowledgement().await, packet);
    }
    assert_eq!(commands(folder.path()), ["a", "b", "b"]);
    // A broker without the session counts its packet ids anew.
    drop(peer);
    let mut peer = broker.accept(false).await;
    peer.grant(&[]).await;
    peer.publish(&[(3, true, "b".into())]).await;
    assert_eq!(peer.acknowledgement().await, 3);
    assert_eq!(commands(folder.path()), ["a", "b", "b", "b"]);
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refused_subscription_is_told_to_the_engine_and_asked_for_again_next_time() {
    let folder = TempDir::new().unwrap();
    let mut broker = HandBroker::start().await;
    let daemon = Running::start(run_settings(broker.port, folder.path()));
    let refused = "t/site/+/report/+";
    let mut peer = broker.accept(false).await;
    assert_eq!(peer.grant(&[refused]).await, ["t/site/+/command", refused]);
    let told = format!("up false [\"{refused}\"]");
    until("the refusal is told", || journal(folder.path()).contains(&told)).await;
    drop(peer);
    let mut peer = broker.accept(true).await;
    assert_eq!(peer.grant(&[]).await, [refused], "the session has the other one");
    until("all is well", || journal(folder.path()).contains(&"up true []".to_owned())).await;
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_filter_that_is_not_wanted_any_more_is_given_back() {
    let folder = TempDir::new().unwrap();
    {
        let (mut store, _) = Store::open(&folder.path().join("store.db"), Limits::default()).unwrap();
        let subscriptions = Some(vec!["old/#".to_owned(), "t/site/+/command".to_owned()]);
        store.commit(&Commit { subscriptions, ..Commit::default() }).unwrap();
    }
    let mut broker = HandBroker::start().await;
    let daemon = Running::start(run_settings(broker.port, folder.path()));
    let mut peer = broker.accept(true).await;
    assert_eq!(peer.grant(&[]).await, ["t/site/+/report/+"]);
    assert_eq!(peer.unsubscribed().await, "old/#");
    daemon.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn stopping_commits_and_acknowledges_what_was_read() {
    let folder = TempDir::new().unwrap();
    let mut broker = HandBroker::start().await;
    let settings = RunSettings { commit_interval_ms: 200, ..run_settings(broker.port, folder.path()) };
    let daemon = Running::start(settings);
    let mut peer = broker.accept(false).await;
    peer.grant(&[]).await;
    peer.publish(&[(1, false, "a".into())]).await;
    assert_eq!(peer.acknowledgement().await, 1);
    peer.publish(&[(2, false, "b".into()), (3, false, "c".into())]).await;
    // The answer to a ping would not prove that these were read; their acknowledgement does.
    let stopping = tokio::spawn(daemon.stop());
    let mut acknowledged = vec![1];
    while let Some(packet) = peer.next_acknowledgement_or_farewell().await {
        acknowledged.push(packet);
    }
    within("the daemon ends", stopping).await.unwrap();
    assert_eq!(commands(folder.path()).len(), acknowledged.len());
}
