//! The link of one sensor: how often it reports, when its silence means something, how much of it arrives.
//!
//! Silence, intervals and delivery run on *listening* time: milliseconds of uptime during which the broker was
//! connected, so that our own absence is nobody's silence. Only `last_heard` is wall time, for people.
//!
//! Two limits, because two questions: for how long a word counts ([`Link::silence_limit`], short), and when silence is worth
//! somebody's way ([`Link::loss_limit`], by what the link itself loses).

mod delivery;
mod losses;
mod sequence;
mod strength;

use serde::{Deserialize, Serialize};

use super::super::stamp::{DAY, HOUR, SECOND, Stamp};
pub use delivery::likely_share;
use losses::Losses;
pub use losses::{LEAST, least_missing};
pub use sequence::{Sequence, Step};
pub use strength::{Fading, Strength};

/// When silence is a loss, and what a return takes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct LinkSettings {
    /// Fixed silence limit in seconds (at least 1); None: by the interval learnt.
    pub silence_limit_seconds: Option<u32>,
    /// Our choice: a word counts for 5 intervals, so four messages in a row may be lost. More than 1.
    pub silence_intervals: f64,
    /// Our choice: 15 min; no shorter silence matters to watering.
    pub shortest_silence_seconds: u32,
    /// Our choice: 26 h; a sensor that reports once a day may be two hours late.
    pub longest_silence_seconds: u32,
    /// Our choice: 2 h, before an interval is learnt; and the first two days, before it is known what the link loses, no
    /// shorter silence is a loss.
    pub first_silence_seconds: u32,
    /// Our choice: a link that loses messages may be silent for so long that it is taken for lost by mistake once in ten
    /// years. 0.01 to 100.
    pub false_alerts_per_year: f64,
    /// Our choice: 2 messages within 3 intervals bring a lost link back, so that it does not flap. At least 1.
    pub messages_to_return: u8,
}

impl Default for LinkSettings {
    fn default() -> Self {
        Self {
            silence_limit_seconds: None,
            silence_intervals: 5.0,
            shortest_silence_seconds: 15 * 60,
            longest_silence_seconds: 26 * 3600,
            first_silence_seconds: 2 * 3600,
            false_alerts_per_year: 0.1,
            messages_to_return: 2,
        }
    }
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LinkState {
    /// Not heard since it was added.
    #[default]
    Unheard,
    Present,
    /// Silent for longer than its limit; also a sensor that was never heard in that time.
    Lost,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LinkChange {
    FirstHeard,
    Lost,
    Returned,
}

/// State of one sensor's link.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Link {
    #[serde(rename = "s")]
    state: LinkState,
    /// Listening instant from which silence counts: last heard, or started.
    #[serde(rename = "a")]
    heard_at: i64,
    #[serde(rename = "w")]
    last_heard: Option<Stamp>,
    /// The last gaps in ms, a ring once full.
    #[serde(rename = "g")]
    gaps: [u32; GAPS],
    /// Gaps taken so far; the ring's place is this modulo its length.
    #[serde(rename = "n")]
    taken: u32,
    /// Learnt interval in ms; 0 before.
    #[serde(rename = "i")]
    interval: u32,
    /// Messages since the loss, within the time for a return.
    #[serde(rename = "r")]
    returning: u8,
    /// Listening instant of the first of them.
    #[serde(rename = "f")]
    returning_from: i64,
    /// Messages of the last 24 listening hours, by hour modulo 24.
    #[serde(rename = "c")]
    counts: [u16; HOURS],
    /// The hour that was counted last.
    #[serde(rename = "h")]
    hour: i64,
    /// Listening instant from which messages count.
    #[serde(rename = "t")]
    counting_from: i64,
    #[serde(rename = "l", default)]
    losses: Losses,
    /// How many messages in a row may be missing.
    #[serde(rename = "k", default)]
    allowed: u16,
    /// Its gaps follow no interval.
    #[serde(rename = "e", default)]
    irregular: bool,
    /// All it ever said was of rain.
    #[serde(rename = "u", default)]
    rain_only: bool,
    /// How often it was lost and came back, each within a week of the one before; and when it did last.
    #[serde(rename = "b", default)]
    returns: u8,
    #[serde(rename = "d", default)]
    returned_at: i64,
    /// Where its messages are numbered.
    #[serde(rename = "q", default)]
    sequence: Option<Box<Sequence>>,
}

/// An odd handful: enough for the quantile, small in memory and store.
const GAPS: usize = 15;
const HOURS: usize = 24;
/// Copies and parts of one transmission come closer than this.
const SHORTEST_GAP: i64 = SECOND;
/// A day with some hours' delay: rarer reports teach no interval.
const LONGEST_GAP: i64 = 26 * HOUR;
/// Gaps before an interval is believed.
const LEAST_GAPS: u32 = 3;
/// However much a link loses, silence of half a day is told. Our choice.
pub const MOST_ADAPTED: i64 = 12 * HOUR;
/// What a link loses is known after two days. Our choice.
const LEARNING: i64 = 2 * DAY;
/// A gauge that speaks of rain only is not looked for before so long a dry spell. Our choice.
const DRY_SPELL: i64 = 14 * DAY;
/// Gaps that show whether there is an interval at all, and how far off the beat a message may come. Our choice.
const LEAST_EVENTS: usize = 4;
const OFF_BEAT: f64 = 0.2;
/// A third loss within a week of the return before it is a link that comes and goes; a week without is a steady one. Its
/// silence is told again after a day. Our choice.
const RETURNS: u8 = 2;
const STEADY: i64 = 7 * DAY;
const LONG_SILENCE: i64 = DAY;

impl Link {
    /// A sensor that has been expected since `listening`.
    pub fn started(listening: i64) -> Self {
        Self { heard_at: listening, ..Self::default() }
    }

