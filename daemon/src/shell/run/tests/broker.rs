//! mosquitto on a free port in a temporary folder, and plain clients of it.

use std::net::TcpListener;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Packet, QoS};
use tempfile::TempDir;
use tokio::sync::mpsc;

use super::{until, within};

/// A broker of our own; it dies with the test.
pub(super) struct Mosquitto {
    pub(super) port: u16,
    folder: TempDir,
    child: Child,
}

impl Mosquitto {
    /// `persistent`: sessions survive a restart.
    pub(super) async fn start(persistent: bool) -> Self {
        let folder = TempDir::new().unwrap();
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let config = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 100000\nmax_inflight_messages 100\n\
             persistence {persistent}\npersistence_location {}/\n",
            folder.path().display()
        );
        std::fs::write(folder.path().join("mosquitto.conf"), config).unwrap();
        let child = spawn(&folder);
        let broker = Self { port, folder, child };
        broker.wait().await;
        broker
    }

    /// Killed and started again on the same port.
    pub(super) async fn restart(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        self.child = spawn(&self.folder);
        self.wait().await;
    }

    async fn wait(&self) {
        until("mosquitto listens", || std::net::TcpStream::connect(("127.0.0.1", self.port)).is_ok()).await;
    }

    pub(super) async fn client(&self, id: &str) -> Client {
        let (client, eventloop) = AsyncClient::new(self.options(id), 100);
        let (acknowledged, acknowledgements) = mpsc::unbounded_channel();
        tokio::spawn(drive(eventloop, acknowledged));
        Client { client, acknowledgements: tokio::sync::Mutex::new(acknowledgements) }
    }

    /// A client that listens to `filter`; it is subscribed when this returns.
    pub(super) async fn listener(&self, id: &str, filter: &str) -> Listener {
        let (client, mut eventloop) = AsyncClient::new(self.options(id), 100);
        client.subscribe(filter, QoS::AtLeastOnce).await.unwrap();
        let subscribed =
            async { while !matches!(eventloop.poll().await.unwrap(), Event::Incoming(Packet::SubAck(_))) {} };
        within("the listener is subscribed", subscribed).await;
        Listener { _client: client, eventloop }
    }

    fn options(&self, id: &str) -> MqttOptions {
        let mut options = MqttOptions::new(id, "127.0.0.1", self.port);
        options.set_keep_alive(Duration::from_secs(30)).set_max_packet_size(1 << 20, 1 << 20);
        options
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A publishing client.
pub(super) struct Client {
    client: AsyncClient,
    acknowledgements: tokio::sync::Mutex<mpsc::UnboundedReceiver<()>>,
}

impl Client {
    /// Returns when the broker has it.
    pub(super) async fn publish(&self, topic: &str, payload: &str) {
        self.client.publish(topic, QoS::AtLeastOnce, false, payload).await.unwrap();
        let mut acknowledgements = self.acknowledgements.lock().await;
        within("a publication is acknowledged", acknowledgements.recv()).await;
    }
}

async fn drive(mut eventloop: EventLoop, acknowledged: mpsc::UnboundedSender<()>) {
    while let Ok(event) = eventloop.poll().await {
        if matches!(event, Event::Incoming(Packet::PubAck(_))) && acknowledged.send(()).is_err() {
            return;
        }
    }
}

/// A listening client.
pub(super) struct Listener {
    _client: AsyncClient,
    eventloop: EventLoop,
}

impl Listener {
    /// The next payload of `topic` that contains `part`.
    pub(super) async fn payload(&mut self, topic: &str, part: &str) -> String {
        let waiting = async {
            loop {
                if let Event::Incoming(Packet::Publish(publish)) = self.eventloop.poll().await.unwrap() {
                    let payload = String::from_utf8_lossy(&publish.payload).into_owned();
                    if publish.topic == topic && payload.contains(part) {
                        return payload;
                    }
                }
            }
        };
        within(&format!("{topic} says {part}"), waiting).await
    }
}

fn spawn(folder: &TempDir) -> Child {
    // Debian keeps daemons where a user's search path does not look.
    let path = format!("{}:/usr/sbin:/usr/local/sbin", std::env::var("PATH").unwrap_or_default());
    Command::new("mosquitto")
        .env("PATH", path)
        .arg("-c")
        .arg(folder.path().join("mosquitto.conf"))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("this test needs mosquitto: install the package of that name")
}
