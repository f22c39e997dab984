//! New settings: what stays, what left, what came back.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::deadlines::Deadlines;
use super::event::Now;
use super::routes::Routes;
use super::sensor::battery::fleet::NONE;
use super::settings::{Settings, SiteSettings};
use super::state::{Context, SiteState};
use super::{Engine, PARTITION, publish, site_step, snapshot};

impl Engine {
    /// New settings apply from now. A changed gauge or unit counts from its next reading; a site that is gone keeps its
    /// state, should it come back.
    pub(super) fn change_settings(&mut self, now: Now, settings: Arc<Settings>) {
        let before = std::mem::replace(&mut self.settings, settings);
        let applied = self.sequence.saturating_sub(1);
        let mut old: BTreeMap<&str, (&SiteSettings, SiteState)> = before
            .sites
            .iter()
            .zip(std::mem::take(&mut self.sites))
            .map(|(site, state)| (site.id.as_str(), (site, state)))
            .collect();
        let mut back = BTreeSet::new();
        let same_rain_fields = before.rain_fields().eq(self.settings.rain_fields());
        for site in &self.settings.sites {
            let state = match (old.remove(site.id.as_str()), self.parked.remove(&site.id)) {
                (Some((was, mut state)), _) => {
                    let outputs = &mut self.outputs;
                    let mut context =
                        Context { now, settings: &before, site: was, epoch: self.epoch, fleet: &NONE, outputs };
                    if before.prefix == self.settings.prefix {
                        publish::departure::parts(&mut state, site, &mut context);
                    } else {
                        publish::departure::site(&mut state, &mut context);
                        back.insert(site.id.clone());
                    }
                    reanchor_changed_gauges(&mut state, was, site, same_rain_fields);
                    state
                }
                (None, Some(saved)) => {
                    back.insert(site.id.clone());
                    snapshot::read(&saved).unwrap_or_else(|_| SiteState::new(site, now.listening))
                }
                (None, None) => SiteState::new(site, now.listening),
            };
            self.sites.push(state);
        }
        for (id, (was, mut state)) in old {
            let outputs = &mut self.outputs;
            publish::departure::site(
                &mut state,
                &mut Context { now, settings: &before, site: was, epoch: self.epoch, fleet: &NONE, outputs },
            );
            let saved = snapshot::write(id, applied, &state);
            self.parked.insert(id.to_owned(), saved.clone());
            self.to_save.push(saved);
        }
        if before.prefix != self.settings.prefix {
            self.clear_visits(&before.prefix);
        }
        self.refold_visits(now);
        self.routes = Routes::new(&self.settings);
        self.deadlines = Deadlines::new(self.sites.len());
        // What was not saved before is not saved yet: the journal has to reach back as far as it did.
        let since = self.oldest_unsaved();
        self.dirty = (0..self.sites.len()).chain([PARTITION]).map(|index| (since, index)).collect();
        self.dirty_since = vec![Some(since); self.sites.len()];
        self.partition.dirty_since = Some(since);
        let version = self.settings.version;
        self.every(now, |state, context| {
            state.fit(context.site, context.now.listening);
            state.settings_version = version;
            site_step::announce(state, context);
            if back.contains(&context.site.id) {
                publish::departure::back(state, context);
            }
        });
    }
}

/// A gauge that was changed, or is heard elsewhere or in another unit, starts counting at its next reading.
fn reanchor_changed_gauges(state: &mut SiteState, was: &SiteSettings, site: &SiteSettings, same_rain_fields: bool) {
    for entry in &mut state.sensors {
        let of = |site: &SiteSettings| site.sensors.iter().find(|sensor| sensor.id == entry.sensor.id).cloned();
        let same = of(was).zip(of(site)).is_some_and(|(was, is)| {
            was.gauge == is.gauge && was.heard_as == is.heard_as && was.heard_under == is.heard_under
        });
        if !same || !same_rain_fields {
            entry.gauge.reanchor();
        }
    }
}