    pub fn state(&self) -> LinkState {
        self.state
    }

    /// Wall time of the last message.
    pub fn last_heard(&self) -> Option<Stamp> {
        self.last_heard
    }

    /// Listening instant of the last message; None if never heard.
    pub fn last_heard_listening(&self) -> Option<i64> {
        self.last_heard.map(|_| self.heard_at)
    }

    /// The learnt reporting interval in ms of listening.
    pub fn interval(&self) -> Option<i64> {
        (self.interval > 0).then_some(i64::from(self.interval))
    }

    /// A message came. Its data may be used at once, whatever the link's state.
    ///
    /// Messages less than a second after the last one, or before it, only end the silence: they teach no interval, are
    /// no delivery and bring no link back.
    pub fn heard(&mut self, listening: i64, at: Stamp, settings: &LinkSettings) -> Option<LinkChange> {
        self.heard_numbered(listening, at, None, settings)
    }

    /// A message came, with its sequence number where it has one: then it is known what was lost before it.
    pub fn heard_numbered(
        &mut self,
        listening: i64,
        at: Stamp,
        number: Option<u64>,
        settings: &LinkSettings,
    ) -> Option<LinkChange> {
        let was_heard = self.last_heard.is_some();
        let gap = listening.saturating_sub(self.heard_at);
        self.heard_at = self.heard_at.max(listening);
        self.last_heard = Some(at);
        let interval = self.interval();
        let step = number.map(|number| self.sequence.get_or_insert_default().note(number, listening, interval));
        if was_heard {
            if gap < SHORTEST_GAP {
                return None;
            }
            self.learn(gap);
            let new_hour = self.count(listening);
            self.note_losses(gap, step, new_hour, settings);
        } else {
            self.counting_from = listening;
            self.hour = listening.div_euclid(HOUR);
        }
        match self.state {
            LinkState::Present => None,
            LinkState::Unheard => {
                self.state = LinkState::Present;
                Some(LinkChange::FirstHeard)
            }
            LinkState::Lost => self.heard_again(listening, settings),
        }
    }

