//! While the store fails: listen on, keep what comes, and add holds.
//!
//! Nothing is acknowledged, and nothing but a hold is published: a hold that turns out to be needless costs a day's water, a
//! frost that nobody heard of costs the pipes. What is told so is marked `durable: false`. When the store works again,
//! everything that came goes through the engine once more, from what the store holds, under a higher epoch: so that what is
//! said then is the newer word, whatever its sequence.

use std::collections::VecDeque;
use std::time::Duration;

use thirst_schemas::{Action, Decision, Instruction};

use crate::engine::event::{Event, Now};
use crate::engine::output::Output;
use crate::engine::stamp::SECOND;

use super::super::batch::owner;
use super::super::intake::{Arrival, Room};
use super::super::store::Topic;
use super::{MOST_PER_COMMIT, Writer};

/// What is known of a fault that still lasts, and for as long as what came meanwhile is worked off.
#[derive(Debug, Default)]
pub(super) struct Failing {
    /// What came since, in order: still to go through the engine that the store knows.
    kept: VecDeque<Arrival>,
    messages: usize,
    bytes: usize,
    /// Steps of the wall clock seen since, milliseconds.
    stepped: i64,
    /// Holds were published that the store does not hold.
    has_told: bool,
}

impl Failing {
    /// What came while the store failed, at most `limit`, oldest first.
    pub(super) fn take(&mut self, limit: usize) -> Vec<Arrival> {
        let taken: Vec<_> = self.kept.drain(..self.kept.len().min(limit)).collect();
        if self.kept.is_empty() {
            (self.messages, self.bytes) = (0, 0);
        }
        taken
    }

    pub(super) fn is_empty(&self) -> bool {
        self.kept.is_empty()
    }

    /// True once after holds were published that the store does not hold.
    pub(super) fn has_told(&self) -> bool {
        self.has_told
    }

    /// The store works again; says by how much the wall clock was set meanwhile.
    pub(super) fn over(&mut self) -> i64 {
        self.has_told = false;
        std::mem::take(&mut self.stepped)
    }

    /// As much is kept as may wait: the rest stays with the broker.
    fn is_full(&self, room: Room) -> bool {
        self.messages >= room.messages || self.bytes >= room.bytes
    }

    fn keep(&mut self, arrival: Arrival) {
        if let Arrival::Message(message) = &arrival {
            self.messages += 1;
            self.bytes += message.weight();
        }
        self.kept.push_back(arrival);
    }
}

impl Writer {
    /// Waits for `pause` and steps what comes meanwhile through an engine that the store will never see.
    pub(super) fn listen_on(&mut self, pause: Duration) {
        let until = self.clock.monotonic().saturating_add(i64::try_from(pause.as_millis()).unwrap_or(i64::MAX));
        let mut left = pause;
        while !left.is_zero() && !self.links.intake.is_closed() {
            if self.failing.is_full(self.links.intake.room()) {
                self.links.intake.pause(left);
                return;
            }
            let wait = left.min(self.until_deadline());
            if !self.links.intake.gather(1, wait) {
                left -= wait;
            }
            self.overhear();
            let remaining = u64::try_from(until.saturating_sub(self.clock.monotonic())).unwrap_or(0);
            left = left.min(Duration::from_millis(remaining));
        }
    }

    /// Steps what has come, and whatever is due, and publishes the holds that follow.
    fn overhear(&mut self) {
        let arrivals = self.links.intake.take(MOST_PER_COMMIT);
        let (now, step) = self.timekeeper.read(self.clock.wall(), self.clock.monotonic(), false);
        self.failing.stepped += step.unwrap_or(0);
        let mut outputs = Vec::new();
        self.state.driver.advance(now, &mut outputs);
        for arrival in arrivals {
            if let Some(event) = self.overheard(&arrival) {
                self.state.driver.apply(now, event, &mut outputs);
            }
            self.failing.keep(arrival);
        }
        self.add_holds(outputs, now);
    }

    /// The event in an arrival, where there is one.
    fn overheard(&mut self, arrival: &Arrival) -> Option<Event> {
        match arrival {
            Arrival::Message(message) => Some(Event::from_message(
                &self.state.settings.prefix,
                &message.topic,
                message.payload.clone(),
                message.retain,
                message.dup,
            )),
            Arrival::Up { session_present, refused, .. } => {
                self.timekeeper.set_connected(true);
                Some(Event::BrokerUp { session_present: *session_present, refused: refused.clone() })
            }
            Arrival::Down => {
                self.timekeeper.set_connected(false);
                Some(Event::BrokerDown)
            }
            _ => None,
        }
    }

    /// Publishes the holds among `outputs`, past the store.
    pub(super) fn add_holds(&mut self, outputs: Vec<Output>, now: Now) {
        let prefix = &self.state.settings.prefix;
        let holds: Vec<Topic> = outputs
            .into_iter()
            .filter_map(|output| match output {
                Output::State { topic, payload } => {
                    let payload = hold(&payload)?;
                    Some(Topic { owner: owner(prefix, &topic).to_owned(), topic, payload })
                }
                _ => None,
            })
            .collect();
        if holds.is_empty() {
            return;
        }
        if !self.failing.has_told {
            self.failing.has_told = true;
            let since = now.wall.plus(-now.wall.0.rem_euclid(SECOND)).text();
            tracing::warn!(target: "thirstd", since, "holds are published that the store does not have yet");
        }
        self.links.outbox.push_past_store(holds);
    }
}

/// The payload to publish, where it holds something: of a decision marked as not durable.
fn hold(payload: &[u8]) -> Option<Vec<u8>> {
    if let Ok(decision) = serde_json::from_slice::<Decision>(payload) {
        let marked = Decision { durable: false, ..decision };
        return (marked.action == Action::Hold).then(|| thirst_schemas::encode(&marked).ok()).flatten();
    }
    let instruction: Instruction = serde_json::from_slice(payload).ok()?;
    (!instruction.water_allowed).then(|| payload.to_vec())
}
