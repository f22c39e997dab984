//! The engine: pure and synchronous. No IO, no clock, no async, no randomness.
//!
//! [`Engine::step`] takes one event in and says what follows. The stages, in order: [`decode`] and `intake` (message to
//! readings, flags, sensor health, day book), `turn` (days close and are revised), `judge` (holds, scale, when to speak),
//! `instruct` (what each controller is told), `publish` (payloads, history, log).

pub mod alert;
mod batteries;
mod change;
pub mod civil;
mod command;
mod deadlines;
pub mod decision;
pub mod decode;
mod drift;
pub mod driver;
pub mod event;
mod evidence;
mod faults;
pub mod formula;
mod frost;
mod gateway;
mod gauge_watch;
mod guard;
mod instruct;
mod intake;
mod judge;
mod links;
mod nearby;
pub mod output;
mod partition;
mod partly;
mod presence;
mod probe;
pub(crate) mod publish;
pub mod quality;
mod rainfall;
pub mod reading;
mod report;
mod routes;
mod season;
pub mod sensor;
pub mod settings;
pub mod site;
mod site_step;
mod siting;
pub mod snapshot;
mod spike;
pub mod stamp;
mod state;
mod turn;
pub mod units;
pub mod view;
mod visits;
mod watering;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use deadlines::Deadlines;
use event::{Event, Now};
use output::Output;
use partition::Partition;
use routes::Routes;
use sensor::battery::fleet::NONE;
use settings::Settings;
pub use snapshot::{SavedSite, Unreadable};
use stamp::Stamp;
use state::{Context, SiteState};
use view::SiteView;
use visits::VisitList;

/// One partition of sites.
pub struct Engine {
    settings: Arc<Settings>,
    routes: Routes,
    epoch: u64,
    /// Journal sequence of the next event that is not a tick.
    sequence: u64,
    sites: Vec<SiteState>,
    partition: Partition,
    deadlines: Deadlines,
    visits: VisitList,
    /// Saved states of sites that are not in the settings: they go on where they were if they come back.
    parked: BTreeMap<String, SavedSite>,
    /// States of sites that left the settings, still to be saved.
    to_save: Vec<SavedSite>,
    /// Sites changed since they were last taken, in order of their first change; the partition is `PARTITION`.
    dirty: BTreeSet<(u64, usize)>,
    dirty_since: Vec<Option<u64>>,
    last: Now,
    outputs: Vec<Output>,
}

/// Stands for the partition itself among the dirty sites.
const PARTITION: usize = usize::MAX;

impl Engine {
    /// Sites of `settings`, continued from `saved` where there is a saved state; what is saved of sites that are not in the
    /// settings is left alone. `epoch` goes into every payload.
    pub fn restore(
        settings: Arc<Settings>,
        epoch: u64,
        saved: impl Iterator<Item = SavedSite>,
    ) -> (Self, Vec<Unreadable>) {
        let mut unreadable = Vec::new();
        let count = settings.sites.len();
        let mut engine = Self {
            routes: Routes::new(&settings),
            sites: settings.sites.iter().map(|site| SiteState::new(site, 0)).collect(),
            settings,
            epoch,
            sequence: 1,
            partition: Partition::default(),
            parked: BTreeMap::new(),
            to_save: Vec::new(),
            deadlines: Deadlines::new(count),
            visits: VisitList::default(),
            dirty: BTreeSet::new(),
            dirty_since: vec![None; count],
            last: Now::default(),
            outputs: Vec::new(),
        };
        for one in saved {
            let outcome = match engine.routes.site(&one.id) {
                Some(index) => snapshot::read(&one).map(|state| engine.continue_site(index, state)),
                None if one.id.is_empty() => snapshot::read(&one).map(|partition| engine.partition = partition),
                None => {
                    engine.parked.insert(one.id.clone(), one);
                    continue;
                }
            };
            if let Err(cause) = outcome {
                unreadable.push(Unreadable { site: one.id, cause });
            }
        }
        (engine, unreadable)
    }

