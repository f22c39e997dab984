//! What the writer thread, the senders and the watch tell each other. Nobody waits for anybody here: the writer never for
//! the database, the senders never for a commit.

use std::sync::{Mutex, MutexGuard, PoisonError};

use tokio::sync::Notify;
use tokio::sync::futures::Notified;

use crate::engine::output::Lane;
use crate::engine::stamp::Stamp;
use crate::shell::store::{HistoryCount, Settled};

/// The shared state.
#[derive(Debug, Default)]
pub(in crate::shell) struct Link {
    state: Mutex<State>,
    /// New lines are in the store.
    kept: Notify,
}

#[derive(Clone, Debug, Default)]
struct State {
    /// Raised when the store was opened anew: rows of the one before mean nothing any more.
    generation: u64,
    /// Done by the senders, not committed yet.
    settled: Settled,
    lanes: [LaneState; 2],
    count: HistoryCount,
    dropped_at: Option<Stamp>,
    disk_is_low: bool,
}

/// What a sender is at.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct LaneState {
    /// When the oldest line was kept that the database does not have.
    oldest: Option<Stamp>,
    trouble: Option<Trouble>,
}

/// Why a request failed, until one succeeds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::shell) struct Trouble {
    /// It takes a person to end it.
    pub(in crate::shell) is_fault: bool,
    pub(in crate::shell) text: String,
}

/// What the watch sees.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(in crate::shell) struct Sight {
    pub(in crate::shell) oldest: Option<Stamp>,
    /// That of the lane that needs a person, else that of the first that has one.
    pub(in crate::shell) trouble: Option<Trouble>,
    pub(in crate::shell) count: HistoryCount,
    /// When lines were given up last, in this run.
    pub(in crate::shell) dropped_at: Option<Stamp>,
}

impl Link {
    /// What is to be taken out of the store with the next commit.
    pub(in crate::shell) fn settled(&self) -> Settled {
        self.lock().settled
    }

    /// A commit is done that took `settled` out, and gave up `dropped` lines at `now`.
    pub(in crate::shell) fn committed(&self, settled: Settled, dropped: u64, now: Stamp, count: HistoryCount) {
        let mut state = self.lock();
        state.settled.sent = state.settled.sent.saturating_sub(settled.sent);
        state.settled.refused = state.settled.refused.saturating_sub(settled.refused);
        if dropped > 0 {
            state.dropped_at = Some(now);
        }
        let has_more = count.bytes > 0;
        state.count = count;
        drop(state);
        if has_more {
            self.kept.notify_waiters();
        }
    }

    /// The store was opened anew, and perhaps is another one.
    pub(in crate::shell) fn begin_anew(&self) {
        let mut state = self.lock();
        state.generation += 1;
        state.settled.upto = [0; 2];
        drop(state);
        self.kept.notify_waiters();
    }

    /// The lines up to row `upto` of a store of `generation` are done with; more of them were sent or refused than before.
    pub(super) fn settle(&self, generation: u64, lane: Lane, upto: i64, sent: u64, refused: u64) {
        let mut state = self.lock();
        state.settled.sent += sent;
        state.settled.refused += refused;
        if state.generation == generation {
            let settled = &mut state.settled.upto[place(lane)];
            *settled = (*settled).max(upto);
        }
    }

    pub(super) fn generation(&self) -> u64 {
        self.lock().generation
    }

    /// Ready at the next commit that leaves lines in the store; made before looking for them.
    pub(super) fn kept(&self) -> Notified<'_> {
        self.kept.notified()
    }

    pub(super) fn set_oldest(&self, lane: Lane, oldest: Option<Stamp>) {
        self.lock().lanes[place(lane)].oldest = oldest;
    }

    /// None: the last request did what it should. True where that is news: trouble where there was none, none where there
    /// was some, or another kind of it.
    pub(super) fn set_trouble(&self, lane: Lane, trouble: Option<Trouble>) -> bool {
        let kind = |trouble: &Option<Trouble>| trouble.as_ref().map(|trouble| trouble.is_fault);
        let mut state = self.lock();
        let place = &mut state.lanes[place(lane)].trouble;
        let is_news = kind(place) != kind(&trouble);
        *place = trouble;
        is_news
    }

    pub(super) fn set_disk_is_low(&self, is_low: bool) {
        self.lock().disk_is_low = is_low;
    }

    /// No history is to be kept for now.
    pub(in crate::shell) fn disk_is_low(&self) -> bool {
        self.lock().disk_is_low
    }

    /// When the oldest line was kept that the database does not have.
    pub(in crate::shell) fn oldest(&self) -> Option<Stamp> {
        self.lock().lanes.iter().filter_map(|lane| lane.oldest).min()
    }

    pub(super) fn sight(&self) -> Sight {
        let oldest = self.oldest();
        let state = self.lock();
        let troubles = || state.lanes.iter().filter_map(|lane| lane.trouble.as_ref());
        Sight {
            oldest,
            trouble: troubles().find(|trouble| trouble.is_fault).or_else(|| troubles().next()).cloned(),
            count: state.count,
            dropped_at: state.dropped_at,
        }
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        // Nothing panics while it is held; and if it did, every field would still be whole.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Where a lane stands in pairs.
fn place(lane: Lane) -> usize {
    match lane {
        Lane::Reading => 0,
        Lane::Account => 1,
    }
}
