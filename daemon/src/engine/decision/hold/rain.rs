//! Rain hold: an event of rain holds a group until its ledger owes a run again, or for a fixed time from the last rain.

use serde::{Deserialize, Serialize};

use crate::engine::settings::{RainHoldLength, RainHoldSettings};
use crate::engine::stamp::{DAY, HOUR, Stamp};

/// Rain with no dry gap of [`RainHoldSettings::event_gap_hours`] in it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Spell {
    #[serde(rename = "m", default)]
    mm: f64,
    #[serde(rename = "b", default)]
    began: Stamp,
    #[serde(rename = "l", default)]
    last: Stamp,
}

/// The rain event of a site, and those shortly before it: rain that arrives late belongs to the one in which it fell.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RainEvent {
    #[serde(rename = "m", default)]
    mm: f64,
    #[serde(rename = "b", default)]
    began: Option<Stamp>,
    #[serde(rename = "l", default)]
    last: Option<Stamp>,
    /// Oldest first, at most [`EARLIER`].
    #[serde(rename = "p", default, skip_serializing_if = "Vec::is_empty")]
    earlier: Vec<Spell>,
}

impl RainEvent {
    /// Adds rain that fell up to `at`, to the event that was on then, or as one of its own.
    pub fn add(&mut self, mm: f64, from: Stamp, at: Stamp, settings: &RainHoldSettings) {
        let gap = gap(settings);
        let is_late = self.last.is_some_and(|last| at < last);
        let mut spells: Vec<Spell> = self.spells().collect();
        let near = |spell: &Spell| spell.began.plus(-gap) <= at && at <= spell.last.plus(gap);
        match spells.iter_mut().find(|spell| near(spell)) {
            Some(spell) => {
                (spell.mm, spell.began, spell.last) = (spell.mm + mm, spell.began.min(at), spell.last.max(at));
            }
            // Rain over a long gap fell at a time that nobody knows: it counts where it was heard of.
            None => {
                let began = if at.since(from) <= HOUR { from.min(at) } else { at };
                spells.push(Spell { mm, began, last: at });
            }
        }
        spells.sort_by_key(|spell| spell.last);
        if is_late {
            // What came late may fill the gap between two events.
            spells.dedup_by(|next, spell| {
                let joins = next.began.since(spell.last) <= gap;
                if joins {
                    (spell.mm, spell.last) = (spell.mm + next.mm, spell.last.max(next.last));
                }
                joins
            });
        }
        let Some(newest) = spells.pop() else { return };
        (self.mm, self.began, self.last) = (newest.mm, Some(newest.began), Some(newest.last));
        spells.drain(..spells.len().saturating_sub(EARLIER));
        self.earlier = spells;
    }

    /// Takes discarded rain out again.
    pub fn take_out(&mut self, mm: f64) {
        self.mm = (self.mm - mm).max(0.0);
    }

    /// Rain of the event that is on at `now`, mm; 0 when it is over.
    pub fn mm(&self, now: Stamp, settings: &RainHoldSettings) -> f64 {
        if self.is_on(now, settings) { self.mm } else { 0.0 }
    }

    /// Rain of the last event, mm, whether it is over or not.
    pub fn last_mm(&self) -> f64 {
        self.mm
    }

    pub fn last_rain(&self) -> Option<Stamp> {
        self.last
    }

    pub fn is_on(&self, now: Stamp, settings: &RainHoldSettings) -> bool {
        self.last.is_some_and(|last| now.since(last) <= gap(settings))
    }

    pub fn ends_at(&self, settings: &RainHoldSettings) -> Option<Stamp> {
        self.last.map(|last| last.plus(gap(settings)))
    }

    /// The wall clock went back to `now`: instants that lie ahead of it cannot be.
    pub fn clock_stepped(&mut self, now: Stamp) {
        self.began = self.began.map(|began| began.min(now));
        self.last = self.last.map(|last| last.min(now));
        for spell in &mut self.earlier {
            (spell.began, spell.last) = (spell.began.min(now), spell.last.min(now));
        }
    }

    /// Oldest first.
    fn spells(&self) -> impl DoubleEndedIterator<Item = Spell> + '_ {
        let newest = self.last.map(|last| Spell { mm: self.mm, began: self.began.unwrap_or(last), last });
        self.earlier.iter().copied().chain(newest)
    }

    /// Rain of the events that ended after `since`, mm.
    fn mm_since(&self, since: Stamp) -> f64 {
        self.spells().filter(|spell| spell.last > since).map(|spell| spell.mm).sum()
    }
}

/// Events that are remembered beside the present one: late rain of the last days falls into them. Our choice.
const EARLIER: usize = 3;

/// The rain hold of one group.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RainHold {
    #[serde(rename = "s", default)]
    since: Option<Stamp>,
    /// Rain of the event that holds, mm.
    #[serde(rename = "m", default)]
    mm: f64,
    /// The rain that the length counts from.
    #[serde(rename = "l", default)]
    last_rain: Option<Stamp>,
    /// The rain that the hold before counted from: it begins no other.
    #[serde(rename = "d", default, skip_serializing_if = "Option::is_none")]
    done: Option<Stamp>,
}

/// What the hold is judged on.
#[derive(Clone, Copy, Debug)]
pub struct RainEvidence<'a> {
    pub event: &'a RainEvent,
    /// Share of the rain that reaches the group, 0–1.
    pub exposure: f64,
    /// Rain of the last 24 hours, mm.
    pub last_day_mm: f64,
    /// The group's ledger, mm, and the least of it that is worth a run.
    pub owed_mm: f64,
    pub least_run_mm: f64,
    /// What the ledger gains on a day without rain, mm, and what of it is still to come today: for the forecast of the end.
    pub daily_need_mm: f64,
    pub need_left_mm: f64,
    /// When the civil day ends.
    pub day_end: Stamp,
    /// A gauge of the site speaks, or gauges nearby speak for it. Without one, dry is not known.
    pub rain_known: bool,
}

