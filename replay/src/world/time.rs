//! Milliseconds, and instants as text.

pub const SECOND: i64 = 1_000;
pub const MINUTE: i64 = 60 * SECOND;
pub const HOUR: i64 = 60 * MINUTE;
pub const DAY: i64 = 24 * HOUR;

/// An instant as RFC 3339 in UTC, to the second.
pub fn rfc3339(at: i64) -> String {
    let (year, month, day) = date(at.div_euclid(DAY));
    let second = at.rem_euclid(DAY) / SECOND;
    format!("{year:04}-{month:02}-{day:02}T{:02}:{:02}:{:02}Z", second / 3600, second / 60 % 60, second % 60)
}

/// 00:00 UTC of a day of the Gregorian calendar.
pub fn midnight(year: i64, month: i64, day: i64) -> i64 {
    // Years begin in March here, so that the odd day comes last.
    let (year, month) = if month > 2 { (year, month - 3) } else { (year - 1, month + 9) };
    let (era, of_era) = (year.div_euclid(400), year.rem_euclid(400));
    let of_year = (153 * month + 2) / 5 + day - 1;
    (era * 146_097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719_468) * DAY
}

/// Year, month and day of a number of days since 1970-01-01.
fn date(days: i64) -> (i64, i64, i64) {
    let shifted = days + 719_468;
    let (era, of_era) = (shifted.div_euclid(146_097), shifted.rem_euclid(146_097));
    let year = (of_era - of_era / 1_460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year + year / 4 - year / 100);
    let month = (5 * of_year + 2) / 153;
    let day = of_year - (153 * month + 2) / 5 + 1;
    let (month, next) = if month < 10 { (month + 3, 0) } else { (month - 9, 1) };
    (era * 400 + year + next, month, day)
}
