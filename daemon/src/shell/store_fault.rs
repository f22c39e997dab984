//! The alert that the store cannot save. It goes out without a commit, for there is none; its end is kept like everything.

use std::collections::BTreeMap;
use std::sync::atomic::Ordering;

use thirst_schemas::{AlertKind, Urgency};

use crate::engine::settings::Settings;
use crate::engine::stamp::Stamp;

use super::intake::Arrival;
use super::own_alert::{Notice, OwnAlert};
use super::restore::Restored;
use super::store::{StoreError, Topic};
use super::writer::Links;

/// The writer's part of it.
pub(super) struct StoreFault {
    alert: OwnAlert,
    /// The run before ended without a farewell: it may have left an open alert at the broker, and nothing in the store.
    is_unsure: bool,
    /// A commit has handed on the last word.
    is_handed_on: bool,
}

impl StoreFault {
    pub(super) fn new(settings: &Settings, state: &Restored) -> Self {
        let saved = state.store.reader().and_then(|reader| reader.saved());
        Self {
            alert: OwnAlert::new(&settings.prefix, &settings.instance, AlertKind::StoreFault, "store"),
            is_handed_on: false,
            is_unsure: saved.is_ok_and(|saved| saved.last.is_some() && !saved.stopped),
        }
    }

    /// What clears the topic of a run that was cut off; once.
    pub(super) fn left_over(&mut self) -> Option<(String, Vec<u8>)> {
        std::mem::take(&mut self.is_unsure).then(|| (self.alert.topic.clone(), Vec::new()))
    }

    /// The store has failed more than once.
    pub(super) fn fails(&mut self, links: &Links, error: &StoreError, now: Stamp) {
        let notice = Notice {
            urgency: Urgency::Now,
            text: format!("Nothing can be saved: {error}."),
            action: ACTION.to_owned(),
            figures: BTreeMap::new(),
        };
        if self.alert.is_open() {
            return;
        }
        if let Some(payload) = self.alert.judge(Some(notice), now, links.epoch.load(Ordering::Relaxed), false) {
            let topic = Topic { topic: self.alert.topic.clone(), owner: String::new(), payload };
            links.outbox.push_past_store(vec![topic]);
        }
    }

    /// These are about to go out with a commit.
    pub(super) fn hands_on(&mut self, topics: &[Topic]) {
        self.is_handed_on |= self.alert.last.is_some() && topics.iter().any(|topic| topic.topic == self.alert.topic);
    }

    /// A commit is done.
    pub(super) fn works(&mut self, links: &Links, now: Stamp) {
        if self.alert.last.is_none() {
            return;
        }
        // The last word is put in like a message: until a commit has handed it on, nothing of it can have arrived.
        let arrived = self.is_handed_on && !links.outbox.owes(&self.alert.topic);
        if let Some(payload) = self.alert.judge(None, now, links.epoch.load(Ordering::Relaxed), arrived) {
            links.intake.put(Arrival::Own { topic: self.alert.topic.clone(), payload });
            self.is_handed_on = false;
        }
    }
}

const ACTION: &str = "Make room on the disk or make it writable; no restart is needed, and nothing is lost: what sensors send \
                      waits at the broker. Until then holds begin, but none ends and no scale changes.";
