//! The driver runs deadlines in order before each event. Daemon, replay, demo and tests all go through it, so that a
//! history gives the same outputs wherever it runs.

use super::event::{Event, Now};
use super::output::Output;
use super::stamp::Stamp;
use super::{Engine, SavedSite};

/// An engine and the last time it was told.
pub struct Driver {
    engine: Engine,
    last: Now,
}

impl Driver {
    /// Takes over `engine`, which was restored at `last`.
    pub fn new(mut engine: Engine, last: Now) -> Self {
        engine.resume(last);
        Self { engine, last }
    }

    pub fn engine(&self) -> &Engine {
        &self.engine
    }

    pub fn engine_mut(&mut self) -> &mut Engine {
        &mut self.engine
    }

    /// The next instant at which something is due without any event.
    pub fn deadline(&self) -> Option<Stamp> {
        self.engine.deadline()
    }

    /// The time of the last step.
    pub fn last(&self) -> Now {
        self.last
    }

    /// Runs every deadline up to `now`. True when there was one: then the shell journals `now`, so that a replay runs the
    /// same deadlines at the same times.
    pub fn advance(&mut self, now: Now, outputs: &mut Vec<Output>) -> bool {
        let mut ticked = false;
        while let Some(due) = self.engine.deadline() {
            if due > now.wall {
                break;
            }
            let at = between(self.last, now, due);
            self.step(at, Event::Tick, outputs);
            ticked = true;
        }
        self.last = now;
        ticked
    }

    /// Runs the deadlines up to `now`, then the event. A clock step comes first: the deadlines it skips are the engine's
    /// to judge.
    pub fn apply(&mut self, now: Now, event: Event, outputs: &mut Vec<Output>) {
        if matches!(event, Event::ClockStep { .. }) {
            self.step(now, event, outputs);
            self.advance(now, outputs);
        } else {
            self.advance(now, outputs);
            self.step(now, event, outputs);
        }
    }

    /// Brings back what was journalled under `sequence`; sites whose saved state holds it already are left alone. `None`:
    /// deadlines ran up to `now`. The outputs went out before and are thrown away.
    pub fn replay(&mut self, sequence: u64, now: Now, event: Option<Event>) {
        let mut outputs = Vec::new();
        if now.uptime < self.last.uptime {
            // The tail begins before the latest saved state.
            self.last = now;
            self.engine.resume(now);
        }
        self.engine.set_sequence(sequence);
        self.engine.set_replaying(true);
        match event {
            Some(event) => self.apply(now, event, &mut outputs),
            None => {
                self.advance(now, &mut outputs);
            }
        }
        self.engine.set_replaying(false);
    }

    /// The state of every site changed since the last call, oldest change first, at most `limit`.
    pub fn take_dirty(&mut self, limit: usize) -> Vec<SavedSite> {
        self.engine.take_dirty(limit)
    }

    fn step(&mut self, now: Now, event: Event, outputs: &mut Vec<Output>) {
        outputs.append(&mut self.engine.step(now, event));
        self.last = now;
    }
}

/// The time at the deadline `due`, which lies between `last` and `now` or, after a clock step, before both.
fn between(last: Now, now: Now, due: Stamp) -> Now {
    let wall = due.max(last.wall.min(now.wall));
    let back = now.wall.since(wall).max(0);
    let uptime = (now.uptime.saturating_sub(back)).max(last.uptime);
    let listening = (now.listening.saturating_sub(back)).max(last.listening);
    Now { wall, uptime, listening: listening.min(now.listening.max(last.listening)), trusted: now.trusted }
}

/// Keeps `uptime` and `listening` from a monotonic clock and the state of the connection. Pure: the shell feeds it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Timekeeper {
    now: Now,
    monotonic: i64,
    connected: bool,
    floor: Stamp,
}

impl Timekeeper {
    /// `stored`: the last committed time (default on a new store). `floor`: when the program was built.
    pub fn new(stored: Now, floor: Stamp, monotonic: i64) -> Self {
        Self { now: stored, monotonic, connected: false, floor: floor.max(stored.wall) }
    }

    pub fn set_connected(&mut self, connected: bool) {
        self.connected = connected;
    }

    /// The time now, and the step of the wall clock in milliseconds where it parted from the monotonic clock by more
    /// than 5 s since the last call.
    pub fn read(&mut self, wall: Stamp, monotonic: i64, first: bool) -> (Now, Option<i64>) {
        let passed = monotonic.saturating_sub(self.monotonic).max(0);
        self.monotonic = monotonic;
        let parted = wall.since(self.now.wall).saturating_sub(passed);
        let stepped = !first && parted.abs() > STEP_LIMIT;
        self.now.uptime = self.now.uptime.saturating_add(passed);
        if self.connected {
            self.now.listening = self.now.listening.saturating_add(passed);
        }
        // A correction of a running, believed clock by less than a day is believed; further back is not.
        if stepped && parted < 0 && parted > -super::stamp::DAY && self.now.trusted {
            self.floor = self.floor.min(wall);
        }
        self.now.trusted = wall >= self.floor;
        if self.now.trusted && !stepped {
            self.floor = wall;
        }
        self.now.wall = wall;
        (self.now, stepped.then_some(parted))
    }
}

const STEP_LIMIT: i64 = 5 * super::stamp::SECOND;
