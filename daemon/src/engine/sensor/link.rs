//! The link of one sensor: how often it reports, when its silence means something, how much of it arrives.
//!
//! Silence, intervals and delivery run on *listening* time: milliseconds of uptime during which the broker was
//! connected, so that our own absence is nobody's silence. Only `last_heard` is wall time, for people.

use serde::{Deserialize, Serialize};

use super::super::stamp::{HOUR, SECOND, Stamp};

/// When silence is a loss, and what a return takes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct LinkSettings {
    /// Fixed silence limit in seconds (at least 1); None: by the interval learnt.
    pub silence_limit_seconds: Option<u32>,
    /// Our choice: 5 intervals, so four messages in a row may be lost: below one false alarm a year at 5 % loss and
    /// five-minute reports. More than 1.
    pub silence_intervals: f64,
    /// Our choice: 15 min; no shorter silence matters to watering.
    pub shortest_silence_seconds: u32,
    /// Our choice: 26 h; a sensor that reports once a day may be two hours late.
    pub longest_silence_seconds: u32,
    /// Our choice: 2 h, before an interval is learnt.
    pub first_silence_seconds: u32,
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
        let was_heard = self.last_heard.is_some();
        let gap = listening.saturating_sub(self.heard_at);
        self.heard_at = self.heard_at.max(listening);
        self.last_heard = Some(at);
        if was_heard {
            if gap < SHORTEST_GAP {
                return None;
            }
            self.learn(gap);
            self.count(listening);
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

    /// How long this sensor may be silent, in ms of listening.
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

    /// Listening instant at which the silence becomes a loss; None when it already is one.
    pub fn due(&self, settings: &LinkSettings) -> Option<i64> {
        (self.state != LinkState::Lost).then(|| self.heard_at.saturating_add(self.silence_limit(settings)))
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

    /// Received share of the messages expected in the last 24 h of listening, 0 to 1; None before a message was due.
    pub fn delivery_ratio(&self, listening: i64) -> Option<f64> {
        let interval = self.interval()?;
        self.last_heard?;
        let hour = listening.div_euclid(HOUR);
        let oldest = hour.saturating_sub(HOURS as i64 - 1);
        let from = self.counting_from.max(oldest.saturating_mul(HOUR));
        let expected = listening.saturating_sub(from) / interval;
        if expected < 1 {
            return None;
        }
        let kept = self.hour.saturating_sub(HOURS as i64 - 1);
        let received: u64 = (oldest.max(kept)..=hour.min(self.hour))
            .filter_map(|hour| self.counts.get(place_of(hour)).copied())
            .map(u64::from)
            .sum();
        Some((received as f64 / expected as f64).min(1.0))
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
        self.interval = u32::try_from(sum / number.max(1)).unwrap_or(base);
    }

    fn count(&mut self, listening: i64) {
        let hour = listening.div_euclid(HOUR);
        let passed = hour.saturating_sub(self.hour).clamp(0, HOURS as i64);
        for skipped in 0..passed {
            if let Some(count) = self.counts.get_mut(place_of(hour.saturating_sub(skipped))) {
                *count = 0;
            }
        }
        self.hour = self.hour.max(hour);
        if let Some(count) = self.counts.get_mut(place_of(hour)) {
            *count = count.saturating_add(1);
        }
    }
}

fn place_of(hour: i64) -> usize {
    // 0 to 23 fits.
    hour.rem_euclid(HOURS as i64) as usize
}

#[cfg(test)]
mod tests;
