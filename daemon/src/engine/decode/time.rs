//! The message's own time: read it, and believe it only where it can be true.

use std::fmt;

use chrono::{Duration, MappedLocalTime, NaiveDate, NaiveDateTime, Offset, TimeZone};
use chrono_tz::Tz;

use super::{payload::Raw, senml::When, settings::TimeFormat};
use crate::engine::{
    reading::TimeSource,
    stamp::{HOUR, MINUTE, SECOND, Stamp},
};

/// Why a message's own time was not believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeProblem {
    /// A local time, and neither feed nor site names a zone.
    NoZone,
    /// Not a time in the format of the feed.
    Unreadable,
    /// Before the year 2000: a clock that was never set.
    Ancient,
    /// More than five minutes after arrival.
    Ahead,
    /// After arrival by a whole number of quarter hours: probably local time sent as UTC.
    ZoneSuspect { offset_minutes: i64 },
}

/// When a reading was made, and how far that can be believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Timing {
    pub observed_at: Stamp,
    pub source: TimeSource,
    /// The message's own time, where believed.
    pub own_time: Option<Stamp>,
    pub problem: Option<TimeProblem>,
    /// Own time less arrival where that is a whole number of quarter hours (15 min to 14 h, within 90 s). Once in the
    /// past it may be a backlog; again and again it is a wrong zone.
    pub offset_minutes: Option<i64>,
}

/// What is known about time before the message is read.
#[derive(Clone, Copy, Debug)]
pub struct Context {
    pub arrival: Stamp,
    /// The zone of local times: the feed's, else the site's.
    pub zone: Option<Tz>,
    /// The last believed own time of the sensor: tells the two passes of an ambiguous hour apart in a backlog.
    pub last_own_time: Option<Stamp>,
}

impl TimeProblem {
    /// The label in metrics and history.
    pub fn name(self) -> &'static str {
        match self {
            Self::NoZone => "no_zone",
            Self::Unreadable => "unreadable",
            Self::Ancient => "ancient",
            Self::Ahead => "ahead",
            Self::ZoneSuspect { .. } => "zone_suspect",
        }
    }

    /// What to do about it.
    pub fn advice(self) -> &'static str {
        match self {
            Self::NoZone => "name the zone of the sensor's clock in the feed, or have it send UTC with Z",
            Self::Unreadable => "compare the time pointer and format of the feed with the payload",
            Self::Ancient => "set the sensor's clock, or take the time out of the feed",
            Self::Ahead => "set the sensor's clock and ours",
            Self::ZoneSuspect { .. } => {
                "the sensor's clock seems to run on local time: name its zone, or set it to UTC"
            }
        }
    }
}

impl fmt::Display for TimeProblem {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoZone => out.write_str("it has no zone"),
            Self::Unreadable => out.write_str("it is not a time in the feed's format"),
            Self::Ancient => out.write_str("it is before the year 2000"),
            Self::Ahead => out.write_str("it is more than 5 min ahead"),
            Self::ZoneSuspect { offset_minutes } => write!(out, "it is ahead by {offset_minutes} min"),
        }
    }
}

impl Timing {
    /// The time of arrival, for a message that says no time.
    pub fn arrival(arrival: Stamp) -> Self {
        let source = TimeSource::Arrival;
        Self { observed_at: arrival, source, own_time: None, problem: None, offset_minutes: None }
    }

    /// Judges the time that a message says.
    pub fn of(raw: Raw<'_>, format: TimeFormat, context: Context) -> Self {
        Self::judged(read(raw, format, context), context.arrival)
    }

    /// Judges the time of a SenML record. One that counts from now says nothing of the sensor's clock, so it is no own time.
    pub fn of_record(when: When, arrival: Stamp) -> Self {
        match when {
            When::Now => Self::arrival(arrival),
            When::Relative(seconds) => {
                let observed_at = arrival.plus(millis_of(seconds));
                Self { own_time: None, offset_minutes: None, ..Self::judged(Ok(observed_at), arrival) }
            }
            When::Absolute(seconds) => Self::judged(Ok(Stamp(millis_of(seconds))), arrival),
            When::Unreadable => Self::judged(Err(TimeProblem::Unreadable), arrival),
        }
    }

