//! Times on the wire: RFC 3339 in UTC, the very text that chrono writes, without its detours.

use std::str;

use chrono::{DateTime, Datelike, Timelike, Utc};
use serde::ser::{Serialize, Serializer};

/// For `serialize_with`: seconds, and as many threes of digits below them as there are.
///
/// # Errors
/// Those of the serializer.
pub fn utc<S: Serializer>(at: &DateTime<Utc>, serializer: S) -> Result<S::Ok, S::Error> {
    let mut text = *b"0000-00-00T00:00:00.000000000Z";
    let year = at.year();
    let nanos = at.nanosecond();
    // Chrono writes other years with a sign, and a leap second as nanoseconds beyond a second.
    if !(0..=9999).contains(&year) || nanos >= 1_000_000_000 {
        return at.serialize(serializer);
    }
    put(&mut text[0..4], year.unsigned_abs());
    put(&mut text[5..7], at.month());
    put(&mut text[8..10], at.day());
    put(&mut text[11..13], at.hour());
    put(&mut text[14..16], at.minute());
    put(&mut text[17..19], at.second());
    let end = match nanos {
        0 => 19,
        _ => {
            put(&mut text[20..29], nanos);
            match (nanos % 1_000_000, nanos % 1_000) {
                (0, _) => 23,
                (_, 0) => 26,
                _ => 29,
            }
        }
    };
    text[end] = b'Z';
    match str::from_utf8(&text[..=end]) {
        Ok(text) => serializer.serialize_str(text),
        Err(_) => at.serialize(serializer),
    }
}

/// [`utc`] where there may be none.
///
/// # Errors
/// Those of the serializer.
pub fn maybe_utc<S: Serializer>(at: &Option<DateTime<Utc>>, serializer: S) -> Result<S::Ok, S::Error> {
    match at {
        Some(at) => utc(at, serializer),
        None => serializer.serialize_none(),
    }
}

/// Writes `number` into all of `digits`, zeros in front.
fn put(digits: &mut [u8], mut number: u32) {
    for digit in digits.iter_mut().rev() {
        // One decimal digit, so the cast is exact.
        *digit = b'0' + (number % 10) as u8;
        number /= 10;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(serde::Serialize)]
    struct Ours(#[serde(serialize_with = "utc")] DateTime<Utc>);

    #[test]
    fn every_time_is_written_as_chrono_writes_it() {
        let check = |at: DateTime<Utc>| {
            assert_eq!(serde_json::to_string(&Ours(at)).unwrap(), serde_json::to_string(&at).unwrap());
        };
        let mut bits = 0x9e37_79b9_7f4a_7c15_u64;
        for _ in 0..20_000 {
            bits ^= bits << 13;
            bits ^= bits >> 7;
            bits ^= bits << 17;
            // Years 0 to 9999 and a little beyond on both sides.
            let seconds = (bits >> 8) as i64 % 330_000_000_000 - 70_000_000_000;
            let nanos = (bits % 1_000_000_000) as u32;
            for nanos in [0, nanos, nanos / 1_000 * 1_000, nanos / 1_000_000 * 1_000_000] {
                check(DateTime::from_timestamp(seconds, nanos).unwrap());
            }
        }
        for text in
            ["0000-01-01T00:00:00Z", "9999-12-31T23:59:59.999999999Z", "2016-12-31T23:59:60.5Z", "2028-02-29T01:02:03Z"]
        {
            check(text.parse().unwrap());
        }
        check(DateTime::<Utc>::MIN_UTC);
        check(DateTime::<Utc>::MAX_UTC);
    }
}