    /// A message came with old news: a backlog, or a slow clock. It ends the silence, but it teaches no interval and is no
    /// delivery.
    pub fn heard_late(&mut self, listening: i64, at: Stamp, settings: &LinkSettings) -> Option<LinkChange> {
        let gap = listening.saturating_sub(self.heard_at);
        if self.last_heard.is_none() {
            self.counting_from = listening;
            self.hour = listening.div_euclid(HOUR);
        }
        self.heard_at = self.heard_at.max(listening);
        self.last_heard = Some(at);
        match self.state {
            LinkState::Lost if gap >= SHORTEST_GAP => self.heard_again(listening, settings),
            LinkState::Present | LinkState::Lost => None,
            LinkState::Unheard => {
                self.state = LinkState::Present;
                Some(LinkChange::FirstHeard)
            }
        }
    }

    /// For how long a word of this sensor counts, in ms of listening.
    pub fn silence_limit(&self, settings: &LinkSettings) -> i64 {
        if let Some(seconds) = settings.silence_limit_seconds {
            return i64::from(seconds.max(1)) * SECOND;
        }
        let Some(interval) = self.interval() else {
            return i64::from(settings.first_silence_seconds.max(1)) * SECOND;
        };
        let shortest = i64::from(settings.shortest_silence_seconds.max(1)) * SECOND;
        let longest = (i64::from(settings.longest_silence_seconds) * SECOND).max(shortest);
        let factor =
            if settings.silence_intervals.is_finite() { settings.silence_intervals.clamp(1.0, 1e6) } else { 1.0 };
        // At most 26 h × 1e6 in ms: far inside i64.
        ((interval as f64 * factor) as i64).clamp(shortest, longest)
    }

    /// How long this sensor may be silent before it is lost, in ms of listening: at least as long as its word counts, and
    /// longer where the link is known to lose messages, up to [`MOST_ADAPTED`].
    pub fn loss_limit(&self, settings: &LinkSettings) -> i64 {
        let limit = self.silence_limit(settings);
        if settings.silence_limit_seconds.is_some() {
            return limit;
        }
        let first = i64::from(settings.first_silence_seconds.max(1)) * SECOND;
        if self.rain_only && (self.irregular || self.interval().is_none()) {
            // Dry weather is no loss of a gauge that speaks of rain only.
            let known = if self.irregular { DRY_SPELL } else { LONGEST_GAP };
            return if self.last_heard.is_some() { limit.max(known) } else { limit };
        }
        let Some(interval) = self.interval() else { return limit };
        // Half an interval more, so that the last of them may be late.
        let adapted = interval.saturating_mul(i64::from(self.allowed.max(LEAST))) + interval / 2;
        let learning = self.heard_at.saturating_sub(self.counting_from) < LEARNING;
        let least = if learning { limit.max(first) } else { limit };
        adapted.min(MOST_ADAPTED).max(least)
    }

    /// How many messages in a row may be missing before the link is lost, by what it loses.
    pub fn allowed(&self) -> u16 {
        self.allowed.max(LEAST)
    }

    /// It speaks when it rains and not otherwise, as far as can be told: silence says nothing of it.
    pub fn speaks_of_events(&self) -> bool {
        self.rain_only && self.irregular
    }

    /// All it ever said was of rain.
    pub fn is_rain_only(&self) -> bool {
        self.rain_only
    }

    /// Whether all it ever said was of rain.
    pub fn set_rain_only(&mut self, rain_only: bool) {
        self.rain_only = rain_only;
    }

    /// It comes and goes: lost and back twice, within a week each.
    pub fn is_unstable(&self, listening: i64) -> bool {
        self.returns >= RETURNS && listening.saturating_sub(self.returned_at) < STEADY
    }

    /// It was lost and came back within the day whose messages are counted.
    pub fn was_away(&self, listening: i64) -> bool {
        self.returns > 0 && listening.saturating_sub(self.returned_at) < DAY + HOUR
    }

    /// The last loss was not its own: what it shares with others was away.
    pub fn forgive_loss(&mut self) {
        self.returns = self.returns.saturating_sub(1);
    }

    /// How often it was lost and came back lately.
    pub fn returns(&self) -> u8 {
        self.returns
    }