    fn judged(read: Result<Stamp, TimeProblem>, arrival: Stamp) -> Self {
        match read.and_then(|own| believable(own, arrival).map(|()| own)) {
            Ok(own) => Self {
                observed_at: own,
                source: TimeSource::Payload,
                own_time: Some(own),
                problem: None,
                offset_minutes: quarter_hours(own, arrival),
            },
            Err(problem) => Self {
                observed_at: arrival,
                source: TimeSource::BadPayloadTime,
                own_time: None,
                problem: Some(problem),
                offset_minutes: match problem {
                    TimeProblem::ZoneSuspect { offset_minutes } => Some(offset_minutes),
                    _ => None,
                },
            },
        }
    }
}

fn believable(own: Stamp, arrival: Stamp) -> Result<(), TimeProblem> {
    if own < YEAR_2000 {
        return Err(TimeProblem::Ancient);
    }
    if own.since(arrival) <= FARTHEST_AHEAD {
        return Ok(());
    }
    Err(match quarter_hours(own, arrival) {
        Some(offset_minutes) => TimeProblem::ZoneSuspect { offset_minutes },
        None => TimeProblem::Ahead,
    })
}

/// Own time less arrival in minutes, where it is a whole number of quarter hours such as zones differ by.
fn quarter_hours(own: Stamp, arrival: Stamp) -> Option<i64> {
    let difference = own.since(arrival);
    if difference.saturating_abs() > 15 * HOUR {
        return None;
    }
    let half = QUARTER_HOUR / 2;
    let quarters = (difference + half).div_euclid(QUARTER_HOUR);
    let remainder = difference - quarters * QUARTER_HOUR;
    let is_offset = (1..=MOST_QUARTERS).contains(&quarters.abs()) && remainder.abs() <= QUARTER_TOLERANCE;
    is_offset.then_some(quarters * QUARTER_HOUR / MINUTE)
}

fn read(raw: Raw<'_>, format: TimeFormat, context: Context) -> Result<Stamp, TimeProblem> {
    match (format, raw) {
        (TimeFormat::UnixAuto | TimeFormat::UnixSeconds | TimeFormat::UnixMillis, Raw::Number(number)) => {
            let whole = number.as_i64().map(i128::from).or_else(|| number.as_u64().map(i128::from));
            unix(whole, number.as_f64(), format)
        }
        (TimeFormat::UnixAuto | TimeFormat::UnixSeconds | TimeFormat::UnixMillis, Raw::Text(text)) => {
            unix(text.parse::<i64>().ok().map(i128::from), text.parse().ok(), format)
        }
        (TimeFormat::Rfc3339, Raw::Text(text)) => match Written::parse(text) {
            Some(written) => written.instant().ok_or(TimeProblem::NoZone),
            None => Err(TimeProblem::Unreadable),
        },
        (TimeFormat::Local, Raw::Text(text)) => {
            let written = Written::parse(text).ok_or(TimeProblem::Unreadable)?;
            match (written.instant(), context.zone) {
                (Some(instant), _) => Ok(instant),
                (None, Some(zone)) => in_zone(written, zone, context).ok_or(TimeProblem::Unreadable),
                (None, None) => Err(TimeProblem::NoZone),
            }
        }
        _ => Err(TimeProblem::Unreadable),
    }
}

