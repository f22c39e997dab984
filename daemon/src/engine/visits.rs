//! The visit list of the partition: folded anew where alerts changed, told when it differs.
//!
//! It follows from the open alerts of the sites alone. What is kept is the sequence and a hash of the list last told;
//! both are saved with the commit that tells it, so that a replay never has to tell one again.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::event::Now;
use super::output::Output;
use super::publish::visits::{Need, Visit, cut, order, payload, topic, visit};
use super::stamp::{SECOND, Stamp};
use super::{Engine, PARTITION, SavedSite, snapshot};

/// The list as it was last told.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Told {
    #[serde(rename = "q", default)]
    sequence: u64,
    /// Of its bytes; None: nothing was told yet.
    #[serde(rename = "h", default)]
    hash: Option<u64>,
}

/// The list in the making.
#[derive(Clone, Debug, Default)]
pub struct VisitList {
    /// By index of the site; only those that need somebody.
    folded: BTreeMap<usize, Visit>,
    /// Sites whose alerts changed since.
    changed: BTreeSet<usize>,
    due: Option<Stamp>,
    /// What is replayed was told before.
    is_replaying: bool,
    /// Told since the partition was last taken to be saved.
    is_unsaved: bool,
}

impl VisitList {
    /// When the list has to be looked at.
    pub fn due(&self) -> Option<Stamp> {
        self.due.filter(|_| !self.is_replaying)
    }
}

impl Engine {
    /// The alerts of a site changed: the list is looked at within a moment.
    pub(super) fn alerts_changed(&mut self, index: usize, now: Now) {
        self.visits.changed.insert(index);
        if self.visits.due.is_none() {
            self.visits.due = Some(next_look(now.wall));
        }
    }

    /// Every site is folded anew: the settings are others, or what changed is not known.
    pub(super) fn refold_visits(&mut self, now: Now) {
        self.visits.folded.clear();
        self.visits.changed = (0..self.sites.len()).filter(|index| !self.sites[*index].alerts.is_empty()).collect();
        self.visits.due = Some(next_look(now.wall));
    }

    /// The topic of the list was another.
    pub(super) fn clear_visits(&mut self, prefix: &str) {
        self.outputs.push(Output::State { topic: topic(prefix), payload: Vec::new() });
        self.partition.visits.hash = None;
    }

    /// Tells the list where it is due and differs from the one before.
    pub(super) fn tell_visits(&mut self, now: Now) {
        // A clock that went back does not make it wait.
        if self.visits.due.is_some_and(|due| due.since(now.wall) > EVERY) {
            self.visits.due = Some(next_look(now.wall));
        }
        if self.visits.due().is_none_or(|due| due > now.wall) {
            return;
        }
        self.visits.due = None;
        for index in std::mem::take(&mut self.visits.changed) {
            let (Some(state), Some(site)) = (self.sites.get(index), self.settings.sites.get(index)) else { continue };
            let open = state.alerts.iter();
            let needs = open.filter_map(|((kind, subject), alert)| Need::of(*kind, subject, alert, site)).collect();
            match visit(site, needs) {
                Some(visit) => self.visits.folded.insert(index, visit),
                None => self.visits.folded.remove(&index),
            };
        }
        let mut list: Vec<&Visit> = self.visits.folded.values().collect();
        list.sort_by(|a, b| order(a, b));
        let left_out = cut(&mut list);
        // Plain data, which always serializes.
        let hash = fnv(&serde_json::to_vec(&(&list, left_out)).unwrap_or_default());
        if self.partition.visits.hash == Some(hash) {
            return;
        }
        let told = &mut self.partition.visits;
        (told.sequence, told.hash) = (told.sequence + 1, Some(hash));
        let sequence = told.sequence;
        let visits = list.into_iter().cloned().collect();
        let payload = payload(visits, left_out, self.epoch, sequence, now.wall);
        self.outputs.push(Output::State { topic: topic(&self.settings.prefix), payload });
        self.save_partition();
    }

    /// The partition is saved with the next commit, not when its turn comes.
    pub(super) fn save_partition(&mut self) {
        self.visits.is_unsaved = true;
        self.mark(PARTITION);
    }

    /// The partition, to be saved together with the list that it told.
    pub(super) fn take_told(&mut self) -> Option<SavedSite> {
        if !self.visits.is_unsaved {
            return None;
        }
        self.dirty.retain(|(_, index)| *index != PARTITION);
        Some(self.take_partition())
    }

    /// The partition as it is now.
    pub(super) fn take_partition(&mut self) -> SavedSite {
        self.visits.is_unsaved = false;
        self.partition.dirty_since = None;
        self.partition.applied = self.sequence.saturating_sub(1);
        snapshot::write("", self.partition.applied, &self.partition)
    }

    /// While a journal is replayed, no list is told.
    pub(crate) fn set_replaying(&mut self, is_replaying: bool) {
        self.visits.is_replaying = is_replaying;
        if self.visits.due.is_some_and(|due| due <= self.last.wall) {
            self.visits.due = Some(next_look(self.last.wall));
        }
    }
}

/// Whole quarters of a minute, so that a restart in between looks at the same moments. Our choice, ms.
const EVERY: i64 = 15 * SECOND;

fn next_look(now: Stamp) -> Stamp {
    Stamp(now.0.div_euclid(EVERY).saturating_add(1).saturating_mul(EVERY))
}

/// FNV-1a, 64 bits.
fn fnv(bytes: &[u8]) -> u64 {
    let step = |hash: u64, byte: &u8| (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3);
    bytes.iter().fold(0xcbf2_9ce4_8422_2325, step)
}
