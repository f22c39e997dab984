//! The writer thread with a real store and clients that never connect.

use std::path::Path;
use std::sync::atomic::{AtomicI64, Ordering};

use rumqttc::{AsyncClient, EventLoop, MqttOptions};
use tempfile::TempDir;

use super::super::intake::Room;
use super::super::store::{JournalEvent, Limits, Reader};
use super::super::testing::settings;
use super::*;
use crate::engine::stamp::{HOUR, Stamp};

mod failing;
mod nearby;

/// A clock that is set by hand: wall and monotonic milliseconds.
#[derive(Clone, Debug)]
struct HandClock(Arc<(AtomicI64, AtomicI64)>);

impl Clock for HandClock {
    fn wall(&self) -> Stamp {
        Stamp(self.0.0.load(Ordering::Relaxed))
    }

    fn monotonic(&self) -> i64 {
        self.0.1.load(Ordering::Relaxed)
    }
}

struct Bench {
    folder: TempDir,
    clock: HandClock,
    links: Links,
    connection: u64,
    _eventloop: EventLoop,
}

const START: i64 = 4_000_000_000_000;

impl Bench {
    fn new() -> Self {
        let folder = TempDir::new().unwrap();
        let (client, eventloop) = AsyncClient::new(MqttOptions::new("test", "localhost", 1), 200);
        let acks = Acks::new(client.clone());
        let connection = acks.next_connection();
        let intake = Arc::new(Intake::new(Room::default()));
        let outbox = Arc::new(Outbox::new(client, intake.clone(), 1_000));
        let clock = HandClock(Arc::new((AtomicI64::new(START), AtomicI64::new(0))));
        let links = Links { intake, acks: Arc::new(acks), outbox, watcher: None, epoch: Arc::default(), history: None };
        Self { folder, clock, links, connection, _eventloop: eventloop }
    }

    fn source(&self, text: &str) -> Source {
        Source {
            path: self.folder.path().join("store.db"),
            limits: Limits { journal_keep: u64::MAX, ..Limits::default() },
            settings: Arc::new(settings()),
            text: text.to_owned(),
            read_settings: Arc::new(|_| Some(Arc::new(settings()))),
        }
    }

    fn writer(&self, text: &str) -> Writer {
        let source = self.source(text);
        let state = source.restore(&self.clock).unwrap();
        Writer::new(source, state, Box::new(self.clock.clone()), Duration::ZERO, self.links.clone())
    }

    /// A writer that has its settings in the store.
    fn ready(&self) -> Writer {
        let mut writer = self.writer("one");
        assert!(writer.take_settings());
        writer
    }

    fn message(&self, packet: u16, payload: &str, dup: bool) -> Arrival {
        let (topic, payload) = ("yard/a".to_owned(), payload.as_bytes().to_vec());
        Arrival::Message(Message { connection: self.connection, packet, topic, payload, retain: false, dup })
    }

    fn turn(&self, writer: &mut Writer, arrivals: Vec<Arrival>) {
        let batch = writer.step(arrivals);
        assert!(!writer.is_worth_a_commit(&batch) || writer.make_durable(batch));
    }

    fn journal(&self) -> Vec<String> {
        journal_of(&self.folder.path().join("store.db"))
    }
}

/// Sequence and event of each entry.
fn journal_of(path: &Path) -> Vec<String> {
    let text = |event: Option<JournalEvent<'_>>| match event {
        Some(JournalEvent::Message { payload, .. }) => String::from_utf8_lossy(&payload).into_owned(),
        Some(JournalEvent::ClockStep { by }) => format!("step {by}"),
        Some(JournalEvent::BrokerUp { refused, .. }) => format!("up {refused:?}"),
        Some(JournalEvent::BrokerDown) => "down".to_owned(),
        Some(JournalEvent::Settings { version }) => format!("settings {version}"),
        Some(other) => format!("{other:?}"),
        None => "deadlines".to_owned(),
    };
    let tail = Reader::open(path).unwrap().tail();
    tail.map(|entry| entry.unwrap()).map(|entry| format!("{} {}", entry.sequence, text(entry.event))).collect()
}

