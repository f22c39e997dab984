//! The broker as clients see it, with the client that the daemon uses.

use std::time::Duration;

use rumqttc::{AsyncClient, Event, EventLoop, LastWill, MqttOptions, Packet, Publish, QoS};

use super::Broker;

struct Client {
    client: AsyncClient,
    eventloop: EventLoop,
}

impl Client {
    fn new(broker: &Broker, id: &str, edit: impl Fn(&mut MqttOptions)) -> Self {
        let mut options = MqttOptions::new(id, "127.0.0.1", broker.port());
        options.set_keep_alive(Duration::from_secs(5));
        edit(&mut options);
        // Room for every acknowledgement: the client reads more than it sends in one poll.
        let (client, eventloop) = AsyncClient::new(options, 1_000);
        Self { client, eventloop }
    }

    /// Polls until `wanted` gives something.
    async fn until<T>(&mut self, mut wanted: impl FnMut(Event) -> Option<T>) -> T {
        let polling = async {
            loop {
                if let Some(found) = wanted(self.eventloop.poll().await.unwrap()) {
                    return found;
                }
            }
        };
        tokio::time::timeout(Duration::from_secs(20), polling).await.expect("the broker answers")
    }

    async fn connected(&mut self) -> bool {
        self.until(|event| match event {
            Event::Incoming(Packet::ConnAck(ack)) => Some(ack.session_present),
            _ => None,
        })
        .await
    }

    async fn subscribe(&mut self, filter: &str) {
        self.client.subscribe(filter, QoS::AtLeastOnce).await.unwrap();
        self.until(|event| matches!(event, Event::Incoming(Packet::SubAck(_))).then_some(())).await;
    }

    /// Returns when the broker has taken it over for good.
    async fn publish(&mut self, topic: &str, qos: QoS, retain: bool, payload: &str) {
        self.client.publish(topic, qos, retain, payload).await.unwrap();
        let done = move |event: Event| {
            let done = match qos {
                QoS::AtMostOnce => matches!(event, Event::Outgoing(rumqttc::Outgoing::Publish(_))),
                QoS::AtLeastOnce => matches!(event, Event::Incoming(Packet::PubAck(_))),
                QoS::ExactlyOnce => matches!(event, Event::Incoming(Packet::PubComp(_))),
            };
            done.then_some(())
        };
        self.until(done).await;
    }

    async fn next(&mut self) -> Publish {
        self.until(|event| match event {
            Event::Incoming(Packet::Publish(publish)) => Some(publish),
            _ => None,
        })
        .await
    }

    /// Topic and payload of the next message.
    async fn text(&mut self) -> String {
        let publish = self.next().await;
        let mark = if publish.retain { " (retained)" } else { "" };
        format!("{} {}{mark}", publish.topic, String::from_utf8_lossy(&publish.payload))
    }
}

#[tokio::test]
async fn messages_of_every_quality_reach_who_wants_them_in_order() {
    let broker = Broker::start(0).await.unwrap();
    let mut listener = Client::new(&broker, "listener", |_| {});
    listener.subscribe("a/+/c").await;
    // Overlapping filters deliver once.
    listener.subscribe("a/#").await;
    let mut speaker = Client::new(&broker, "speaker", |_| {});
    speaker.publish("a/b/c", QoS::AtMostOnce, false, "0").await;
    speaker.publish("x/b/c", QoS::AtLeastOnce, false, "not wanted").await;
    speaker.publish("a/b/c", QoS::AtLeastOnce, false, "1").await;
    speaker.publish("a/b/c", QoS::ExactlyOnce, false, "2").await;
    for expected in ["a/b/c 0", "a/b/c 1", "a/b/c 2"] {
        assert_eq!(listener.text().await, expected);
    }
}

