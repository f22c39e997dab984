//! A guest at the broker: listens for a while in a session of its own that leaves nothing behind.

use std::future::Future;
use std::pin::pin;

use rumqttc::{AsyncClient, Event, Packet, QoS, SubscribeFilter, SubscribeReasonCode};
use tokio::sync::mpsc;

use super::{BrokerSettings, cause};

/// One message as it came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Heard {
    pub topic: String,
    pub payload: Vec<u8>,
    pub retain: bool,
}

/// Why listening ended before its time.
#[derive(Debug, thiserror::Error)]
pub enum ListenError {
    #[error("broker {broker}: no connection: {cause}; check --broker, --user and --password-file")]
    Unreachable { broker: String, cause: String },
    #[error(
        "broker {broker}: refuses every subscription ({filters}): check --topics and the access list of the broker"
    )]
    NothingGranted { broker: String, filters: String },
    #[error("broker {broker}: connection lost: {cause}")]
    Lost { broker: String, cause: String },
}

/// Gives every message on `filters` to `take`, until `stop`. Returns the filters that the broker would not grant.
///
/// # Errors
/// When there is no connection, none any more, or no filter is granted.
pub async fn listen(
    broker: &BrokerSettings,
    filters: &[String],
    stop: impl Future<Output = ()>,
    mut take: impl FnMut(Heard),
) -> Result<Vec<String>, ListenError> {
    let name = || format!("{}:{}", broker.host, broker.port);
    let mut options = broker.options(&broker.client_id);
    options.set_clean_session(true);
    // One SUBSCRIBE and one DISCONNECT.
    let (client, mut eventloop) = AsyncClient::new(options, 2);
    let (sender, mut events) = mpsc::channel(QUEUE);
    // A poll is never cut short: cutting can lose a packet that was half handled.
    let polling = tokio::spawn(async move {
        loop {
            let event = eventloop.poll().await;
            let failed = event.is_err();
            if sender.send(event).await.is_err() || failed {
                return;
            }
        }
    });
    let mut stop = pin!(stop);
    let mut is_up = false;
    let mut refused: Vec<String> = Vec::new();
    let outcome = loop {
        let event = tokio::select! {
            event = events.recv() => event,
            () = &mut stop => break Ok(()),
        };
        match event {
            Some(Ok(Event::Incoming(Packet::ConnAck(_)))) => {
                let all = filters.iter().map(|filter| SubscribeFilter::new(filter.clone(), QoS::AtMostOnce));
                // The request queue is empty: there is room.
                let _ = client.try_subscribe_many(all);
            }
            Some(Ok(Event::Incoming(Packet::SubAck(answer)))) => {
                is_up = true;
                let answers = filters.iter().zip(&answer.return_codes);
                let failed = answers.filter(|(_, code)| matches!(code, SubscribeReasonCode::Failure));
                refused = failed.map(|(filter, _)| filter.clone()).collect();
                if refused.len() == filters.len() {
                    break Err(ListenError::NothingGranted { broker: name(), filters: refused.join(", ") });
                }
            }
            Some(Ok(Event::Incoming(Packet::Publish(publish)))) => {
                take(Heard { topic: publish.topic, payload: publish.payload.to_vec(), retain: publish.retain });
            }
            Some(Ok(_)) => {}
            Some(Err(error)) if is_up => break Err(ListenError::Lost { broker: name(), cause: cause(&error) }),
            Some(Err(error)) => break Err(ListenError::Unreachable { broker: name(), cause: cause(&error) }),
            None => break Ok(()),
        }
    };
    let _ = client.try_disconnect();
    polling.abort();
    outcome.map(|()| refused)
}

/// Room for a burst between the polling task and the one that works.
const QUEUE: usize = 1_000;