#[test]
fn messages_are_kept_numbered_and_acknowledged_in_receive_order() {
    let bench = Bench::new();
    let mut writer = bench.ready();
    let arrivals = vec![bench.message(7, "a", false), bench.message(0, "b", false), bench.message(8, "c", false)];
    bench.turn(&mut writer, arrivals);
    assert_eq!(bench.journal(), ["1 a", "2 b", "3 c"]);
    assert_eq!(bench.links.acks.sent_first(), [8], "7 woke the client, b wants no acknowledgement");
}

#[test]
fn a_message_sent_again_after_a_lost_acknowledgement_counts_once_also_after_a_restart() {
    let bench = Bench::new();
    let mut writer = bench.ready();
    bench.turn(&mut writer, vec![bench.message(1, "a", false), bench.message(2, "b", false)]);
    drop(writer);
    let mut writer = bench.ready();
    let arrivals = vec![
        Arrival::Connected { session_present: true },
        bench.message(1, "a", true),
        bench.message(2, "another", true),
        bench.message(3, "c", true),
    ];
    bench.turn(&mut writer, arrivals);
    assert_eq!(bench.journal(), ["1 a", "2 b", "3 another", "4 c"]);
    assert_eq!(bench.links.acks.sent_first().len(), 4, "each was acknowledged but for the two that woke");
}

#[test]
fn without_a_session_the_same_packet_id_and_content_is_a_new_message() {
    let bench = Bench::new();
    let mut writer = bench.ready();
    bench.turn(&mut writer, vec![bench.message(1, "a", false)]);
    let arrivals = vec![Arrival::Connected { session_present: false }, bench.message(1, "a", true)];
    bench.turn(&mut writer, arrivals);
    assert_eq!(bench.journal(), ["1 a", "2 a"]);
}

#[test]
fn uptime_goes_on_over_restarts_and_listening_counts_only_connected_time() {
    let bench = Bench::new();
    let mut writer = bench.ready();
    let pass = |millis: i64| {
        bench.clock.0.0.fetch_add(millis, Ordering::Relaxed);
        bench.clock.0.1.fetch_add(millis, Ordering::Relaxed);
    };
    pass(1_000);
    let up = Arrival::Up { session_present: false, refused: vec!["x/#".into()], granted: vec!["yard/#".into()] };
    bench.turn(&mut writer, vec![up]);
    pass(2_000);
    bench.turn(&mut writer, vec![Arrival::Down]);
    pass(4_000);
    bench.turn(&mut writer, vec![bench.message(1, "a", false)]);
    let last = writer.state.driver.last();
    assert_eq!((last.uptime, last.listening, last.trusted), (7_000, 2_000, true));
    drop(writer);
    // A day passes while the program is not running: no step of the clock, and no uptime.
    bench.clock.0.0.fetch_add(24 * HOUR, Ordering::Relaxed);
    bench.clock.0.1.store(0, Ordering::Relaxed);
    let mut writer = bench.ready();
    pass(500);
    bench.turn(&mut writer, vec![bench.message(2, "b", false)]);
    let last = writer.state.driver.last();
    assert_eq!((last.uptime, last.listening), (7_500, 2_000));
    assert_eq!(bench.journal(), ["1 up [\"x/#\"]", "2 down", "3 deadlines", "3 a", "4 deadlines", "4 b"]);
    assert_eq!(writer.state.recovered.subscriptions, ["yard/#"]);
}

