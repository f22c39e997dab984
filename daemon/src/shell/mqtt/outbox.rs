//! What is to be published: a work list of topics whose last payload the broker does not have yet, and of answers. The store
//! is the truth; this list can always be made again from it.
//!
//! Of one topic only one payload is on its way at a time, and a newer payload takes the place of a waiting one: the broker
//! ends with the last one whatever is lost on the way.

use std::collections::{HashMap, HashSet, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use rumqttc::{AsyncClient, QoS};
use thirst_schemas::DaemonStatus;
use tokio::sync::Notify;

use super::super::intake::{Arrival, Intake};
use super::super::store::{Answer, Reader, StoreError, Topic};

/// The daemon's own state on the wire. It is published on every connection, since the broker may have published the will.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Status {
    pub topic: String,
    pub payload: Vec<u8>,
}

impl Status {
    /// The same with another epoch.
    pub fn with_epoch(self, epoch: u64) -> Self {
        let Ok(status) = serde_json::from_slice::<DaemonStatus>(&self.payload) else { return self };
        match thirst_schemas::encode(&DaemonStatus { epoch, ..status }) {
            Ok(payload) => Self { payload, ..self },
            Err(_) => self,
        }
    }
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
    /// Holds that the store does not have: they go out in the place of what it has.
    past_store: HashMap<String, Vec<u8>>,
    /// Topics whose payload on the way is older than what the store has.
    stale: HashSet<String>,
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

    /// Holds and alerts that the store cannot take for now. Until [`Outbox::follow_store`] they are sent again in the place of what the
    /// store has.
    pub fn push_past_store(&self, holds: Vec<Topic>) {
        let mut work = self.lock();
        for topic in holds {
            // The topics are those of the settings, so that this is bounded, too.
            work.past_store.insert(topic.topic.clone(), topic.payload.clone());
            work.enqueue(topic);
        }
        self.pump(&mut work);
    }

    /// The store has everything again, under `epoch`: all topics are sent anew.
    pub fn follow_store(&self, epoch: u64) {
        let mut work = self.lock();
        // What the store has is newer than anything that waits or is on the way.
        work.past_store.clear();
        work.waiting.clear();
        work.order.clear();
        work.stale = work.busy.clone();
        work.walk = Some(i64::MIN);
        work.status = work.status.take().map(|status| status.with_epoch(epoch));
        work.status_waits = work.status.is_some();
        self.walk_wanted.notify_one();
        self.pump(&mut work);
    }

    /// The store works again: what it has is sent from now on.
    pub fn forget_past_store(&self) {
        self.lock().past_store.clear();
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
        for mut topic in topics {
            let is_on_its_way = work.busy.contains(&topic.topic) && !work.stale.remove(&topic.topic);
            if !is_on_its_way && !work.waiting.contains_key(&topic.topic) {
                if let Some(hold) = work.past_store.get(&topic.topic) {
                    topic.payload.clone_from(hold);
                }
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
impl Outbox {
    /// What goes out for `topic` in the place of what the store has.
    pub(in crate::shell) fn past_store(&self, topic: &str) -> Option<Vec<u8>> {
        self.lock().past_store.get(topic).cloned()
    }
}

#[cfg(test)]
mod tests;
