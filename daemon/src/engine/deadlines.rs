//! Which site has to be looked at next.

use std::cmp::Reverse;
use std::collections::{BTreeSet, BinaryHeap};

use super::stamp::Stamp;

/// A deadline per site, and a heap to find the first. A deadline that moves later leaves its old entry in the heap, which
/// is put right when it comes up: that way a message costs no reordering.
#[derive(Clone, Debug, Default)]
pub struct Deadlines {
    of: Vec<Option<Stamp>>,
    /// The earliest entry of each site in the heap.
    queued: Vec<Option<Stamp>>,
    heap: BinaryHeap<Reverse<(Stamp, usize)>>,
}

impl Deadlines {
    pub fn new(count: usize) -> Self {
        Self { of: vec![None; count], queued: vec![None; count], heap: BinaryHeap::new() }
    }

    /// The first instant at which some site may be due. Never later than the first deadline.
    pub fn next(&self) -> Option<Stamp> {
        self.heap.peek().map(|Reverse((at, _))| *at)
    }

    pub fn of(&self, site: usize) -> Option<Stamp> {
        self.of.get(site).copied().flatten()
    }

    pub fn set(&mut self, site: usize, deadline: Option<Stamp>) {
        let (Some(of), Some(queued)) = (self.of.get_mut(site), self.queued.get_mut(site)) else { return };
        *of = deadline;
        if let Some(at) = deadline
            && queued.is_none_or(|queued| at < queued)
        {
            *queued = Some(at);
            self.heap.push(Reverse((at, site)));
        }
    }

    /// The sites that are due at `now`, in order of index.
    pub fn take_due(&mut self, now: Stamp) -> BTreeSet<usize> {
        let mut due = BTreeSet::new();
        while let Some(&Reverse((at, site))) = self.heap.peek() {
            if at > now {
                break;
            }
            self.heap.pop();
            if self.queued[site] != Some(at) {
                continue; // an older entry of a site that was put off or brought forward
            }
            self.queued[site] = None;
            match self.of[site] {
                Some(deadline) if deadline <= now => {
                    due.insert(site);
                }
                later => self.set(site, later),
            }
        }
        due
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_deadline_put_off_is_found_at_its_new_time_and_one_brought_forward_at_once() {
        let mut deadlines = Deadlines::new(2);
        deadlines.set(0, Some(Stamp(10)));
        deadlines.set(0, Some(Stamp(30)));
        deadlines.set(1, Some(Stamp(50)));
        deadlines.set(1, Some(Stamp(20)));
        assert_eq!(deadlines.next(), Some(Stamp(10)));
        assert_eq!(deadlines.take_due(Stamp(10)), BTreeSet::new());
        assert_eq!(deadlines.take_due(Stamp(20)), BTreeSet::from([1]));
        assert_eq!(deadlines.take_due(Stamp(30)), BTreeSet::from([0]));
        assert_eq!(deadlines.take_due(Stamp(60)), BTreeSet::new());
        deadlines.set(1, Some(Stamp(70)));
        assert_eq!(deadlines.take_due(Stamp(70)), BTreeSet::from([1]));
    }
}
