//! Watering restrictions: rules with days, dates and hours, judged at the instant the water flows.

use chrono::{Datelike, NaiveDate};
use chrono_tz::Tz;

use crate::engine::civil;
use crate::engine::settings::{GroupSettings, Parity, RestrictionRule};
use crate::engine::stamp::{DAY, MINUTE, Stamp};

/// The first rule that forbids watering `group` at `at`.
pub fn forbidden_by<'a>(
    rules: &'a [RestrictionRule],
    group: &GroupSettings,
    zone: Tz,
    at: Stamp,
) -> Option<&'a RestrictionRule> {
    let date = civil::date(zone, at);
    rules
        .iter()
        .filter(|rule| binds(rule, group, date))
        .find(|rule| !allows_date(rule, date) || barred(rule, zone, at).is_some())
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

/// When watering is allowed between `from` and `to`: intervals in order, at most 48.
pub fn allowed_intervals(
    rules: &[RestrictionRule],
    group: &GroupSettings,
    zone: Tz,
    from: Stamp,
    to: Stamp,
) -> Vec<(Stamp, Stamp)> {
    let mut intervals: Vec<(Stamp, Stamp)> = Vec::new();
    let mut at = from;
    while at < to && intervals.len() < MOST_INTERVALS {
        let next = next_edge(rules, zone, at).unwrap_or(to).min(to);
        if forbidden_by(rules, group, zone, at).is_none() {
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
pub fn allowed_again(rules: &[RestrictionRule], group: &GroupSettings, zone: Tz, now: Stamp) -> Option<Stamp> {
    let mut at = now;
    while at.since(now) < 60 * DAY {
        forbidden_by(rules, group, zone, at)?;
        at = next_edge(rules, zone, at)?;
        if forbidden_by(rules, group, zone, at).is_none() {
            return Some(at);
        }
    }
    None
}

fn binds(rule: &RestrictionRule, group: &GroupSettings, date: NaiveDate) -> bool {
    rule.from.is_none_or(|from| from <= date)
        && rule.until.is_none_or(|until| date <= until)
        && !rule.exempt_kinds.contains(&group.kind)
        && (rule.groups.is_empty() || rule.groups.contains(&group.id))
}

fn allows_date(rule: &RestrictionRule, date: NaiveDate) -> bool {
    let weekday = rule.allowed_weekdays.is_none_or(|days| days[civil::weekday(date)]);
    let parity = match rule.parity {
        None => true,
        Some(Parity::Even) => date.day().is_multiple_of(2),
        Some(Parity::Odd) => date.day() % 2 == 1 && date.day() != 31 && !(date.month() == 2 && date.day() == 29),
    };
    weekday && parity
}

/// The barred window open at `at`.
fn barred(rule: &RestrictionRule, zone: Tz, at: Stamp) -> Option<(Stamp, Stamp)> {
    rule.barred.iter().find_map(|window| {
        civil::windows_from(zone, at, *window, 0)
            .map(|(_, opens, closes)| (opens, closes))
            .find(|(opens, closes)| *opens <= at && at < *closes)
    })
}

const MOST_INTERVALS: usize = 48;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::settings::{GroupKind, Window};

    fn rule() -> RestrictionRule {
        RestrictionRule {
            name: "stage 2".into(),
            source: "invented district".into(),
            allowed_weekdays: None,
            parity: None,
            barred: vec![],
            from: None,
            until: None,
            exempt_kinds: vec![],
            groups: vec![],
        }
    }

    fn group(kind: GroupKind) -> GroupSettings {
        GroupSettings { kind, ..crate::engine::settings::tests::group() }
    }

    fn window(opens: u32, closes: u32) -> Window {
        use crate::engine::settings::tests::time;
        Window { opens: time(opens), closes: time(closes) }
    }

    fn at(text: &str) -> Stamp {
        Stamp::from(text.parse::<chrono::DateTime<chrono::Utc>>().unwrap())
    }

    const ZONE: Tz = Tz::Europe__Berlin; // UTC+2 in June

    fn check(rule: &RestrictionRule, allowed: &[(&str, bool)]) {
        for (time, expected) in allowed {
            let forbidden = forbidden_by(std::slice::from_ref(rule), &group(GroupKind::Spray), ZONE, at(time));
            assert_eq!(forbidden.is_none(), *expected, "{time}");
        }
    }

    #[test]
    fn weekdays_are_the_site_s_local_days() {
        let mut days = [false; 7];
        days[2] = true; // Wednesday
        let rule = RestrictionRule { allowed_weekdays: Some(days), ..rule() };
        // 2027-06-02 is a Wednesday; local midnight is 22:00Z.
        check(
            &rule,
            &[
                ("2027-06-01T21:59:59Z", false),
                ("2027-06-01T22:00:00Z", true),
                ("2027-06-02T21:59:59Z", true),
                ("2027-06-02T22:00:00Z", false),
            ],
        );
    }

    #[test]
    fn the_31st_and_29_february_are_nobody_s_odd_day() {
        let odd = RestrictionRule { parity: Some(Parity::Odd), ..rule() };
        check(
            &odd,
            &[
                ("2027-05-31T10:00:00Z", false),
                ("2027-06-01T10:00:00Z", true),
                ("2028-02-29T10:00:00Z", false),
                ("2027-06-02T10:00:00Z", false),
            ],
        );
        let even = RestrictionRule { parity: Some(Parity::Even), ..rule() };
        check(&even, &[("2027-05-31T10:00:00Z", false), ("2027-06-02T10:00:00Z", true)]);
    }

    #[test]
    fn barred_hours_may_cross_midnight_and_bind_only_in_their_season() {
        let rule = RestrictionRule {
            barred: vec![window(20, 4)],
            from: Some("2027-06-01".parse().unwrap()),
            until: Some("2027-06-30".parse().unwrap()),
            ..rule()
        };
        check(
            &rule,
            &[
                ("2027-06-10T18:00:00Z", false),
                ("2027-06-11T01:59:00Z", false),
                ("2027-06-11T02:00:00Z", true),
                ("2027-07-10T18:00:00Z", true),
            ],
        );
    }

    #[test]
    fn exempt_kinds_water_on() {
        let rule =
            RestrictionRule { allowed_weekdays: Some([false; 7]), exempt_kinds: vec![GroupKind::Drip], ..rule() };
        let now = at("2027-06-10T18:00:00Z");
        assert!(forbidden_by(std::slice::from_ref(&rule), &group(GroupKind::Drip), ZONE, now).is_none());
        assert!(forbidden_by(std::slice::from_ref(&rule), &group(GroupKind::Spray), ZONE, now).is_some());
        assert_eq!(allowed_again(std::slice::from_ref(&rule), &group(GroupKind::Spray), ZONE, now), None);
    }

    #[test]
    fn allowed_intervals_join_across_edges_that_change_nothing() {
        let rule = RestrictionRule { barred: vec![window(10, 18)], ..rule() };
        let from = at("2027-06-10T06:00:00Z"); // 08:00 local
        let intervals =
            allowed_intervals(std::slice::from_ref(&rule), &group(GroupKind::Spray), ZONE, from, from.plus(2 * DAY));
        let text: Vec<_> = intervals.iter().map(|(start, end)| format!("{} {}", start.text(), end.text())).collect();
        assert_eq!(
            text,
            [
                "2027-06-10T06:00:00Z 2027-06-10T08:00:00Z",
                "2027-06-10T16:00:00Z 2027-06-11T08:00:00Z",
                "2027-06-11T16:00:00Z 2027-06-12T06:00:00Z"
            ]
        );
        assert_eq!(
            allowed_again(std::slice::from_ref(&rule), &group(GroupKind::Spray), ZONE, at("2027-06-10T09:00:00Z")),
            Some(at("2027-06-10T16:00:00Z"))
        );
    }
}
