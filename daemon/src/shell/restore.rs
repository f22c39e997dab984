//! From the file to a running engine: load the sites, replay the tail under the settings it ran under.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::engine::Engine;
use crate::engine::driver::Driver;
use crate::engine::event::Now;
use crate::engine::settings::Settings;

use super::clock::Clock;
use super::duplicates::Duplicates;
use super::store::{Limits, Recovered, Store, StoreError, UnackedChange, UnackedRow};

/// Reads the settings out of a text that the store kept; None: this program does not understand it any more.
pub type ReadSettings = Arc<dyn Fn(&str) -> Option<Arc<Settings>> + Send + Sync>;

/// What is to be restored, and from where.
#[derive(Clone)]
pub struct Source {
    pub path: PathBuf,
    pub limits: Limits,
    pub settings: Arc<Settings>,
    /// The text of `settings`, kept so that a later start can replay under them.
    pub text: String,
    pub read_settings: ReadSettings,
}

/// An engine as it was at the last commit, and its store.
pub(super) struct Restored {
    pub(super) store: Store,
    pub(super) driver: Driver,
    pub(super) recovered: Recovered,
    /// The current settings, with their version.
    pub(super) settings: Arc<Settings>,
    /// The version in force in the engine.
    pub(super) in_force: u32,
}

impl Source {
    /// Opens the store and brings the engine to where it was. A damaged store is set aside and a new one begun.
    pub(super) fn restore(&self, clock: &dyn Clock) -> Result<Restored, StoreError> {
        let wall = clock.wall();
        // A new epoch must be above every earlier one, also where the clock is not set yet.
        let no_earlier = wall.max(clock.earliest());
        let begun = Now { wall, trusted: wall == no_earlier, ..Now::default() };
        let opened = Store::open_or_begin_anew(&self.path, self.limits, no_earlier)?;
        if let Some(aside) = &opened.set_aside {
            log_damage(&aside.moved_to, &aside.cause);
        }
        match self.load(opened.store, opened.recovered, begun) {
            Err(StoreError::Damaged { cause, .. }) => {
                let (store, recovered, moved_to) = Store::begin_anew(&self.path, self.limits, no_earlier)?;
                log_damage(&moved_to, &cause);
                self.load(store, recovered, begun)
            }
            loaded => loaded,
        }
    }

    /// `begun`: the time at which a store without a past begins.
    fn load(&self, store: Store, recovered: Recovered, begun: Now) -> Result<Restored, StoreError> {
        let settings = numbered(&self.settings, self.version(&recovered));
        let reader = store.reader()?;
        let find = |version: u32| -> Option<Arc<Settings>> {
            if version == settings.version {
                return Some(settings.clone());
            }
            let text = reader.settings(version).ok().flatten()?;
            (self.read_settings)(&text).map(|old| numbered(&old, version))
        };
        let before = match &recovered.tail {
            Some(tail) => tail.settings.as_ref(),
            None => recovered.settings.as_ref(),
        };
        let first = before.and_then(|(version, _)| find(*version)).unwrap_or_else(|| settings.clone());
        let mut in_force = first.version;

        let mut fault = None;
        let sites = store.reader()?.sites().map_while(|site| site.map_err(|error| fault = Some(error)).ok());
        let (engine, unreadable) = Engine::restore(first, recovered.epoch, sites);
        if let Some(error) = fault {
            return Err(error);
        }
        for site in unreadable {
            tracing::warn!(target: "thirstd", site = site.site, cause = site.cause, "a site's state cannot be read; it starts anew");
        }
        let since = recovered.tail.as_ref().map(|tail| tail.since).or(recovered.last).unwrap_or(begun);
        let mut driver = Driver::new(engine, since);
        let mut replayed = 0_u64;
        for entry in store.reader()?.tail() {
            let entry = entry?;
            let event = entry.event.and_then(|event| event.into_event(find));
            if let Some(crate::engine::event::Event::Settings(settings)) = &event {
                in_force = settings.version;
            }
            driver.replay(entry.sequence, entry.now, event);
            replayed += 1;
        }
        driver.engine_mut().set_sequence(recovered.next_sequence.max(1));
        if replayed > 0 {
            tracing::debug!(target: "thirstd", replayed, "the journal's tail was replayed");
        }
        Ok(Restored { store, driver, recovered, settings, in_force })
    }

    /// The version of the current settings: raised with every change of their text.
    fn version(&self, recovered: &Recovered) -> u32 {
        match &recovered.settings {
            Some((version, text)) if *text == self.text => *version,
            Some((version, _)) => version.saturating_add(1),
            None => 1,
        }
    }
}

impl Restored {
    /// The time of the last commit.
    pub(super) fn last(&self) -> Now {
        self.recovered.last.unwrap_or_default()
    }

    /// What may come again, with a change that is still to be committed.
    pub(super) fn duplicates(&self, change: &UnackedChange) -> Duplicates {
        let kept = self.recovered.unacked.iter().filter(|row| !change.clear && !change.remove.contains(&row.id));
        let added = change.add.iter().filter(|row| !self.recovered.unacked.iter().any(|old| old.id == row.id));
        let rows: Vec<UnackedRow> = kept.chain(added).cloned().collect();
        Duplicates::restore(&rows)
    }
}

fn numbered(settings: &Arc<Settings>, version: u32) -> Arc<Settings> {
    if settings.version == version {
        return settings.clone();
    }
    let mut numbered = Settings::clone(settings);
    numbered.version = version;
    Arc::new(numbered)
}

fn log_damage(moved_to: &Path, cause: &str) {
    tracing::error!(
        target: "thirstd",
        moved_to = %moved_to.display(),
        cause,
        "the store was damaged; it is set aside, and a new one begins with nothing learnt"
    );
}
