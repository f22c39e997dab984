//! The queue between the broker's connections and the writer thread. Putting in never blocks; a full queue asks the reading
//! side to stop reading, and TCP tells the broker.

use std::collections::VecDeque;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::sync::Notify;

/// A message as it came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// Which connection it came over: packet ids are used again on the next one.
    pub connection: u64,
    /// 0: sent without a wish to be acknowledged (QoS 0).
    pub packet: u16,
    pub topic: String,
    pub payload: Vec<u8>,
    pub retain: bool,
    pub dup: bool,
}

impl Message {
    /// Memory, bytes, about.
    pub(super) fn weight(&self) -> usize {
        self.payload.len() + self.topic.len() + size_of::<Arrival>()
    }
}

/// What the writer thread is told, in order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Arrival {
    Message(Message),
    /// A connection stands; subscriptions are not answered yet, but messages of the session may follow.
    Connected {
        session_present: bool,
    },
    /// The broker has answered every subscription.
    Up {
        session_present: bool,
        refused: Vec<String>,
        granted: Vec<String>,
    },
    /// The connection is gone.
    Down,
    /// Acknowledgements of these rows have reached the broker.
    Confirmed(Vec<i64>),
    /// An answer has reached the broker.
    Answered(i64),
    /// The empty payload of a topic has reached the broker.
    Cleared(String),
    /// Something of the daemon itself, to be kept and published like what the engine says.
    Own {
        topic: String,
        payload: Vec<u8>,
    },
}

/// How much may wait.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Room {
    pub messages: usize,
    pub bytes: usize,
}

impl Default for Room {
    fn default() -> Self {
        // Our choice: four commits of small messages, or a small board's patience with large ones.
        Self { messages: 20_000, bytes: 16 << 20 }
    }
}

/// The queue.
#[derive(Debug)]
pub struct Intake {
    queue: Mutex<Queue>,
    filled: Condvar,
    space: Notify,
    drained: Notify,
    room: Room,
}

#[derive(Debug, Default)]
struct Queue {
    arrivals: VecDeque<Arrival>,
    messages: usize,
    bytes: usize,
    /// The writer sleeps until so many are there.
    wanted: usize,
    closed: bool,
    /// The writer has taken every message.
    drained: bool,
    /// Nothing at all follows.
    finished: bool,
}

impl Intake {
    pub fn new(room: Room) -> Self {
        Self { queue: Mutex::default(), filled: Condvar::new(), space: Notify::new(), drained: Notify::new(), room }
    }

    /// How much may wait.
    pub fn room(&self) -> Room {
        self.room
    }

    /// Puts in. Messages after [`Intake::close`] are dropped: nobody acknowledges them, so the broker keeps them.
    pub fn put(&self, arrival: Arrival) {
        let mut queue = self.lock();
        if let Arrival::Message(message) = &arrival {
            if queue.closed {
                return;
            }
            queue.messages += 1;
            queue.bytes += message.weight();
        }
        queue.arrivals.push_back(arrival);
        if queue.arrivals.len() >= queue.wanted || queue.bytes >= self.room.bytes || queue.closed {
            queue.wanted = usize::MAX;
            self.filled.notify_one();
        }
    }

    /// True when nobody should read more from the broker for now.
    pub fn is_full(&self) -> bool {
        let queue = self.lock();
        !queue.closed && (queue.messages >= self.room.messages || queue.bytes >= self.room.bytes)
    }

    /// Returns when there is room again.
    pub async fn space(&self) {
        loop {
            let notified = self.space.notified();
            if !self.is_full() {
                return;
            }
            notified.await;
        }
    }

    /// No more messages; other news still follow.
    pub fn close(&self) {
        self.lock().closed = true;
        self.filled.notify_all();
        self.space.notify_waiters();
    }

    pub fn is_closed(&self) -> bool {
        self.lock().closed
    }

    /// Nothing follows any more: the writer may end.
    pub fn finish(&self) {
        let mut queue = self.lock();
        queue.closed = true;
        queue.finished = true;
        drop(queue);
        self.filled.notify_all();
        self.space.notify_waiters();
    }

    pub fn is_finished(&self) -> bool {
        self.lock().finished
    }

    /// The writer has made durable what came before [`Intake::close`], or never will.
    pub fn mark_drained(&self) {
        self.lock().drained = true;
        self.drained.notify_waiters();
    }

    /// Returns when the writer has said so.
    pub async fn drained(&self) {
        loop {
            let notified = self.drained.notified();
            if self.lock().drained {
                return;
            }
            notified.await;
        }
    }

    /// Takes at most `limit` arrivals; empty: there are none.
    pub fn take(&self, limit: usize) -> Vec<Arrival> {
        let mut queue = self.lock();
        let count = queue.arrivals.len().min(limit);
        let taken: Vec<_> = queue.arrivals.drain(..count).collect();
        for arrival in &taken {
            if let Arrival::Message(message) = arrival {
                queue.messages -= 1;
                queue.bytes -= message.weight();
            }
        }
        drop(queue);
        if !taken.is_empty() {
            self.space.notify_waiters();
        }
        taken
    }

