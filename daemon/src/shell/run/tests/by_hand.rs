//! A broker made by hand, byte by byte (MQTT 3.1.1): it loses acknowledgements, refuses filters and breaks connections when
//! the test says so. The publishing connection is served by itself.

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;

use super::{COMMAND, within};

pub(super) struct HandBroker {
    pub(super) port: u16,
    reading: mpsc::UnboundedReceiver<TcpStream>,
}

impl HandBroker {
    pub(super) async fn start() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let (sender, reading) = mpsc::unbounded_channel();
        tokio::spawn(async move {
            while let Ok((mut stream, _)) = listener.accept().await {
                let Some((CONNECT, body)) = packet(&mut stream).await else { continue };
                // The client id is the first text after the ten bytes of the variable header.
                if text(&body, 10).ends_with("-out") {
                    tokio::spawn(serve_publisher(stream));
                } else if sender.send(stream).is_err() {
                    return;
                }
            }
        });
        Self { port, reading }
    }

    /// The next reading connection, greeted.
    pub(super) async fn accept(&mut self, session_present: bool) -> Peer {
        let mut stream = within("the daemon connects", self.reading.recv()).await.unwrap();
        stream.write_all(&[CONNACK, 2, u8::from(session_present), 0]).await.unwrap();
        Peer { stream }
    }
}

/// The reading connection, seen from the broker.
pub(super) struct Peer {
    stream: TcpStream,
}

impl Peer {
    /// Waits for a subscription, grants all filters but the `refused`, and says what was asked for.
    pub(super) async fn grant(&mut self, refused: &[&str]) -> Vec<String> {
        let body = self.next(SUBSCRIBE).await;
        let mut filters = Vec::new();
        let mut at = 2;
        while at < body.len() {
            let filter = text(&body, at);
            at += 2 + filter.len() + 1;
            filters.push(filter);
        }
        let mut answer = vec![SUBACK, 2 + filters.len() as u8, body[0], body[1]];
        answer.extend(filters.iter().map(|filter| if refused.contains(&filter.as_str()) { 0x80 } else { 1 }));
        self.stream.write_all(&answer).await.unwrap();
        filters
    }

    pub(super) async fn unsubscribed(&mut self) -> String {
        text(&self.next(UNSUBSCRIBE).await, 2)
    }

    /// Sends commands as (packet id, dup, payload) in one write.
    pub(super) async fn publish(&mut self, messages: &[(u16, bool, String)]) {
        let mut bytes = Vec::new();
        for (packet, dup, payload) in messages {
            bytes.push(PUBLISH | 0x02 | if *dup { 0x08 } else { 0 });
            bytes.push((2 + COMMAND.len() + 2 + payload.len()) as u8);
            bytes.extend((COMMAND.len() as u16).to_be_bytes());
            bytes.extend(COMMAND.as_bytes());
            bytes.extend(packet.to_be_bytes());
            bytes.extend(payload.as_bytes());
        }
        self.stream.write_all(&bytes).await.unwrap();
    }

    pub(super) async fn acknowledgement(&mut self) -> u16 {
        let body = self.next(PUBACK).await;
        u16::from_be_bytes([body[0], body[1]])
    }

    /// None: the daemon says farewell.
    pub(super) async fn next_acknowledgement_or_farewell(&mut self) -> Option<u16> {
        loop {
            match within("acknowledgement or farewell", packet(&mut self.stream)).await {
                Some((PUBACK, body)) => return Some(u16::from_be_bytes([body[0], body[1]])),
                Some((DISCONNECT, _)) | None => return None,
                Some(_) => {}
            }
        }
    }

    /// The body of the next packet of `kind`; pings in between are answered.
    async fn next(&mut self, kind: u8) -> Vec<u8> {
        loop {
            match within("the daemon sends a packet", packet(&mut self.stream)).await {
                Some((found, body)) if found & 0xf0 == kind & 0xf0 => return body,
                Some((PINGREQ, _)) => self.stream.write_all(&[PINGRESP, 0]).await.unwrap(),
                Some((found, _)) => panic!("{found:#x} instead of {kind:#x}"),
                None => panic!("the daemon closed the connection"),
            }
        }
    }
}

async fn serve_publisher(mut stream: TcpStream) {
    let _ = stream.write_all(&[CONNACK, 2, 0, 0]).await;
    while let Some((kind, body)) = packet(&mut stream).await {
        let answer = match kind & 0xf0 {
            PUBLISH => {
                let at = 2 + text(&body, 0).len();
                vec![PUBACK, 2, body[at], body[at + 1]]
            }
            PINGREQ => vec![PINGRESP, 0],
            _ => return,
        };
        let _ = stream.write_all(&answer).await;
    }
}

/// First byte and body of the next packet; None at the end of the connection.
async fn packet(stream: &mut TcpStream) -> Option<(u8, Vec<u8>)> {
    let kind = stream.read_u8().await.ok()?;
    let (mut length, mut shift) = (0_usize, 0);
    loop {
        let byte = stream.read_u8().await.ok()?;
        length |= usize::from(byte & 0x7f) << shift;
        shift += 7;
        if byte & 0x80 == 0 {
            break;
        }
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body).await.ok()?;
    Some((kind, body))
}

fn text(body: &[u8], at: usize) -> String {
    let length = usize::from(u16::from_be_bytes([body[at], body[at + 1]]));
    String::from_utf8(body[at + 2..at + 2 + length].to_vec()).unwrap()
}

// First bytes of packets (MQTT 3.1.1, section 2.2.1).
const CONNECT: u8 = 0x10;
const CONNACK: u8 = 0x20;
const PUBLISH: u8 = 0x30;
const PUBACK: u8 = 0x40;
const SUBSCRIBE: u8 = 0x82;
const SUBACK: u8 = 0x90;
const UNSUBSCRIBE: u8 = 0xa2;
const PINGREQ: u8 = 0xc0;
const PINGRESP: u8 = 0xd0;
const DISCONNECT: u8 = 0xe0;
