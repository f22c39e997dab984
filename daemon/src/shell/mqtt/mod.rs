//! The two connections to the broker. Nothing outside this folder knows which MQTT client we use.
//!
//! - [`Ingest`] reads: a persistent session, QoS 1, acknowledged by us and only after the commit.
//! - [`Publisher`] writes: what the store says, again and again until the broker has it; it also carries the will.
//!
//! Two, because a full outgoing window would stop acknowledgements too. Each is polled by one task of its own, and a poll
//! is never cut short: cutting can lose a packet that was half handled.

mod acks;
mod ingest;
mod listen;
mod outbox;
mod publish;
mod tls;

use std::collections::hash_map::RandomState;
use std::hash::BuildHasher;
use std::time::Duration;

use rumqttc::{ConnectReturnCode, ConnectionError, EventLoop, MqttOptions, StateError, mqttbytes};

use crate::config::TlsFiles;

pub use acks::{Ack, Acks};
pub use ingest::{Ingest, Subscriptions};
pub use listen::{Heard, ListenError, listen};
pub use outbox::{Outbox, Status};
pub use publish::{Publisher, resend};

/// How to reach the broker.
#[derive(Clone, PartialEq, Eq)]
pub struct BrokerSettings {
    pub host: String,
    pub port: u16,
    /// Fixed and unique at the broker; the session hangs on it. The publishing connection adds `-out`.
    pub client_id: String,
    pub user: Option<String>,
    /// Never logged.
    pub password: Option<String>,
    /// None: nothing is encrypted.
    pub tls: Option<TlsFiles>,
    /// 1–65,535.
    pub keep_alive_seconds: u16,
    /// Largest packet in either direction. A larger one that is owed to a persistent session blocks it for ever, so be
    /// generous.
    pub max_packet_bytes: usize,
    /// First and longest pause before connecting again.
    pub reconnect_min_ms: u64,
    pub reconnect_max_ms: u64,
}

impl Default for BrokerSettings {
    fn default() -> Self {
        Self {
            host: "localhost".to_owned(),
            port: 1883,
            client_id: "thirstd".to_owned(),
            user: None,
            password: None,
            tls: None,
            keep_alive_seconds: 30,
            max_packet_bytes: 256 << 10,
            reconnect_min_ms: 1_000,
            reconnect_max_ms: 30_000,
        }
    }
}

impl std::fmt::Debug for BrokerSettings {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter
            .debug_struct("BrokerSettings")
            .field("host", &self.host)
            .field("port", &self.port)
            .field("client_id", &self.client_id)
            .field("user", &self.user)
            .field("password", &self.password.as_ref().map(|_| "(hidden)"))
            .field("tls", &self.tls)
            .finish_non_exhaustive()
    }
}

impl BrokerSettings {
    /// Options of the client that both connections share.
    fn options(&self, client_id: &str) -> MqttOptions {
        let mut options = MqttOptions::new(client_id, &self.host, self.port);
        options
            .set_keep_alive(Duration::from_secs(u64::from(self.keep_alive_seconds.max(1))))
            .set_clean_session(false)
            .set_max_packet_size(self.max_packet_bytes, self.max_packet_bytes);
        if let Some(user) = &self.user {
            options.set_credentials(user, self.password.clone().unwrap_or_default());
        }
        options
    }
}

/// Gets ready for the next attempt to connect, where one is due: certificates and keys are read anew, since they may have been
/// renewed. The client looks up the host's name by itself each time.
///
/// # Errors
/// Why there is nothing to connect with, for the log.
async fn prepare(eventloop: &mut EventLoop, tls: Option<&TlsFiles>) -> Result<(), String> {
    let (None, Some(files)) = (&eventloop.network, tls) else { return Ok(()) };
    let files = files.clone();
    let made = tokio::task::spawn_blocking(move || tls::transport(&files)).await;
    eventloop.mqtt_options.set_transport(made.map_err(|_| "certificates cannot be read".to_owned())??);
    Ok(())
}

/// Whether a connection stands, and why not: so that each change is logged once, also from one cause to another.
#[derive(Debug, Default)]
struct Standing {
    /// None: never tried.
    is_up: Option<bool>,
    cause: String,
}

impl Standing {
    /// True where it was not up before.
    fn rise(&mut self) -> bool {
        self.cause.clear();
        self.is_up.replace(true) != Some(true)
    }

    /// True where it was up before, or was down for another cause.
    fn fall(&mut self, cause: &str) -> bool {
        let is_new = self.is_up.replace(false) != Some(false) || self.cause != cause;
        cause.clone_into(&mut self.cause);
        is_new
    }
}

/// Pauses between attempts to connect: doubled each time, up to the longest, and spread so that a fleet of daemons does
/// not come back at once.
#[derive(Debug)]
struct BackOff {
    min_ms: u64,
    max_ms: u64,
    attempts: u32,
    noise: RandomState,
}

impl BackOff {
    fn new(broker: &BrokerSettings) -> Self {
        let min_ms = broker.reconnect_min_ms.max(1);
        Self { min_ms, max_ms: broker.reconnect_max_ms.max(min_ms), attempts: 0, noise: RandomState::new() }
    }

    /// The connection was good: begin with the shortest pause next time.
    fn reset(&mut self) {
        self.attempts = 0;
    }

    /// Between half and all of the doubled pause, never less than the shortest.
    fn next(&mut self) -> Duration {
        let doubled = self.min_ms.saturating_mul(1 << self.attempts.min(20)).min(self.max_ms);
        let spread = self.noise.hash_one(self.attempts) % (doubled / 2 + 1);
        self.attempts = self.attempts.saturating_add(1);
        Duration::from_millis((doubled - spread).max(self.min_ms))
    }
}

/// A fault of a connection for the log: short, without addresses of ours or secrets.
fn cause(error: &ConnectionError) -> String {
    match error {
        ConnectionError::ConnectionRefused(ConnectReturnCode::BadUserNamePassword) => {
            "the broker refuses user or password".to_owned()
        }
        ConnectionError::ConnectionRefused(ConnectReturnCode::NotAuthorized) => {
            "the broker does not let this user or client id in".to_owned()
        }
        ConnectionError::ConnectionRefused(code) => format!("the broker refuses the connection: {code:?}"),
        ConnectionError::NetworkTimeout | ConnectionError::FlushTimeout => "the broker does not answer".to_owned(),
        ConnectionError::MqttState(StateError::Deserialization(mqttbytes::Error::PayloadSizeLimitExceeded(size))) => {
            format!(
                "a message of {size} bytes is longer than broker.max_packet_bytes; raise that, or take the message away from \
                 the broker"
            )
        }
        other => tls::cause(other).unwrap_or_else(|| other.to_string()),
    }
}

#[cfg(test)]
mod tests;