/// Unix time; whole numbers are exact, others are kept to the millisecond.
fn unix(whole: Option<i128>, number: Option<f64>, format: TimeFormat) -> Result<Stamp, TimeProblem> {
    let number = number.filter(|number| number.is_finite()).ok_or(TimeProblem::Unreadable)?;
    let units_per_second: i128 = match format {
        TimeFormat::UnixMillis => 1_000,
        TimeFormat::UnixAuto if number.abs() >= 1e17 => 1_000_000_000,
        TimeFormat::UnixAuto if number.abs() >= 1e14 => 1_000_000,
        TimeFormat::UnixAuto if number.abs() >= 1e11 => 1_000,
        _ => 1,
    };
    let millis = match whole {
        // An i64 or u64 times 1000 fits an i128.
        Some(whole) => i64::try_from((whole * 1_000).div_euclid(units_per_second)).ok(),
        None => {
            let millis = (number * (1_000.0 / units_per_second as f64)).round();
            // Beyond this no date is meant, and the conversion below stays exact.
            (millis.abs() < LARGEST_MILLIS).then_some(millis as i64)
        }
    };
    // What does not fit lies far before 1970 or far after today.
    Ok(millis.map_or(Stamp(if number < 0.0 { i64::MIN } else { i64::MAX }), Stamp))
}

/// Seconds in whole milliseconds, held within what no date reaches.
fn millis_of(seconds: f64) -> i64 {
    // Clamped, the conversion is exact.
    (seconds * 1_000.0).round().clamp(-LARGEST_MILLIS, LARGEST_MILLIS) as i64
}

/// A written date and time of day, with the offset from UTC if there is one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Written {
    wall: NaiveDateTime,
    millis: i64,
    offset_seconds: Option<i64>,
}

impl Written {
    /// `YYYY-MM-DD`, then `T`, `t` or a space, `HH:MM` with optional `:SS` and fraction, then nothing, `Z` or an
    /// offset (`+02:00`, `+0200`, `+02`). A 60th second counts as the next one.
    fn parse(text: &str) -> Option<Self> {
        let mut rest = text;
        let year = digits(&mut rest, 4)?;
        expect(&mut rest, &['-'])?;
        let month = digits(&mut rest, 2)?;
        expect(&mut rest, &['-'])?;
        let day = digits(&mut rest, 2)?;
        expect(&mut rest, &['T', 't', ' '])?;
        let hour = digits(&mut rest, 2)?;
        expect(&mut rest, &[':'])?;
        let minute = digits(&mut rest, 2)?;
        let mut second = 0;
        let mut millis = 0;
        if expect(&mut rest, &[':']).is_some() {
            second = digits(&mut rest, 2)?;
            if expect(&mut rest, &['.', ',']).is_some() {
                millis = fraction(&mut rest)?;
            }
        }
        let leap = i64::from(second == 60);
        let date = NaiveDate::from_ymd_opt(i32::try_from(year).ok()?, month, day)?;
        let wall = date.and_hms_opt(hour, minute, second.min(if leap == 1 { 59 } else { second }))?;
        let wall = wall.checked_add_signed(Duration::seconds(leap))?;
        let offset_seconds = match rest.trim_start() {
            "" => None,
            "Z" | "z" => Some(0),
            zone => Some(offset(zone)?),
        };
        Some(Self { wall, millis, offset_seconds })
    }

    /// The instant, when there is an offset.
    fn instant(self) -> Option<Stamp> {
        self.offset_seconds.map(|offset| self.less(offset))
    }

    /// The instant of this wall time where local time is UTC plus `offset_seconds`.
    fn less(self, offset_seconds: i64) -> Stamp {
        Stamp((self.wall.and_utc().timestamp() - offset_seconds) * SECOND + self.millis)
    }
}

/// The instant of a wall time in `zone`. An hour that is passed twice: see [`nearest_pass`]. An hour that is skipped:
/// read on the clock before the change, so 02:30 becomes 03:30.
fn in_zone(written: Written, zone: Tz, context: Context) -> Option<Stamp> {
    let seconds = |offset: &<Tz as TimeZone>::Offset| i64::from(offset.fix().local_minus_utc());
    match zone.offset_from_local_datetime(&written.wall) {
        MappedLocalTime::Single(offset) => Some(written.less(seconds(&offset))),
        MappedLocalTime::Ambiguous(first, second) => {
            let (a, b) = (written.less(seconds(&first)), written.less(seconds(&second)));
            Some(nearest_pass(a.min(b), a.max(b), context))
        }
        MappedLocalTime::None => (1..=LONGEST_SKIP_HOURS).find_map(|hours| {
            let before = written.wall.checked_sub_signed(Duration::hours(hours))?;
            let offset = zone.offset_from_local_datetime(&before).latest()?;
            Some(written.less(seconds(&offset)))
        }),
    }
}

