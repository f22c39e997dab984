//! The civil calendar of a site: days of 23 to 25 hours, midnights that do not exist, times of day that come twice.
//!
//! Only conversions from UTC to local time are used, and those always exist; the other way is found by search.

use chrono::{DateTime, Datelike, Days, NaiveDate, NaiveDateTime, NaiveTime, Offset, TimeZone, Timelike, Weekday};
use chrono_tz::Tz;

use super::stamp::{DAY, HOUR, MINUTE, SECOND, Stamp};

/// A time of every day, from `opens` to `closes`, local time; `closes` at or before `opens` is on the next day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    pub opens: NaiveTime,
    pub closes: NaiveTime,
}

/// Local date and time at `at`.
pub fn local(zone: Tz, at: Stamp) -> NaiveDateTime {
    at.utc().with_timezone(&zone).naive_local()
}

/// Local date at `at`.
pub fn date(zone: Tz, at: Stamp) -> NaiveDate {
    local(zone, at).date()
}

/// Days from 1970-01-01 to `date`, 0 to 65,535 (the year 2149).
pub fn day_number(date: NaiveDate) -> u16 {
    let days = date.num_days_from_ce().saturating_sub(FIRST_DAY_FROM_CE).clamp(0, i32::from(u16::MAX));
    u16::try_from(days).unwrap_or(0)
}

/// The date that is `number` days after 1970-01-01.
pub fn numbered_date(number: u16) -> NaiveDate {
    NaiveDate::from_num_days_from_ce_opt(FIRST_DAY_FROM_CE + i32::from(number)).unwrap_or_default()
}

/// 1970-01-01.
const FIRST_DAY_FROM_CE: i32 = 719_163;

/// First instant of the civil day `date`: midnight, or where midnight is skipped the first instant that exists. A
/// midnight that comes twice counts the first time.
pub fn day_start(zone: Tz, date: NaiveDate) -> Stamp {
    first_instant(zone, date.and_time(NaiveTime::MIN))
}

/// Start of the day after `date`, which is the end of `date`.
pub fn day_end(zone: Tz, date: NaiveDate) -> Stamp {
    day_start(zone, date.checked_add_days(Days::new(1)).unwrap_or(date))
}

/// The instant of a local time of day: exactly one per day. A time that is skipped is the first instant after the gap; a
/// time that comes twice is the first of the two.
pub fn at_time(zone: Tz, date: NaiveDate, time: NaiveTime) -> Stamp {
    first_instant(zone, date.and_time(time))
}

/// First instant after `after` whose local time of day is `time`.
pub fn next_time(zone: Tz, after: Stamp, time: NaiveTime) -> Stamp {
    let mut day = date(zone, after);
    for _ in 0..3 {
        let at = at_time(zone, day, time);
        if at > after {
            return at;
        }
        day = day.checked_add_days(Days::new(1)).unwrap_or(day);
    }
    after.plus(DAY)
}

/// The occurrence of `window` that opens on the local date `day`: opening and closing instants.
pub fn window_on(zone: Tz, day: NaiveDate, window: Window) -> (Stamp, Stamp) {
    let opens = at_time(zone, day, window.opens);
    let closing_day =
        if window.closes <= window.opens { day.checked_add_days(Days::new(1)).unwrap_or(day) } else { day };
    let closes = at_time(zone, closing_day, window.closes);
    (opens, closes.max(opens.plus(SECOND)))
}

/// The windows from the one open at `now`, if any, to those that open within `days` days: local date of opening, opening,
/// closing; in order.
pub fn windows_from(
    zone: Tz,
    now: Stamp,
    window: Window,
    days: u64,
) -> impl Iterator<Item = (NaiveDate, Stamp, Stamp)> {
    let today = date(zone, now);
    let first = today.pred_opt().unwrap_or(today);
    (0..days + 2)
        .filter_map(move |step| first.checked_add_days(Days::new(step)))
        .map(move |day| {
            let (opens, closes) = window_on(zone, day, window);
            (day, opens, closes)
        })
        .filter(move |(_, _, closes)| *closes > now)
}

/// Index of the weekday, Monday 0.
pub fn weekday(date: NaiveDate) -> usize {
    date.weekday().num_days_from_monday() as usize
}

/// Index of the month, January 0.
pub fn month(date: NaiveDate) -> usize {
    date.month0() as usize
}

/// "Tue 06:30" for people, or with the date where it is more than six days from `now`. Never "today": what is published
/// is read later too.
pub fn clock_text(zone: Tz, at: Stamp, now: Stamp) -> String {
    let then = local(zone, at);
    let distance = (then.date() - date(zone, now)).num_days();
    let time = format!("{:02}:{:02}", then.hour(), then.minute());
    match distance {
        -6..=6 => format!("{} {time}", short_day(then.weekday())),
        _ => format!("{} {time}", then.format("%-d %b %Y")),
    }
}

/// The offset of local time from UTC at `at`, seconds.
pub fn offset_seconds(zone: Tz, at: Stamp) -> i32 {
    let there: DateTime<Tz> = at.utc().with_timezone(&zone);
    there.offset().fix().local_minus_utc()
}

/// Start of the UTC hour of `at`.
pub fn hour_start(at: Stamp) -> Stamp {
    Stamp(at.0.div_euclid(HOUR).saturating_mul(HOUR))
}

