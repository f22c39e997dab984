//! Wind hold: on the 10-minute mean, off after half an hour of calm, and at the latest some hours after the last word of
//! the anemometer.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::engine::settings::WindHoldSettings;
use crate::engine::stamp::{HOUR, MINUTE, Stamp};

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct WindHold {
    #[serde(rename = "s", default)]
    since: Option<Stamp>,
    #[serde(rename = "c", default)]
    calm_since: Option<Stamp>,
    #[serde(rename = "l", default)]
    last: Option<Stamp>,
    /// Minute since 1970, sum and number of its readings; at most [`MEAN_MINUTES`] of them.
    #[serde(rename = "m", default)]
    minutes: VecDeque<(i64, f32, u16)>,
}

impl WindHold {
    pub fn since(&self) -> Option<Stamp> {
        self.since
    }

    /// When the hold ends if the anemometer stays silent.
    pub fn ends_in_silence_at(&self, settings: &WindHoldSettings) -> Option<Stamp> {
        self.since.and(self.last).map(|last| last.plus(i64::from(settings.longest_hours) * HOUR))
    }

    /// Mean over the 10 minutes up to the last reading, m/s.
    pub fn mean(&self) -> Option<f64> {
        let (sum, count) = self
            .minutes
            .iter()
            .fold((0.0, 0u32), |(sum, count), &(_, part, n)| (sum + f64::from(part), count + u32::from(n)));
        (count > 0).then(|| sum / f64::from(count))
    }

    /// Takes in a wind speed in m/s. True when the hold began or ended.
    pub fn judge(&mut self, speed: f64, at: Stamp, settings: &WindHoldSettings) -> bool {
        let minute = at.0.div_euclid(MINUTE);
        match self.minutes.back_mut() {
            Some((last, sum, count)) if *last == minute => {
                *sum += speed as f32;
                *count = count.saturating_add(1);
            }
            Some((last, ..)) if *last > minute => return false,
            _ => self.minutes.push_back((minute, speed as f32, 1)),
        }
        while self.minutes.front().is_some_and(|&(first, ..)| first <= minute - MEAN_MINUTES) {
            self.minutes.pop_front();
        }
        self.last = Some(at);
        let mean = self.mean().unwrap_or(0.0);
        if self.since.is_none() {
            if mean >= settings.hold_at_m_per_s {
                (self.since, self.calm_since) = (Some(at), None);
                return true;
            }
            return false;
        }
        if mean > settings.release_at_m_per_s {
            self.calm_since = None;
            return false;
        }
        let calm_since = *self.calm_since.get_or_insert(at);
        if at.since(calm_since) >= i64::from(settings.release_after_minutes) * MINUTE {
            (self.since, self.calm_since) = (None, None);
            return true;
        }
        false
    }

    /// Ends a hold about which the anemometer has been silent for its own time limit.
    pub fn lapse(&mut self, now: Stamp, settings: &WindHoldSettings) -> bool {
        let ended = self.ends_in_silence_at(settings).is_some_and(|end| end <= now);
        if ended {
            (self.since, self.calm_since) = (None, None);
        }
        ended
    }

    /// The wall clock went back to `now`: instants that lie ahead of it cannot be.
    pub fn clock_stepped(&mut self, now: Stamp) {
        self.minutes.clear();
        self.calm_since = None;
        self.since = self.since.map(|since| since.min(now));
        self.last = self.last.map(|last| last.min(now));
    }
}

/// Averaging time of wind speed (WMO-No. 8, Guide to Instruments and Methods of Observation: 10-min mean).
const MEAN_MINUTES: i64 = 10;

#[cfg(test)]
mod tests {
    use super::*;

    const SETTINGS: WindHoldSettings = WindHoldSettings {
        hold_at_m_per_s: 5.0,
        release_at_m_per_s: 4.0,
        release_after_minutes: 30,
        longest_hours: 12,
        enabled: true,
    };

    #[test]
    fn a_gust_alone_does_not_hold_but_a_windy_ten_minutes_does() {
        let mut hold = WindHold::default();
        for minute in 0..9 {
            assert!(!hold.judge(3.0, Stamp(minute * MINUTE), &SETTINGS));
        }
        assert!(!hold.judge(12.0, Stamp(9 * MINUTE), &SETTINGS));
        assert!((10..20).any(|minute| hold.judge(6.0, Stamp(minute * MINUTE), &SETTINGS)));
    }

    #[test]
    fn half_an_hour_of_calm_ends_it_and_one_windy_mean_starts_the_half_hour_anew() {
        let mut hold = WindHold::default();
        assert!(hold.judge(7.0, Stamp(0), &SETTINGS));
        let mut ended = None;
        for minute in 11..120 {
            let speed = if minute == 30 { 40.0 } else { 1.0 };
            if hold.judge(speed, Stamp(minute * MINUTE), &SETTINGS) {
                ended = Some(minute);
                break;
            }
        }
        assert_eq!(ended, Some(70)); // the gust is in the mean until minute 39, calm counts from 40
    }

    #[test]
    fn silence_ends_it_only_by_its_own_limit() {
        let mut hold = WindHold::default();
        assert!(hold.judge(7.0, Stamp(0), &SETTINGS));
        assert!(!hold.lapse(Stamp(12 * HOUR - 1), &SETTINGS));
        assert!(hold.lapse(Stamp(12 * HOUR), &SETTINGS));
        assert_eq!(hold.since(), None);
    }
}
