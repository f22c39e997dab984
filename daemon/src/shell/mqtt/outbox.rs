//! What is to be published: a work list of topics whose last payload the broker does not have yet, and of answers. The store
//! is the truth; this list can always be made again from it.
//!
//! Of one topic only one payload is on its way at a time, and a newer payload takes the place of a waiting one: the broker
//! ends with the last one whatever is lost on the way.

use std::collections::{HashMap, HashSet, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use rumqttc::{AsyncClient, QoS};
use tokio::sync::Notify;

use super::super::intake::{Arrival, Intake};
use super::super::store::{Answer, Reader, StoreError, Topic};

/// The daemon's own state on the wire. It is published on every connection, since the broker may have published the will.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Status {
    pub topic: String,
    pub payload: Vec<u8>,
}

/// The work list.
#[derive(Debug)]
pub struct Outbox {
    work: Mutex<Work>,
    client: AsyncClient,
    /// Told what has arrived.
    intake: Arc<Intake>,
    /// Wakes whoever waits for the list to be empty.
    settled: Notify,
    /// Wakes the task that reads all topics again.
    pub(super) walk_wanted: Notify,
    largest: usize,
}

#[derive(Debug, Default)]
struct Work {
    connected: bool,
    /// Topics with a payload to be sent, and their order. An entry of `order` without payload was overtaken.
    waiting: HashMap<String, Vec<u8>>,
    order: VecDeque<String>,
    answers: VecDeque<Answer>,
    status: Option<Status>,
    status_waits: bool,
    /// With the client, in order, without a packet id yet.
    handed: VecDeque<Sent>,
    /// On the way, by packet id.
    flying: HashMap<u16, Sent>,
    /// Topics among `handed` and `flying`.
    busy: HashSet<String>,
    /// Where reading all topics again goes on; None: it is done.
    walk: Option<i64>,
    /// The start of the program and a lost session make all topics be sent again.
    started: bool,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Sent {
    State { topic: String, payload: Vec<u8> },
    Answer(Answer),
    Status,
}

impl Outbox {
    /// `largest`: bytes of the largest packet the broker takes.
    pub fn new(client: AsyncClient, intake: Arc<Intake>, largest: usize) -> Self {
        Self { work: Mutex::default(), client, intake, settled: Notify::new(), walk_wanted: Notify::new(), largest }
    }

    /// Sends on every connection from now on.
    pub fn set_status(&self, status: Status) {
        let mut work = self.lock();
        work.status = Some(status);
        work.status_waits = true;
        self.pump(&mut work);
    }

    /// What a commit has made durable.
    pub fn push(&self, topics: Vec<Topic>, answers: Vec<Answer>) {
        if topics.is_empty() && answers.is_empty() {
            return;
        }
        let mut work = self.lock();
        for answer in answers {
            work.answers.push_back(answer);
        }
        while work.answers.len() > MOST_ANSWERS {
            if let Some(oldest) = work.answers.pop_front() {
                tracing::warn!(target: "thirstd", topic = oldest.topic, "an answer is given up: too many wait");
                self.intake.put(Arrival::Answered(oldest.id));
            }
        }
        for topic in topics {
            work.enqueue(topic);
        }
        if work.waiting.len() > MOST_WAITING {
            // The store has them all; memory need not.
            work.waiting.clear();
            work.order.clear();
            work.walk = Some(i64::MIN);
            self.walk_wanted.notify_one();
        }
        self.pump(&mut work);
    }

    /// True while a payload of `topic` has not reached the broker.
    pub fn owes(&self, topic: &str) -> bool {
        let work = self.lock();
        work.waiting.contains_key(topic) || work.busy.contains(topic)
    }

    /// The next topics of all, where sending them again is due and nothing else waits; false when that is done or has to
    /// wait. The list stays locked while the store is read: so no payload read here can overtake a newer one.
    ///
    /// # Errors
    /// The store cannot be read.
    pub(super) fn walk(&self, reader: &Reader, limit: u32) -> Result<bool, StoreError> {
        let mut work = self.lock();
        let Some(after) = work.walk.filter(|_| work.connected) else { return Ok(false) };
        if work.waiting.len() > limit as usize {
            return Ok(true);
        }
        let (topics, next) = reader.topics(after, limit)?;
        work.walk = (topics.len() == limit as usize).then_some(next);
        for topic in topics {
            if !work.waiting.contains_key(&topic.topic) && !work.busy.contains(&topic.topic) {
                work.enqueue(topic);
            }
        }
        self.pump(&mut work);
        Ok(work.walk.is_some())
    }

    /// Returns when the broker has everything that was new; sending all topics again may still go on.
    pub async fn settled(&self) {
        loop {
            let notified = self.settled.notified();
            if self.lock().is_settled() {
                return;
            }
            notified.await;
        }
    }

    pub fn is_connected(&self) -> bool {
        self.lock().connected
    }

    /// A connection stands.
    pub(super) fn connected(&self, session_present: bool) {
        let mut work = self.lock();
        work.connected = true;
        work.status_waits = work.status.is_some();
        if !session_present || !work.started {
            work.started = true;
            work.walk = Some(i64::MIN);
        }
        if work.walk.is_some() {
            self.walk_wanted.notify_one();
        }
        self.pump(&mut work);
    }