pub fn short_day(day: Weekday) -> &'static str {
    match day {
        Weekday::Mon => "Mon",
        Weekday::Tue => "Tue",
        Weekday::Wed => "Wed",
        Weekday::Thu => "Thu",
        Weekday::Fri => "Fri",
        Weekday::Sat => "Sat",
        Weekday::Sun => "Sun",
    }
}

/// First instant whose local time is not before `wanted`. The ordinary case costs one conversion and a check; a skipped
/// time is searched for to the minute, because every zone's transitions fall on whole minutes since 1972.
fn first_instant(zone: Tz, wanted: NaiveDateTime) -> Stamp {
    if let Some(found) = zone.from_local_datetime(&wanted).earliest() {
        let at = Stamp::from(found.to_utc());
        if local(zone, at) == wanted {
            return at;
        }
    }
    let middle = Stamp(wanted.and_utc().timestamp_millis());
    let (mut before, mut after) =
        (middle.plus(-16 * HOUR).0.div_euclid(MINUTE), middle.plus(16 * HOUR).0.div_euclid(MINUTE));
    while after - before > 1 {
        let probe = before + (after - before) / 2;
        if local(zone, Stamp(probe * MINUTE)) < wanted {
            before = probe;
        } else {
            after = probe;
        }
    }
    Stamp(after * MINUTE)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    /// Dates and lengths: field case S16 (computed there with the IANA data of chrono-tz 0.10).
    #[test]
    fn s16_days_have_the_length_their_zone_gives_them() {
        let check = |zone: &str, date: &str, hours: f64| {
            let zone: Tz = zone.parse().unwrap();
            let length = day_end(zone, day(date)).since(day_start(zone, day(date)));
            assert_eq!(length as f64 / HOUR as f64, hours, "{zone} {date}");
        };
        check("America/Havana", "2027-03-14", 23.0);
        check("America/Havana", "2027-11-07", 25.0);
        check("Europe/Berlin", "2027-03-28", 23.0);
        check("Europe/Berlin", "2027-10-31", 25.0);
        check("Europe/Berlin", "2027-06-01", 24.0);
        check("Australia/Lord_Howe", "2027-04-04", 24.5);
        check("Australia/Lord_Howe", "2027-10-03", 23.5);
        check("Africa/Cairo", "2027-04-30", 23.0);
        check("Asia/Beirut", "2027-03-28", 23.0);
        check("America/Santiago", "2027-09-05", 23.0);
    }

    #[test]
    fn a_skipped_midnight_is_the_first_instant_that_exists() {
        let cairo: Tz = "Africa/Cairo".parse().unwrap();
        let start = day_start(cairo, day("2027-04-30"));
        assert_eq!(local(cairo, start).to_string(), "2027-04-30 01:00:00");
        assert_eq!(date(cairo, start.plus(-1)), day("2027-04-29"));
    }

    #[test]
    fn a_time_of_day_comes_exactly_once_on_both_change_days() {
        let berlin: Tz = "Europe/Berlin".parse().unwrap();
        let half_past_two = NaiveTime::from_hms_opt(2, 30, 0).unwrap();
        for date in ["2027-03-28", "2027-10-31"] {
            let (start, end) = (day_start(berlin, day(date)), day_end(berlin, day(date)));
            let mut at = start.plus(-1);
            let mut times = 0;
            loop {
                at = next_time(berlin, at, half_past_two);
                if at >= end {
                    break;
                }
                times += 1;
            }
            assert_eq!(times, 1, "{date}");
        }
        // Skipped: the first instant after the gap.
        let gap = at_time(berlin, day("2027-03-28"), half_past_two);
        assert_eq!(gap.text(), "2027-03-28T01:00:00Z");
        // Twice: the first.
        assert_eq!(at_time(berlin, day("2027-10-31"), half_past_two).text(), "2027-10-31T00:30:00Z");
    }

    #[test]
    fn every_day_of_a_year_starts_where_the_one_before_ends_and_on_its_own_date() {
        for zone in [
            "America/Havana",
            "Africa/Cairo",
            "Asia/Beirut",
            "America/Santiago",
            "Australia/Lord_Howe",
            "Asia/Kathmandu",
        ] {
            let zone: Tz = zone.parse().unwrap();
            let mut date_now = day("2027-01-01");
            while date_now < day("2028-01-01") {
                let start = day_start(zone, date_now);
                assert_eq!(date(zone, start), date_now, "{zone}");
                assert!(date(zone, start.plus(-1)) < date_now, "{zone} {date_now}");
                date_now = date_now.succ_opt().unwrap();
            }
        }
    }

    #[test]
    fn days_are_numbered_from_1970() {
        assert_eq!((day_number(day("1970-01-01")), day_number(day("2027-06-01"))), (0, 20_970));
        assert_eq!(day_number(day("1969-12-31")), 0);
        assert_eq!(numbered_date(20_970), day("2027-06-01"));
    }

    #[test]
    fn a_window_may_cross_midnight() {
        let berlin: Tz = "Europe/Berlin".parse().unwrap();
        let window = Window {
            opens: NaiveTime::from_hms_opt(22, 0, 0).unwrap(),
            closes: NaiveTime::from_hms_opt(6, 0, 0).unwrap(),
        };
        let now = Stamp::from("2027-06-02T01:00:00Z".parse::<DateTime<chrono::Utc>>().unwrap());
        let first = windows_from(berlin, now, window, 2).next().unwrap();
        assert_eq!(first.0, day("2027-06-01"));
        assert_eq!(first.1.text(), "2027-06-01T20:00:00Z");
        assert_eq!(first.2.text(), "2027-06-02T04:00:00Z");
    }
}
