//! Acknowledgements between the writer thread, which says what is durable, and the polling task, which owns the socket.
//!
//! They go out in the order in which the messages came, many in one write. The poll must not be cut short, so the writer
//! wakes it with the first acknowledgement of a batch as a request of its own; when the poll has sent that one, the task
//! writes the rest behind it. Acknowledgements of an earlier connection are dropped: their packet ids mean other messages
//! now, and the broker sends the messages again.

use std::collections::VecDeque;
use std::sync::{Mutex, MutexGuard, PoisonError};

use rumqttc::{AsyncClient, Publish, QoS};

/// An acknowledgement to be sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ack {
    pub connection: u64,
    pub packet: u16,
    /// The row of unacknowledged messages that it belongs to.
    pub row: i64,
}

/// The queue of acknowledgements.
#[derive(Debug)]
pub struct Acks {
    state: Mutex<State>,
    client: AsyncClient,
}

#[derive(Debug, Default)]
struct State {
    connection: u64,
    ready: VecDeque<Ack>,
    /// The first of `ready` is with the client.
    waking: bool,
    progress: Progress,
}

/// Which rows' acknowledgements have certainly arrived: the broker works in order, so the answer to a ping proves all that
/// was written before the ping.
#[derive(Debug, Default)]
struct Progress {
    /// Rows with all acknowledgements written on this connection.
    written: Vec<i64>,
    /// A row of which acknowledgements were dropped, or of which more may follow.
    open: Option<i64>,
    spoiled: Option<i64>,
    /// Per ping on its way: the rows written before it and after the one before.
    pings: VecDeque<Vec<i64>>,
}

impl Acks {
    pub fn new(client: AsyncClient) -> Self {
        Self { state: Mutex::default(), client }
    }

    /// These messages, all of one commit and in receive order, are durable.
    pub fn complete(&self, acks: &[Ack]) {
        let mut state = self.lock();
        let connection = state.connection;
        for ack in acks {
            if ack.connection == connection {
                state.ready.push_back(*ack);
            } else {
                state.progress.spoiled = Some(ack.row);
            }
        }
        if !state.waking
            && let Some(first) = state.ready.front()
        {
            let mut request = Publish::new("", QoS::AtLeastOnce, Vec::new());
            request.pkid = first.packet;
            // The channel holds nothing but this one request and a farewell; full means that the poll is over.
            state.waking = self.client.try_ack(&request).is_ok();
        }
    }

    /// The connection that messages come over now.
    pub(super) fn connection(&self) -> u64 {
        self.lock().connection
    }

    /// The connection is gone; a new number for the next one. After this no request of the old one can follow.
    pub(in crate::shell) fn next_connection(&self) -> u64 {
        let mut state = self.lock();
        state.connection += 1;
        state.ready.clear();
        state.waking = false;
        state.progress = Progress::default();
        state.connection
    }

    /// The client has sent the first acknowledgement: these go out behind it.
    pub(in crate::shell) fn sent_first(&self) -> Vec<u16> {
        let mut state = self.lock();
        state.waking = false;
        let acks: Vec<_> = state.ready.drain(..).collect();
        for ack in &acks {
            state.progress.write(ack.row);
        }
        acks.iter().skip(1).map(|ack| ack.packet).collect()
    }

    /// A ping goes out, behind everything that [`Acks::sent_first`] gave.
    pub(super) fn ping_sent(&self) {
        let progress = &mut self.lock().progress;
        let written = std::mem::take(&mut progress.written);
        progress.pings.push_back(written);
    }

    /// A ping was answered: these rows have arrived.
    pub(super) fn ping_answered(&self) -> Vec<i64> {
        self.lock().progress.pings.pop_front().unwrap_or_default()
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Progress {
    /// Acknowledgements of one row come in one [`Acks::complete`], so a row is whole when a batch ends with it; what was
    /// dropped before spoils it.
    fn write(&mut self, row: i64) {
        if self.open != Some(row) {
            self.open = Some(row);
            if self.spoiled != Some(row) {
                self.written.push(row);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use rumqttc::{AsyncClient, EventLoop, MqttOptions};

    use super::*;

    /// The loop must live as long as its client's requests are to be taken.
    fn acks() -> (Acks, EventLoop) {
        let (client, eventloop) = AsyncClient::new(MqttOptions::new("test", "localhost", 1), 4);
        (Acks::new(client), eventloop)
    }

    fn batch(connection: u64, row: i64, packets: std::ops::Range<u16>) -> Vec<Ack> {
        packets.map(|packet| Ack { connection, packet, row }).collect()
    }

    #[test]
    fn one_request_wakes_for_a_batch_and_the_rest_follows_in_receive_order() {
        let (acks, _eventloop) = acks();
        let connection = acks.next_connection();
        acks.complete(&batch(connection, 1, 10..13));
        acks.complete(&batch(connection, 2, 13..15));
        assert!(acks.lock().waking);
        assert_eq!(acks.sent_first(), vec![11, 12, 13, 14]);
        assert!(!acks.lock().waking);
        acks.complete(&batch(connection, 3, 15..16));
        assert!(acks.lock().waking);
        assert_eq!(acks.sent_first(), Vec::<u16>::new());
    }

    #[test]
    fn acknowledgements_of_an_earlier_connection_are_dropped() {
        let (acks, _eventloop) = acks();
        let earlier = acks.next_connection();
        acks.complete(&batch(earlier, 1, 1..4));
        let connection = acks.next_connection();
        assert!(!acks.lock().waking);
        acks.complete(&batch(earlier, 2, 4..6));
        assert!(!acks.lock().waking);
        acks.complete(&batch(connection, 3, 1..3));
        assert_eq!(acks.sent_first(), vec![2]);
    }

    #[test]
    fn a_row_has_arrived_when_a_later_ping_is_answered() {
        let (acks, _eventloop) = acks();
        let connection = acks.next_connection();
        acks.complete(&batch(connection, 1, 1..3));
        acks.ping_sent();
        acks.sent_first();
        assert_eq!(acks.ping_answered(), Vec::<i64>::new(), "the ping went out before");
        acks.complete(&batch(connection, 2, 3..4));
        acks.sent_first();
        acks.ping_sent();
        acks.complete(&batch(connection, 3, 4..5));
        acks.sent_first();
        acks.ping_sent();
        assert_eq!(acks.ping_answered(), vec![1, 2]);
        assert_eq!(acks.ping_answered(), vec![3]);
        assert_eq!(acks.ping_answered(), Vec::<i64>::new(), "an answer nobody asked for");
    }

    #[test]
    fn a_row_that_lost_acknowledgements_never_counts_as_arrived() {
        let (acks, _eventloop) = acks();
        let earlier = acks.next_connection();
        let connection = acks.next_connection();
        let mut mixed = batch(earlier, 5, 1..3);
        mixed.extend(batch(connection, 5, 1..3));
        mixed.extend(batch(connection, 6, 3..4));
        acks.complete(&mixed);
        acks.sent_first();
        acks.ping_sent();
        assert_eq!(acks.ping_answered(), vec![6]);
    }

    #[test]
    fn rows_written_on_a_lost_connection_have_not_arrived() {
        let (acks, _eventloop) = acks();
        let connection = acks.next_connection();
        acks.complete(&batch(connection, 1, 1..3));
        acks.sent_first();
        acks.ping_sent();
        acks.next_connection();
        assert_eq!(acks.ping_answered(), Vec::<i64>::new());
    }
}
