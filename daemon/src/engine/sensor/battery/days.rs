//! One level per civil day of the last two months, in three bytes each.

use std::collections::VecDeque;

use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error};

/// Days kept. Our choice: long enough for a trend, short enough to follow a season.
pub const KEPT: usize = 60;

/// What a civil day left behind.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Day {
    /// Days since 1970-01-01, by the site's calendar.
    pub day: u16,
    /// Median: millivolts, or hundredths of a percent.
    pub level: u16,
    /// Mean air temperature of the readings, °C.
    pub celsius: Option<f64>,
}

/// The last [`KEPT`] days, with holes where nothing was heard.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Days {
    newest: u16,
    /// Level (0: none) and half degrees, the newest last.
    entries: VecDeque<(u16, i8)>,
}

impl Days {
    /// Takes in a day. Only days after the newest are taken; a level of 0 is none.
    pub fn push(&mut self, day: u16, level: u16, celsius: Option<f64>) {
        if level == 0 || (!self.entries.is_empty() && day <= self.newest) {
            return;
        }
        let missed = if self.entries.is_empty() { 0 } else { usize::from(day - self.newest) - 1 };
        for _ in 0..missed.min(KEPT) {
            self.entries.push_back((0, NO_CELSIUS));
        }
        let halves = celsius.filter(|celsius| celsius.is_finite()).map(|celsius| (celsius * 2.0).round());
        // In range by the clamp.
        let halves = halves.map_or(NO_CELSIUS, |halves| halves.clamp(-127.0, 127.0) as i8);
        self.entries.push_back((level, halves));
        self.newest = day;
        while self.entries.len() > KEPT {
            self.entries.pop_front();
        }
    }

    /// The days with a level, oldest first.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = Day> {
        self.entries.iter().rev().enumerate().rev().filter(|(_, (level, _))| *level > 0).map(
            |(back, (level, halves))| Day {
                // At most KEPT.
                day: self.newest.saturating_sub(back as u16),
                level: *level,
                celsius: (*halves != NO_CELSIUS).then(|| f64::from(*halves) / 2.0),
            },
        )
    }

    pub fn newest(&self) -> Option<Day> {
        self.iter().next_back()
    }

    pub fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    /// Days with a level.
    pub fn count(&self) -> usize {
        self.entries.iter().filter(|(level, _)| *level > 0).count()
    }

    /// Forgets what is before `day`.
    pub fn keep_from(&mut self, day: u16) {
        let kept = usize::from(self.newest.saturating_add(1).saturating_sub(day));
        while self.entries.len() > kept {
            self.entries.pop_front();
        }
    }

    /// The clock went back: days after `day` have not been.
    pub fn keep_to(&mut self, day: u16) {
        while self.newest > day && self.entries.pop_back().is_some() {
            self.newest -= 1;
        }
        while self.entries.back().is_some_and(|(level, _)| *level == 0) {
            self.entries.pop_back();
            self.newest = self.newest.saturating_sub(1);
        }
    }
}

const NO_CELSIUS: i8 = i8::MIN;

impl Serialize for Days {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut bytes = Vec::with_capacity(2 + 3 * self.entries.len());
        bytes.extend_from_slice(&self.newest.to_le_bytes());
        for (level, halves) in &self.entries {
            bytes.extend_from_slice(&level.to_le_bytes());
            bytes.extend_from_slice(&halves.to_le_bytes());
        }
        serializer.serialize_bytes(&bytes)
    }
}

impl<'de> Deserialize<'de> for Days {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let bytes = deserializer.deserialize_byte_buf(Bytes)?;
        let Some((newest, rest)) = bytes.split_first_chunk::<2>() else {
            return Err(D::Error::custom("battery days: bytes are missing"));
        };
        let (entries, []) = rest.as_chunks::<3>() else {
            return Err(D::Error::custom("battery days: bytes end inside a day"));
        };
        let entries = entries.iter().map(|[low, high, halves]| (u16::from_le_bytes([*low, *high]), *halves as i8));
        Ok(Self { newest: u16::from_le_bytes(*newest), entries: entries.take(KEPT).collect() })
    }
}

/// A byte string, also when the format gives it as a sequence.
struct Bytes;

impl<'de> serde::de::Visitor<'de> for Bytes {
    type Value = Vec<u8>;
    fn expecting(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str("bytes")
    }
    fn visit_bytes<E: Error>(self, bytes: &[u8]) -> Result<Vec<u8>, E> {
        Ok(bytes.to_vec())
    }
    fn visit_byte_buf<E: Error>(self, bytes: Vec<u8>) -> Result<Vec<u8>, E> {
        Ok(bytes)
    }
    fn visit_seq<A: serde::de::SeqAccess<'de>>(self, mut sequence: A) -> Result<Vec<u8>, A::Error> {
        let mut bytes = Vec::new();
        while let Some(byte) = sequence.next_element()? {
            if bytes.len() < 2 + 3 * KEPT {
                bytes.push(byte);
            }
        }
        Ok(bytes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn levels(days: &Days) -> Vec<(u16, u16)> {
        days.iter().map(|day| (day.day, day.level)).collect()
    }

    #[test]
    fn days_are_kept_in_order_with_holes_and_bounded() {
        let mut days = Days::default();
        days.push(100, 3000, Some(12.3));
        days.push(103, 2990, None);
        days.push(103, 1, None);
        days.push(99, 1, None);
        assert_eq!(levels(&days), [(100, 3000), (103, 2990)]);
        assert_eq!(days.iter().next().unwrap().celsius, Some(12.5));
        for day in 104..1000 {
            days.push(day, 2000, Some(-300.0));
        }
        assert_eq!(days.count(), KEPT);
        assert_eq!(days.newest(), Some(Day { day: 999, level: 2000, celsius: Some(-63.5) }));
        days.push(60_000, 1900, None);
        assert_eq!(levels(&days), [(60_000, 1900)]);
        days.keep_to(2000);
        assert!(days.is_empty());
    }

    #[test]
    fn days_survive_saving_and_cut_bytes_are_refused() {
        let mut days = Days::default();
        for day in 0..KEPT as u16 + 5 {
            days.push(20_000 + 2 * day, 3100 - day, Some(f64::from(day) / 2.0));
        }
        let bytes = rmp_serde::to_vec_named(&days).unwrap();
        assert!(bytes.len() <= 2 + 2 + 3 * KEPT, "{}", bytes.len());
        assert_eq!(rmp_serde::from_slice::<Days>(&bytes).unwrap(), days);
        let text = serde_json::to_string(&days).unwrap();
        assert_eq!(serde_json::from_str::<Days>(&text).unwrap(), days);
        assert!(serde_json::from_str::<Days>("[1,2,3]").is_err());
        days.keep_to(20_100);
        assert_eq!(days.newest().map(|day| day.day), Some(20_100));
        days.keep_from(20_096);
        assert_eq!(levels(&days).len(), 3);
    }
}
