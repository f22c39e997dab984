//! What a sensor's daily volts or percent tell: a level for every day, when the battery was changed, when it will end.

use serde::{Deserialize, Serialize};

use super::BatterySettings;
use super::chemistry::{Chemistry, Course};
use super::days::Days;
use super::experience::Experience;
use super::fleet;
use super::fleet::{Outcome, Table};
use super::forecast::{self, Forecast, Known};
use super::replacement;
use super::trend::median;
use super::warmth::{Sums, Warmth};

/// The days of one battery, and what follows from them.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Outlook {
    #[serde(rename = "d")]
    days: Days,
    /// The day that readings fall into.
    #[serde(rename = "o", skip_serializing_if = "Option::is_none")]
    open: Option<Open>,
    /// Levels are hundredths of a percent.
    #[serde(rename = "p", skip_serializing_if = "is_false")]
    percent: bool,
    #[serde(rename = "w")]
    warmth: Warmth,
    /// First day of this battery.
    #[serde(rename = "s")]
    since: u16,
    /// Day and depth of discharge early in its life.
    #[serde(rename = "a", skip_serializing_if = "Option::is_none")]
    anchor: Option<(u16, f32)>,
    /// Judged from the volts of a replacement, where they cannot be those of the chemistry that is set.
    #[serde(rename = "c", skip_serializing_if = "Option::is_none")]
    judged: Option<Chemistry>,
    #[serde(rename = "f", skip_serializing_if = "Option::is_none")]
    forecast: Option<Forecast>,
    /// Evenings in a row on which the end was near, by weight, and on which it was far.
    #[serde(rename = "n")]
    near: u8,
    #[serde(rename = "m")]
    far: u8,
    /// The likely day that was last told to people.
    #[serde(rename = "y")]
    said: u16,
    /// The forecast with which people were first asked for this battery: when it was made, and its likely days.
    #[serde(rename = "q", skip_serializing_if = "Option::is_none")]
    asked: Option<(u16, u16)>,
    /// The likely days as they were told then; 0: not known.
    #[serde(rename = "u", skip_serializing_if = "is_zero")]
    told: u16,
    /// What became of the last battery, until it is taken.
    #[serde(skip)]
    outcome: Option<Outcome>,
    /// What earlier batteries of this sensor taught; outlives them.
    #[serde(rename = "e")]
    experience: Experience,
}

/// One day's levels so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Open {
    #[serde(rename = "d")]
    day: u16,
    /// The last level of every two hours; 0: none.
    #[serde(rename = "l")]
    levels: [u16; SLOTS],
    #[serde(rename = "t")]
    sums: Sums,
}

const SLOTS: usize = 12;

/// What became of a day that closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DayChange {
    /// There is a new battery since this day: the levels stepped up, or a service mark proved true.
    Replaced(u16),
    /// A change was noted, but a day later the battery is the old one by what it says.
    Unchanged,
}

impl Outlook {
    /// A level of the civil day `day` at `hour`: millivolts or hundredths of a percent.
    pub(super) fn note(
        &mut self,
        (day, hour): (u16, u8),
        level: u16,
        percent: bool,
        celsius: Option<f64>,
        settings: &BatterySettings,
    ) -> Option<DayChange> {
        if percent != self.percent {
            *self = Self { percent, ..Self::default() };
        }
        let closed = self.days.newest().map(|newest| newest.day);
        if closed.is_some_and(|closed| day <= closed) || self.open.is_some_and(|open| day < open.day) {
            return None;
        }
        let change = if self.open.is_some_and(|open| open.day < day) { self.close(settings) } else { None };
        let open = self.open.get_or_insert_with(|| Open { day, ..Open::default() });
        if let Some(slot) = open.levels.get_mut(usize::from(hour) * SLOTS / 24) {
            *slot = level;
        }
        if let (Some(celsius), false) = (celsius, percent) {
            open.sums.add(celsius, f64::from(level) / 1000.0);
        }
        if self.since == 0 {
            self.since = day;
        }
        change
    }

    /// Closes the open day if it lies before `today`, and draws the conclusions of the evening.
    pub fn turn(&mut self, today: u16, settings: &BatterySettings, fleet: &Table) -> Option<DayChange> {
        let change = if self.open.is_some_and(|open| open.day < today) { self.close(settings) } else { None };
        let newest = self.days.newest()?.day;
        let rested = self.forecast.map_or(u16::MAX, |forecast| newest.abs_diff(forecast.made));
        let far = self.forecast.is_some_and(|forecast| forecast.to_plan() > FAR_DAYS);
        if rested >= if far { 7 } else { 1 } {
            self.judge(settings, fleet);
        }
        change
    }

