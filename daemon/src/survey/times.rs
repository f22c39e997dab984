//! Where a message says its own time, and how it is written: compared with the time of arrival.

use chrono::{DateTime, NaiveDateTime};

use super::Sure;
use super::fields::FieldSeen;
use super::guess::{Guess, Meaning};
use super::words::{Tag, Words};
use crate::engine::decode::TimeFormat;
use crate::engine::stamp::{DAY, HOUR, MINUTE, Stamp};

/// The guess that a field is the message's own time; `None` where it is no time at all.
pub fn time(key: &str, seen: &FieldSeen) -> Option<Guess> {
    let said = |format: TimeFormat, sure: Sure, why: String| {
        Some(Guess { meaning: Meaning::Time { format, in_utc: false }, sure, why, ..Guess::nothing(key, seen, "") })
    };
    let words = Words::of(key);
    let named = words.has(Tag::Time);
    if let Some(away) = unix_away(seen) {
        let near = away.saturating_abs() <= NEAR;
        return match (near, named) {
            (true, _) => {
                said(TimeFormat::UnixAuto, Sure::High, format!("seconds since 1970 or parts of them, {}", off(away)))
            }
            (false, true) if away < 0 => said(TimeFormat::UnixAuto, Sure::Likely, format!("since 1970, {}", off(away))),
            (false, true) => Some(Guess::nothing(key, seen, format!("a time, but {}: a wrong clock", off(away)))),
            (false, false) => None,
        };
    }
    let (at, text) = seen.texts.last().filter(|_| seen.numbers.count == 0)?;
    if let Ok(instant) = DateTime::parse_from_rfc3339(&text.replacen(' ', "T", 1)) {
        let away = Stamp::from(instant.to_utc()).since(*at);
        let sure = if away.saturating_abs() <= NEAR { Sure::High } else { Sure::Likely };
        return said(TimeFormat::Rfc3339, sure, format!("RFC 3339, {}", off(away)));
    }
    let local = ["%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M"];
    let wall = local.iter().find_map(|format| NaiveDateTime::parse_from_str(text, format).ok())?;
    let away = Stamp::from(wall.and_utc()).since(*at);
    if away.saturating_abs() > 15 * HOUR {
        return Some(Guess::nothing(key, seen, format!("a time, but {} even as UTC: a wrong clock", off(away))));
    }
    let offset = (away as f64 / (15 * MINUTE) as f64).round() / 4.0;
    if offset == 0.0 {
        let why = "a wall clock on UTC, or on yours if that is the same now".to_owned();
        return said(TimeFormat::Local, Sure::Likely, why)
            .map(|guess| Guess { meaning: Meaning::Time { format: TimeFormat::Local, in_utc: true }, ..guess });
    }
    let why = format!("a wall clock at UTC{offset:+} h by the time of arrival: read in the zone of the site");
    said(TimeFormat::Local, Sure::Likely, why)
}

/// True where the time says when somebody else got the message.
pub fn is_received(key: &str) -> bool {
    Words::of(key).has(Tag::Received)
}

/// How far the numbers, as Unix time in seconds to nanoseconds, are from arrival, ms; `None` where they are no such time.
fn unix_away(seen: &FieldSeen) -> Option<i64> {
    if !seen.is_number() {
        return None;
    }
    let away = |(at, value): &(Stamp, f64)| {
        let per_second = match value.abs() {
            size if size >= 1e17 => 1e9,
            size if size >= 1e14 => 1e6,
            size if size >= 1e11 => 1e3,
            _ => 1.0,
        };
        let millis = value * 1e3 / per_second;
        let plausible = (0.0..YEAR_2200).contains(&millis) && *value > 1e8;
        // In this range the conversion is exact to the millisecond.
        plausible.then_some(Stamp(millis as i64).since(*at))
    };
    let mut all: Vec<i64> = seen.numbers.series.iter().map(away).collect::<Option<_>>()?;
    all.sort_unstable();
    all.get(all.len() / 2).copied()
}

fn off(away: i64) -> String {
    let size = away.saturating_abs();
    let side = if away < 0 { "before" } else { "after" };
    match size {
        _ if size < 2 * MINUTE => "about when it arrives".to_owned(),
        _ if size < 2 * HOUR => format!("{} min {side} arrival", size / MINUTE),
        _ if size < 2 * DAY => format!("{} h {side} arrival", size / HOUR),
        _ => format!("{} days {side} arrival", size / DAY),
    }
}

/// Our choice: sensors that keep their messages for a while are still on time.
const NEAR: i64 = 15 * MINUTE;

/// In ms since 1970.
const YEAR_2200: f64 = 7_258_118_400_000.0;

#[cfg(test)]
mod tests {
    use super::*;

    /// 2027-06-01T04:00:00Z.
    const AT: Stamp = Stamp(1_811_822_400_000);

    fn check(key: &str, number: Option<f64>, text: &str, expected: &str) {
        let mut seen = FieldSeen::default();
        match number {
            Some(number) => seen.number(AT, number),
            None => seen.text(AT, text),
        }
        let found = time(key, &seen).map_or("none".to_owned(), |guess| match guess.meaning {
            Meaning::Time { format, in_utc } => {
                format!("{format:?} {}{}", guess.sure.name(), if in_utc { " UTC" } else { "" })
            }
            _ => guess.why,
        });
        assert_eq!(found, expected, "{key} {number:?} {text}");
    }

    #[test]
    fn own_times_are_found_in_every_usual_spelling() {
        check("/ts", Some(1_811_822_399.0), "", "UnixAuto high");
        check("/x", Some(1_811_822_399_000.0), "", "UnixAuto high");
        check("/ts", Some(1_811_736_000.0), "", "UnixAuto likely");
        check("/ts", Some(1_911_736_000.0), "", "a time, but 1156 days after arrival: a wrong clock");
        check("/count", Some(1_211_736_000.0), "", "none");
        check("/temp", Some(21.5), "", "none");
        check("/at", None, "2027-06-01T03:59:58Z", "Rfc3339 high");
        check("/at", None, "2027-05-31 22:00:00-06:00", "Rfc3339 high");
        check("/at", None, "2027-05-31 22:00:00", "Local likely");
        check("/at", None, "2027-06-01 04:00", "Local likely UTC");
        check("/at", None, "2020-01-01 00:00:00", "a time, but 2708 days before arrival even as UTC: a wrong clock");
        check("/at", None, "noon", "none");
    }
}
