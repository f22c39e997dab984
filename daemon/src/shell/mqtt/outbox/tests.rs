//! The outbox with a client that never connects: what it hands over, and when.

use rumqttc::{EventLoop, MqttOptions};

use super::super::super::intake::Room;
use super::super::super::store::{Commit, Limits, Store};
use super::*;

struct Bench {
    outbox: Outbox,
    intake: Arc<Intake>,
    eventloop: EventLoop,
}

impl Bench {
    fn new() -> Self {
        let (client, eventloop) = AsyncClient::new(MqttOptions::new("test", "localhost", 1), usize::from(WINDOW));
        let intake = Arc::new(Intake::new(Room::default()));
        Self { outbox: Outbox::new(client, intake.clone(), 1_000), intake, eventloop }
    }

    /// What the client was handed since the last call, as `topic=payload`.
    fn handed(&mut self) -> Vec<String> {
        self.eventloop.clean();
        let text = |request| match request {
            rumqttc::Request::Publish(publish) => {
                let retain = if publish.retain { "" } else { " once" };
                format!("{}={}{retain}", publish.topic, String::from_utf8_lossy(&publish.payload))
            }
            other => format!("{other:?}"),
        };
        self.eventloop.pending.drain(..).map(text).collect()
    }

    fn news(&self) -> Vec<Arrival> {
        self.intake.take(usize::MAX)
    }
}

fn topic(name: &str, payload: &str) -> Topic {
    Topic { topic: name.into(), owner: String::new(), payload: payload.into() }
}

fn answer(id: i64) -> Answer {
    Answer { id, topic: "r".into(), payload: id.to_string().into_bytes() }
}

#[test]
fn nothing_is_sent_before_a_connection_and_then_status_answers_and_state_go() {
    let mut bench = Bench::new();
    bench.outbox.push(vec![topic("a", "1")], vec![answer(5)]);
    bench.outbox.set_status(Status { topic: "s".into(), payload: b"on".to_vec() });
    assert_eq!(bench.handed(), Vec::<String>::new());
    bench.outbox.connected(true);
    assert_eq!(bench.handed(), ["s=on", "r=5 once", "a=1"]);
}

#[test]
fn a_newer_payload_waits_for_the_one_on_its_way_and_replaces_a_waiting_one() {
    let mut bench = Bench::new();
    bench.outbox.connected(true);
    bench.outbox.push(vec![topic("a", "1")], vec![]);
    assert_eq!(bench.handed(), ["a=1"]);
    bench.outbox.push(vec![topic("a", "2")], vec![]);
    bench.outbox.push(vec![topic("a", "3")], vec![]);
    assert_eq!(bench.handed(), Vec::<String>::new());
    bench.outbox.sent(1);
    assert!(bench.outbox.owes("a"));
    bench.outbox.acknowledged(1);
    assert_eq!(bench.handed(), ["a=3"]);
    bench.outbox.sent(2);
    bench.outbox.acknowledged(2);
    assert!(!bench.outbox.owes("a"));
}

#[test]
fn what_was_on_its_way_when_the_connection_broke_is_sent_again_unless_it_is_old() {
    let mut bench = Bench::new();
    bench.outbox.connected(true);
    bench.outbox.push(vec![topic("a", "1"), topic("b", "1")], vec![answer(1), answer(2)]);
    bench.outbox.sent(1);
    assert_eq!(bench.handed().len(), 4);
    bench.outbox.push(vec![topic("a", "2")], vec![answer(3)]);
    assert_eq!(bench.handed(), ["r=3 once"]);
    bench.outbox.disconnected();
    bench.outbox.connected(true);
    let mut again = bench.handed();
    assert_eq!(again.drain(..3).collect::<Vec<_>>(), ["r=1 once", "r=2 once", "r=3 once"]);
    again.sort();
    assert_eq!(again, ["a=2", "b=1"]);
}

