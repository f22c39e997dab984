//! An MQTT client that remembers all it hears and waits for what a test expects.

use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::Duration;

use rumqttc::{ConnectionError, Event, MqttOptions, Outgoing, Packet, QoS, SubscribeFilter, SubscribeReasonCode};
use serde_json::Value as Json;

use crate::broker::Broker;
use crate::wait;

/// A publication as it came.
#[derive(Clone, Debug, PartialEq)]
pub struct Heard {
    pub topic: String,
    pub payload: Vec<u8>,
    pub retain: bool,
}

impl Heard {
    /// The payload as JSON; null where it is none.
    pub fn json(&self) -> Json {
        serde_json::from_slice(&self.payload).unwrap_or(Json::Null)
    }
}

/// A connected client. It comes back by itself after the broker was away. It publishes and listens on two connections:
/// publications that wait for the broker must not keep a subscription waiting.
pub struct Client {
    publisher: rumqttc::Client,
    listener: rumqttc::Client,
    news: Receiver<News>,
    heard: Vec<Heard>,
    acknowledged: usize,
    published: usize,
    subscribed: Option<Vec<SubscribeReasonCode>>,
}

enum News {
    Heard(Heard),
    Acknowledged,
    Subscribed(Vec<SubscribeReasonCode>),
}

impl Client {
    /// Connects as `id` and subscribes to `filters` with QoS 1; returns when the broker has answered.
    pub fn connect(broker: &Broker, id: &str, filters: &[&str]) -> Self {
        Self::connect_as(broker, id, None, filters)
    }

    /// Connects with a name and a password.
    pub fn connect_as(broker: &Broker, id: &str, login: Option<(&str, &str)>, filters: &[&str]) -> Self {
        let (sender, news) = channel();
        // With nothing to subscribe to, a filter that nobody publishes on tells when the connection stands.
        let quiet = format!("quiet/{id}");
        let filters = if filters.is_empty() { &[quiet.as_str()] } else { filters };
        let filters: Vec<String> = filters.iter().map(|&filter| filter.to_owned()).collect();
        let listener = open(broker, id, login, filters, sender.clone());
        let publisher = open(broker, &format!("{id}-out"), login, Vec::new(), sender);
        let mut client =
            Self { publisher, listener, news, heard: Vec::new(), acknowledged: 0, published: 0, subscribed: None };
        wait::until("the subscription of the test's client", || {
            client.take_news();
            client.subscribed.is_some().then_some(())
        });
        client
    }

    /// True where the broker granted every filter.
    pub fn all_granted(&self) -> bool {
        let codes = self.subscribed.iter().flatten();
        codes.into_iter().all(|code| matches!(code, SubscribeReasonCode::Success(_)))
    }

    /// Publishes with QoS 1 and waits for the acknowledgement.
    pub fn publish(&mut self, topic: &str, payload: impl Into<Vec<u8>>) {
        self.hand_over(topic, payload.into(), false);
        self.wait_for_acknowledgements();
    }

    /// Publishes retained with QoS 1 and waits for the acknowledgement.
    pub fn publish_retained(&mut self, topic: &str, payload: impl Into<Vec<u8>>) {
        self.hand_over(topic, payload.into(), true);
        self.wait_for_acknowledgements();
    }

    /// Publishes with QoS 1 and does not wait; see [`Client::wait_for_acknowledgements`].
    pub fn hand_over(&mut self, topic: &str, payload: Vec<u8>, retain: bool) {
        self.publisher.publish(topic, QoS::AtLeastOnce, retain, payload).expect("the client's connection lives");
        self.published += 1;
    }

    /// Waits until the broker has acknowledged all that was published.
    pub fn wait_for_acknowledgements(&mut self) {
        wait::until("acknowledgements of the broker", || {
            self.take_news();
            (self.acknowledged >= self.published).then_some(())
        });
    }

    /// The first publication, heard before or from now on, that satisfies `wanted`.
    pub fn wait_for(&mut self, what: &str, wanted: impl FnMut(&Heard) -> bool) -> Heard {
        let found = self.hear_within(wait::LIMIT, wanted);
        found.unwrap_or_else(|| panic!("waited for {what}; heard:\n{}", self.story()))
    }