    /// Takes one event in at `now` and says what follows from it. Cannot fail: what cannot be read is an output too.
    pub fn step(&mut self, now: Now, event: Event) -> Vec<Output> {
        let shifted = shift(now).abs_diff(shift(self.last)) > 1;
        let is_tick = matches!(event, Event::Tick);
        match event {
            Event::Tick => self.tick(now),
            Event::Message { topic, payload, retain, .. } => self.message(now, &topic, &payload, retain),
            Event::Command { site, payload, retain } => {
                self.addressed(now, &site, |state, context| command::receive(state, &payload, retain, context));
            }
            Event::Report { site, controller, payload, retain } => {
                self.addressed(now, &site, |state, context| {
                    report::receive(state, &controller, &payload, retain, context)
                });
            }
            Event::NeighborDigest(digest) => {
                for index in self.routes.listeners(&digest.from) {
                    self.apply(now, index, |state, context| nearby::heard(state, &digest, context));
                }
            }
            Event::BrokerUp { refused, .. } => {
                let filters = refused;
                self.every(now, |state, context| {
                    state.away = false;
                    site_step::subscriptions(state, &filters, context);
                });
            }
            Event::BrokerDown => self.every(now, |state, _| state.away = true),
            Event::ClockStep { by } => self.every(now, |state, context| site_step::clock_stepped(state, by, context)),
            Event::Settings(settings) => self.change_settings(now, settings),
        }
        // Listening timers stand on the wall clock through this shift: where it moves, they are reckoned anew.
        if shifted && !is_tick {
            self.reckon(now);
        }
        self.tell_visits(now);
        if !is_tick {
            self.sequence += 1;
        }
        self.last = now;
        std::mem::take(&mut self.outputs)
    }

    /// The next instant at which something is due without any event.
    pub fn deadline(&self) -> Option<Stamp> {
        self.deadlines.next().into_iter().chain(self.visits.due()).min()
    }

    /// A copy of what a page or another program may know of a site.
    pub fn view(&self, site: &str) -> Option<SiteView> {
        let index = self.routes.site(site)?;
        let mut outputs = Vec::new();
        let context = Context {
            now: self.last,
            settings: &self.settings,
            site: &self.settings.sites[index],
            epoch: self.epoch,
            fleet: &NONE,
            outputs: &mut outputs,
        };
        Some(view::of(&self.sites[index], &context))
    }

    /// Who was heard but is not in the settings, and what was rejected on the way to any site.
    pub fn intake(&self) -> view::IntakeView {
        self.partition.view()
    }

    pub fn settings(&self) -> &Arc<Settings> {
        &self.settings
    }

    /// The journal sequence of the next event that is not a tick.
    pub fn sequence(&self) -> u64 {
        self.sequence
    }

    /// Saved states of the sites changed since they were last taken, oldest change first, at most `limit`.
    pub fn take_dirty(&mut self, limit: usize) -> Vec<SavedSite> {
        let mut taken: Vec<SavedSite> = self.to_save.drain(..self.to_save.len().min(limit)).collect();
        taken.extend(self.take_told());
        while taken.len() < limit {
            let Some((_, index)) = self.dirty.pop_first() else { break };
            // What was just reset is saved with the sequence of the last event.
            let applied = self.sequence.saturating_sub(1);
            if index == PARTITION {
                taken.push(self.take_partition());
            } else {
                self.dirty_since[index] = None;
                self.sites[index].applied = applied;
                taken.push(snapshot::write(&self.settings.sites[index].id, applied, &self.sites[index]));
            }
        }
        taken
    }

    /// Counts every site as changed: the next [`Engine::take_dirty`] takes them all.
    pub fn mark_all(&mut self) {
        (0..self.sites.len()).for_each(|index| self.mark(index));
        self.mark(PARTITION);
    }

    /// How many sites changed since they were last taken.
    pub fn dirty_count(&self) -> usize {
        self.dirty.len()
    }