    /// Listening instant at which a link that came and went is taken for steady, if it is not lost again before.
    pub fn steady_at(&self) -> Option<i64> {
        (self.returns >= RETURNS).then(|| self.returned_at.saturating_add(STEADY))
    }

    /// Listening instant at which the silence of an unstable link has to be told all the same.
    pub fn long_silence_at(&self, settings: &LinkSettings) -> i64 {
        self.heard_at.saturating_add(LONG_SILENCE.max(self.loss_limit(settings)))
    }

    /// Another device speaks for the sensor from now on: nothing of the old link is known of the new one.
    pub fn begin_anew(&mut self, listening: i64) {
        *self = Self { last_heard: self.last_heard, state: self.state, ..Self::started(listening) };
        self.counting_from = listening;
        self.hour = listening.div_euclid(HOUR);
    }

    /// Listening instant at which the silence becomes a loss; None when it already is one.
    pub fn due(&self, settings: &LinkSettings) -> Option<i64> {
        (self.state != LinkState::Lost).then(|| self.heard_at.saturating_add(self.loss_limit(settings)))
    }

    /// Has the silence become a loss by `listening`?
    pub fn judge(&mut self, listening: i64, settings: &LinkSettings) -> Option<LinkChange> {
        let due = self.due(settings)?;
        if listening < due {
            return None;
        }
        self.state = LinkState::Lost;
        self.returning = 0;
        Some(LinkChange::Lost)
    }

    /// Received share of the messages expected in the last 24 h of listening, 0 to 1; None before a message was due, and of
    /// a sensor that follows no interval.
    pub fn delivery_ratio(&self, listening: i64) -> Option<f64> {
        let (received, expected) = self.delivered(listening)?;
        (expected > 0).then(|| (received as f64 / expected as f64).min(1.0))
    }

    /// Messages received and expected in the last 24 h of listening: by their numbers where they have some, else by the
    /// interval.
    pub fn delivered(&self, listening: i64) -> Option<(u64, u64)> {
        let interval = self.interval().filter(|_| !self.speaks_of_events())?;
        self.last_heard?;
        let by_time = self.delivered_by_time(listening, interval);
        if let Some(sequence) = &self.sequence {
            let (sent, came) = sequence.delivered(listening);
            // What was due since the last number, and has not come. Numbers that count something else say far more.
            let due = u64::try_from(listening.saturating_sub(self.heard_at) / interval).unwrap_or(0).min(by_time.1);
            if sent > 0 && sent + due <= by_time.1 * 2 + 8 {
                return Some((came, sent + due));
            }
        }
        Some(by_time)
    }

    fn delivered_by_time(&self, listening: i64, interval: i64) -> (u64, u64) {
        let hour = listening.div_euclid(HOUR);
        let oldest = hour.saturating_sub(HOURS as i64 - 1);
        let from = self.counting_from.max(oldest.saturating_mul(HOUR));
        let expected = u64::try_from(listening.saturating_sub(from) / interval).unwrap_or(0);
        let kept = self.hour.saturating_sub(HOURS as i64 - 1);
        let received: u64 = (oldest.max(kept)..=hour.min(self.hour))
            .filter_map(|hour| self.counts.get(place_of(hour)).copied())
            .map(u64::from)
            .sum();
        (received, expected)
    }

    fn heard_again(&mut self, listening: i64, settings: &LinkSettings) -> Option<LinkChange> {
        let needed = settings.messages_to_return.max(1);
        let span = self.interval().unwrap_or_else(|| self.silence_limit(settings));
        let window = span.saturating_mul(i64::from(needed) + 1);
        if self.returning == 0 || listening.saturating_sub(self.returning_from) > window {
            self.returning = 0;
            self.returning_from = listening;
        }
        self.returning = self.returning.saturating_add(1);
        if self.returning < needed {
            return None;
        }
        self.state = LinkState::Present;
        self.returning = 0;
        let lately = self.returns > 0 && listening.saturating_sub(self.returned_at) < STEADY;
        self.returns = if lately { self.returns.saturating_add(1) } else { 1 };
        self.returned_at = listening;
        Some(LinkChange::Returned)
    }