    /// As [`Client::wait_for`] on one topic, with the payload as JSON.
    pub fn wait_for_json(&mut self, topic: &str, what: &str, mut wanted: impl FnMut(&Json) -> bool) -> Json {
        let what = format!("{what} on {topic}");
        self.wait_for(&what, |heard| heard.topic == topic && wanted(&heard.json())).json()
    }

    /// The first such publication within `limit`, or none.
    pub fn hear_within(&mut self, limit: Duration, mut wanted: impl FnMut(&Heard) -> bool) -> Option<Heard> {
        let mut asked = 0;
        wait::within(limit, || {
            self.take_news();
            let found = self.heard[asked..].iter().find(|heard| wanted(heard)).cloned();
            asked = self.heard.len();
            found
        })
    }

    /// All publications so far.
    pub fn heard(&mut self) -> &[Heard] {
        self.take_news();
        &self.heard
    }

    /// The last payload on `topic` so far.
    pub fn last_json(&mut self, topic: &str) -> Option<Json> {
        self.heard().iter().rev().find(|heard| heard.topic == topic).map(Heard::json)
    }

    /// Forgets what was heard, so that a wait is for something new.
    pub fn forget(&mut self) {
        self.take_news();
        self.heard.clear();
    }

    fn take_news(&mut self) {
        for news in self.news.try_iter() {
            match news {
                News::Heard(heard) => self.heard.push(heard),
                News::Acknowledged => self.acknowledged += 1,
                News::Subscribed(codes) => self.subscribed = Some(codes),
            }
        }
    }

    fn story(&self) -> String {
        let line = |heard: &Heard| format!("{} {}", heard.topic, String::from_utf8_lossy(&heard.payload));
        self.heard.iter().map(line).collect::<Vec<_>>().join("\n")
    }
}

impl Drop for Client {
    fn drop(&mut self) {
        // A full queue or a dead connection: the thread ends with the test's process then.
        let _ = self.publisher.try_disconnect();
        let _ = self.listener.try_disconnect();
    }
}

fn open(
    broker: &Broker,
    id: &str,
    login: Option<(&str, &str)>,
    filters: Vec<String>,
    news: Sender<News>,
) -> rumqttc::Client {
    let mut options = MqttOptions::new(id, "127.0.0.1", broker.port());
    options.set_max_packet_size(1 << 20, 1 << 20);
    options.set_keep_alive(Duration::from_secs(20));
    if let Some((name, password)) = login {
        options.set_credentials(name, password);
    }
    let (client, connection) = rumqttc::Client::new(options, 100);
    let subscriber = client.clone();
    std::thread::spawn(move || listen(connection, &subscriber, &filters, &news));
    client
}

/// Passes on what the connection brings until the client says goodbye.
fn listen(mut connection: rumqttc::Connection, client: &rumqttc::Client, filters: &[String], news: &Sender<News>) {
    for event in connection.iter() {
        let sent = match event {
            Ok(Event::Incoming(Packet::ConnAck(_))) if !filters.is_empty() => {
                let all = filters.iter().map(|filter| SubscribeFilter::new(filter.clone(), QoS::AtLeastOnce));
                // Nothing else waits in the queue of a connection that subscribes.
                let _ = client.try_subscribe_many(all);
                Ok(())
            }
            Ok(Event::Incoming(Packet::SubAck(answer))) => news.send(News::Subscribed(answer.return_codes)),
            Ok(Event::Incoming(Packet::PubAck(_))) => news.send(News::Acknowledged),
            Ok(Event::Incoming(Packet::Publish(publish))) => news.send(News::Heard(Heard {
                topic: publish.topic,
                payload: publish.payload.to_vec(),
                retain: publish.retain,
            })),
            Ok(Event::Outgoing(Outgoing::Disconnect)) | Err(ConnectionError::RequestsDone) => return,
            Ok(_) => Ok(()),
            Err(_) => {
                // The broker is away: ask again soon, without turning in circles.
                std::thread::sleep(Duration::from_millis(50));
                Ok(())
            }
        };
        if sent.is_err() {
            return;
        }
    }
}