    /// The connection is gone: what was on the way waits again, unless something newer does.
    pub(super) fn disconnected(&self) {
        let mut work = self.lock();
        work.connected = false;
        let mut sent: Vec<_> = work.handed.drain(..).collect();
        sent.extend(std::mem::take(&mut work.flying).into_values());
        work.busy.clear();
        let mut answers = Vec::new();
        for sent in sent {
            match sent {
                Sent::State { topic, payload } => {
                    work.order.push_back(topic.clone());
                    work.waiting.entry(topic).or_insert(payload);
                }
                Sent::Answer(answer) => answers.push(answer),
                Sent::Status => work.status_waits = true,
            }
        }
        answers.extend(work.answers.drain(..));
        answers.sort_by_key(|answer| answer.id);
        work.answers = answers.into();
    }

    /// The client has given the next handed publication this packet id.
    pub(super) fn sent(&self, packet: u16) {
        let mut work = self.lock();
        if let Some(sent) = work.handed.pop_front() {
            work.flying.insert(packet, sent);
        }
    }

    /// The broker has the publication of this packet id.
    pub(super) fn acknowledged(&self, packet: u16) {
        let mut work = self.lock();
        match work.flying.remove(&packet) {
            Some(Sent::State { topic, payload }) => {
                work.busy.remove(&topic);
                if work.waiting.contains_key(&topic) {
                    work.order.push_back(topic);
                } else if payload.is_empty() {
                    self.intake.put(Arrival::Cleared(topic));
                }
            }
            Some(Sent::Answer(answer)) => self.intake.put(Arrival::Answered(answer.id)),
            Some(Sent::Status) | None => {}
        }
        self.pump(&mut work);
        self.tell_if_settled(&work);
    }

    fn tell_if_settled(&self, work: &Work) {
        if work.is_settled() {
            self.settled.notify_waiters();
        }
    }

    /// Hands over as much as the window takes. Never blocks: the client's channel is as large as the window.
    fn pump(&self, work: &mut Work) {
        while work.connected && work.handed.len() + work.flying.len() < usize::from(WINDOW) {
            let Some(sent) = work.next() else { return };
            let (topic, payload, retain) = match &sent {
                Sent::State { topic, payload } => (topic.clone(), payload.clone(), true),
                Sent::Answer(answer) => (answer.topic.clone(), answer.payload.clone(), false),
                Sent::Status => match &work.status {
                    Some(status) => (status.topic.clone(), status.payload.clone(), true),
                    None => continue,
                },
            };
            if topic.len() + payload.len() + HEADER > self.largest || !rumqttc::valid_topic(&topic) {
                tracing::error!(target: "thirstd", topic, bytes = payload.len(), "not published: no broker takes it");
                if let Sent::Answer(answer) = &sent {
                    self.intake.put(Arrival::Answered(answer.id));
                }
                continue;
            }
            if self.client.try_publish(topic.clone(), QoS::AtLeastOnce, retain, payload).is_err() {
                // The poll is over, or about to begin again: what waits is sent then.
                work.put_back(sent);
                return;
            }
            if matches!(sent, Sent::State { .. }) {
                work.busy.insert(topic);
            }
            work.handed.push_back(sent);
        }
    }

    fn lock(&self) -> MutexGuard<'_, Work> {
        self.work.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Work {
    fn enqueue(&mut self, topic: Topic) {
        let Topic { topic, payload, .. } = topic;
        let is_new = self.waiting.insert(topic.clone(), payload).is_none();
        // A busy topic comes into the order when the one on its way has arrived.
        if is_new && !self.busy.contains(&topic) {
            self.order.push_back(topic);
        }
    }

    /// Answers before state: somebody waits for them.
    fn next(&mut self) -> Option<Sent> {
        if std::mem::take(&mut self.status_waits) {
            return Some(Sent::Status);
        }
        if let Some(answer) = self.answers.pop_front() {
            return Some(Sent::Answer(answer));
        }
        while let Some(topic) = self.order.pop_front() {
            if let Some(payload) = self.waiting.remove(&topic) {
                return Some(Sent::State { topic, payload });
            }
        }
        None
    }

    fn put_back(&mut self, sent: Sent) {
        match sent {
            Sent::State { topic, payload } => {
                self.order.push_front(topic.clone());
                self.waiting.insert(topic, payload);
            }
            Sent::Answer(answer) => self.answers.push_front(answer),
            Sent::Status => self.status_waits = true,
        }
    }

    fn is_settled(&self) -> bool {
        self.waiting.is_empty()
            && self.answers.is_empty()
            && self.handed.is_empty()
            && self.flying.is_empty()
            && !self.status_waits
    }
}

/// Publications on the way at once: the client's own default window.
pub(super) const WINDOW: u16 = 100;

/// Bytes of a publication beside topic and payload, at most (MQTT 3.1.1, section 3.3).
const HEADER: usize = 16;

/// Payloads kept in memory while the broker is away. Our choice.
const MOST_WAITING: usize = 20_000;

/// Answers kept for a broker that stays away. Our choice.
const MOST_ANSWERS: usize = 10_000;

#[cfg(test)]
mod tests {
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
}