#[test]
fn arrivals_of_answers_and_of_emptied_topics_are_told_once() {
    let bench = Bench::new();
    bench.outbox.connected(true);
    bench.outbox.push(vec![topic("a", ""), topic("b", "1")], vec![answer(9)]);
    for packet in 1..=3 {
        bench.outbox.sent(packet);
    }
    for packet in 1..=3 {
        bench.outbox.acknowledged(packet);
        bench.outbox.acknowledged(packet);
    }
    assert_eq!(bench.news(), [Arrival::Answered(9), Arrival::Cleared("a".into())]);
}

#[test]
fn a_topic_refilled_while_its_emptying_was_on_the_way_is_not_told_as_cleared() {
    let bench = Bench::new();
    bench.outbox.connected(true);
    bench.outbox.push(vec![topic("a", "")], vec![]);
    bench.outbox.sent(1);
    bench.outbox.push(vec![topic("a", "2")], vec![]);
    bench.outbox.acknowledged(1);
    assert_eq!(bench.news(), []);
}

#[test]
fn the_window_is_never_exceeded() {
    let mut bench = Bench::new();
    bench.outbox.connected(true);
    bench.outbox.push((0..250).map(|index| topic(&format!("t{index}"), "1")).collect(), vec![]);
    assert_eq!(bench.handed().len(), 100);
    for packet in 1..=40 {
        bench.outbox.sent(packet);
        bench.outbox.acknowledged(packet);
    }
    assert_eq!(bench.handed().len(), 40);
}

#[test]
fn what_no_broker_takes_is_left_out_and_stops_nothing() {
    let mut bench = Bench::new();
    bench.outbox.connected(true);
    let large = Topic { topic: "large".into(), owner: String::new(), payload: vec![b'x'; 1_000] };
    bench.outbox.push(vec![large, topic("wild/#", "1"), topic("good", "1")], vec![]);
    assert_eq!(bench.handed(), ["good=1"]);
}

#[test]
fn all_topics_are_read_again_at_the_start_and_after_a_lost_session_but_never_over_newer_ones() {
    let folder = tempfile::TempDir::new().unwrap();
    let (mut store, _) = Store::open(&folder.path().join("store.db"), Limits::default()).unwrap();
    let topics = (0..5).map(|index| topic(&format!("t{index}"), "stored")).collect();
    store.commit(&Commit { topics, ..Commit::default() }).unwrap();
    let reader = store.reader().unwrap();
    let mut bench = Bench::new();
    assert!(!bench.outbox.walk(&reader, 2).unwrap(), "no connection");

    bench.outbox.push(vec![topic("t1", "newer")], vec![]);
    bench.outbox.connected(true);
    while bench.outbox.walk(&reader, 2).unwrap() {}
    assert_eq!(bench.handed(), ["t1=newer", "t0=stored", "t2=stored", "t3=stored", "t4=stored"]);

    bench.outbox.disconnected();
    bench.outbox.connected(true);
    assert_eq!(bench.handed().len(), 5, "nothing had arrived");
    for packet in 1..=5 {
        bench.outbox.sent(packet);
        bench.outbox.acknowledged(packet);
    }
    bench.outbox.disconnected();
    bench.outbox.connected(true);
    assert!(!bench.outbox.walk(&reader, 2).unwrap(), "the session was there");
    bench.outbox.disconnected();
    bench.outbox.connected(false);
    while bench.outbox.walk(&reader, 2).unwrap() {}
    assert_eq!(bench.handed().len(), 5);
}

#[test]
fn a_long_absence_of_the_broker_does_not_fill_memory() {
    let bench = Bench::new();
    for index in 0..=MOST_WAITING {
        bench.outbox.push(vec![topic(&format!("t{index}"), "1")], vec![]);
    }
    let work = bench.outbox.lock();
    assert!(work.waiting.is_empty());
    assert_eq!(work.walk, Some(i64::MIN));
}