    fn close(&mut self, settings: &BatterySettings) -> Option<DayChange> {
        let open = self.open.take()?;
        let mut levels: Vec<f64> =
            open.levels.iter().filter(|level| **level > 0).map(|level| f64::from(*level)).collect();
        // What the sun charges shows its worth at the end of the night.
        let level = if self.chemistry(settings).course() == Course::Sun && !self.percent {
            levels.iter().copied().reduce(f64::min)?
        } else {
            median(&mut levels)?
        };
        self.warmth.learn(&open.sums);
        // Levels are u16, and so is their median.
        self.days.push(open.day, level.round() as u16, open.sums.mean_celsius());
        let change = self.look_for_replacement(settings);
        if self.anchor.is_none() && self.days.count() >= ANCHORED_AFTER {
            self.anchor = self.first_depth(settings);
        }
        change
    }

    fn look_for_replacement(&mut self, settings: &BatterySettings) -> Option<DayChange> {
        let last: Vec<(u16, f64)> = {
            let mut last: Vec<(u16, f64)> = self
                .days
                .iter()
                .rev()
                .take(replacement::BEFORE + replacement::AFTER)
                .map(|day| (day.day, f64::from(day.level)))
                .collect();
            last.reverse();
            last
        };
        let levels: Vec<f64> = last.iter().map(|(_, level)| *level).collect();
        let cells = f64::from(self.chemistry(settings).cells());
        let least = match (self.percent, cells > 0.0) {
            (true, _) => LEAST_PERCENT,
            (false, true) => 1000.0 * replacement::LEAST_VOLTS_PER_CELL * cells,
            // Cells unknown: a tenth of what it was.
            (false, false) => levels.first().map_or(0.0, |level| 0.1 * level),
        };
        if self.chemistry(settings).course() == Course::Sun || !replacement::stepped_up(&levels, least) {
            return None;
        }
        let ((before, _), (day, _)) = (*last.get(replacement::BEFORE - 1)?, *last.get(replacement::BEFORE)?);
        self.learn_from_end(before, day - before > 1, settings);
        self.restart(day, settings);
        Some(DayChange::Replaced(day))
    }

    /// The battery was last heard on the day `last` and then changed, after a silence or at once. Where it had come to its
    /// end, forecast and outcome are compared; changed early it teaches nothing, but that it lasted longer than said.
    fn learn_from_end(&mut self, last: u16, after_silence: bool, settings: &BatterySettings) {
        let Some((made, likely)) = self.asked else { return };
        let known = self.known(settings, &fleet::NONE);
        let before: Vec<_> = self.days.iter().filter(|day| day.day <= last).collect();
        let mut depths: Vec<f64> = before
            .iter()
            .rev()
            .take(3)
            .filter_map(|day| forecast::depth(&known, day.level, day.celsius, settings))
            .collect();
        let Some(depth) = median(&mut depths) else { return };
        let Some(end) = forecast::end_depth(&known, settings) else { return };
        let lived = f64::from(last.saturating_sub(made));
        let ended = depth >= end || (after_silence && depth >= end - NEAR_END);
        let chemistry = self.chemistry(settings);
        let is_later = self.experience.outcomes() > 0;
        let said = if is_later && self.told > 0 { self.told } else { likely };
        let log = (lived.max(0.5) / f64::from(said.max(1))).log2() as f32;
        self.outcome = Some(Outcome { chemistry, is_later, ended, log });
        if ended || lived > f64::from(likely) {
            self.experience.learn(lived / f64::from(likely.max(1)));
        }
    }

    /// A new battery since `day`: its trend starts there.
    pub fn restart(&mut self, day: u16, settings: &BatterySettings) {
        self.days.keep_from(day);
        self.since = day;
        (self.anchor, self.forecast, self.near, self.far) = (None, None, 0, 0);
        (self.asked, self.told) = (None, 0);
        self.judged = self.fitting(settings);
    }

    /// The chemistry that a new battery must be where its volts cannot be those of the one that is set: a lithium iron
    /// cell shows more than any alkaline one.
    fn fitting(&self, settings: &BatterySettings) -> Option<Chemistry> {
        let volts = f64::from(self.days.newest()?.level) / 1000.0;
        let fits = |chemistry: Chemistry| chemistry.fresh_volts().is_some_and(|fresh| volts <= fresh * FRESH_AT_MOST);
        let set = settings.chemistry;
        if self.percent || set == Chemistry::Custom || fits(set) {
            return None;
        }
        let other = match set {
            Chemistry::AlkalineAa2 => Chemistry::LithiumIronAa2,
            Chemistry::Lithium9V | Chemistry::Nimh9V => Chemistry::Alkaline9V,
            _ => return None,
        };
        fits(other).then_some(other)
    }

    fn first_depth(&self, settings: &BatterySettings) -> Option<(u16, f32)> {
        let known = self.known(settings, &fleet::NONE);
        let first: Vec<_> = self.days.iter().take(ANCHORED_AFTER).collect();
        let mut depths: Vec<f64> =
            first.iter().filter_map(|day| forecast::depth(&known, day.level, day.celsius, settings)).collect();
        let middle = first.get(first.len() / 2)?;
        Some((middle.day, median(&mut depths)? as f32))
    }

