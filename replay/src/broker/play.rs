//! A recording to a living broker, in the recording's own rhythm or faster.

use std::future::Future;
use std::io::BufRead;
use std::pin::pin;
use std::time::Duration;

use rumqttc::{Event, EventLoop, Packet, QoS};
use tokio::sync::watch;

use super::{Access, BrokerError, PARTING};
use crate::clock;
use crate::recording::{Entry, Reader};

/// What was played.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Played {
    /// Handed to the broker.
    pub messages: u64,
    /// Of these the broker acknowledged.
    pub acknowledged: u64,
    /// Lines that are no messages: a broker cannot be told of them.
    pub left_out: u64,
    /// The user ended it.
    pub stopped: bool,
}

/// Publishes the messages of `reader` with QoS 1 and their retain flags. `speed` 60 plays a minute in a second; 0 plays as
/// fast as the broker acknowledges. Ends with the recording or with `stop`, after the last acknowledgement.
///
/// # Errors
/// When the connection fails or is lost, or a line cannot be read.
pub async fn play<R: BufRead>(
    access: &Access,
    mut reader: Reader<R>,
    speed: f64,
    stop: impl Future<Output = ()>,
) -> Result<Played, BrokerError> {
    let (client, eventloop) = access.client(IN_FLIGHT);
    let (sender, mut progress) = watch::channel(Progress::default());
    let polling = tokio::spawn(poll(access.clone(), eventloop, sender));
    let mut stop = pin!(stop);
    let mut played = Played::default();
    let mut pace: Option<Pace> = None;

    tokio::select! {
        connected = progress.wait_for(|progress| progress.connected || progress.over) => drop(connected),
        () = &mut stop => played.stopped = true,
    }
    let mut complete = false;
    while !played.stopped {
        let Some(line) = reader.next() else {
            complete = true;
            break;
        };
        let line = line?;
        let Entry::Message { topic, payload, retain, .. } = line.entry else {
            played.left_out += 1;
            continue;
        };
        let pace = pace.get_or_insert_with(|| Pace { first: line.at.0, started: clock::monotonic(), speed });
        let hand_over = async {
            tokio::time::sleep(pace.wait(line.at.0, clock::monotonic())).await;
            client.publish(topic, QoS::AtLeastOnce, retain, payload).await.is_ok()
        };
        tokio::select! {
            handed_over = hand_over => if handed_over { played.messages += 1 } else { break },
            over = progress.wait_for(|progress| progress.over) => { drop(over); break }
            () = &mut stop => played.stopped = true,
        }
    }
    let handed_over = played.messages;
    let all = progress.wait_for(|progress| progress.over || progress.acknowledged >= handed_over);
    let _ = tokio::time::timeout(PARTING, all).await;
    played.acknowledged = progress.borrow().acknowledged;
    if !progress.borrow().over {
        let _ = client.try_disconnect();
        let _ = tokio::time::timeout(PARTING, progress.wait_for(|progress| progress.over)).await;
    }
    polling.abort();
    let fault = polling.await.ok().flatten();
    match fault {
        // A broker that goes away when everything is said and done took nothing away.
        Some(fault) if !complete || played.acknowledged < played.messages => Err(fault),
        None if played.acknowledged < played.messages && !played.stopped => Err(BrokerError::Unacknowledged {
            broker: access.broker(),
            published: played.messages,
            acknowledged: played.acknowledged,
        }),
        _ => Ok(played),
    }
}

/// How far the connection has come.
#[derive(Clone, Copy, Debug, Default)]
struct Progress {
    connected: bool,
    acknowledged: u64,
    over: bool,
}

/// Keeps the connection until it ends, and says why it ended. It is not made anew: what was in flight would be unknown.
async fn poll(access: Access, mut eventloop: EventLoop, progress: watch::Sender<Progress>) -> Option<BrokerError> {
    loop {
        match eventloop.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => progress.send_modify(|progress| progress.connected = true),
            Ok(Event::Incoming(Packet::PubAck(_))) => progress.send_modify(|progress| progress.acknowledged += 1),
            Ok(Event::Outgoing(rumqttc::Outgoing::Disconnect)) => {
                progress.send_modify(|progress| progress.over = true);
                return None;
            }
            Ok(_) => {}
            Err(fault) => {
                let Progress { connected, acknowledged, .. } = *progress.borrow();
                let fault = if connected {
                    BrokerError::Lost { broker: access.broker(), cause: fault.to_string(), acknowledged }
                } else {
                    access.explain(&fault)
                };
                progress.send_modify(|progress| progress.over = true);
                return Some(fault);
            }
        }
    }
}

/// When each message is due.
struct Pace {
    /// Milliseconds of the first message in the recording, and of the moment it was played.
    first: i64,
    started: i64,
    speed: f64,
}

impl Pace {
    /// How long to wait at `now` for the message recorded at `at`.
    fn wait(&self, at: i64, now: i64) -> Duration {
        if self.speed <= 0.0 {
            return Duration::ZERO;
        }
        let due = at.saturating_sub(self.first) as f64 / self.speed;
        let wait = due - now.saturating_sub(self.started) as f64;
        Duration::try_from_secs_f64(wait / 1_000.0).unwrap_or_default()
    }
}

/// Requests between us and the connection; its own window of unacknowledged publications is 100.
const IN_FLIGHT: usize = 100;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn messages_are_due_at_their_distance_from_the_first_divided_by_the_speed() {
        let check = |speed, at, now, expected_ms| {
            let pace = Pace { first: 10_000, started: 500, speed };
            assert_eq!(pace.wait(at, now), Duration::from_millis(expected_ms), "{speed} {at} {now}");
        };
        check(60.0, 10_000, 500, 0);
        check(60.0, 70_000, 500, 1_000);
        check(60.0, 70_000, 900, 600);
        check(60.0, 70_000, 9_000, 0); // late: at once
        check(60.0, 4_000, 500, 0); // the recording goes back: at once
        check(1.0, 10_250, 500, 250);
        check(0.0, 3_610_000, 500, 0);
    }
}