impl RainHold {
    pub fn since(&self) -> Option<Stamp> {
        self.since
    }

    /// Rain came in: the event may begin a hold or make one longer. True when a hold began.
    pub fn rained(&mut self, evidence: &RainEvidence<'_>, now: Stamp, settings: &RainHoldSettings) -> bool {
        let Some(last) = evidence.event.last_rain() else { return false };
        if let (Some(_), Some(held_by)) = (self.since, self.last_rain) {
            self.mm = self.mm.max(evidence.event.last_mm());
            // A tip long after the rain is no new rain: it has to be enough by itself.
            let goes_on = last.since(held_by) <= gap(settings);
            let is_enough = goes_on || evidence.event.mm_since(held_by) >= settings.extends_at_mm;
            if is_enough && evidence.last_day_mm >= settings.extends_at_mm {
                self.last_rain = Some(held_by.max(last));
            }
            return false;
        }
        let begins = |spell: &Spell| {
            spell.mm * evidence.exposure >= settings.threshold_mm && self.done.is_none_or(|done| done < spell.last)
        };
        let Some(spell) = evidence.event.spells().rev().find(begins) else { return false };
        (self.since, self.last_rain, self.mm) = (Some(now), Some(spell.last), spell.mm);
        !self.lapse(evidence, now, settings)
    }

    /// Ends the hold where its time has come. True when it ended.
    pub fn lapse(&mut self, evidence: &RainEvidence<'_>, now: Stamp, settings: &RainHoldSettings) -> bool {
        if self.since.is_none() || !self.is_over(evidence, now, settings) {
            return false;
        }
        *self = Self { done: self.last_rain, ..Self::default() };
        true
    }

    /// Rain of the event that holds, mm.
    pub fn mm(&self) -> f64 {
        self.mm
    }

    /// When it is expected to end: exact for a fixed time, a forecast from the daily need for an automatic one.
    pub fn until(&self, evidence: &RainEvidence<'_>, now: Stamp, settings: &RainHoldSettings) -> Option<Stamp> {
        self.since?;
        let limit = self.last_rain?.plus(days(settings.longest_days));
        match settings.length {
            RainHoldLength::Days(length) => self.last_rain.map(|last| last.plus(days(length))),
            RainHoldLength::Auto => {
                let dry = self.last_rain.map_or(now, |last| last.plus(gap(settings)));
                let ready = thirsty_at(evidence, now).max(dry);
                Some(ready.min(limit).max(now))
            }
        }
    }

    /// The latest it can end, whatever the evidence.
    pub fn latest_end(&self, settings: &RainHoldSettings) -> Option<Stamp> {
        self.since.and(self.last_rain).map(|last| match settings.length {
            RainHoldLength::Days(length) => last.plus(days(length)),
            RainHoldLength::Auto => last.plus(days(settings.longest_days)),
        })
    }

    /// Ends the hold because the rain it stood on was discarded.
    pub fn withdraw(&mut self) {
        *self = Self::default();
    }

    /// The wall clock went back to `now`: instants that lie ahead of it cannot be.
    pub fn clock_stepped(&mut self, now: Stamp) {
        self.since = self.since.map(|since| since.min(now));
        self.last_rain = self.last_rain.map(|last| last.min(now));
        self.done = self.done.map(|done| done.min(now));
    }

    fn is_over(&self, evidence: &RainEvidence<'_>, now: Stamp, settings: &RainHoldSettings) -> bool {
        if self.latest_end(settings).is_some_and(|end| end <= now) {
            return true;
        }
        match settings.length {
            RainHoldLength::Days(_) => false,
            // Dry and thirsty again, and somebody is there to say so.
            RainHoldLength::Auto => {
                // A tip of dew or drizzle does not make it longer: only rain that extends the hold counts.
                evidence.rain_known
                    && self.last_rain.is_none_or(|last| now.since(last) > gap(settings))
                    && evidence.owed_mm >= evidence.least_run_mm
            }
        }
    }
}

/// When the ledger will owe a least run again, to the hour, if the days are as usual: plants drink by day, so the share of
/// a day's need is turned into an hour between morning and evening.
fn thirsty_at(evidence: &RainEvidence<'_>, now: Stamp) -> Stamp {
    let missing = evidence.least_run_mm - evidence.owed_mm;
    if missing <= 0.0 {
        return now;
    }
    if evidence.daily_need_mm < 0.05 {
        return Stamp(i64::MAX);
    }
    if missing <= evidence.need_left_mm {
        let left = evidence.day_end.since(now).max(0) as f64;
        return whole_hour(now.plus((left * missing / evidence.need_left_mm.max(0.01) * 0.6) as i64));
    }
    let whole = (missing - evidence.need_left_mm.max(0.0)) / evidence.daily_need_mm;
    let hour = MORNING + (EVENING - MORNING) * whole.fract();
    whole_hour(evidence.day_end.plus(days(whole.floor())).plus((hour * HOUR as f64) as i64))
}

fn whole_hour(at: Stamp) -> Stamp {
    Stamp(at.0.saturating_add(HOUR - 1).div_euclid(HOUR).saturating_mul(HOUR))
}

/// Hours of the day between which most evapotranspiration happens. Our choice, for forecasts only.
const MORNING: f64 = 7.0;
const EVENING: f64 = 19.0;

fn gap(settings: &RainHoldSettings) -> i64 {
    i64::from(settings.event_gap_hours) * HOUR
}

fn days(count: f64) -> i64 {
    (count.clamp(0.0, 3660.0) * DAY as f64) as i64
}

#[cfg(test)]
mod tests;
