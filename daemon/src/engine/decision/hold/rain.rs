//! Rain hold: an event of rain holds a group until its ledger owes a run again, or for a fixed time from the last rain.

use serde::{Deserialize, Serialize};

use crate::engine::settings::{RainHoldLength, RainHoldSettings};
use crate::engine::stamp::{DAY, HOUR, Stamp};

/// The rain event of a site: rain with no dry gap of [`RainHoldSettings::event_gap_hours`] in it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RainEvent {
    #[serde(rename = "m", default)]
    mm: f64,
    #[serde(rename = "b", default)]
    began: Option<Stamp>,
    #[serde(rename = "l", default)]
    last: Option<Stamp>,
}

impl RainEvent {
    /// Adds rain that fell up to `at`. Rain that is older than the event's last is part of it.
    pub fn add(&mut self, mm: f64, from: Stamp, at: Stamp, settings: &RainHoldSettings) {
        let over = self.last.is_some_and(|last| at.since(last) > gap(settings));
        if over || self.began.is_none() {
            *self = Self { mm: 0.0, began: Some(from), last: Some(at) };
        }
        self.mm += mm;
        self.last = self.last.max(Some(at));
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
    }
}

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
    /// A gauge of the site speaks. Without one, dry is not known.
    pub gauge_heard: bool,
}

impl RainHold {
    pub fn since(&self) -> Option<Stamp> {
        self.since
    }

    /// Rain came in: the event may begin a hold or make one longer. True when a hold began.
    pub fn rained(&mut self, evidence: &RainEvidence<'_>, now: Stamp, settings: &RainHoldSettings) -> bool {
        let Some(last) = evidence.event.last_rain() else { return false };
        if self.since.is_some() {
            self.mm = self.mm.max(evidence.event.last_mm());
            if evidence.last_day_mm >= settings.extends_at_mm {
                self.last_rain = self.last_rain.max(Some(last));
            }
            return false;
        }
        if evidence.event.mm(now, settings) * evidence.exposure < settings.threshold_mm {
            return false;
        }
        (self.since, self.last_rain, self.mm) = (Some(now), Some(last), evidence.event.last_mm());
        !self.lapse(evidence, now, settings)
    }

    /// Ends the hold where its time has come. True when it ended.
    pub fn lapse(&mut self, evidence: &RainEvidence<'_>, now: Stamp, settings: &RainHoldSettings) -> bool {
        if self.since.is_none() || !self.is_over(evidence, now, settings) {
            return false;
        }
        *self = Self::default();
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
                evidence.gauge_heard
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
mod tests {
    use super::*;

    const AUTO: RainHoldSettings = RainHoldSettings {
        threshold_mm: 6.0,
        length: RainHoldLength::Auto,
        extends_at_mm: 2.5,
        event_gap_hours: 6,
        longest_days: 7.0,
        enabled: true,
    };

    fn hours(count: i64) -> Stamp {
        Stamp(count * HOUR)
    }

    fn evidence(event: &RainEvent, owed_mm: f64) -> RainEvidence<'_> {
        RainEvidence {
            event,
            exposure: 1.0,
            last_day_mm: event.mm,
            owed_mm,
            least_run_mm: 2.0,
            daily_need_mm: 4.0,
            need_left_mm: 1.0,
            day_end: hours(24),
            gauge_heard: true,
        }
    }

    #[test]
    fn showers_with_short_gaps_are_one_event_and_after_six_dry_hours_a_new_one_begins() {
        let mut event = RainEvent::default();
        for hour in [1, 4, 9] {
            event.add(2.0, hours(hour), hours(hour), &AUTO);
        }
        assert_eq!(event.mm(hours(9), &AUTO), 6.0);
        assert_eq!(event.mm(hours(16), &AUTO), 0.0);
        event.add(1.0, hours(16), hours(16), &AUTO);
        assert_eq!(event.mm(hours(16), &AUTO), 1.0);
    }

    #[test]
    fn an_automatic_hold_ends_when_the_ledger_owes_a_run_again_and_not_while_it_rains() {
        let (mut event, mut hold) = (RainEvent::default(), RainHold::default());
        event.add(5.9, hours(1), hours(1), &AUTO);
        assert!(!hold.rained(&evidence(&event, 9.0), hours(1), &AUTO));
        event.add(0.2, hours(2), hours(2), &AUTO);
        assert!(hold.rained(&evidence(&event, 9.0), hours(2), &AUTO));
        assert!(!hold.lapse(&evidence(&event, 9.0), hours(8), &AUTO), "still raining");
        assert!(!hold.lapse(&evidence(&event, 1.0), hours(9), &AUTO), "nothing owed");
        // 2 mm missing: 1 today, 1 of 4 tomorrow: a quarter of the way from 7 to 19 o'clock.
        assert_eq!(hold.until(&evidence(&event, 0.0), hours(9), &AUTO), Some(hours(34)));
        assert!(
            !hold.lapse(&RainEvidence { gauge_heard: false, ..evidence(&event, 3.0) }, hours(20), &AUTO),
            "nobody says dry"
        );
        assert!(hold.lapse(&evidence(&event, 2.0), hours(20), &AUTO));
    }

    #[test]
    fn a_silent_gauge_keeps_an_automatic_hold_only_to_its_own_limit() {
        let (mut event, mut hold) = (RainEvent::default(), RainHold::default());
        event.add(8.0, hours(0), hours(0), &AUTO);
        assert!(hold.rained(&evidence(&event, 0.0), hours(0), &AUTO));
        let silent = RainEvidence { gauge_heard: false, ..evidence(&event, 20.0) };
        assert!(!hold.lapse(&silent, hours(7 * 24 - 1), &AUTO));
        assert!(hold.lapse(&silent, hours(7 * 24), &AUTO));
    }

    #[test]
    fn a_fixed_hold_counts_from_the_last_rain_and_a_drizzle_does_not_extend_it() {
        let settings = RainHoldSettings { length: RainHoldLength::Days(2.0), ..AUTO };
        let (mut event, mut hold) = (RainEvent::default(), RainHold::default());
        event.add(8.0, hours(0), hours(0), &settings);
        assert!(hold.rained(&evidence(&event, 0.0), hours(0), &settings));
        event.add(1.0, hours(30), hours(30), &settings);
        let drizzle = RainEvidence { last_day_mm: 1.0, ..evidence(&event, 0.0) };
        hold.rained(&drizzle, hours(30), &settings);
        assert_eq!(hold.until(&drizzle, hours(30), &settings), Some(hours(48)));
        let rain = RainEvidence { last_day_mm: 2.5, ..evidence(&event, 0.0) };
        hold.rained(&rain, hours(30), &settings);
        assert_eq!(hold.until(&rain, hours(30), &settings), Some(hours(78)));
        assert!(hold.lapse(&rain, hours(78), &settings));
    }

    #[test]
    fn late_rain_holds_only_for_the_drying_time_still_ahead() {
        let settings = RainHoldSettings { length: RainHoldLength::Days(0.2), ..AUTO };
        let (mut event, mut hold) = (RainEvent::default(), RainHold::default());
        event.add(8.0, hours(0), hours(0), &settings);
        assert!(!hold.rained(&evidence(&event, 0.0), hours(5), &settings), "its 4.8 hours are over");
    }
}
