//! The engine: pure and synchronous. No IO, no clock, no async, no randomness.

pub mod alert;
pub mod civil;
pub mod decision;
pub mod decode;
pub mod driver;
pub mod event;
pub mod formula;
pub mod output;
pub mod quality;
pub mod reading;
pub mod sensor;
pub mod settings;
pub mod site;
pub mod stamp;
pub mod units;

use std::sync::Arc;

use event::{Event, Now};
use output::Output;
use settings::Settings;
use stamp::Stamp;

/// One site as it survives a restart. The id `""` is the partition itself: what was heard from nobody known.
#[derive(Clone, Debug, PartialEq)]
pub struct SavedSite {
    pub id: String,
    /// Last journal sequence that is in `state`.
    pub applied: u64,
    /// MessagePack behind one version byte.
    pub state: Vec<u8>,
}

/// What could not be restored, and why; the site starts anew.
#[derive(Clone, Debug, PartialEq)]
pub struct Unreadable {
    pub site: String,
    pub cause: String,
}

/// One partition of sites.
pub struct Engine {
    settings: Arc<Settings>,
    epoch: u64,
    sequence: u64,
}

impl Engine {
    /// Sites of `settings`, continued from `saved` where there is a saved state. `epoch` goes into every payload.
    pub fn restore(
        settings: Arc<Settings>,
        epoch: u64,
        saved: impl Iterator<Item = SavedSite>,
    ) -> (Self, Vec<Unreadable>) {
        let _ = saved;
        (Self { settings, epoch, sequence: 0 }, Vec::new())
    }

    /// Takes one event in at `now` and says what follows from it. Cannot fail: what cannot be read is an output too.
    pub fn step(&mut self, now: Now, event: Event) -> Vec<Output> {
        let _ = (now, event, &self.settings, self.epoch);
        self.sequence += 1;
        Vec::new()
    }

    /// The next instant at which something is due without any event.
    pub fn deadline(&self) -> Option<Stamp> {
        None
    }

    /// The journal sequence of the next event that is not a tick.
    pub fn sequence(&self) -> u64 {
        self.sequence
    }

    /// Numbers the next event; used by the driver when a journal is replayed.
    pub(crate) fn set_sequence(&mut self, sequence: u64) {
        self.sequence = sequence;
    }

    /// Reckons all deadlines anew from `now`.
    pub(crate) fn resume(&mut self, now: Now) {
        let _ = now;
    }

    /// Saved states of the sites changed since they were last taken, oldest change first, at most `limit`.
    pub fn take_dirty(&mut self, limit: usize) -> Vec<SavedSite> {
        let _ = limit;
        Vec::new()
    }

    /// The oldest journal sequence that some site's last taken state does not hold yet: the journal can be trimmed below.
    pub fn oldest_unsaved(&self) -> u64 {
        self.sequence
    }
}
