//! Watering restrictions: rules with days, dates and hours, judged at the instant the water flows.

use chrono::{Datelike, NaiveDate};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

use crate::engine::civil;
use crate::engine::settings::{GroupSettings, Parity, RestrictionRule};
use crate::engine::stamp::{DAY, MINUTE, Stamp};

/// The rules as they bind one group.
#[derive(Clone, Copy, Debug)]
pub struct Rules<'a> {
    pub rules: &'a [RestrictionRule],
    pub group: &'a GroupSettings,
    pub zone: Tz,
    /// Days of the week on which the group had water already.
    pub watered: Option<WateredWeek>,
}

/// Days with water in one week.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct WateredWeek {
    #[serde(rename = "m")]
    monday: NaiveDate,
    /// Bit 0: Monday.
    #[serde(rename = "d")]
    days: u8,
}

impl WateredWeek {
    /// With water on `date` as well. An older week than the one that is counted changes nothing.
    pub fn with(before: Option<Self>, date: NaiveDate) -> Self {
        let monday = monday_of(date);
        let days = 1 << civil::weekday(date);
        match before {
            Some(week) if week.monday == monday => Self { days: week.days | days, ..week },
            Some(week) if week.monday > monday => week,
            _ => Self { monday, days },
        }
    }

    /// Days with water in the week of `date`, and whether that day is one of them.
    fn of(week: Option<Self>, date: NaiveDate) -> (u32, bool) {
        let days = week.filter(|week| week.monday == monday_of(date)).map_or(0, |week| week.days);
        (days.count_ones(), days & (1 << civil::weekday(date)) != 0)
    }
}

impl<'a> Rules<'a> {
    /// The first rule that forbids watering the group at `at`.
    pub fn forbidden_by(&self, at: Stamp) -> Option<&'a RestrictionRule> {
        let date = civil::date(self.zone, at);
        self.binding(date).find(|rule| !self.allows_date(rule, date) || barred(rule, self.zone, at))
    }

    /// Longest run of a zone on the day of `at`, minutes. None: as long as it likes.
    pub fn most_minutes(&self, at: Stamp) -> Option<f64> {
        let date = civil::date(self.zone, at);
        self.binding(date).filter_map(|rule| rule.most_minutes).min_by(f64::total_cmp)
    }

    /// When watering is allowed between `from` and `to`: intervals in order, at most 48.
    pub fn allowed_intervals(&self, from: Stamp, to: Stamp) -> Vec<(Stamp, Stamp)> {
        let mut intervals: Vec<(Stamp, Stamp)> = Vec::new();
        let mut at = from;
        while at < to && intervals.len() < MOST_INTERVALS {
            let next = next_edge(self.rules, self.zone, at).unwrap_or(to).min(to);
            if self.forbidden_by(at).is_none() {
                match intervals.last_mut() {
                    Some(last) if last.1 == at => last.1 = next,
                    _ => intervals.push((at, next)),
                }
            }
            at = next.max(at.plus(MINUTE));
        }
        intervals
    }

    /// The first instant from `now` on at which watering is allowed, within 60 days.
    pub fn allowed_again(&self, now: Stamp) -> Option<Stamp> {
        let mut at = now;
        while at.since(now) < 60 * DAY {
            self.forbidden_by(at)?;
            at = next_edge(self.rules, self.zone, at)?;
            if self.forbidden_by(at).is_none() {
                return Some(at);
            }
        }
        None
    }

    fn binding(&self, date: NaiveDate) -> impl Iterator<Item = &'a RestrictionRule> {
        let group = self.group;
        self.rules.iter().filter(move |rule| binds(rule, group, date))
    }

    fn allows_date(&self, rule: &RestrictionRule, date: NaiveDate) -> bool {
        let weekday = rule.allowed_weekdays.is_none_or(|days| days[civil::weekday(date)]);
        let parity = match rule.parity {
            None => true,
            Some(Parity::Even) => date.day().is_multiple_of(2),
            Some(Parity::Odd) => date.day() % 2 == 1 && date.day() != 31 && !(date.month() == 2 && date.day() == 29),
        };
        let (days, today) = WateredWeek::of(self.watered, date);
        let count = rule.days_a_week.is_none_or(|most| today || days < u32::from(most));
        weekday && parity && count
    }
}

/// The next instant after `now` at which a rule can change its mind: a day's start or the edge of barred hours.
pub fn next_edge(rules: &[RestrictionRule], zone: Tz, now: Stamp) -> Option<Stamp> {
    if rules.is_empty() {
        return None;
    }
    let midnight = civil::day_end(zone, civil::date(zone, now));
    rules
        .iter()
        .flat_map(|rule| &rule.barred)
        .flat_map(|window| civil::windows_from(zone, now, *window, 1).flat_map(|(_, opens, closes)| [opens, closes]))
        .chain([midnight])
        .filter(|edge| *edge > now)
        .min()
}

fn binds(rule: &RestrictionRule, group: &GroupSettings, date: NaiveDate) -> bool {
    rule.from.is_none_or(|from| from <= date)
        && rule.until.is_none_or(|until| date <= until)
        && rule.every_year.is_none_or(|(from, until)| in_year(from, until, date))
        && !rule.exempt_kinds.contains(&group.kind)
        && (rule.groups.is_empty() || rule.groups.contains(&group.id))
}

/// True from one month and day to another of every year, across the new year where the first is later.
fn in_year(from: (u8, u8), until: (u8, u8), date: NaiveDate) -> bool {
    // Months and days fit.
    let day = (date.month() as u8, date.day() as u8);
    if from <= until { from <= day && day <= until } else { from <= day || day <= until }
}

/// A barred window is open at `at`.
fn barred(rule: &RestrictionRule, zone: Tz, at: Stamp) -> bool {
    rule.barred
        .iter()
        .any(|window| civil::windows_from(zone, at, *window, 0).any(|(_, opens, closes)| opens <= at && at < closes))
}

fn monday_of(date: NaiveDate) -> NaiveDate {
    date.week(chrono::Weekday::Mon).checked_first_day().unwrap_or(date)
}

const MOST_INTERVALS: usize = 48;

#[cfg(test)]
mod tests;
