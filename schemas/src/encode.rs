//! A payload as the bytes of its message: compact JSON in which nothing is null.

use std::fmt;
use std::io;

use serde::Serialize;
use serde_json::ser::{Formatter, Serializer};

/// A payload that cannot go out: a number in it is not finite.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NotFinite;

impl fmt::Display for NotFinite {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str("a number in the payload is not finite")
    }
}

impl std::error::Error for NotFinite {}

/// The bytes of `payload`, its keys in the order of the type.
///
/// # Errors
/// If a number is not finite. JSON has no such number, and null in its place would break the payload's schema.
pub fn encode<Payload: Serialize>(payload: &Payload) -> Result<Vec<u8>, NotFinite> {
    let mut bytes = Vec::with_capacity(1024);
    let mut serializer = Serializer::with_formatter(&mut bytes, NoNull);
    // Writing to memory does not fail and the keys of every payload are text, so the null is the only cause.
    payload.serialize(&mut serializer).map_err(|_| NotFinite)?;
    Ok(bytes)
}

/// Compact (the trait's own way), and null is an error: our types leave absent values out, so only a number that is not finite becomes null.
struct NoNull;

impl Formatter for NoNull {
    fn write_null<W: ?Sized + io::Write>(&mut self, _: &mut W) -> io::Result<()> {
        Err(io::ErrorKind::InvalidData.into())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{LastValue, RunTime};

    #[test]
    fn keys_keep_the_order_of_the_type() {
        let run = RunTime { minutes: 12.5, cycles: 2, soak_minutes: 30 };
        assert_eq!(encode(&run), Ok(br#"{"minutes":12.5,"cycles":2,"soak_minutes":30}"#.to_vec()));
    }

    #[test]
    fn a_number_that_is_not_finite_does_not_go_out() {
        for minutes in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert_eq!(encode(&RunTime { minutes, cycles: 1, soak_minutes: 0 }), Err(NotFinite));
        }
    }

    #[test]
    fn times_are_utc_with_seconds_and_thousandths_only_where_there_are_some() {
        for (millis, wanted) in
            [(1_782_928_800_000, "2026-07-01T18:00:00Z"), (1_782_928_800_250, "2026-07-01T18:00:00.250Z")]
        {
            let observed_at = chrono::DateTime::from_timestamp_millis(millis).unwrap();
            let value = LastValue { value: 1.0, unit: "mm".into(), flag: 1, observed_at };
            let text = String::from_utf8(encode(&value).unwrap()).unwrap();
            assert_eq!(text, format!("{{\"value\":1.0,\"unit\":\"mm\",\"flag\":1,\"observed_at\":\"{wanted}\"}}"));
        }
    }
}