    /// The 0.3 quantile of the gaps is a single interval even when half of the messages are lost; the mean of the gaps
    /// near it evens out jitter.
    fn learn(&mut self, gap: i64) {
        let Some(gap) = u32::try_from(gap).ok().filter(|gap| i64::from(*gap) <= LONGEST_GAP) else {
            return;
        };
        if let Some(place) = self.gaps.get_mut(self.taken as usize % GAPS) {
            *place = gap;
        }
        self.taken = self.taken.checked_add(1).unwrap_or(GAPS as u32 * 2);
        // Once the ring is full every fourth gap is soon enough.
        if self.taken < LEAST_GAPS || (self.taken > GAPS as u32 && !self.taken.is_multiple_of(4)) {
            return;
        }
        let count = (self.taken as usize).min(GAPS);
        let mut sorted = self.gaps;
        let known = sorted.get_mut(..count).unwrap_or_default();
        known.sort_unstable();
        let base = known.get((count - 1) * 3 / 10).copied().unwrap_or(gap);
        let near = known.iter().map(|gap| u64::from(*gap)).filter(|gap| {
            let base = u64::from(base);
            base <= gap * 2 && gap * 2 <= base * 3
        });
        let (sum, number) = near.fold((0, 0), |(sum, number), gap| (sum + gap, number + 1));
        let interval = u32::try_from(sum / number.max(1)).unwrap_or(base);
        let fits = |gap: &&u32| {
            let times = (f64::from(**gap) / f64::from(interval.max(1))).round().max(1.0);
            (f64::from(**gap) - times * f64::from(interval)).abs() <= OFF_BEAT * f64::from(interval)
        };
        self.irregular = count >= LEAST_EVENTS && known.iter().filter(fits).count() * 4 < count * 3;
        let (slow, quick) = (interval.max(self.interval), interval.min(self.interval));
        if quick > 0 && slow / 2 > quick / 2 * 3 / 2 {
            // It speaks at another pace now: what was missing at the old one teaches nothing.
            (self.losses, self.allowed, self.counts) = Default::default();
            self.counting_from = self.heard_at;
            self.hour = self.heard_at.div_euclid(HOUR);
        }
        self.interval = interval;
    }

    /// What was missing in a `gap`. What may be missing is reckoned anew where something was, and each hour.
    fn note_losses(&mut self, gap: i64, step: Option<Step>, new_hour: bool, settings: &LinkSettings) {
        // Longer absences have other reasons than the radio.
        let Some(interval) = self.interval().filter(|_| gap <= MOST_ADAPTED) else { return };
        let missed = match step {
            Some(Step::On(steps) | Step::Restart(steps)) => steps.saturating_sub(1),
            // Rounded, and small by the bound on the gap.
            _ => (gap as f64 / interval as f64).round().max(1.0) as u32 - 1,
        };
        self.losses.note(missed, self.allowed);
        if missed > 0 || new_hour || self.allowed == 0 {
            self.allowed = self.losses.allowed(interval, settings.false_alerts_per_year);
        }
    }

    /// Counts a delivery. True for the first of an hour.
    fn count(&mut self, listening: i64) -> bool {
        let hour = listening.div_euclid(HOUR);
        let passed = hour.saturating_sub(self.hour).clamp(0, HOURS as i64);
        if passed > 0 {
            self.losses.forget(passed);
        }
        for skipped in 0..passed {
            if let Some(count) = self.counts.get_mut(place_of(hour.saturating_sub(skipped))) {
                *count = 0;
            }
        }
        self.hour = self.hour.max(hour);
        if let Some(count) = self.counts.get_mut(place_of(hour)) {
            *count = count.saturating_add(1);
        }
        passed > 0
    }
}

fn place_of(hour: i64) -> usize {
    // 0 to 23 fits.
    hour.rem_euclid(HOURS as i64) as usize
}

#[cfg(test)]
mod cases;
#[cfg(test)]
mod tests;
