//! One client's connection: bytes to packets and back. What they mean is the hub's affair.

use std::io;
use std::pin::pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use bytes::BytesMut;
use rumqttc::{ConnAck, ConnectReturnCode, Packet};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::mpsc::{Receiver, channel};

use super::LARGEST_PACKET;
use super::hub::{Hub, OUTGOING};

/// Serves one client until it leaves, breaks the rules, or falls silent.
pub(super) async fn serve(mut stream: TcpStream, number: u64, hub: Arc<Mutex<Hub>>) {
    // An answer at once is worth more than a full segment here.
    let _ = stream.set_nodelay(true);
    let mut buffer = BytesMut::with_capacity(8 << 10);
    let hello = tokio::time::timeout(HELLO_PATIENCE, read(&mut stream, &mut buffer)).await;
    let Ok(Ok(Some(Packet::Connect(connect)))) = hello else { return };
    let keep_alive = match connect.keep_alive {
        0 => Duration::MAX,
        // MQTT 3.1.1, section 3.1.2.10: one and a half times.
        seconds => Duration::from_secs(u64::from(seconds)) * 3 / 2,
    };
    let (out, outgoing) = channel(OUTGOING);
    let joined = lock(&hub).connect(number, connect, out);
    if let Err(code) = joined {
        let _ = write(&mut stream, [Packet::ConnAck(ConnAck::new(code, false))]).await;
        return;
    }
    let is_farewell = talk(&mut stream, &mut buffer, outgoing, number, &hub, keep_alive).await;
    lock(&hub).gone(number, is_farewell.unwrap_or(false));
}

/// True when the client said farewell.
async fn talk(
    stream: &mut TcpStream,
    buffer: &mut BytesMut,
    mut outgoing: Receiver<Packet>,
    number: u64,
    hub: &Mutex<Hub>,
    keep_alive: Duration,
) -> io::Result<bool> {
    let mut silence = pin!(tokio::time::sleep(keep_alive));
    loop {
        // Packets that came with the ones before.
        while let Some(packet) = next(buffer)? {
            if packet == Packet::Disconnect {
                return Ok(true);
            }
            if !lock(hub).receive(number, packet) {
                return Ok(false);
            }
        }
        tokio::select! {
            count = stream.read_buf(buffer) => {
                if count? == 0 {
                    return Ok(false);
                }
                silence.set(tokio::time::sleep(keep_alive));
            }
            first = outgoing.recv() => {
                // The hub let go of this connection: another one has taken over its session, or the broker ends.
                let Some(first) = first else { return Ok(false) };
                let rest = std::iter::from_fn(|| outgoing.try_recv().ok());
                write(stream, std::iter::once(first).chain(rest)).await?;
            }
            () = &mut silence => return Ok(false),
        }
    }
}

/// The next packet; None: the client has closed the connection.
async fn read(stream: &mut TcpStream, buffer: &mut BytesMut) -> io::Result<Option<Packet>> {
    loop {
        if let Some(packet) = next(buffer)? {
            return Ok(Some(packet));
        }
        if stream.read_buf(buffer).await? == 0 {
            return Ok(None);
        }
    }
}

/// The next whole packet of `buffer`.
fn next(buffer: &mut BytesMut) -> io::Result<Option<Packet>> {
    match Packet::read(buffer, LARGEST_PACKET) {
        Ok(packet) => Ok(Some(packet)),
        Err(rumqttc::Error::InsufficientBytes(_)) => Ok(None),
        Err(fault) => Err(io::Error::new(io::ErrorKind::InvalidData, fault.to_string())),
    }
}

async fn write(stream: &mut TcpStream, packets: impl IntoIterator<Item = Packet>) -> io::Result<()> {
    let mut bytes = BytesMut::new();
    for packet in packets {
        let written = packet.write(&mut bytes, LARGEST_PACKET);
        written.map_err(|fault| io::Error::new(io::ErrorKind::InvalidData, fault.to_string()))?;
    }
    match tokio::time::timeout(WRITE_PATIENCE, stream.write_all(&bytes)).await {
        Ok(written) => written,
        Err(_) => Err(io::Error::new(io::ErrorKind::TimedOut, "the client does not read")),
    }
}

/// A thread that panicked left the hub between two of its whole steps.
pub(super) fn lock(hub: &Mutex<Hub>) -> MutexGuard<'_, Hub> {
    hub.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Refused because there are too many.
pub(super) const FULL: ConnectReturnCode = ConnectReturnCode::ServiceUnavailable;

const HELLO_PATIENCE: Duration = Duration::from_secs(10);
const WRITE_PATIENCE: Duration = Duration::from_secs(10);
