//! Times, days and months as people write them: `"02:00-10:00"`, `["mon", "thu"]`, `[11, 12, 1]`.

use chrono::{Datelike, NaiveDate, NaiveTime, Timelike};

use super::spot::Spot;
use super::table::Table;
use crate::engine::settings::Window;

/// From one time of day to another, `"02:00-10:00"`; `"22:00-04:00"` crosses midnight.
pub(super) fn window(spot: &Spot<'_>) -> Option<Window> {
    let text = spot.text(WINDOW_EXAMPLE)?;
    let Some((opens, closes)) = text.split_once(['-', '–']) else {
        spot.fault(window_text());
        return None;
    };
    // A window closes at or before its opening on the next day, so midnight at its end is 00:00.
    let ends_the_day = closes.trim() == "24:00";
    let closes = if ends_the_day { Some(NaiveTime::MIN) } else { parse_time(closes) };
    match parse_time(opens).zip(closes) {
        Some((opens, closes)) if opens == closes && !ends_the_day => {
            spot.fault("opens and closes at once; for the whole day write \"00:00-24:00\"");
            None
        }
        Some((opens, closes)) => Some(Window { opens, closes }),
        None => {
            spot.fault(window_text());
            None
        }
    }
}

fn window_text() -> String {
    format!("write two local times of day, for example \"{WINDOW_EXAMPLE}\" or \"22:00-04:00\"")
}

/// Weekdays, Monday first; an empty list is a fault.
pub(super) fn weekdays(table: &Table<'_>, key: &'static str) -> Option<[bool; 7]> {
    let days = table.list(key, WEEKDAYS_MEANT)?;
    let mut chosen = [false; 7];
    let mut whole = true;
    for spot in &days {
        match spot.word(&WEEKDAYS) {
            // The table counts from 0 to 6.
            Some(day) => chosen[day] = true,
            None => whole = false,
        }
    }
    if days.is_empty() {
        table.fault(key, format!("no day at all; write {WEEKDAYS_MEANT}, or remove the key for every day"));
    }
    (whole && !days.is_empty()).then_some(chosen)
}

/// Months, January first; an empty list means none.
pub(super) fn months(table: &Table<'_>, key: &'static str) -> Option<[bool; 12]> {
    let months = table.list(key, "months from 1 to 12, for example [11, 12, 1, 2]")?;
    let mut chosen = [false; 12];
    let mut whole = true;
    for spot in &months {
        let month = spot.plain().filter(|month| month.fract() == 0.0 && (1.0..=12.0).contains(month));
        match month {
            Some(month) => chosen[month as usize - 1] = true,
            None => {
                spot.fault("write a month from 1 (January) to 12");
                whole = false;
            }
        }
    }
    whole.then_some(chosen)
}

/// A date, `2027-06-01` with or without quotes.
pub(super) fn date(table: &Table<'_>, key: &'static str) -> Option<NaiveDate> {
    let spot = table.spot_of(key)?;
    let date = NaiveDate::parse_from_str(spot.text("2027-06-01")?, "%Y-%m-%d").ok();
    match date.filter(|date| (1970..=9999).contains(&date.year())) {
        Some(date) => Some(date),
        None => {
            spot.fault("write a date as year-month-day, for example \"2027-06-01\"");
            None
        }
    }
}

/// One end of a span of days: a date, or a month and day of every year.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum End {
    Date(NaiveDate),
    EveryYear(u8, u8),
}

/// A date `2027-06-01`, or `06-01` for every year.
pub(super) fn end(table: &Table<'_>, key: &'static str) -> Option<End> {
    let spot = table.spot_of(key)?;
    let text = spot.text("2027-06-01")?;
    let date = |text: &str| NaiveDate::parse_from_str(text, "%Y-%m-%d").ok();
    // 2028 has a 29 February.
    let of_every_year = || date(&format!("2028-{text}")).filter(|_| text.len() == 5);
    match (date(text).filter(|date| (1970..=9999).contains(&date.year())), of_every_year()) {
        (Some(date), _) => Some(End::Date(date)),
        (None, Some(date)) => Some(End::EveryYear(date.month() as u8, date.day() as u8)),
        (None, None) => {
            spot.fault("write a date as year-month-day, for example \"2027-06-01\", or \"06-01\" for every year");
            None
        }
    }
}

/// A local time of day, `18:30` or `18:30:00`.
pub(super) fn parse_time(text: &str) -> Option<NaiveTime> {
    let text = text.trim();
    let short = NaiveTime::parse_from_str(text, "%H:%M");
    let time = short.or_else(|_| NaiveTime::parse_from_str(text, "%H:%M:%S")).ok()?;
    // A leap second is no time to water by.
    (time.nanosecond() == 0).then_some(time)
}

const WINDOW_EXAMPLE: &str = "02:00-10:00";
/// For the fault text of a list of them.
const WEEKDAYS_MEANT: &str = "weekdays, for example [\"mon\", \"thu\"]";
const WEEKDAYS: [(&str, usize); 7] =
    [("mon", 0), ("tue", 1), ("wed", 2), ("thu", 3), ("fri", 4), ("sat", 5), ("sun", 6)];
