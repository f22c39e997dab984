//! S25: a message that is too long costs no sensor its voice, and one too long for the connection is told and not hammered at.

use thirst_replay::clock;
use thirst_tests::broker::Broker;
use thirst_tests::client::Client;
use thirst_tests::wait;

use crate::yard::{STATUS, Yard};

const CAMERA: &str = "yard/oak/camera/state";
const MAST: &str = "yard/oak/mast/state";

/// How often the daemon has come to the broker to listen.
fn visits(broker: &Broker) -> usize {
    let connected = |line: &&str| line.contains("New client connected") && line.contains(" as thirstd-yard-1 ");
    broker.log().lines().filter(connected).count()
}

#[test]
fn s25_a_long_retained_message_leaves_the_connection_up_and_the_rain_counted() {
    let broker = Broker::plain();
    let mut camera = Client::connect(&broker, "camera", &[]);
    camera.publish_retained(CAMERA, vec![b'x'; 11_409]);
    camera.wait_for_acknowledgements();
    let mut yard = Yard::open(broker);
    // 3.00 mm.
    yard.hand_over_rain(150);
    yard.assert_all_rain_counted();

    // Longer than what a feed takes, and shorter than what the connection does: lost, counted, and said once, by the site and
    // the sensor that its topic names.
    yard.client.hand_over(MAST, vec![b'x'; 70_000], false);
    yard.client.hand_over(CAMERA, vec![b'x'; 70_000], false);
    yard.hand_over_rain(150);
    yard.assert_all_rain_counted();
    let status =
        yard.client.wait_for_json(STATUS, "the loss to be counted", |status| status["rejects"]["too_large"] == 1);
    thirst_tests::schema::assert_valid(&status);
    let log = yard.daemon.log();
    let said: Vec<&str> = log.lines().filter(|line| line.contains("too_large")).collect();
    assert!(said.len() == 1 && said[0].contains("sensor mast") && said[0].contains("site=\"oak\""), "{log}");
    assert_eq!(visits(&yard.broker), 1, "{}", yard.broker.log());
}

#[test]
fn s25_a_message_beyond_the_limit_is_named_once_and_attempts_back_off() {
    // Who was there before keeps a session, in which the message waits.
    let mut yard = Yard::open(Broker::plain());
    yard.daemon.kill();
    yard.client.hand_over(CAMERA, vec![b'x'; 300_000], false);
    yard.hand_over_rain(30);
    yard.client.wait_for_acknowledgements();
    let before = visits(&yard.broker);
    let began = clock::monotonic();
    yard.daemon.start_again();
    wait::until("six attempts", || (visits(&yard.broker) >= before + 6).then_some(()));
    // Pauses of 100, 100, 200, 250, 250 ms at least, where each grows out of the one before.
    assert!(clock::monotonic() - began >= 900, "{} ms", clock::monotonic() - began);
    assert!(yard.daemon.ended().is_none());
    let log = yard.daemon.log();
    let said = log.lines().filter(|line| line.contains("max_packet_bytes")).collect::<Vec<_>>();
    assert!(said.len() == 1 && said[0].contains("300") && said[0].contains("bytes"), "{log}");
    assert!(!said[0].contains("is up") && log.matches("broker is down").count() <= 2, "{log}");

    // With the limit raised all that waited is taken in.
    yard.daemon.kill();
    yard.daemon.change_configuration("[store]", "max_packet_bytes = 1048576\n[store]");
    yard.daemon.start_again();
    yard.assert_all_rain_counted();
}