    fn judge(&mut self, settings: &BatterySettings, fleet: &Table) {
        let known = self.known(settings, fleet);
        let factor = known.shares.factor;
        self.forecast = forecast::forecast(&known, settings);
        let lead = settings.forecast_lead_days;
        let to_plan = self.forecast.map_or(u16::MAX, |forecast| forecast.to_plan());
        if to_plan <= lead {
            let weight = if to_plan <= lead / 2 { EVENINGS_TO_ASK.div_ceil(2) } else { 1 };
            (self.near, self.far) = (self.near.saturating_add(weight), 0);
        } else if !self.is_near() {
            self.near = 0;
        }
        if to_plan > lead.saturating_mul(2) {
            self.far = self.far.saturating_add(1);
            self.near = if self.far >= EVENINGS_TO_CLEAR { 0 } else { self.near };
        }
        if self.is_near() && self.asked.is_none() {
            // By the volts alone: what is learnt is how wrong they are.
            let plain = |days: u16| (f64::from(days) / factor).round() as u16;
            self.asked = self.forecast.map(|forecast| (forecast.made, plain(forecast.likely)));
            self.told = self.forecast.map_or(0, |forecast| forecast.likely);
        }
        if self.is_far() {
            (self.asked, self.told) = (None, 0);
        }
    }

    /// A service mark says that the battery was changed, and the levels since `day` bear it out.
    pub(super) fn changed_by_mark(&mut self, day: u16, settings: &BatterySettings) {
        if let Some(last) = self.days.newest() {
            self.learn_from_end(last.day, day.saturating_sub(last.day) > 2, settings);
        }
        self.open = None;
        self.restart(day, settings);
    }

    fn known(&self, settings: &BatterySettings, fleet: &Table) -> Known<'_> {
        Known {
            days: &self.days,
            percent: self.percent,
            warmth: &self.warmth,
            chemistry: self.chemistry(settings),
            anchor: self.anchor.map(|(day, depth)| (day, f64::from(depth))),
            since: self.since,
            shares: fleet.shares(self.chemistry(settings), &self.experience),
        }
    }

    /// What became of the battery that was changed, once.
    pub fn take_outcome(&mut self) -> Option<Outcome> {
        self.outcome.take()
    }

    /// What it runs on, as judged or set.
    pub fn chemistry(&self, settings: &BatterySettings) -> Chemistry {
        self.judged.unwrap_or(settings.chemistry)
    }

    pub fn forecast(&self) -> Option<&Forecast> {
        self.forecast.as_ref()
    }

    /// The end is near on a week's evenings in a row, or very near on two: a visit is asked for.
    pub fn is_near(&self) -> bool {
        self.near >= EVENINGS_TO_ASK
    }

    /// The end has been far for a week.
    pub fn is_far(&self) -> bool {
        self.near == 0 && self.far >= EVENINGS_TO_CLEAR
    }

    /// The likely day that people were last told.
    pub fn said(&self) -> u16 {
        self.said
    }

    /// People were told the forecast as it stands.
    pub fn was_said(&mut self) {
        self.said = self.forecast.map_or(0, |forecast| forecast.made.saturating_add(forecast.likely));
    }

    /// Level of the newest closed day: volts, or percent.
    pub fn newest_level(&self) -> Option<f64> {
        let level = f64::from(self.days.newest()?.level);
        Some(if self.percent { level / 100.0 } else { level / 1000.0 })
    }

    /// The wall clock went back to the civil day `today`: later days have not been.
    pub fn clock_stepped_back(&mut self, today: u16) {
        self.days.keep_to(today);
        self.open = self.open.filter(|open| open.day <= today);
        self.since = self.since.min(today);
        self.anchor = self.anchor.filter(|(day, _)| *day <= today);
        self.forecast = self.forecast.filter(|forecast| forecast.made <= today);
    }
}

fn is_zero(days: &u16) -> bool {
    *days == 0
}

fn is_false(flag: &bool) -> bool {
    !flag
}

/// Two weeks: less is not the level of an early life. Our choice.
const ANCHORED_AFTER: usize = 14;
/// Hundredths of a percent; a step of 15 points. Our choice.
const LEAST_PERCENT: f64 = 1500.0;
/// More than this times the most of a curve does not fit it. Our choice.
const FRESH_AT_MOST: f64 = 1.03;
/// An end that far away is looked for once a week. Our choice.
const FAR_DAYS: u16 = 120;
/// Depth of discharge before the end from which a silence before the change was the battery's. Our choice.
const NEAR_END: f64 = 0.15;
/// Evenings in a row; those on which the end is nearer than half the lead count for half of them. Our choice.
const EVENINGS_TO_ASK: u8 = 7;
const EVENINGS_TO_CLEAR: u8 = 7;

#[cfg(test)]
mod tests;
