//! The reading connection: a persistent session whose messages are acknowledged when the writer thread says so.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use rumqttc::{
    AsyncClient, ConnectionError, Event, EventLoop, Outgoing, Packet, PubAck, Publish, QoS, Request, StateError,
    SubAck, Subscribe, SubscribeFilter, SubscribeReasonCode, Unsubscribe, mqttbytes,
};

use crate::config::TlsFiles;

use super::super::intake::{Arrival, Intake, Message};
use super::acks::Acks;
use super::{BackOff, BrokerSettings, Standing, cause, prepare};

/// Which filters the broker shall serve, and which it served when we last asked.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Subscriptions {
    pub wanted: Vec<String>,
    /// Granted in the stored session.
    pub stored: Vec<String>,
}

/// The polling side of the reading connection.
pub struct Ingest {
    eventloop: EventLoop,
    acks: Arc<Acks>,
    intake: Arc<Intake>,
    subscriptions: Subscriptions,
    back_off: BackOff,
    keep_alive: Duration,
    tls: Option<TlsFiles>,
    standing: Standing,
    /// Refused the last time, so that each refusal is logged once.
    refused: Vec<String>,
    asking: Asking,
    /// The last connection ended by a message that is too long. The broker sends it again on the next one: that a connection
    /// stands is no news until it has outlived that.
    choked: bool,
}

/// Subscriptions on their way.
#[derive(Debug, Default)]
struct Asking {
    session_present: bool,
    /// Filters per packet id of their request.
    open: HashMap<u16, Vec<String>>,
    granted: Vec<String>,
    refused: Vec<String>,
    /// Pings since the requests went out.
    pings: u32,
    done: bool,
}

/// Why a connection has to end.
#[derive(Debug)]
struct Broken {
    cause: String,
    /// By a message longer than we take.
    choked: bool,
}

impl Broken {
    fn new(cause: impl Into<String>) -> Self {
        Self { cause: cause.into(), choked: false }
    }
}

impl From<ConnectionError> for Broken {
    fn from(error: ConnectionError) -> Self {
        let choked = matches!(
            error,
            ConnectionError::MqttState(StateError::Deserialization(mqttbytes::Error::PayloadSizeLimitExceeded(_)))
        );
        Self { cause: cause(&error), choked }
    }
}

impl From<StateError> for Broken {
    fn from(error: StateError) -> Self {
        ConnectionError::from(error).into()
    }
}

impl Ingest {
    /// A client that is not connected yet. The client's half wakes and stops the polling side.
    pub fn new(broker: &BrokerSettings, subscriptions: Subscriptions, intake: Arc<Intake>) -> (AsyncClient, Self) {
        let mut options = broker.options(&broker.client_id);
        options.set_manual_acks(true);
        // One wake and one farewell.
        let (client, eventloop) = AsyncClient::new(options, 4);
        let acks = Arc::new(Acks::new(client.clone()));
        acks.next_connection();
        let ingest = Self {
            eventloop,
            acks,
            intake,
            subscriptions,
            back_off: BackOff::new(broker),
            keep_alive: Duration::from_secs(u64::from(broker.keep_alive_seconds.max(1))),
            tls: broker.tls.clone(),
            standing: Standing::default(),
            refused: Vec::new(),
            asking: Asking::default(),
            choked: false,
        };
        (client, ingest)
    }

    /// Where the writer thread says what is durable.
    pub fn acks(&self) -> Arc<Acks> {
        self.acks.clone()
    }

    /// Reads until the client says farewell.
    pub async fn run(mut self) {
        loop {
            let broken = match prepare(&mut self.eventloop, self.tls.as_ref()).await {
                Ok(()) => match self.eventloop.poll().await {
                    Ok(Event::Outgoing(Outgoing::Disconnect)) => return,
                    Ok(event) => self.handle(event).await.err(),
                    Err(error) => Some(error.into()),
                },
                Err(cause) => Some(Broken::new(cause)),
            };
            let broken = match broken {
                None => self.wait_for_room().await.err(),
                broken => broken,
            };
            if let Some(Broken { cause, choked }) = broken {
                self.choked |= choked;
                self.break_off(&cause);
                if self.intake.is_closed() {
                    return;
                }
                tokio::time::sleep(self.back_off.next()).await;
            }
        }
    }