#[test]
fn a_step_of_the_wall_clock_comes_before_the_messages() {
    let bench = Bench::new();
    let mut writer = bench.ready();
    bench.turn(&mut writer, vec![bench.message(1, "a", false)]);
    bench.clock.0.0.fetch_add(HOUR, Ordering::Relaxed);
    bench.turn(&mut writer, vec![bench.message(2, "b", false)]);
    assert_eq!(bench.journal(), ["1 a", "2 step 3600000", "3 b"]);
}

#[test]
fn a_clock_before_the_last_commit_is_not_trusted() {
    let bench = Bench::new();
    bench.turn(&mut bench.ready(), vec![bench.message(1, "a", false)]);
    bench.clock.0.0.store(START - 48 * HOUR, Ordering::Relaxed);
    let mut writer = bench.ready();
    bench.turn(&mut writer, vec![bench.message(2, "b", false)]);
    assert!(!writer.state.driver.last().trusted);
}

/// A yard with one sensor, for a run through the real engine.
const YARD: &str = r#"
[[feeds]]
topic = "yard/{sensor}"
format = "json"
fields."/temp_c" = { quantity = "air_temperature", unit = "Cel" }
fields."/rain_mm" = { quantity = "rain_counter", unit = "mm" }
[[sites]]
id = "heron-bend"
latitude = 39.74
longitude = -104.99
elevation = "1600 m"
zone = "America/Denver"
[[sites.sensors]]
id = "a"
[[sites.groups]]
id = "lawn"
kind = "spray"
run_depth = "10 mm"
[[sites.controllers]]
id = "relay"
capability = "hold"
"#;

/// Four days of a yard in 20-minute steps; the program is killed after every `kill_every` commits. What is published at
/// the end.
fn published_after_four_days(kill_every: usize) -> Vec<(String, String)> {
    let bench = Bench::new();
    let loaded = crate::config::load_text("yard.toml", YARD, std::iter::empty()).unwrap();
    let read = |text: &str| Some(crate::config::load_text("yard.toml", text, std::iter::empty()).unwrap().settings);
    let source = Source {
        path: bench.folder.path().join("store.db"),
        limits: Limits::default(),
        settings: loaded.settings,
        text: loaded.text,
        read_settings: Arc::new(read),
    };
    let start = || {
        let state = source.restore(&bench.clock).unwrap();
        let clock = Box::new(bench.clock.clone());
        let mut writer = Writer::new(source.clone(), state, clock, Duration::ZERO, bench.links.clone());
        assert!(writer.take_settings());
        writer
    };
    let mut writer = start();
    let up = Arrival::Up { session_present: true, refused: vec![], granted: vec!["yard/+".into()] };
    bench.turn(&mut writer, vec![up]);
    for step in 1..=4 * 72 {
        bench.clock.0.0.fetch_add(HOUR / 3, Ordering::Relaxed);
        bench.clock.0.1.fetch_add(HOUR / 3, Ordering::Relaxed);
        let celsius = 12.0 + 11.0 * f64::from(step % 72 - 36) / 36.0;
        let rain = if step < 150 { 5.0 } else { 5.0 + f64::from((step - 150).min(30)) * 0.4 };
        // Half of the third day nothing is heard: only deadlines run.
        if !(160..196).contains(&step) {
            bench.turn(
                &mut writer,
                vec![bench.message(0, &format!("{{\"temp_c\":{celsius},\"rain_mm\":{rain}}}"), false)],
            );
        } else {
            bench.turn(&mut writer, vec![]);
        }
        if usize::try_from(step).unwrap() % kill_every == 0 {
            drop(writer);
            writer = start();
            // The connection was never gone for the engine: only we were.
            writer.timekeeper.set_connected(true);
        }
    }
    let (topics, _) = writer.state.store.reader().unwrap().topics(i64::MIN, 1_000).unwrap();
    let text = |topic: crate::shell::store::Topic| (topic.topic, String::from_utf8(topic.payload).unwrap());
    topics.into_iter().map(text).collect()
}

