//! Rules at the edges of days, weeks, years and clock changes.

use super::*;
use crate::engine::settings::{GroupKind, Window};

fn rule() -> RestrictionRule {
    RestrictionRule {
        name: "stage 2".into(),
        source: "invented district".into(),
        allowed_weekdays: None,
        parity: None,
        days_a_week: None,
        most_minutes: None,
        barred: vec![],
        from: None,
        until: None,
        every_year: None,
        exempt_kinds: vec![],
        groups: vec![],
    }
}

fn group(kind: GroupKind) -> GroupSettings {
    GroupSettings { kind, ..crate::engine::settings::tests::group() }
}

fn rules<'a>(rule: &'a RestrictionRule, group: &'a GroupSettings) -> Rules<'a> {
    Rules { rules: std::slice::from_ref(rule), group, zone: ZONE, watered: None }
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
        let spray = group(GroupKind::Spray);
        let forbidden = rules(rule, &spray).forbidden_by(at(time));
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
    let rule = RestrictionRule { allowed_weekdays: Some([false; 7]), exempt_kinds: vec![GroupKind::Drip], ..rule() };
    let now = at("2027-06-10T18:00:00Z");
    assert!(rules(&rule, &group(GroupKind::Drip)).forbidden_by(now).is_none());
    assert!(rules(&rule, &group(GroupKind::Spray)).forbidden_by(now).is_some());
    assert_eq!(rules(&rule, &group(GroupKind::Spray)).allowed_again(now), None);
}

#[test]
fn allowed_intervals_join_across_edges_that_change_nothing() {
    let rule = RestrictionRule { barred: vec![window(10, 18)], ..rule() };
    let from = at("2027-06-10T06:00:00Z"); // 08:00 local
    let intervals = rules(&rule, &group(GroupKind::Spray)).allowed_intervals(from, from.plus(2 * DAY));
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
        rules(&rule, &group(GroupKind::Spray)).allowed_again(at("2027-06-10T09:00:00Z")),
        Some(at("2027-06-10T16:00:00Z"))
    );
}

#[test]
fn so_many_days_a_week_are_counted_from_monday_and_a_day_that_has_begun_goes_on() {
    let rule = RestrictionRule { days_a_week: Some(2), ..rule() };
    let spray = group(GroupKind::Spray);
    let (mut watered, mut allowed) = (None, Vec::new());
    // Monday 7 June 2027; water on Monday, Tuesday and whenever it is allowed.
    for day in 7..=15 {
        let now = at(&format!("2027-06-{day:02}T08:00:00Z"));
        let free = Rules { watered, ..rules(&rule, &spray) }.forbidden_by(now).is_none();
        if free {
            allowed.push(day);
            watered = Some(WateredWeek::with(watered, civil::date(ZONE, now)));
            assert_eq!(Rules { watered, ..rules(&rule, &spray) }.forbidden_by(now.plus(MINUTE)), None);
        }
    }
    assert_eq!(allowed, [7, 8, 14, 15]);
    let stopped = Rules { watered, ..rules(&rule, &spray) };
    assert_eq!(stopped.allowed_again(at("2027-06-16T08:00:00Z")), Some(at("2027-06-20T22:00:00Z")));
    // A report on last week changes nothing.
    let later = WateredWeek::with(watered, "2027-06-09".parse().unwrap());
    assert_eq!(Some(later), watered);
}

#[test]
fn a_rule_of_every_year_may_cross_the_new_year() {
    let winter = RestrictionRule { allowed_weekdays: Some([false; 7]), every_year: Some(((11, 1), (2, 29))), ..rule() };
    check(
        &winter,
        &[
            ("2027-10-31T10:00:00Z", true),
            ("2027-11-01T10:00:00Z", false),
            ("2027-12-31T22:59:59Z", false),
            ("2028-01-01T00:00:00Z", false),
            ("2028-02-29T10:00:00Z", false),
            ("2028-03-01T10:00:00Z", true),
        ],
    );
}

#[test]
fn barred_hours_on_days_of_a_clock_change_are_local_hours() {
    let rule = RestrictionRule { barred: vec![window(10, 18)], ..rule() };
    // Berlin: summer time ends on 31 October 2027 and begins on 28 March 2027.
    check(
        &rule,
        &[
            ("2027-03-27T08:59:00Z", true),
            ("2027-03-27T09:00:00Z", false),
            ("2027-03-28T08:00:00Z", false),
            ("2027-03-28T16:00:00Z", true),
            ("2027-10-31T08:59:00Z", true),
            ("2027-10-31T09:00:00Z", false),
            ("2027-10-31T17:00:00Z", true),
        ],
    );
    // A night that is barred across the change is barred without a hole: 24 hours less one.
    let night = RestrictionRule { barred: vec![window(20, 4)], ..rule };
    let spray = group(GroupKind::Spray);
    let from = at("2027-03-27T12:00:00Z");
    let free = rules(&night, &spray).allowed_intervals(from, from.plus(DAY));
    let text: Vec<_> = free.iter().map(|(start, end)| format!("{} {}", start.text(), end.text())).collect();
    assert_eq!(text, ["2027-03-27T12:00:00Z 2027-03-27T19:00:00Z", "2027-03-28T02:00:00Z 2027-03-28T12:00:00Z"]);
}

#[test]
fn the_shortest_of_the_longest_runs_binds() {
    let long = RestrictionRule { most_minutes: Some(20.0), ..rule() };
    let short = RestrictionRule { most_minutes: Some(8.0), exempt_kinds: vec![GroupKind::Drip], ..rule() };
    let both = [long, short];
    let most = |kind| {
        let group = group(kind);
        Rules { rules: &both, group: &group, zone: ZONE, watered: None }.most_minutes(at("2027-06-10T18:00:00Z"))
    };
    assert_eq!((most(GroupKind::Spray), most(GroupKind::Drip)), (Some(8.0), Some(20.0)));
}