/// Which pass of an ambiguous hour is meant: the one nearest to arrival. A backlog arrives long after both, so there
/// the sensor's own order decides: the first pass that does not lie before its last time.
fn nearest_pass(first: Stamp, second: Stamp, context: Context) -> Stamp {
    let distance = |pass: Stamp| context.arrival.since(pass).saturating_abs();
    let nearest = if distance(first) <= distance(second) { first } else { second };
    let follows = context.last_own_time.filter(|&last| last <= second && first.since(last) <= LONGEST_PAUSE);
    match follows {
        Some(last) if distance(nearest) > LIVE => {
            if last <= first {
                first
            } else {
                second
            }
        }
        _ => nearest,
    }
}

/// Takes exactly `count` decimal digits off the front.
fn digits(rest: &mut &str, count: usize) -> Option<u32> {
    let (head, tail) = rest.split_at_checked(count)?;
    if !head.bytes().all(|byte| byte.is_ascii_digit()) {
        return None;
    }
    *rest = tail;
    head.parse().ok()
}

/// Takes one of the characters off the front.
fn expect(rest: &mut &str, characters: &[char]) -> Option<()> {
    *rest = rest.strip_prefix(characters)?;
    Some(())
}

/// Takes the digits of a decimal fraction off the front; in whole milliseconds, cut off.
fn fraction(rest: &mut &str) -> Option<i64> {
    let count = rest.bytes().take_while(u8::is_ascii_digit).count();
    let (head, tail) = rest.split_at_checked(count)?;
    *rest = tail;
    let mut millis = 0;
    for index in 0..3 {
        let digit = head.as_bytes().get(index).map_or(0, |byte| i64::from(byte - b'0'));
        millis = millis * 10 + digit;
    }
    (count > 0).then_some(millis)
}

/// Seconds of `+02:00`, `+0200` or `+02`.
fn offset(zone: &str) -> Option<i64> {
    let mut rest = zone;
    let sign = if expect(&mut rest, &['+']).is_some() { 1 } else { expect(&mut rest, &['-']).map(|()| -1)? };
    let hours = digits(&mut rest, 2)?;
    let minutes = if rest.is_empty() {
        0
    } else {
        // The colon is optional.
        let _ = expect(&mut rest, &[':']);
        digits(&mut rest, 2)?
    };
    (rest.is_empty() && hours < 24 && minutes < 60).then(|| sign * i64::from(hours * 3600 + minutes * 60))
}

/// 2000-01-01T00:00:00Z.
const YEAR_2000: Stamp = Stamp(946_684_800_000);

/// Our choice: clocks of sensors are rarely set better than this.
const FARTHEST_AHEAD: i64 = 5 * MINUTE;

/// Zones differ by whole quarter hours (IANA time zone database), at most 14 h from UTC.
const QUARTER_HOUR: i64 = 15 * MINUTE;
const MOST_QUARTERS: i64 = 56;

/// Our choice: transmission and clock error together.
const QUARTER_TOLERANCE: i64 = 90 * SECOND;

/// The longest skip of a wall clock was a whole day (Samoa, 30 December 2011: IANA time zone database).
const LONGEST_SKIP_HOURS: i64 = 26;

/// Our choice: a message this close to its arrival is live, not a backlog.
const LIVE: i64 = 30 * MINUTE;

/// Our choice: after a longer pause the last time says nothing about the next.
const LONGEST_PAUSE: i64 = 2 * HOUR;

const LARGEST_MILLIS: f64 = 9e18;

#[cfg(test)]
mod tests;
