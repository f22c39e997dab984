//! Times that are believed, and times that are not.

use proptest::prelude::*;
use serde_json::{Value, json};

use super::*;
use crate::engine::decode::{payload::Body, settings::Format};

fn at(text: &str) -> Stamp {
    Stamp::from(text.parse::<chrono::DateTime<chrono::Utc>>().unwrap())
}

fn timing(value: &Value, format: TimeFormat, context: Context) -> Timing {
    let text = value.to_string();
    let body = Body::parse(Format::Json, text.as_bytes(), 65_536).unwrap();
    Timing::of(body.at("").unwrap(), format, context)
}

fn context(arrival: &str, zone: Option<Tz>) -> Context {
    Context { arrival: at(arrival), zone, last_own_time: None }
}

/// `expected` is the believed time, or the problem.
fn check(value: Value, format: TimeFormat, context: Context, expected: Result<&str, TimeProblem>) {
    let found = timing(&value, format, context);
    match expected {
        Ok(time) => {
            assert_eq!(found.own_time.map(Stamp::text).as_deref(), Some(time), "{value}");
            assert_eq!((found.observed_at, found.source), (at(time), TimeSource::Payload), "{value}");
            assert_eq!(found.problem, None, "{value}");
        }
        Err(problem) => {
            assert_eq!(found.problem, Some(problem), "{value}");
            assert_eq!((found.observed_at, found.source), (context.arrival, TimeSource::BadPayloadTime), "{value}");
            assert_eq!(found.own_time, None, "{value}");
        }
    }
}

const BERLIN: Option<Tz> = Some(chrono_tz::Europe::Berlin);

#[test]
fn s14_unix_times_are_told_apart_by_size() {
    let context = context("2027-07-01T03:30:01Z", None);
    for value in [
        json!(1_814_412_600),
        json!(1_814_412_600_000_i64),
        json!(1_814_412_600_000_000_i64),
        json!(1_814_412_600_000_000_000_i64),
        json!("1814412600"),
        json!(" 1814412600000 "),
        json!(1_814_412_600.0),
        json!("1814412600.0"),
    ] {
        check(value, TimeFormat::UnixAuto, context, Ok("2027-07-01T03:30:00Z"));
    }
    check(json!(1_814_412_600.25), TimeFormat::UnixAuto, context, Ok("2027-07-01T03:30:00.250Z"));
    check(json!("1814412600.25"), TimeFormat::UnixSeconds, context, Ok("2027-07-01T03:30:00.250Z"));
    check(json!(1_814_412_600_250_i64), TimeFormat::UnixMillis, context, Ok("2027-07-01T03:30:00.250Z"));
    check(json!(1_814_412_600_250_999_i64), TimeFormat::UnixAuto, context, Ok("2027-07-01T03:30:00.250Z"));
}

#[test]
fn s14_times_that_cannot_be_fall_back_to_arrival() {
    use TimeProblem::{Ahead, Ancient, Unreadable};
    let context = context("2027-07-01T03:31:00Z", None);
    for (value, problem) in [
        (json!(0), Ancient),
        (json!(12), Ancient),
        (json!(-1), Ancient),
        (json!(null), Unreadable),
        (json!("0001-01-01T00:00:00Z"), Unreadable),
        (json!(1_848_972_600), Ahead),
        (json!(u64::MAX), Ahead),
        (json!(i64::MIN), Ancient),
        (json!(1e300), Ahead),
        (json!(-1e300), Ancient),
        (json!("NaN"), Unreadable),
        (json!("inf"), Unreadable),
        (json!("1e400"), Unreadable),
        (json!(""), Unreadable),
        (json!(true), Unreadable),
        (json!([1_814_412_600]), Unreadable),
    ] {
        check(value, TimeFormat::UnixAuto, context, Err(problem));
    }
    check(json!("0001-01-01T00:00:00Z"), TimeFormat::Rfc3339, context, Err(Ancient));
    check(json!(1_814_412_600_000_i64), TimeFormat::UnixSeconds, context, Err(Ahead));
    check(json!(1_814_412_600), TimeFormat::UnixMillis, context, Err(Ancient));
    check(json!(i64::MAX), TimeFormat::UnixSeconds, context, Err(Ahead));
}

