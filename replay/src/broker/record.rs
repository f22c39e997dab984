//! Live traffic into a recording.

use std::future::Future;
use std::io::Write;
use std::pin::pin;
use std::time::Duration;

use rumqttc::{AsyncClient, ConnectionError, Event, Packet, QoS, SubAck, SubscribeFilter, SubscribeReasonCode};
use tokio::sync::mpsc;

use super::{Access, BrokerError, PARTING, QUEUE};
use crate::clock;
use crate::recording::{Entry, Line, Writer};

/// What was recorded.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Recorded {
    pub messages: u64,
    /// Times the connection was lost; each stands in the recording.
    pub interruptions: u64,
    /// Filters that the broker would not grant.
    pub refused: Vec<String>,
}

/// Writes everything that comes on `filters` to `writer`, with the time it came, until `stop`. A lost connection is
/// recorded and made anew.
///
/// # Errors
/// When the first connection fails, the broker grants no filter at all, or the recording cannot be written.
pub async fn record<W: Write>(
    access: &Access,
    filters: &[String],
    writer: &mut Writer<W>,
    stop: impl Future<Output = ()>,
) -> Result<Recorded, BrokerError> {
    // Two places are enough: one SUBSCRIBE at a time, and the DISCONNECT.
    let (client, mut eventloop) = access.client(2);
    let (sender, mut events) = mpsc::channel::<Result<Event, ConnectionError>>(QUEUE);
    let polling = tokio::spawn(async move {
        loop {
            let event = eventloop.poll().await;
            let failed = event.is_err();
            if sender.send(event).await.is_err() {
                return;
            }
            if failed {
                tokio::time::sleep(RECONNECT_AFTER).await;
            }
        }
    });
    let mut session = Session { access, filters, client, up: false, ever_up: false, recorded: Recorded::default() };
    let mut stop = pin!(stop);
    let outcome = loop {
        let event = tokio::select! {
            event = events.recv() => event,
            () = &mut stop => break Ok(()),
        };
        let Some(event) = event else {
            break Ok(());
        };
        if let Err(fault) = session.take(event, writer).await {
            break Err(fault);
        }
        if events.is_empty() {
            writer.flush()?;
        }
    };
    if outcome.is_ok() && session.up {
        // What came before the end belongs to the recording; the queue closes when the broker has let us go.
        let _ = session.client.try_disconnect();
        let parting = async {
            while let Some(Ok(event)) = events.recv().await {
                session.take(Ok(event), writer).await?;
            }
            Ok::<(), BrokerError>(())
        };
        if let Ok(parted) = tokio::time::timeout(PARTING, parting).await {
            parted?;
        }
    }
    polling.abort();
    writer.flush()?;
    outcome.map(|()| session.recorded)
}

struct Session<'a> {
    access: &'a Access,
    filters: &'a [String],
    client: AsyncClient,
    up: bool,
    ever_up: bool,
    recorded: Recorded,
}

impl Session<'_> {
    async fn take<W: Write>(
        &mut self,
        event: Result<Event, ConnectionError>,
        writer: &mut Writer<W>,
    ) -> Result<(), BrokerError> {
        let entry = match event {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                let all = self.filters.iter().map(|filter| SubscribeFilter::new(filter.clone(), QoS::AtLeastOnce));
                // The request queue has room: the last SUBSCRIBE went out with the last connection.
                let _ = self.client.try_subscribe_many(all);
                return Ok(());
            }
            Ok(Event::Incoming(Packet::SubAck(answer))) => self.subscribed(&answer)?,
            Ok(Event::Incoming(Packet::Publish(publish))) => {
                self.recorded.messages += 1;
                Entry::Message {
                    topic: publish.topic,
                    payload: publish.payload.to_vec(),
                    retain: publish.retain,
                    dup: publish.dup,
                }
            }
            Ok(_) => return Ok(()),
            Err(fault) if !self.ever_up => return Err(self.access.explain(&fault)),
            Err(_) if !self.up => return Ok(()),
            Err(_) => {
                self.up = false;
                self.recorded.interruptions += 1;
                Entry::BrokerDown
            }
        };
        writer.write(&Line { at: clock::wall(), entry })?;
        Ok(())
    }

    fn subscribed(&mut self, answer: &SubAck) -> Result<Entry, BrokerError> {
        let answers = self.filters.iter().zip(&answer.return_codes);
        let refused: Vec<String> = answers
            .filter(|(_, code)| matches!(code, SubscribeReasonCode::Failure))
            .map(|(filter, _)| filter.clone())
            .collect();
        if refused.len() == self.filters.len() && !self.ever_up {
            let filters = refused.join(", ");
            return Err(BrokerError::NothingGranted { broker: self.access.broker(), filters });
        }
        self.up = true;
        self.ever_up = true;
        self.recorded.refused.clone_from(&refused);
        Ok(Entry::BrokerUp { session_present: false, refused })
    }
}

const RECONNECT_AFTER: Duration = Duration::from_secs(1);
