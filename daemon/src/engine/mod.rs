//! The engine: pure and synchronous. No IO, no clock, no async, no randomness.
//!
//! [`Engine::step`] takes one event in and says what follows. The stages, in order: [`decode`] and `intake` (message to
//! readings, flags, sensor health, day book), `turn` (days close and are revised), `judge` (holds, scale, when to speak),
//! `instruct` (what each controller is told), [`publish`] (payloads, history, log).

pub mod alert;
pub mod civil;
mod command;
pub mod decision;
pub mod decode;
pub mod driver;
pub mod event;
mod evidence;
pub mod formula;
mod instruct;
mod intake;
mod judge;
pub mod output;
mod partition;
mod publish;
pub mod quality;
mod rainfall;
pub mod reading;
mod report;
mod routes;
pub mod sensor;
pub mod settings;
pub mod site;
mod site_step;
pub mod snapshot;
pub mod stamp;
mod state;
mod turn;
pub mod units;
pub mod view;

use std::cmp::Reverse;
use std::collections::{BTreeSet, BinaryHeap};
use std::sync::Arc;

use event::{Event, Now};
use output::Output;
use partition::Partition;
use routes::Routes;
use settings::Settings;
pub use snapshot::{SavedSite, Unreadable};
use stamp::Stamp;
use state::{Context, SiteState};
use view::SiteView;