    async fn handle(&mut self, event: Event) -> Result<(), Broken> {
        match event {
            Event::Incoming(Packet::Publish(publish)) => self.take_in(publish),
            Event::Outgoing(Outgoing::PubAck(_)) => self.acknowledge_rest().await?,
            Event::Outgoing(Outgoing::PingReq) => {
                self.acks.ping_sent();
                self.asking.pings += 1;
                if !self.asking.done && self.asking.pings > MOST_PINGS {
                    return Err(Broken::new("the broker does not answer subscriptions"));
                }
            }
            Event::Incoming(Packet::PingResp) => {
                if std::mem::take(&mut self.choked) {
                    self.stands();
                }
                let rows = self.acks.ping_answered();
                if !rows.is_empty() {
                    self.intake.put(Arrival::Confirmed(rows));
                }
            }
            Event::Incoming(Packet::ConnAck(answer)) => self.subscribe(answer.session_present).await?,
            Event::Incoming(Packet::SubAck(answer)) => self.subscribed(&answer),
            _ => {}
        }
        Ok(())
    }

    /// Never blocks: the queue takes what was read, and nothing more is read while it is full.
    fn take_in(&mut self, publish: Publish) {
        let packet = match publish.qos {
            QoS::AtMostOnce => 0,
            // We ask for QoS 1, so a broker never sends QoS 2; if it does, it keeps the message.
            QoS::AtLeastOnce | QoS::ExactlyOnce => publish.pkid,
        };
        self.intake.put(Arrival::Message(Message {
            connection: self.acks.connection(),
            packet,
            topic: publish.topic,
            payload: publish.payload.to_vec(),
            retain: publish.retain,
            dup: publish.dup,
        }));
    }

    /// The first acknowledgement of a batch is out; the others go behind it in one write.
    async fn acknowledge_rest(&mut self) -> Result<(), Broken> {
        let packets = self.acks.sent_first();
        self.write(packets.into_iter().map(|packet| Packet::PubAck(PubAck::new(packet)))).await
    }

    async fn write(&mut self, packets: impl Iterator<Item = Packet>) -> Result<(), Broken> {
        let Some(network) = self.eventloop.network.as_mut() else { return Ok(()) };
        let mut packets = packets.peekable();
        if packets.peek().is_none() {
            return Ok(());
        }
        let writing = async {
            for packet in packets {
                network.write(packet).await?;
            }
            network.flush().await
        };
        match tokio::time::timeout(PATIENCE, writing).await {
            Ok(written) => Ok(written?),
            Err(_) => Err(Broken::new("the broker does not read")),
        }
    }

    /// While the queue is full nothing is read, so the broker hears from us by pings alone.
    async fn wait_for_room(&mut self) -> Result<(), Broken> {
        if !self.intake.is_full() {
            return Ok(());
        }
        tracing::debug!(target: "thirstd", "reading pauses: the writer is behind");
        while tokio::time::timeout(self.keep_alive / 3, self.intake.space()).await.is_err() {
            self.acks.ping_sent();
            self.write(std::iter::once(Packet::PingReq)).await?;
        }
        // The answers are still unread: the client shall not take their absence for a dead broker.
        self.eventloop.state.await_pingresp = false;
        Ok(())
    }

    /// A connection stands: ask for what the session does not have, and end what it should not have.
    async fn subscribe(&mut self, session_present: bool) -> Result<(), Broken> {
        self.eventloop.state.collision = None;
        self.intake.put(Arrival::Connected { session_present });
        let stored: &[String] = if session_present { &self.subscriptions.stored } else { &[] };
        let plan = plan(&self.subscriptions.wanted, stored);
        self.asking = Asking { session_present, granted: plan.kept, ..Asking::default() };
        let mut packets = Vec::new();
        for filters in plan.subscribe.chunks(FILTERS_PER_PACKET) {
            let asked = filters.iter().map(|filter| SubscribeFilter::new(filter.clone(), QoS::AtLeastOnce));
            let request = Request::Subscribe(Subscribe::new_many(asked));
            if let Some(Packet::Subscribe(subscribe)) = self.eventloop.state.handle_outgoing_packet(request)? {
                self.asking.open.insert(subscribe.pkid, filters.to_vec());
                packets.push(Packet::Subscribe(subscribe));
            }
        }
        for filter in plan.unsubscribe {
            let request = Request::Unsubscribe(Unsubscribe::new(filter));
            packets.extend(self.eventloop.state.handle_outgoing_packet(request)?);
        }
        self.write(packets.into_iter()).await?;
        self.finish_asking();
        Ok(())
    }