#[test]
fn a_history_cut_by_kills_publishes_byte_for_byte_what_the_uncut_one_does() {
    let whole = published_after_four_days(usize::MAX);
    assert!(whole.iter().any(|(topic, _)| topic.ends_with("/decision/lawn")), "{whole:?}");
    for kill_every in [1, 7, 50] {
        let cut = published_after_four_days(kill_every);
        for (expected, found) in whole.iter().zip(&cut) {
            assert_eq!(found, expected, "killed every {kill_every} commits");
        }
        assert_eq!(cut.len(), whole.len());
    }
}

#[test]
fn new_settings_get_a_new_version_and_are_the_first_event() {
    let bench = Bench::new();
    let mut writer = bench.ready();
    assert_eq!(writer.state.settings.version, 1);
    bench.turn(&mut writer, vec![bench.message(1, "a", false)]);
    drop(writer);
    for (text, version) in [("one", 1), ("two", 2), ("two", 2), ("one", 3)] {
        let mut writer = bench.writer(text);
        assert!(writer.take_settings());
        assert_eq!(writer.state.settings.version, version);
        assert_eq!(writer.state.in_force, version);
    }
    assert_eq!(bench.journal(), ["1 a", "2 settings 2", "3 settings 3"]);
}

#[test]
fn what_arrives_when_nothing_changes_is_not_committed() {
    let bench = Bench::new();
    let mut writer = bench.ready();
    let batch = writer.step(vec![]);
    assert!(!writer.is_worth_a_commit(&batch));
    bench.clock.0.0.fetch_add(HEARTBEAT, Ordering::Relaxed);
    bench.clock.0.1.fetch_add(HEARTBEAT, Ordering::Relaxed);
    let batch = writer.step(vec![]);
    assert!(writer.is_worth_a_commit(&batch), "the time is kept now and then");
}

#[test]
fn a_failing_store_acknowledges_nothing_until_the_same_messages_are_in_it() {
    let bench = Bench::new();
    let mut writer = bench.ready();
    bench.turn(&mut writer, vec![bench.message(1, "a", false)]);
    assert_eq!(bench.links.acks.sent_first(), Vec::<u16>::new());
    writer.state.store.refuse_writes();
    let arrivals = vec![bench.message(2, "b", false), bench.message(3, "c", false), bench.message(4, "d", false)];
    bench.turn(&mut writer, arrivals);
    assert!(!writer.is_failing);
    assert_eq!(bench.journal(), ["1 a", "2 b", "3 c", "4 d"]);
    assert_eq!(bench.links.acks.sent_first(), [3, 4]);
    // What the failed commit held is known as a duplicate all the same.
    bench.turn(&mut writer, vec![Arrival::Connected { session_present: true }, bench.message(3, "c", true)]);
    assert_eq!(bench.journal().len(), 4);
}

#[test]
fn stopping_while_the_store_fails_acknowledges_nothing() {
    let bench = Bench::new();
    let mut writer = bench.ready();
    writer.state.store.refuse_writes();
    bench.links.intake.close();
    let batch = writer.step(vec![bench.message(2, "b", false)]);
    assert!(!writer.make_durable(batch));
    assert_eq!(bench.links.acks.sent_first(), Vec::<u16>::new());
    assert_eq!(bench.journal(), Vec::<String>::new());
}

#[tokio::test]
async fn the_thread_drains_what_was_queued_and_ends() {
    let bench = Bench::new();
    let thread = bench.writer("one").spawn().unwrap();
    for packet in 1..=3 {
        bench.links.intake.put(bench.message(packet, "a", false));
    }
    bench.links.intake.close();
    bench.links.intake.put(bench.message(4, "late", false));
    bench.links.intake.drained().await;
    assert_eq!(bench.journal(), ["1 down", "2 a", "3 a", "4 a"]);
    bench.links.intake.put(Arrival::Answered(5));
    bench.links.intake.finish();
    thread.join().unwrap();
}