#[test]
fn rfc3339_needs_an_offset() {
    let context = context("2027-07-01T03:33:34Z", BERLIN);
    for text in [
        "2027-07-01T03:33:33Z",
        "2027-07-01t03:33:33z",
        "2027-07-01 03:33:33Z",
        "2027-07-01T05:33:33+02:00",
        "2027-07-01T05:33:33+0200",
        "2027-07-01T05:33:33+02",
        "2027-07-01T05:33:33 +02:00",
        "2027-06-30T23:03:33-04:30",
    ] {
        check(json!(text), TimeFormat::Rfc3339, context, Ok("2027-07-01T03:33:33Z"));
    }
    check(json!("2027-07-01T03:33:33.1239Z"), TimeFormat::Rfc3339, context, Ok("2027-07-01T03:33:33.123Z"));
    check(json!("2027-07-01T03:32:60Z"), TimeFormat::Rfc3339, context, Ok("2027-07-01T03:33:00Z"));
    check(json!("2027-07-01T03:33Z"), TimeFormat::Rfc3339, context, Ok("2027-07-01T03:33:00Z"));
    check(json!("2027-07-01 05:33:33"), TimeFormat::Rfc3339, context, Err(TimeProblem::NoZone));
    for text in [
        "2027-02-29T03:33:33Z",
        "2027-13-01T03:33:33Z",
        "2027-07-01T24:00:00Z",
        "2027-07-01T03:61:33Z",
        "2027-07-01T03:33:61Z",
        "2027-07-01T03:33:33.Z",
        "2027-07-01T03:33:33+24:00",
        "2027-07-01T03:33:33+2",
        "2027-07-01T03:33:33Zx",
        "2027-07-01",
        "27-07-01T03:33:33Z",
        "+027-07-01T03:33:33Z",
        "2027-07-01T0ä:33:33Z",
        "yesterday",
        "",
    ] {
        check(json!(text), TimeFormat::Rfc3339, context, Err(TimeProblem::Unreadable));
    }
    check(json!(1_814_412_600), TimeFormat::Rfc3339, context, Err(TimeProblem::Unreadable));
}

#[test]
fn s13_local_times_are_read_in_the_zone() {
    for (text, arrival, expected) in [
        ("2027-07-01 05:33:33", "2027-07-01T03:33:34Z", "2027-07-01T03:33:33Z"),
        ("2027-07-01T05:33", "2027-07-01T03:33:34Z", "2027-07-01T03:33:00Z"),
        ("2027-07-01 00:05:00", "2027-06-30T22:05:02Z", "2027-06-30T22:05:00Z"),
        ("2027-01-20 03:00:00", "2027-01-20T02:00:05Z", "2027-01-20T02:00:00Z"),
        // It names its own offset, so the zone does not matter.
        ("2027-07-01T03:33:33Z", "2027-07-01T03:33:34Z", "2027-07-01T03:33:33Z"),
    ] {
        check(json!(text), TimeFormat::Local, context(arrival, BERLIN), Ok(expected));
    }
    let nowhere = context("2027-07-01T03:33:34Z", None);
    check(json!("2027-07-01 05:33:33"), TimeFormat::Local, nowhere, Err(TimeProblem::NoZone));
    check(json!("2027-07-01 05:33:3"), TimeFormat::Local, nowhere, Err(TimeProblem::Unreadable));
}

#[test]
fn s13_an_hour_passed_twice_is_the_pass_nearest_to_arrival() {
    for (arrival, expected) in
        [("2027-10-31T00:30:02Z", "2027-10-31T00:30:00Z"), ("2027-10-31T01:30:02Z", "2027-10-31T01:30:00Z")]
    {
        check(json!("2027-10-31 02:30:00"), TimeFormat::Local, context(arrival, BERLIN), Ok(expected));
    }
}

#[test]
fn a_live_message_is_of_the_nearest_pass_whatever_came_before() {
    let last_own_time = Some(at("2027-10-31T00:00:00Z"));
    let context = Context { last_own_time, ..context("2027-10-31T01:30:02Z", BERLIN) };
    check(json!("2027-10-31 02:30:00"), TimeFormat::Local, context, Ok("2027-10-31T01:30:00Z"));
}

#[test]
fn in_a_backlog_the_order_of_the_sensor_tells_the_passes_apart() {
    // Berlin, 31 October 2027: 02:10 and 02:50 are each passed twice; all arrive hours later, in order.
    let mut last_own_time = Some(at("2027-10-30T23:50:00Z"));
    for (text, expected) in [
        ("2027-10-31 02:10:00", "2027-10-31T00:10:00Z"),
        ("2027-10-31 02:50:00", "2027-10-31T00:50:00Z"),
        ("2027-10-31 02:10:00", "2027-10-31T01:10:00Z"),
        ("2027-10-31 02:50:00", "2027-10-31T01:50:00Z"),
        ("2027-10-31 02:50:00", "2027-10-31T01:50:00Z"),
        ("2027-10-31 03:10:00", "2027-10-31T02:10:00Z"),
    ] {
        let context = Context { last_own_time, ..context("2027-10-31T08:00:00Z", BERLIN) };
        check(json!(text), TimeFormat::Local, context, Ok(expected));
        last_own_time = timing(&json!(text), TimeFormat::Local, context).own_time;
    }
    // With a last time from another day there is nothing to go by: the nearest to arrival.
    let context =
        Context { last_own_time: Some(at("2027-10-29T00:00:00Z")), ..context("2027-10-31T08:00:00Z", BERLIN) };
    check(json!("2027-10-31 02:10:00"), TimeFormat::Local, context, Ok("2027-10-31T01:10:00Z"));
}

