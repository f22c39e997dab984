//! A small MQTT 3.1.1 broker on the loopback address, for the demo and nothing else.
//!
//! It does what the demo and a curious client need: QoS 0 to 2 inwards, 0 and 1 outwards, wildcards, retained messages,
//! wills, persistent sessions. Its limits: all of it is in memory and gone with the process; no user, no password, no TLS;
//! a session that does not read loses its oldest messages; at most 64 clients. For sensors of your own take a
//! real one.

mod connection;
mod hub;
#[cfg(test)]
mod tests;

use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::{Arc, Mutex};

use tokio::net::TcpListener;
use tokio::task::AbortHandle;

use hub::Hub;

/// A running broker; it stops when this is dropped, its connections a moment later.
pub struct Broker {
    port: u16,
    accepting: AbortHandle,
    hub: Arc<Mutex<Hub>>,
}

impl Broker {
    /// Listens on `port` of 127.0.0.1; 0: on a free one.
    ///
    /// # Errors
    /// The port is taken.
    pub async fn start(port: u16) -> io::Result<Self> {
        let listener = TcpListener::bind(SocketAddr::from((Ipv4Addr::LOCALHOST, port))).await?;
        let port = listener.local_addr()?.port();
        let hub = Arc::new(Mutex::new(Hub::default()));
        let accepting = tokio::spawn(accept(listener, hub.clone())).abort_handle();
        Ok(Self { port, accepting, hub })
    }

    pub fn port(&self) -> u16 {
        self.port
    }

    /// True while the session of `client` wants messages on `topic`.
    pub fn serves(&self, client: &str, topic: &str) -> bool {
        connection::lock(&self.hub).serves(client, topic)
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.accepting.abort();
        connection::lock(&self.hub).close_all();
    }
}

async fn accept(listener: TcpListener, hub: Arc<Mutex<Hub>>) {
    let mut number = 0;
    loop {
        match listener.accept().await {
            Ok((stream, _)) => {
                number += 1;
                tokio::spawn(connection::serve(stream, number, hub.clone()));
            }
            // Too many open files, for example: others may end.
            Err(_) => tokio::time::sleep(std::time::Duration::from_millis(100)).await,
        }
    }
}

/// Clients at once, and sessions kept.
const MOST_CLIENTS: usize = 64;

/// Bytes of a packet, at most.
const LARGEST_PACKET: usize = 256 << 10;