    /// The oldest journal sequence that some site's last taken state does not hold yet: the journal can be trimmed below.
    pub fn oldest_unsaved(&self) -> u64 {
        self.dirty.first().map_or(self.sequence, |(sequence, _)| *sequence)
    }

    /// Numbers the next event; used by the driver when a journal is replayed.
    pub(crate) fn set_sequence(&mut self, sequence: u64) {
        self.sequence = sequence;
    }

    /// Reckons all deadlines anew from `now`.
    pub(crate) fn resume(&mut self, now: Now) {
        self.last = now;
        for (state, site) in self.sites.iter_mut().zip(&self.settings.sites) {
            if state.settings_version == 0 {
                // Nothing has happened on it yet: its sensors are expected from now on.
                *state = SiteState::new(site, now.listening);
            }
        }
        self.reckon(now);
        self.refold_visits(now);
    }

    /// Puts a saved state in place; a state of other settings is brought in line with these.
    fn continue_site(&mut self, index: usize, mut state: SiteState) {
        if state.settings_version != self.settings.version {
            let listening = state.last.listening;
            state.fit(&self.settings.sites[index], listening);
        }
        self.sites[index] = state;
    }

    fn tick(&mut self, now: Now) {
        for index in self.deadlines.take_due(now.wall) {
            self.run(now, index, |_, _| {});
            // A site that is due again at once would keep the driver from ever coming back.
            if self.deadlines.of(index).is_some_and(|deadline| deadline <= now.wall) {
                self.deadlines.set(index, Some(now.wall.plus(stamp::SECOND)));
            }
        }
    }