#[test]
fn a_skipped_hour_is_read_on_the_clock_before_the_change() {
    // Berlin, 28 March 2027: 02:00 becomes 03:00, so 02:30 is 03:30 summer time.
    let berlin = context("2027-03-28T01:30:01Z", BERLIN);
    check(json!("2027-03-28 02:30:00"), TimeFormat::Local, berlin, Ok("2027-03-28T01:30:00Z"));
    // Lord Howe Island skips half an hour (IANA time zone database): 3 October 2027, 02:00 becomes 02:30.
    let island = context("2027-10-02T15:45:01Z", Some(chrono_tz::Australia::Lord_Howe));
    check(json!("2027-10-03 02:15:00"), TimeFormat::Local, island, Ok("2027-10-02T15:45:00Z"));
    // Samoa skipped 30 December 2011 whole: 12:00 on it is read as 12:00 of the 31st.
    let samoa = context("2011-12-30T22:00:01Z", Some(chrono_tz::Pacific::Apia));
    check(json!("2011-12-30 12:00:00"), TimeFormat::Local, samoa, Ok("2011-12-30T22:00:00Z"));
}

#[test]
fn times_after_arrival_are_believed_for_five_minutes() {
    let context = context("2027-07-01T03:30:00Z", None);
    check(json!("2027-07-01T03:35:00Z"), TimeFormat::Rfc3339, context, Ok("2027-07-01T03:35:00Z"));
    check(json!("2027-07-01T03:35:00.001Z"), TimeFormat::Rfc3339, context, Err(TimeProblem::Ahead));
    check(json!("2000-01-01T00:00:00Z"), TimeFormat::Rfc3339, context, Ok("2000-01-01T00:00:00Z"));
    check(json!("1999-12-31T23:59:59.999Z"), TimeFormat::Rfc3339, context, Err(TimeProblem::Ancient));
}

#[test]
fn s13_ahead_by_whole_quarter_hours_is_a_suspect_zone() {
    let arrival = "2027-07-01T03:40:00Z";
    let suspect = |offset_minutes| Err(TimeProblem::ZoneSuspect { offset_minutes });
    // The case's number: 2 h ahead.
    check(json!(1_814_420_400), TimeFormat::UnixAuto, context(arrival, None), suspect(120));
    for (text, expected) in [
        ("2027-07-01T05:41:30Z", suspect(120)),
        ("2027-07-01T05:38:30Z", suspect(120)),
        ("2027-07-01T05:41:31Z", Err(TimeProblem::Ahead)),
        ("2027-07-01T03:55:00Z", suspect(15)),
        ("2027-07-01T09:25:00Z", suspect(345)),
        ("2027-07-01T17:40:00Z", suspect(840)),
        ("2027-07-01T17:55:00Z", Err(TimeProblem::Ahead)),
        ("2027-07-01T03:48:00Z", Err(TimeProblem::Ahead)),
    ] {
        check(json!(text), TimeFormat::Rfc3339, context(arrival, None), expected);
    }
}

#[test]
fn behind_by_whole_quarter_hours_is_believed_and_told() {
    for (text, expected) in [
        ("2027-07-01T01:40:20Z", Some(-120)),
        ("2027-07-01T01:38:00Z", None),
        ("2027-07-01T03:40:00Z", None),
        ("2027-07-01T03:38:30Z", None),
        ("2027-06-30T13:40:00Z", Some(-840)),
        ("2027-06-20T03:40:00Z", None),
    ] {
        let found = timing(&json!(text), TimeFormat::Rfc3339, context("2027-07-01T03:40:00Z", None));
        assert_eq!((found.own_time, found.offset_minutes), (Some(at(text)), expected), "{text}");
    }
}

proptest! {
    #[test]
    fn no_time_panics_or_lies_ahead(
        text in prop_oneof![
            ".*",
            r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(:[0-9]{2})?([.][0-9]{1,9})?(Z|[+-][0-9]{2}:?[0-9]{2})?",
            any::<f64>().prop_map(|number| number.to_string()),
            any::<i64>().prop_map(|number| number.to_string()),
        ],
        format in prop::sample::select(vec![
            TimeFormat::UnixAuto, TimeFormat::UnixSeconds, TimeFormat::UnixMillis, TimeFormat::Rfc3339, TimeFormat::Local,
        ]),
        arrival in any::<i64>(),
        last in proptest::option::of(any::<i64>()),
        zone in prop::sample::select(chrono_tz::TZ_VARIANTS.to_vec()),
    ) {
        let context = Context { arrival: Stamp(arrival), zone: Some(zone), last_own_time: last.map(Stamp) };
        for value in [Some(json!(text)), serde_json::from_str(&text).ok()].into_iter().flatten() {
            let found = timing(&value, format, context);
            prop_assert!(found.observed_at.since(context.arrival) <= FARTHEST_AHEAD);
            prop_assert_eq!(found.own_time.is_some(), found.source == TimeSource::Payload);
            prop_assert_eq!(found.problem.is_some(), found.source == TimeSource::BadPayloadTime);
        }
    }
}
