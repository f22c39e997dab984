//! The publishing connection: polls the client, tells the outbox what has gone and what has arrived.

use std::sync::Arc;
use std::time::Duration;

use rumqttc::{AsyncClient, Event, EventLoop, LastWill, Outgoing, Packet, QoS};

use crate::config::TlsFiles;

use super::super::store::{Reader, StoreError};
use super::outbox::{Outbox, Status, WINDOW};
use super::{BackOff, BrokerSettings, Standing, cause, prepare};

/// The polling side of the publishing connection.
pub struct Publisher {
    eventloop: EventLoop,
    back_off: BackOff,
    tls: Option<TlsFiles>,
    standing: Standing,
}

impl Publisher {
    /// A client that is not connected yet; `will` is what the broker publishes when we vanish.
    pub fn new(broker: &BrokerSettings, will: Status) -> (AsyncClient, Self) {
        let mut options = broker.options(&format!("{}-out", broker.client_id));
        options.set_inflight(WINDOW).set_last_will(LastWill::new(will.topic, will.payload, QoS::AtLeastOnce, true));
        // Room for a full window and the farewell, so that handing over never fails for want of it.
        let (client, eventloop) = AsyncClient::new(options, usize::from(WINDOW) + 8);
        let (back_off, tls) = (BackOff::new(broker), broker.tls.clone());
        (client, Self { eventloop, back_off, tls, standing: Standing::default() })
    }

    /// Publishes until the client says farewell.
    pub async fn run(mut self, outbox: Arc<Outbox>) {
        loop {
            let broken = match prepare(&mut self.eventloop, self.tls.as_ref()).await {
                Ok(()) => match self.eventloop.poll().await {
                    Ok(Event::Outgoing(Outgoing::Disconnect)) => return,
                    Ok(event) => {
                        self.handle(event, &outbox);
                        continue;
                    }
                    Err(error) => cause(&error),
                },
                Err(cause) => cause,
            };
            outbox.disconnected();
            // We send what is due anew, and only the newest of each topic: the client shall not.
            self.eventloop.clean();
            self.eventloop.pending.clear();
            self.eventloop.state.events.clear();
            self.eventloop.state.collision = None;
            if self.standing.fall(&broken) {
                tracing::warn!(target: "thirstd", cause = broken, "publishing connection is down");
            }
            tokio::time::sleep(self.back_off.next()).await;
        }
    }

    fn handle(&mut self, event: Event, outbox: &Outbox) {
        match event {
            Event::Incoming(Packet::ConnAck(answer)) => {
                if self.standing.rise() {
                    tracing::info!(target: "thirstd", session = answer.session_present, "publishing connection is up");
                }
                self.back_off.reset();
                outbox.connected(answer.session_present);
            }
            Event::Outgoing(Outgoing::Publish(packet)) => outbox.sent(packet),
            Event::Incoming(Packet::PubAck(ack)) => outbox.acknowledged(ack.pkid),
            _ => {}
        }
    }
}

/// Sends all topics of the store again whenever the outbox wants it, at most `per_second`. Never returns.
pub async fn resend(
    outbox: Arc<Outbox>,
    open: impl Fn() -> Result<Reader, StoreError> + Send + Sync + 'static,
    per_second: u32,
) {
    let open = Arc::new(open);
    let piece = (per_second / PIECES_PER_SECOND).max(1);
    let pause = Duration::from_secs(1) * piece / per_second.max(1);
    loop {
        outbox.walk_wanted.notified().await;
        let mut go_on = true;
        while go_on {
            let (outbox, open) = (outbox.clone(), open.clone());
            let walked = tokio::task::spawn_blocking(move || outbox.walk(&open()?, piece)).await;
            go_on = match walked {
                Ok(Ok(more)) => more,
                Ok(Err(error)) => {
                    tracing::warn!(target: "thirstd", %error, "topics cannot be read from the store to send them again");
                    tokio::time::sleep(RETRY).await;
                    true
                }
                Err(_) => false,
            };
            tokio::time::sleep(pause).await;
        }
    }
}

const PIECES_PER_SECOND: u32 = 10;

/// Pause after a fault of the store.
const RETRY: Duration = Duration::from_secs(10);
