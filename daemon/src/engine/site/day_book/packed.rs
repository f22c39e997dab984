//! Bins as bytes: only what is there. One bin of a site with four averaged quantities takes about 50 bytes.

use std::collections::VecDeque;

use serde::de::Error;
use serde::{Deserialize, Deserializer, Serializer};

use super::{Averaged, Bin, Sum};
use crate::engine::stamp::{MINUTE, Stamp};

const SPREAD: u8 = 1 << 5;
const GAUGE_HEARD: u8 = 1 << 6;
const RAIN: u8 = 1 << 7;
/// Beside the minutes, which are 60 at most.
const FROZEN: u8 = 1 << 7;

pub fn serialize<S: Serializer>(bins: &VecDeque<Bin>, serializer: S) -> Result<S::Ok, S::Error> {
    let mut bytes = Vec::with_capacity(bins.len() * 52);
    for bin in bins {
        let mut present = 0u8;
        for averaged in Averaged::ALL {
            if bin.sum(averaged).count() > 0 {
                present |= 1 << averaged as u8;
            }
        }
        let rain = bin.rain_um != 0 || bin.quarantined_um != 0;
        let marks = (if bin.spread { SPREAD } else { 0 })
            | (if bin.gauge_heard { GAUGE_HEARD } else { 0 })
            | (if rain { RAIN } else { 0 });
        let minute = i32::try_from(bin.start.0 / MINUTE).unwrap_or(0);
        bytes.extend_from_slice(&minute.to_le_bytes());
        bytes.push(bin.minutes | if bin.frozen { FROZEN } else { 0 });
        bytes.push(present | marks);
        for sum in bin.sums.iter().filter(|sum| sum.count() > 0) {
            bytes.extend_from_slice(&sum.sum.to_le_bytes());
            bytes.extend_from_slice(&sum.counted.to_le_bytes());
            bytes.extend_from_slice(&sum.covered_seconds.to_le_bytes());
        }
        if bin.sum(Averaged::Temperature).count() > 0 {
            bytes.extend_from_slice(&bin.coldest.to_le_bytes());
            bytes.extend_from_slice(&bin.warmest.to_le_bytes());
        }
        if rain {
            bytes.extend_from_slice(&bin.rain_um.to_le_bytes());
            bytes.extend_from_slice(&bin.quarantined_um.to_le_bytes());
        }
    }
    serializer.serialize_bytes(&bytes)
}

pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<VecDeque<Bin>, D::Error> {
    let bytes = Bytes::deserialize(deserializer)?.0;
    let mut rest = bytes.as_slice();
    let mut bins = VecDeque::new();
    while !rest.is_empty() {
        bins.push_back(bin(&mut rest).ok_or_else(|| D::Error::custom("day book: bytes end inside a bin"))?);
    }
    bins.shrink_to_fit();
    Ok(bins)
}

fn bin(rest: &mut &[u8]) -> Option<Bin> {
    let minute = i32::from_le_bytes(take(rest)?);
    let [minutes, marks] = take(rest)?;
    let mut bin = Bin::empty(Stamp(i64::from(minute) * MINUTE), minutes & !FROZEN);
    bin.frozen = minutes & FROZEN != 0;
    for averaged in Averaged::ALL {
        if marks & (1 << averaged as u8) != 0 {
            bin.sums[averaged as usize] = Sum {
                sum: f32::from_le_bytes(take(rest)?),
                counted: u16::from_le_bytes(take(rest)?),
                covered_seconds: u16::from_le_bytes(take(rest)?),
            };
        }
    }
    if bin.sum(Averaged::Temperature).count() > 0 {
        bin.coldest = f32::from_le_bytes(take(rest)?);
        bin.warmest = f32::from_le_bytes(take(rest)?);
    }
    if marks & RAIN != 0 {
        bin.rain_um = i32::from_le_bytes(take(rest)?);
        bin.quarantined_um = i32::from_le_bytes(take(rest)?);
    }
    bin.spread = marks & SPREAD != 0;
    bin.gauge_heard = marks & GAUGE_HEARD != 0;
    Some(bin)
}

fn take<const N: usize>(rest: &mut &[u8]) -> Option<[u8; N]> {
    let (head, tail) = rest.split_first_chunk::<N>()?;
    *rest = tail;
    Some(*head)
}

/// A byte string, also when the format gives it as a sequence.
pub(in crate::engine::site) struct Bytes(pub Vec<u8>);

impl<'de> Deserialize<'de> for Bytes {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Visitor;
        impl<'de> serde::de::Visitor<'de> for Visitor {
            type Value = Bytes;
            fn expecting(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                formatter.write_str("bytes")
            }
            fn visit_bytes<E: Error>(self, bytes: &[u8]) -> Result<Bytes, E> {
                Ok(Bytes(bytes.to_vec()))
            }
            fn visit_byte_buf<E: Error>(self, bytes: Vec<u8>) -> Result<Bytes, E> {
                Ok(Bytes(bytes))
            }
            fn visit_seq<A: serde::de::SeqAccess<'de>>(self, mut sequence: A) -> Result<Bytes, A::Error> {
                let mut bytes = Vec::new();
                while let Some(byte) = sequence.next_element()? {
                    bytes.push(byte);
                }
                Ok(Bytes(bytes))
            }
        }
        deserializer.deserialize_byte_buf(Visitor)
    }
}