/// One partition of sites.
pub struct Engine {
    settings: Arc<Settings>,
    routes: Routes,
    epoch: u64,
    /// Journal sequence of the next event that is not a tick.
    sequence: u64,
    sites: Vec<SiteState>,
    partition: Partition,
    /// Deadline per site, and a heap of (time, site) that may hold older entries.
    deadlines: Vec<Option<Stamp>>,
    heap: BinaryHeap<Reverse<(Stamp, usize)>>,
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
        let mut sites: Vec<SiteState> = settings.sites.iter().map(|site| SiteState::new(site, 0)).collect();
        let mut fresh = vec![true; sites.len()];
        let mut partition = Partition::default();
        let routes = Routes::new(&settings);
        for one in saved {
            let outcome = if one.id.is_empty() {
                snapshot::read(&one).map(|read| partition = read)
            } else {
                match routes.site(&one.id) {
                    Some(index) => snapshot::read(&one).map(|read| {
                        sites[index] = read;
                        fresh[index] = false;
                    }),
                    None => Ok(()),
                }
            };
            if let Err(cause) = outcome {
                unreadable.push(Unreadable { site: one.id, cause });
            }
        }
        let count = sites.len();
        let mut engine = Self {
            settings,
            routes,
            epoch,
            sequence: 1,
            sites,
            partition,
            deadlines: vec![None; count],
            heap: BinaryHeap::new(),
            dirty: BTreeSet::new(),
            dirty_since: vec![None; count],
            last: Now::default(),
            outputs: Vec::new(),
        };
        for (index, site) in engine.settings.clone().sites.iter().enumerate() {
            let state = &mut engine.sites[index];
            if fresh[index] || state.settings_version != engine.settings.version {
                state.fit(site, 0);
                state.settings_version = engine.settings.version;
            }
            if let Some(state) = engine.sites.get_mut(index).filter(|_| fresh[index]) {
                state.settings_version = 0;
            }
        }
        (engine, unreadable)
    }

    /// Takes one event in at `now` and says what follows from it. Cannot fail: what cannot be read is an output too.
    pub fn step(&mut self, now: Now, event: Event) -> Vec<Output> {
        let paused = now.uptime > self.last.uptime && now.listening == self.last.listening;
        let shifted = shift(now).abs_diff(shift(self.last)) > 1;
        let is_tick = matches!(event, Event::Tick);
        match event {
            Event::Tick => self.tick(now, paused),
            Event::Message { topic, payload, retain, .. } => self.message(now, paused, &topic, &payload, retain),
            Event::Command { site, payload, retain } => {
                self.addressed(now, paused, &site, |state, context| command::receive(state, &payload, retain, context));
            }
            Event::Report { site, controller, payload, retain } => {
                self.addressed(now, paused, &site, |state, context| {
                    report::receive(state, &controller, &payload, retain, context)
                });
            }
            Event::NeighborDigest(digest) => {
                self.every(now, paused, |state, context| site_step::neighbor(state, &digest, context))
            }
            Event::BrokerUp { refused, .. } => {
                let filters = refused;
                self.every(now, paused, |state, context| site_step::subscriptions(state, &filters, context));
            }
            Event::BrokerDown => {}
            Event::ClockStep { by } => {
                self.every(now, paused, |state, context| site_step::clock_stepped(state, by, context))
            }
            Event::Settings(settings) => self.change_settings(now, paused, settings),
        }
        // Listening timers stand on the wall clock through this shift: where it moves, they are reckoned anew.
        if shifted && !is_tick {
            self.reckon(now, paused);
        }
        if !is_tick {
            self.sequence += 1;
        }
        self.last = now;
        std::mem::take(&mut self.outputs)
    }

    /// The next instant at which something is due without any event.
    pub fn deadline(&self) -> Option<Stamp> {
        self.heap.peek().map(|Reverse((at, _))| *at)
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
            paused: false,
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
        let mut taken = Vec::new();
        while taken.len() < limit {
            let Some((_, index)) = self.dirty.pop_first() else { break };
            // What was just reset is saved with the sequence of the last event.
            let applied = self.sequence.saturating_sub(1);
            if index == PARTITION {
                self.partition.dirty_since = None;
                self.partition.applied = applied;
                taken.push(snapshot::write("", applied, &self.partition));
            } else {
                self.dirty_since[index] = None;
                self.sites[index].applied = applied;
                taken.push(snapshot::write(&self.settings.sites[index].id, applied, &self.sites[index]));
            }
        }
        taken
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
        self.reckon(now, false);
    }

    fn tick(&mut self, now: Now, paused: bool) {
        let mut due = BTreeSet::new();
        while let Some(Reverse((at, index))) = self.heap.peek().copied() {
            if at > now.wall {
                break;
            }
            self.heap.pop();
            if self.deadlines[index].is_some_and(|deadline| deadline <= now.wall) {
                due.insert(index);
            } else if let Some(deadline) = self.deadlines[index] {
                self.heap.push(Reverse((deadline, index)));
            }
        }
        for index in due {
            self.run(now, paused, index, |_, _| {});
            // A site that is due again at once would keep the driver from ever coming back.
            if self.deadlines[index].is_some_and(|deadline| deadline <= now.wall) {
                self.set_deadline(index, Some(now.wall.plus(stamp::SECOND)));
            }
        }
    }

    /// Runs `act` on one site, brings the site up to now and notes its next deadline.
    fn run(&mut self, now: Now, paused: bool, index: usize, act: impl FnOnce(&mut SiteState, &mut Context<'_>)) {
        let settings = self.settings.clone();
        let Some(site) = settings.sites.get(index) else { return };
        let mut context =
            Context { now, settings: &settings, site, epoch: self.epoch, paused, outputs: &mut self.outputs };
        let deadline = site_step::step(&mut self.sites[index], &mut context, act);
        self.mark(index);
        self.set_deadline(index, deadline);
    }

    /// Runs `act` on a site unless its saved state already holds this event.
    fn apply(&mut self, now: Now, paused: bool, index: usize, act: impl FnOnce(&mut SiteState, &mut Context<'_>)) {
        if self.sites.get(index).is_some_and(|state| state.applied < self.sequence) {
            self.run(now, paused, index, act);
        }
    }

    fn every(&mut self, now: Now, paused: bool, act: impl Fn(&mut SiteState, &mut Context<'_>)) {
        for index in 0..self.sites.len() {
            self.apply(now, paused, index, &act);
        }
    }

    fn addressed(&mut self, now: Now, paused: bool, site: &str, act: impl FnOnce(&mut SiteState, &mut Context<'_>)) {
        match self.routes.site(site) {
            Some(index) => self.apply(now, paused, index, act),
            None => {
                self.count_reject("unknown_site", "a command or report for a site that is not in the settings", now)
            }
        }
    }

    fn message(&mut self, now: Now, paused: bool, topic: &str, payload: &[u8], retain: bool) {
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
                for target in targets {
                    self.apply(now, paused, target.site, |state, context| {
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
                for target in targets {
                    self.apply(now, paused, target.site, |state, context| {
                        let settings = &context.site.sensors[target.sensor];
                        // An empty payload clears a retained value and proves nothing; anything else proves a living radio.
                        if loss.cause != decode::LossCause::Empty && !retain {
                            intake::heard(state, target.sensor, settings, context);
                        }
                        intake::lost(state, target.sensor, loss.cause.name(), &text, context);
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

    fn change_settings(&mut self, now: Now, paused: bool, settings: Arc<Settings>) {
        let mut old: std::collections::BTreeMap<String, SiteState> =
            self.settings.sites.iter().map(|site| site.id.clone()).zip(std::mem::take(&mut self.sites)).collect();
        self.routes = Routes::new(&settings);
        self.sites = settings
            .sites
            .iter()
            .map(|site| old.remove(&site.id).unwrap_or_else(|| SiteState::new(site, now.listening)))
            .collect();
        self.settings = settings;
        self.deadlines = vec![None; self.sites.len()];
        self.heap.clear();
        self.dirty.clear();
        self.dirty_since = vec![None; self.sites.len()];
        let version = self.settings.version;
        self.every(now, paused, |state, context| {
            state.fit(context.site, context.now.listening);
            for entry in &mut state.sensors {
                entry.gauge.reanchor();
            }
            state.settings_version = version;
            site_step::announce(state, context);
        });
    }

    fn reckon(&mut self, now: Now, paused: bool) {
        let settings = self.settings.clone();
        self.heap.clear();
        for (index, site) in settings.sites.iter().enumerate() {
            let context =
                Context { now, settings: &settings, site, epoch: self.epoch, paused, outputs: &mut self.outputs };
            let deadline = site_step::deadline(&self.sites[index], &context);
            self.deadlines[index] = deadline;
            if let Some(at) = deadline {
                self.heap.push(Reverse((at, index)));
            }
        }
    }

    fn set_deadline(&mut self, index: usize, deadline: Option<Stamp>) {
        let before = std::mem::replace(&mut self.deadlines[index], deadline);
        if let Some(at) = deadline
            && before.is_none_or(|before| at < before || before <= self.last.wall)
        {
            self.heap.push(Reverse((at, index)));
        }
    }

    fn mark(&mut self, index: usize) {
        let since = if index == PARTITION { &mut self.partition.dirty_since } else { &mut self.dirty_since[index] };
        if since.is_none() {
            *since = Some(self.sequence);
            self.dirty.insert((self.sequence, index));
        }
    }
}

/// Wall time less listening time: while it stands, a listening timer keeps its place on the wall clock.
fn shift(now: Now) -> i64 {
    now.wall.0.saturating_sub(now.listening)
}