    fn subscribed(&mut self, answer: &SubAck) {
        let Some(filters) = self.asking.open.remove(&answer.pkid) else { return };
        for (index, filter) in filters.into_iter().enumerate() {
            match answer.return_codes.get(index) {
                Some(SubscribeReasonCode::Success(_)) => self.asking.granted.push(filter),
                Some(SubscribeReasonCode::Failure) | None => self.asking.refused.push(filter),
            }
        }
        self.finish_asking();
    }

    /// When the last answer is there, the connection is up.
    fn finish_asking(&mut self) {
        if self.asking.done || !self.asking.open.is_empty() {
            return;
        }
        self.asking.done = true;
        let mut granted = std::mem::take(&mut self.asking.granted);
        granted.sort();
        self.subscriptions.stored.clone_from(&granted);
        if !self.choked {
            self.stands();
        }
        let refused = std::mem::take(&mut self.asking.refused);
        let session_present = self.asking.session_present;
        for filter in refused.iter().filter(|filter| !self.refused.contains(filter)) {
            tracing::warn!(target: "thirstd", filter, "the broker refuses a subscription");
        }
        self.refused.clone_from(&refused);
        self.intake.put(Arrival::Up { session_present, refused, granted });
    }

    /// The connection is a good one.
    fn stands(&mut self) {
        self.back_off.reset();
        if self.standing.rise() {
            let (session, filters) = (self.asking.session_present, self.subscriptions.stored.len());
            tracing::info!(target: "thirstd", session, filters, "broker is up");
        }
    }

    /// The connection is gone: nothing of it may reach the next one.
    fn break_off(&mut self, cause: &str) {
        self.acks.next_connection();
        self.eventloop.clean();
        self.eventloop.pending.clear();
        self.eventloop.state.events.clear();
        self.eventloop.state.collision = None;
        let was_up = std::mem::take(&mut self.asking).done;
        if was_up || self.standing.is_up != Some(false) {
            self.intake.put(Arrival::Down);
        }
        if self.standing.fall(cause) {
            tracing::warn!(target: "thirstd", cause, "broker is down");
        }
    }
}

/// What to ask a session for.
#[derive(Debug, PartialEq, Eq)]
struct Plan {
    subscribe: Vec<String>,
    unsubscribe: Vec<String>,
    kept: Vec<String>,
}

fn plan(wanted: &[String], stored: &[String]) -> Plan {
    let mut wanted = wanted.to_vec();
    wanted.sort();
    wanted.dedup();
    let (kept, subscribe) = wanted.iter().cloned().partition(|filter| stored.contains(filter));
    let unsubscribe = stored.iter().filter(|filter| !wanted.contains(filter)).cloned().collect();
    Plan { subscribe, unsubscribe, kept }
}

/// Filters asked for in one packet, so that it stays below what brokers take.
const FILTERS_PER_PACKET: usize = 50;

/// Keep-alive pings that may go by without an answer to a subscription.
const MOST_PINGS: u32 = 2;

/// How long a write may take before the broker is taken for dead.
const PATIENCE: Duration = Duration::from_secs(10);

#[cfg(test)]
mod tests {
    use super::*;

    fn check(wanted: &str, stored: &str, subscribe: &str, unsubscribe: &str, kept: &str) {
        let list = |text: &str| -> Vec<String> { text.split_whitespace().map(str::to_owned).collect() };
        let expected = Plan { subscribe: list(subscribe), unsubscribe: list(unsubscribe), kept: list(kept) };
        assert_eq!(plan(&list(wanted), &list(stored)), expected);
    }

    #[test]
    fn a_session_is_asked_for_what_it_lacks_and_relieved_of_what_nobody_wants() {
        check("a/# b/+", "", "a/# b/+", "", "");
        check("a/# b/+", "a/# b/+", "", "", "a/# b/+");
        check("a/# b/+", "b/+ c", "a/#", "c", "b/+");
        check("b a b", "", "a b", "", "");
        check("", "old", "", "old", "");
    }
}
