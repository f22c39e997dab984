//! What a broker remembers and decides: sessions, subscriptions, retained messages, wills. No socket, no clock.

use std::collections::{BTreeMap, HashMap, HashSet, VecDeque};

use rumqttc::{
    ConnAck, Connect, ConnectReturnCode, LastWill, Packet, PubAck, PubComp, PubRec, Publish, QoS, SubAck,
    SubscribeReasonCode, UnsubAck, matches, valid_filter, valid_topic,
};
use tokio::sync::mpsc::Sender;

use super::MOST_CLIENTS;
use super::connection::FULL;

/// The state of the broker.
#[derive(Debug, Default)]
pub(super) struct Hub {
    /// By client id.
    sessions: HashMap<String, Session>,
    /// Client ids by connection.
    connected: HashMap<u64, String>,
    /// By topic; ordered, so that a subscriber gets them in order.
    retained: BTreeMap<String, Publish>,
}

#[derive(Debug, Default)]
struct Session {
    /// None: the client is away.
    link: Option<Link>,
    is_clean: bool,
    /// Filters with the QoS granted.
    filters: BTreeMap<String, QoS>,
    /// Waiting for room on the way, or for the client.
    queue: VecDeque<Publish>,
    /// On the way, by packet id, in the order they were sent.
    flying: VecDeque<Publish>,
    last_id: u16,
    /// QoS 2: taken in, and not released yet.
    taken: HashSet<u16>,
}

#[derive(Debug)]
struct Link {
    number: u64,
    out: Sender<Packet>,
    will: Option<LastWill>,
}

impl Hub {
    /// A client says hello over connection `number`; packets for it go to `out`.
    pub(super) fn connect(
        &mut self,
        number: u64,
        connect: Connect,
        out: Sender<Packet>,
    ) -> Result<(), ConnectReturnCode> {
        let Connect { client_id, clean_session, last_will, .. } = connect;
        if client_id.is_empty() && !clean_session {
            return Err(ConnectReturnCode::BadClientId);
        }
        let client = if client_id.is_empty() { format!("guest-{number}") } else { client_id };
        if !self.sessions.contains_key(&client) && self.sessions.len() >= MOST_CLIENTS {
            return Err(FULL);
        }
        // A second connection of a client ends the first, and its will comes true.
        if let Some(number) = self.sessions.get(&client).and_then(|session| session.link.as_ref()).map(|old| old.number)
        {
            self.gone(number, false);
        }
        let kept = self.sessions.remove(&client).filter(|_| !clean_session);
        let session_present = kept.is_some();
        let mut session = kept.unwrap_or_default();
        session.is_clean = clean_session;
        session.link = Some(Link { number, out, will: last_will });
        session.send(Packet::ConnAck(ConnAck::new(ConnectReturnCode::Success, session_present)));
        for mut publish in std::mem::take(&mut session.flying) {
            publish.dup = true;
            session.send(Packet::Publish(publish.clone()));
            session.flying.push_back(publish);
        }
        session.pump();
        self.connected.insert(number, client.clone());
        self.sessions.insert(client, session);
        Ok(())
    }

    /// A packet over connection `number`. False: it may not come, and the connection has to end.
    pub(super) fn receive(&mut self, number: u64, packet: Packet) -> bool {
        let Some(client) = self.connected.get(&number) else { return false };
        let Some(session) = self.sessions.get_mut(client) else { return false };
        match packet {
            Packet::Publish(publish) => return self.take_in(number, publish),
            Packet::PubRel(release) => {
                session.taken.remove(&release.pkid);
                session.send(Packet::PubComp(PubComp::new(release.pkid)));
            }
            Packet::PubAck(ack) => {
                session.flying.retain(|publish| publish.pkid != ack.pkid);
                session.pump();
            }
            Packet::Subscribe(subscribe) => {
                let mut codes = Vec::new();
                let mut granted = Vec::new();
                for filter in subscribe.filters {
                    let known = session.filters.contains_key(&filter.path);
                    if !valid_filter(&filter.path) || (!known && session.filters.len() >= MOST_FILTERS) {
                        codes.push(SubscribeReasonCode::Failure);
                        continue;
                    }
                    let qos = lower(filter.qos, QoS::AtLeastOnce);
                    codes.push(SubscribeReasonCode::Success(qos));
                    session.filters.insert(filter.path.clone(), qos);
                    granted.push((filter.path, qos));
                }
                session.send(Packet::SubAck(SubAck::new(subscribe.pkid, codes)));
                for (filter, qos) in granted {
                    for publish in self.retained.values().filter(|publish| matches(&publish.topic, &filter)) {
                        session.deliver(publish, qos, true);
                    }
                }
            }
            Packet::Unsubscribe(unsubscribe) => {
                for filter in &unsubscribe.topics {
                    session.filters.remove(filter);
                }
                session.send(Packet::UnsubAck(UnsubAck::new(unsubscribe.pkid)));
            }
            Packet::PingReq => session.send(Packet::PingResp),
            // We send nothing of QoS 2, and a client says hello once.
            _ => return false,
        }
        true
    }

