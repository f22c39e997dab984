//! Recordings from and to a living broker.

use std::io;
use std::time::Duration;

use rumqttc::{AsyncClient, ConnectReturnCode, ConnectionError, EventLoop, MqttOptions};

use crate::recording::RecordingError;

mod play;
mod record;

pub use play::{Played, play};
pub use record::{Recorded, record};

/// How to reach a broker.
#[derive(Clone, PartialEq, Eq)]
pub struct Access {
    pub host: String,
    pub port: u16,
    /// User name and password.
    pub login: Option<(String, String)>,
    /// Must differ from every other client of the broker.
    pub client_id: String,
}

/// Why recording or playing ended early.
#[derive(Debug, thiserror::Error)]
pub enum BrokerError {
    #[error(
        "broker {broker}: no connection: {cause}; check --broker HOST:PORT, and that the broker runs and listens there"
    )]
    Unreachable { broker: String, cause: String },
    #[error("broker {broker}: refuses us: {cause}; check --user and --password-file")]
    Refused { broker: String, cause: String },
    #[error(
        "broker {broker}: refuses every subscription ({filters}): check --topics and the access list of the broker"
    )]
    NothingGranted { broker: String, filters: String },
    #[error("broker {broker}: connection lost: {cause}; {acknowledged} messages were acknowledged before")]
    Lost { broker: String, cause: String, acknowledged: u64 },
    #[error(
        "broker {broker}: acknowledged only {acknowledged} of {published} messages within 5 s of the last: try a lower --speed"
    )]
    Unacknowledged { broker: String, published: u64, acknowledged: u64 },
    #[error(transparent)]
    Recording(#[from] RecordingError),
    #[error("the recording cannot be written: {0}")]
    Output(#[from] io::Error),
}

impl Access {
    /// Reads `HOST`, `HOST:PORT` or `[IPv6]:PORT`; without a port it is MQTT's 1883.
    ///
    /// # Errors
    /// What to write instead.
    pub fn address(text: &str) -> Result<(String, u16), String> {
        let wrong = || format!("{text:?}: write HOST:PORT, for example 192.0.2.7:1883 or [2001:db8::7]:1883");
        let (host, port) = match text.strip_prefix('[') {
            Some(rest) => {
                let (host, after) = rest.split_once(']').ok_or_else(wrong)?;
                match after {
                    "" => (host, None),
                    after => (host, Some(after.strip_prefix(':').ok_or_else(wrong)?)),
                }
            }
            None => match text.split_once(':') {
                Some((host, port)) => (host, Some(port)),
                None => (text, None),
            },
        };
        if host.is_empty() || host.contains(char::is_whitespace) || host.contains('/') {
            return Err(wrong());
        }
        let port = match port {
            Some(digits) => digits.parse().ok().filter(|port| *port != 0).ok_or_else(wrong)?,
            None => 1883,
        };
        Ok((host.to_owned(), port))
    }

    fn broker(&self) -> String {
        if self.host.contains(':') {
            format!("[{}]:{}", self.host, self.port)
        } else {
            format!("{}:{}", self.host, self.port)
        }
    }

    /// A client that is not connected yet, with room for `requests` outgoing packets.
    fn client(&self, requests: usize) -> (AsyncClient, EventLoop) {
        let mut options = MqttOptions::new(&self.client_id, &self.host, self.port);
        options.set_keep_alive(Duration::from_secs(30));
        options.set_clean_session(true);
        options.set_max_packet_size(MAX_PACKET_BYTES, MAX_PACKET_BYTES);
        if let Some((user, password)) = &self.login {
            options.set_credentials(user, password);
        }
        AsyncClient::new(options, requests)
    }

    /// What a connection that never came about means to the user.
    fn explain(&self, fault: &ConnectionError) -> BrokerError {
        let broker = self.broker();
        match fault {
            ConnectionError::ConnectionRefused(code) => {
                let cause = match code {
                    ConnectReturnCode::BadUserNamePassword => "wrong user name or password",
                    ConnectReturnCode::NotAuthorized => "not authorized",
                    ConnectReturnCode::BadClientId => "it does not accept our client id",
                    ConnectReturnCode::ServiceUnavailable => "it is not available now",
                    ConnectReturnCode::RefusedProtocolVersion => "it does not speak MQTT 3.1.1",
                    ConnectReturnCode::Success => "without a reason",
                };
                BrokerError::Refused { broker, cause: cause.to_owned() }
            }
            other => BrokerError::Unreachable { broker, cause: other.to_string() },
        }
    }
}

/// Room for a recording's longest line: a retained 20 kB message above the client's default limit would end every
/// connection anew.
const MAX_PACKET_BYTES: usize = 1 << 20;

/// Room for a whole burst between the polling task and the one that works.
const QUEUE: usize = 1_000;

/// How long a clean end may wait for the broker.
const PARTING: Duration = Duration::from_secs(5);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_broker_is_a_host_and_a_port() {
        let check = |text: &str, host: &str, port: u16| {
            assert_eq!(Access::address(text), Ok((host.to_owned(), port)), "{text}");
        };
        check("broker.example", "broker.example", 1883);
        check("192.0.2.7:18830", "192.0.2.7", 18830);
        check("[2001:db8::7]:1884", "2001:db8::7", 1884);
        check("[::1]", "::1", 1883);
        for wrong in
            ["", ":1883", "host:", "host:0", "host:65536", "a b:1", "mqtt://host:1883", "2001:db8::7", "[::1", "[::1]x"]
        {
            assert!(Access::address(wrong).unwrap_err().contains("write HOST:PORT"), "{wrong}");
        }
    }

    #[test]
    fn a_refusal_and_an_unreachable_broker_read_differently() {
        let access = Access { host: "::1".into(), port: 1883, login: None, client_id: "a".into() };
        let refused = access.explain(&ConnectionError::ConnectionRefused(ConnectReturnCode::NotAuthorized)).to_string();
        assert_eq!(refused, "broker [::1]:1883: refuses us: not authorized; check --user and --password-file");
        let away = access.explain(&ConnectionError::NetworkTimeout).to_string();
        assert!(away.starts_with("broker [::1]:1883: no connection: Network timeout; check --broker"), "{away}");
    }
}
