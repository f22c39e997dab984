//! The alert that the store cannot save. It goes out without a commit, for there is none; its end is kept like everything.

use std::collections::BTreeMap;

use thirst_schemas::{AlertKind, Urgency};

use crate::engine::settings::Settings;
use crate::engine::stamp::Stamp;

use super::intake::Arrival;
use super::own_alert::{Notice, OwnAlert};
use super::restore::Restored;
use super::store::Topic;
use super::writer::Links;

/// The writer's part of it.
pub(super) struct StoreFault {
    alert: OwnAlert,
    epoch: u64,
    /// The run before ended without a farewell: it may have left an open alert at the broker, and nothing in the store.
    is_unsure: bool,
}

impl StoreFault {
    pub(super) fn new(settings: &Settings, state: &Restored) -> Self {
        let saved = state.store.reader().and_then(|reader| reader.saved());
        Self {
            alert: OwnAlert::new(&settings.prefix, &settings.instance, AlertKind::StoreFault, "store"),
            epoch: state.recovered.epoch,
            is_unsure: saved.is_ok_and(|saved| saved.last.is_some() && !saved.stopped),
        }
    }

    /// What clears the topic of a run that was cut off; once.
    pub(super) fn left_over(&mut self) -> Option<(String, Vec<u8>)> {
        std::mem::take(&mut self.is_unsure).then(|| (self.alert.topic.clone(), Vec::new()))
    }

    /// The first commit that failed.
    pub(super) fn fails(&mut self, links: &Links, now: Stamp) {
        let notice = Notice {
            urgency: Urgency::Now,
            text:
                "The store cannot save: nothing is taken in, decided or published until it can. The broker keeps what \
                   sensors send."
                    .to_owned(),
            action: "Look into thirstd's log for the reason; a full or broken disk is the usual one.".to_owned(),
            figures: BTreeMap::new(),
        };
        if let Some(payload) = self.alert.judge(Some(notice), now, self.epoch, false) {
            let topic = Topic { topic: self.alert.topic.clone(), owner: String::new(), payload };
            links.outbox.push(vec![topic], Vec::new());
        }
    }

    /// A commit is done.
    pub(super) fn works(&mut self, links: &Links, now: Stamp) {
        if self.alert.last.is_none() {
            return;
        }
        let arrived = !links.outbox.owes(&self.alert.topic);
        if let Some(payload) = self.alert.judge(None, now, self.epoch, arrived) {
            links.intake.put(Arrival::Own { topic: self.alert.topic.clone(), payload });
        }
    }
}