    /// Connection `number` is over; without a farewell its will comes true.
    pub(super) fn gone(&mut self, number: u64, is_farewell: bool) {
        let Some(client) = self.connected.remove(&number) else { return };
        let Some(session) = self.sessions.get_mut(&client) else { return };
        let will = session.link.take().and_then(|link| link.will).filter(|_| !is_farewell);
        if session.is_clean {
            self.sessions.remove(&client);
        }
        if let Some(LastWill { topic, message, qos, retain }) = will {
            let mut publish = Publish::from_bytes(topic, qos, message);
            publish.retain = retain;
            self.route(publish);
        }
    }

    /// True where the session of `client` has a filter for `topic`.
    pub(super) fn serves(&self, client: &str, topic: &str) -> bool {
        self.sessions.get(client).is_some_and(|session| session.filters.keys().any(|filter| matches(topic, filter)))
    }

    /// Lets go of every connection, wills or not.
    pub(super) fn close_all(&mut self) {
        self.sessions.clear();
        self.connected.clear();
    }

    fn take_in(&mut self, number: u64, publish: Publish) -> bool {
        let Some(session) = self.connected.get(&number).and_then(|client| self.sessions.get_mut(client)) else {
            return false;
        };
        if !valid_topic(&publish.topic) {
            return false;
        }
        let packet = publish.pkid;
        let (answer, is_new) = match publish.qos {
            QoS::AtMostOnce => (None, true),
            QoS::AtLeastOnce => (Some(Packet::PubAck(PubAck::new(packet))), true),
            QoS::ExactlyOnce => (Some(Packet::PubRec(PubRec::new(packet))), session.taken.insert(packet)),
        };
        if is_new {
            self.route(publish);
        }
        let session = self.connected.get(&number).and_then(|client| self.sessions.get_mut(client));
        if let (Some(session), Some(answer)) = (session, answer) {
            session.send(answer);
        }
        true
    }

    /// To everybody who wants it, and to the shelf of retained messages.
    fn route(&mut self, publish: Publish) {
        if publish.retain {
            if publish.payload.is_empty() {
                self.retained.remove(&publish.topic);
            } else if self.retained.len() < MOST_RETAINED || self.retained.contains_key(&publish.topic) {
                self.retained.insert(publish.topic.clone(), publish.clone());
            }
        }
        for session in self.sessions.values_mut() {
            let wanted = session.filters.iter().filter(|(filter, _)| matches(&publish.topic, filter));
            // Filters that overlap deliver once, with the best of them.
            if let Some(qos) = wanted.map(|(_, qos)| *qos).max_by_key(|qos| *qos as u8) {
                session.deliver(&publish, qos, false);
            }
        }
    }
}

impl Session {
    fn deliver(&mut self, publish: &Publish, granted: QoS, retain: bool) {
        let qos = lower(publish.qos, granted);
        let copy = Publish { dup: false, qos, retain, pkid: 0, ..publish.clone() };
        if qos == QoS::AtMostOnce {
            // Whoever is away or does not read has missed it.
            if let Some(link) = &self.link {
                let _ = link.out.try_send(Packet::Publish(copy));
            }
            return;
        }
        if self.queue.len() >= MOST_QUEUED {
            self.queue.pop_front();
        }
        self.queue.push_back(copy);
        self.pump();
    }

    /// Sends on what the window takes.
    fn pump(&mut self) {
        while self.link.is_some() && self.flying.len() < WINDOW {
            let Some(mut publish) = self.queue.pop_front() else { return };
            publish.pkid = self.next_id();
            self.flying.push_back(publish.clone());
            self.send(Packet::Publish(publish));
        }
    }

    fn next_id(&mut self) -> u16 {
        loop {
            self.last_id = self.last_id.checked_add(1).unwrap_or(1);
            if !self.flying.iter().any(|publish| publish.pkid == self.last_id) {
                return self.last_id;
            }
        }
    }

    /// A client that does not read what it is owed is cut off; its session stays.
    fn send(&mut self, packet: Packet) {
        if self.link.as_ref().is_some_and(|link| link.out.try_send(packet).is_err()) {
            self.link = None;
        }
    }
}

fn lower(one: QoS, other: QoS) -> QoS {
    if (one as u8) < other as u8 { one } else { other }
}

/// Packets on their way to one client.
pub(super) const OUTGOING: usize = 4_096;

/// Messages of QoS 1 on their way at once; far below [`OUTGOING`], so that answers always find room.
const WINDOW: usize = 200;

/// Messages kept for a session whose client is away or slow.
const MOST_QUEUED: usize = 20_000;

const MOST_FILTERS: usize = 200;
const MOST_RETAINED: usize = 10_000;