#[tokio::test]
async fn retained_messages_wait_for_late_listeners_until_they_are_cleared() {
    let broker = Broker::start(0).await.unwrap();
    let mut speaker = Client::new(&broker, "speaker", |_| {});
    for (topic, payload) in [("s/1", "old"), ("s/1", "new"), ("s/2", "gone"), ("s/2", ""), ("s/3", "kept")] {
        speaker.publish(topic, QoS::AtLeastOnce, true, payload).await;
    }
    let mut listener = Client::new(&broker, "listener", |_| {});
    listener.subscribe("s/#").await;
    assert_eq!(listener.text().await, "s/1 new (retained)");
    assert_eq!(listener.text().await, "s/3 kept (retained)");
    speaker.publish("s/1", QoS::AtLeastOnce, true, "live").await;
    assert_eq!(listener.text().await, "s/1 live");
}

#[tokio::test]
async fn a_session_keeps_what_came_while_its_client_was_away() {
    let broker = Broker::start(0).await.unwrap();
    let persistent = |options: &mut MqttOptions| {
        options.set_clean_session(false).set_manual_acks(true);
    };
    let mut listener = Client::new(&broker, "listener", persistent);
    assert!(!listener.connected().await);
    listener.subscribe("a/#").await;
    let mut speaker = Client::new(&broker, "speaker", |_| {});
    speaker.publish("a/1", QoS::AtLeastOnce, false, "seen, not acknowledged").await;
    assert_eq!(listener.text().await, "a/1 seen, not acknowledged");
    drop(listener);
    for number in 2..500 {
        speaker.publish(&format!("a/{number}"), QoS::AtLeastOnce, false, "later").await;
    }
    let mut listener = Client::new(&broker, "listener", persistent);
    assert!(listener.connected().await);
    let again = listener.next().await;
    assert!(again.dup && again.topic == "a/1");
    listener.client.ack(&again).await.unwrap();
    for number in 2..500 {
        let publish = listener.next().await;
        assert_eq!(publish.topic, format!("a/{number}"));
        listener.client.ack(&publish).await.unwrap();
    }
}

#[tokio::test]
async fn a_will_comes_true_without_a_farewell_only() {
    let broker = Broker::start(0).await.unwrap();
    let mut listener = Client::new(&broker, "listener", |_| {});
    listener.subscribe("will/#").await;
    let with_will = |id: &'static str| {
        move |options: &mut MqttOptions| {
            options.set_last_will(LastWill::new(format!("will/{id}"), "gone", QoS::AtLeastOnce, true));
        }
    };
    let mut polite = Client::new(&broker, "polite", with_will("polite"));
    polite.connected().await;
    polite.client.disconnect().await.unwrap();
    polite.until(|event| matches!(event, Event::Outgoing(rumqttc::Outgoing::Disconnect)).then_some(())).await;
    let mut rude = Client::new(&broker, "rude", with_will("rude"));
    rude.connected().await;
    drop(rude);
    assert_eq!(listener.text().await, "will/rude gone");
    // A second connection with one id ends the first.
    let mut first = Client::new(&broker, "twin", with_will("twin"));
    first.connected().await;
    let mut second = Client::new(&broker, "twin", |_| {});
    second.connected().await;
    assert_eq!(listener.text().await, "will/twin gone");
}

#[tokio::test]
async fn who_breaks_the_rules_is_cut_off_and_the_others_go_on() {
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    let broker = Broker::start(0).await.unwrap();
    let publish_first = [0x30, 3, 0, 1, b'a'];
    let nonsense = [0xff_u8; 64];
    let no_name_no_clean_session = [0x10, 12, 0, 4, b'M', b'Q', b'T', b'T', 4, 0, 0, 5, 0, 0];
    for (bytes, answer) in
        [(&publish_first[..], vec![]), (&nonsense, vec![]), (&no_name_no_clean_session, vec![0x20, 2, 0, 2])]
    {
        let mut stream = tokio::net::TcpStream::connect(("127.0.0.1", broker.port())).await.unwrap();
        stream.write_all(bytes).await.unwrap();
        let mut said = Vec::new();
        let reading = tokio::time::timeout(Duration::from_secs(20), stream.read_to_end(&mut said)).await;
        // The end may come as a reset, where something was still unread.
        let _ = reading.expect("the connection ends");
        assert_eq!(said, answer);
    }
    let mut client = Client::new(&broker, "good", |_| {});
    client.subscribe("#").await;
    client.publish("still/here", QoS::AtLeastOnce, false, "yes").await;
}