    /// Waits until `limit` arrivals are there, too many bytes are, the queue is closed, or `wait` is over. A closed queue
    /// waits too, for its first arrival, until it is finished. False: `wait` is over.
    pub fn gather(&self, limit: usize, wait: Duration) -> bool {
        let limit = limit.min(self.room.messages);
        let room = self.room;
        let mut queue = self.lock();
        queue.wanted = limit;
        self.wait(queue, wait, |queue| {
            if queue.closed {
                queue.arrivals.is_empty() && queue.drained && !queue.finished
            } else {
                queue.arrivals.len() < limit && queue.bytes < room.bytes
            }
        })
    }

    /// Waits until the queue is closed or `wait` is over.
    pub fn pause(&self, wait: Duration) {
        let mut queue = self.lock();
        queue.wanted = usize::MAX;
        self.wait(queue, wait, |queue| !queue.closed);
    }

    /// False: `wait` is over and the condition still holds.
    fn wait(&self, queue: MutexGuard<'_, Queue>, wait: Duration, condition: impl FnMut(&mut Queue) -> bool) -> bool {
        let waited = self.filled.wait_timeout_while(queue, wait, condition);
        !waited.unwrap_or_else(PoisonError::into_inner).1.timed_out()
    }

    /// A thread that panicked left the queue as it was between two of its whole steps.
    fn lock(&self) -> MutexGuard<'_, Queue> {
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;

    fn message(bytes: usize) -> Arrival {
        let payload = vec![0; bytes];
        Arrival::Message(Message { connection: 1, packet: 1, topic: "t".into(), payload, retain: false, dup: false })
    }

    #[test]
    fn arrivals_come_out_in_order_and_in_pieces() {
        let intake = Intake::new(Room::default());
        for id in 0..5 {
            intake.put(Arrival::Answered(id));
        }
        let numbers = |arrivals: Vec<Arrival>| -> Vec<i64> {
            let number = |arrival| if let Arrival::Answered(id) = arrival { id } else { -1 };
            arrivals.into_iter().map(number).collect()
        };
        assert_eq!(numbers(intake.take(2)), vec![0, 1]);
        assert_eq!(numbers(intake.take(9)), vec![2, 3, 4]);
        assert_eq!(numbers(intake.take(9)), Vec::<i64>::new());
    }

    #[test]
    fn it_is_full_by_number_and_by_bytes() {
        let by_number = Intake::new(Room { messages: 2, bytes: usize::MAX });
        by_number.put(message(1));
        assert!(!by_number.is_full());
        by_number.put(message(1));
        assert!(by_number.is_full());
        by_number.take(1);
        assert!(!by_number.is_full());

        let by_bytes = Intake::new(Room { messages: usize::MAX, bytes: 1_000 });
        by_bytes.put(message(1_000));
        assert!(by_bytes.is_full());
        by_bytes.put(Arrival::Down);
        assert_eq!(by_bytes.take(9).len(), 2, "what is no message always gets in");
    }

    #[test]
    fn closing_drops_later_messages_and_keeps_earlier_ones_and_other_news() {
        let intake = Intake::new(Room::default());
        intake.put(message(1));
        intake.close();
        intake.put(message(2));
        intake.put(Arrival::Down);
        let long = Duration::from_secs(60);
        intake.gather(9, long);
        assert_eq!(intake.take(9), vec![message(1), Arrival::Down]);
        intake.gather(9, long);
        assert_eq!(intake.take(9), vec![], "the writer has to learn that all messages are through");
        intake.mark_drained();
        intake.put(Arrival::Answered(1));
        intake.gather(9, long);
        assert_eq!(intake.take(9), vec![Arrival::Answered(1)]);
        intake.finish();
        intake.gather(9, long);
        intake.pause(long);
    }

    #[test]
    fn the_writer_wakes_for_the_first_arrival_and_for_a_full_batch() {
        let intake = Arc::new(Intake::new(Room { messages: 3, bytes: usize::MAX }));
        let putting = intake.clone();
        let thread = std::thread::spawn(move || {
            for _ in 0..3 {
                putting.put(message(1));
            }
        });
        intake.gather(1, Duration::from_secs(60));
        assert!(!intake.take(1).is_empty());
        thread.join().unwrap();
        intake.put(message(1));
        intake.gather(3, Duration::from_secs(60));
        assert_eq!(intake.take(9).len(), 3);
    }

    #[tokio::test]
    async fn the_reading_side_waits_for_space() {
        let intake = Arc::new(Intake::new(Room { messages: 1, bytes: usize::MAX }));
        intake.put(message(1));
        let waiting = tokio::spawn({
            let intake = intake.clone();
            async move { intake.space().await }
        });
        tokio::task::yield_now().await;
        assert!(!waiting.is_finished());
        intake.take(1);
        waiting.await.unwrap();
    }
}