    /// Runs `act` on one site, brings the site up to now and notes its next deadline.
    fn run(&mut self, now: Now, index: usize, act: impl FnOnce(&mut SiteState, &mut Context<'_>)) {
        let settings = self.settings.clone();
        let Some(site) = settings.sites.get(index) else { return };
        // While a journal is replayed, a site that was saved later waits until the time it was saved at.
        if now.uptime < self.sites[index].last.uptime {
            return self.deadlines.set(index, Some(self.deadline_of(index, now)));
        }
        self.sites[index].last = now;
        let fleet = self.partition.fleet.table(batteries::utc_day(now.wall));
        let mut context =
            Context { now, settings: &settings, site, epoch: self.epoch, fleet, outputs: &mut self.outputs };
        let deadline = site_step::step(&mut self.sites[index], &mut context, act);
        if !self.sites[index].outcomes.is_empty() {
            self.learn_outcomes(index);
        }
        if std::mem::take(&mut self.sites[index].alerts_changed) {
            self.alerts_changed(index, now);
        }
        self.mark(index);
        self.deadlines.set(index, Some(deadline));
    }

    /// The partition learns what became of batteries, and is saved with the step that says so.
    fn learn_outcomes(&mut self, index: usize) {
        for (key, day, outcome) in std::mem::take(&mut self.sites[index].outcomes) {
            if self.partition.fleet.learn(key, day, &outcome) {
                self.save_partition();
            }
        }
    }

    /// Runs `act` on a site unless its saved state already holds this event.
    fn apply(&mut self, now: Now, index: usize, act: impl FnOnce(&mut SiteState, &mut Context<'_>)) {
        if self.sites.get(index).is_some_and(|state| state.applied < self.sequence) {
            self.run(now, index, act);
        }
    }

    fn every(&mut self, now: Now, act: impl Fn(&mut SiteState, &mut Context<'_>)) {
        for index in 0..self.sites.len() {
            self.apply(now, index, &act);
        }
    }

    fn addressed(&mut self, now: Now, site: &str, act: impl FnOnce(&mut SiteState, &mut Context<'_>)) {
        match self.routes.site(site) {
            Some(index) => self.apply(now, index, act),
            None => {
                self.count_reject("unknown_site", "a command or report for a site that is not in the settings", now)
            }
        }
    }

    fn message(&mut self, now: Now, topic: &str, payload: &[u8], retain: bool) {
        let settings = self.settings.clone();
        let Some((feed, captures)) = settings.feeds.iter().find_map(|feed| Some((feed, feed.template.capture(topic)?)))
        else {
            return self.count_reject("no_feed", "no feed matches the topic", now);
        };
        match decode::parse(feed, &captures, payload) {
            Ok(parsed) => {
                let (Some(site), Some(sensor)) = (parsed.site(), parsed.sensor()) else {
                    return self.count_reject(
                        "no_sender",
                        "the message does not say which site and sensor it is of",
                        now,
                    );
                };
                let targets = self.routes.targets(&site, &sensor);
                if targets.is_empty() {
                    return self.stranger(&site, &sensor, now);
                }
                for target in targets.iter().copied() {
                    self.apply(now, target.site, |state, context| {
                        intake::receive(state, target.sensor, &parsed, retain, context)
                    });
                }
            }
            Err(loss) => {
                let name = |part: &decode::Part, captured: Option<&str>| match part {
                    decode::Part::Captured => captured.map(str::to_owned),
                    decode::Part::Fixed(name) => Some(name.clone()),
                    decode::Part::Pointer(_) => None,
                };
                let sender = name(&feed.site, captures.site).zip(name(&feed.sensor, captures.sensor));
                let Some((site, sensor)) = sender else {
                    return self.count_reject(loss.cause.name(), loss.cause.text(), now);
                };
                let targets = self.routes.targets(&site, &sensor);
                if targets.is_empty() {
                    return self.stranger(&site, &sensor, now);
                }
                let text = format!("{} (saw {:?}): {}", loss.cause.text(), loss.seen, loss.cause.advice());
                for target in targets.iter().copied() {
                    self.apply(now, target.site, |state, context| {
                        let settings = &context.site.sensors[target.sensor];
                        // An empty payload clears a retained value and proves nothing; anything else proves a living radio.
                        if loss.cause != decode::LossCause::Empty && !retain {
                            presence::heard(state, target.sensor, settings, None, context);
                        }
                        faults::lost(state, target.sensor, loss.cause.name(), &text, context);
                    });
                }
            }
        }
    }

    fn stranger(&mut self, site: &str, sensor: &str, now: Now) {
        if self.partition.applied < self.sequence {
            self.partition.stranger(site, sensor, now.wall, &mut self.outputs);
            self.mark(PARTITION);
        }
    }

    fn count_reject(&mut self, cause: &'static str, text: &str, now: Now) {
        if self.partition.applied < self.sequence {
            self.partition.reject(cause, text, now.wall, &mut self.outputs);
            self.mark(PARTITION);
        }
    }

    fn reckon(&mut self, now: Now) {
        self.deadlines = Deadlines::new(self.sites.len());
        for index in 0..self.sites.len() {
            let deadline = self.deadline_of(index, now);
            self.deadlines.set(index, Some(deadline));
        }
    }

    /// When a site has to be looked at, as seen from `now` or from its own last step, whichever is later.
    fn deadline_of(&self, index: usize, now: Now) -> Stamp {
        let last = self.sites[index].last;
        let now = if now.uptime < last.uptime { last } else { now };
        let mut outputs = Vec::new();
        let site = &self.settings.sites[index];
        let context =
            Context { now, settings: &self.settings, site, epoch: self.epoch, fleet: &NONE, outputs: &mut outputs };
        site_step::deadline(&self.sites[index], &context)
    }

    fn mark(&mut self, index: usize) {
        let since = if index == PARTITION { &mut self.partition.dirty_since } else { &mut self.dirty_since[index] };
        if since.is_none() {
            *since = Some(self.sequence);
            self.dirty.insert((self.sequence, index));
        }
    }
}

#[cfg(test)]
mod tests;

/// Wall time less listening time: while it stands, a listening timer keeps its place on the wall clock.
fn shift(now: Now) -> i64 {
    now.wall.0.saturating_sub(now.listening)
}
