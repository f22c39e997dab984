//! The health of one reporting device: its link, its battery, what it said last and what it said wrong.

pub mod battery;
pub mod direction;
pub mod link;
pub mod service;
pub mod succession;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::quality::Track;
use super::quality::duplicate::RepeatMemory;
use super::reading::{Flag, Quantity, Reading};
use super::stamp::{HOUR, MINUTE, Stamp};
pub use battery::{Battery, BatterySettings};
use direction::Direction;
use link::Strength;
pub use link::{Link, LinkSettings};
use service::ServiceMark;

/// What a sensor said last about one quantity, and how it is judged.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Channel {
    #[serde(rename = "q")]
    pub quantity: Quantity,
    #[serde(rename = "t")]
    pub track: Track,
    /// Last value that came, whatever its flag.
    #[serde(rename = "v")]
    pub last: f64,
    #[serde(rename = "g")]
    pub flag: Flag,
    #[serde(rename = "a")]
    pub observed_at: Stamp,
    /// The last value that counts: observed at, and listening time of its arrival.
    #[serde(rename = "c", default)]
    pub counted: Option<Counted>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Counted {
    #[serde(rename = "v")]
    pub value: f64,
    #[serde(rename = "o")]
    pub observed_at: Stamp,
    #[serde(rename = "l")]
    pub listening: i64,
}

/// State of one sensor.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Sensor {
    #[serde(rename = "i")]
    pub id: String,
    #[serde(rename = "l")]
    pub link: Link,
    #[serde(rename = "b")]
    pub battery: Battery,
    #[serde(rename = "m")]
    pub repeats: RepeatMemory,
    #[serde(rename = "c", default)]
    pub channels: Vec<Channel>,
    #[serde(rename = "d", default)]
    pub direction: Direction,
    /// Its own time in the last message that had one.
    #[serde(rename = "o", default)]
    pub own_time: Option<Stamp>,
    /// Lost messages and fields per cause, since the sensor was first heard.
    #[serde(rename = "x", default)]
    pub rejects: BTreeMap<String, Tally>,
    /// Readings that were not good, per test, since the civil day began.
    #[serde(rename = "f", default)]
    pub flags: BTreeMap<String, u64>,
    #[serde(rename = "w", default)]
    pub faults: Faults,
    #[serde(rename = "z", default)]
    pub clock: ClockFault,
    #[serde(rename = "s", default)]
    pub services: Vec<ServiceMark>,
    #[serde(rename = "r", default)]
    pub rssi_dbm: Option<f64>,
    /// Signal strength over days; dBm, or dB of a sensor that says its signal-to-noise ratio only.
    #[serde(rename = "e", default, skip_serializing_if = "Option::is_none")]
    pub strength: Option<Box<Strength>>,
    /// Anything of the published status changed since it was sent.
    #[serde(rename = "n", default)]
    pub status_due: bool,
}

/// How often, and when it was last said in the log.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tally {
    #[serde(rename = "n")]
    pub count: u64,
    #[serde(rename = "s", default)]
    pub said: u64,
    #[serde(rename = "a", default)]
    pub said_at: Option<Stamp>,
}

/// Readings that cannot be, within an hour.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Faults {
    #[serde(rename = "n", default)]
    pub count: u16,
    #[serde(rename = "f", default)]
    pub from: Option<Stamp>,
    #[serde(rename = "l", default)]
    pub last: Option<Stamp>,
}

/// What is wrong with the sensor's own clock.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ClockFault {
    /// Minutes off (negative: behind ours), and how many messages in a row that came at least a minute apart.
    #[serde(rename = "m", default)]
    pub offset_minutes: i64,
    #[serde(rename = "n", default)]
    pub in_a_row: u16,
    /// When the last of them came.
    #[serde(rename = "a", default)]
    pub at: Stamp,
}

impl Channel {
    /// Shows a reading as the last, unless it is older than the last one.
    pub fn show(&mut self, reading: &Reading, flag: Flag) {
        if self.flag == Flag::Missing || self.observed_at <= reading.observed_at {
            (self.last, self.flag, self.observed_at) = (reading.value, flag, reading.observed_at);
        }
    }
}

impl Sensor {
    /// A sensor expected since `listening`.
    pub fn started(id: &str, listening: i64) -> Self {
        Self { id: id.to_owned(), link: Link::started(listening), ..Self::default() }
    }

    pub fn channel(&self, quantity: Quantity) -> Option<&Channel> {
        self.channels.iter().find(|channel| channel.quantity == quantity)
    }

    /// The channel of `quantity`, made at its first reading.
    pub fn channel_mut(&mut self, quantity: Quantity) -> &mut Channel {
        let position = match self.channels.iter().position(|channel| channel.quantity == quantity) {
            Some(position) => position,
            None => {
                self.channels.push(Channel {
                    quantity,
                    track: Track::default(),
                    last: 0.0,
                    flag: Flag::Missing,
                    observed_at: Stamp::default(),
                    counted: None,
                });
                self.channels.len() - 1
            }
        };
        &mut self.channels[position]
    }

    /// The last value of `quantity` that counts, while it is fresh: not older than the sensor may be silent.
    pub fn fresh(&self, quantity: Quantity, listening: i64, settings: &LinkSettings) -> Option<Counted> {
        let counted = self.channel(quantity)?.counted?;
        (listening.saturating_sub(counted.listening) <= self.link.silence_limit(settings)).then_some(counted)
    }

    /// Listening instant from which [`Sensor::fresh`] has nothing, if nothing comes until then.
    pub fn stale_at(&self, quantity: Quantity, settings: &LinkSettings) -> Option<i64> {
        let counted = self.channel(quantity)?.counted?;
        Some(counted.listening.saturating_add(self.link.silence_limit(settings)).saturating_add(1))
    }

    /// Counts a loss. Says whether the log should speak of it: the first of its cause and then at most once an hour; with
    /// how many came since the last line.
    pub fn reject(&mut self, cause: &str, now: Stamp) -> Option<u64> {
        if !self.rejects.contains_key(cause) && self.rejects.len() >= MOST_CAUSES {
            return None;
        }
        let tally = self.rejects.entry(cause.to_owned()).or_default();
        tally.count += 1;
        self.status_due = true;
        if tally.said_at.is_some_and(|at| now.since(at).abs() < HOUR) {
            return None;
        }
        let since = tally.count - tally.said;
        (tally.said, tally.said_at) = (tally.count, Some(now));
        Some(since)
    }

    /// Notes a reading that cannot be. True when there were enough of them within an hour to speak of a fault.
    pub fn fault(&mut self, now: Stamp) -> bool {
        let fresh = self.faults.from.is_some_and(|from| now.since(from).abs() <= HOUR);
        if !fresh {
            (self.faults.count, self.faults.from) = (0, Some(now));
        }
        self.faults.count = self.faults.count.saturating_add(1);
        self.faults.last = Some(now);
        self.faults.count >= FAULTS_TO_SPEAK
    }

    /// How much of the time up to a reading at `at` the reading speaks for: the gap since the one before, or for a late
    /// one the learnt interval; never more than one and a half intervals.
    pub fn covered(&self, quantity: Quantity, at: Stamp) -> i64 {
        let usual = self.link.interval();
        let longest = usual.map_or(LONGEST_COVER, |interval| (interval + interval / 2).clamp(MINUTE, 90 * MINUTE));
        let before = self.channel(quantity).and_then(|channel| channel.counted).map(|counted| counted.observed_at);
        match before {
            Some(before) if before < at => at.since(before).min(longest),
            Some(before) if before == at => 0,
            _ => usual.unwrap_or(0).min(longest),
        }
    }

    /// The wall clock went back to `now`, in the civil day `today` (days since 1970-01-01): readings from before it are not
    /// "later".
    pub fn clock_stepped(&mut self, now: Stamp, today: u16) {
        for channel in &mut self.channels {
            channel.observed_at = channel.observed_at.min(now);
            channel.track.clock_stepped_back(now);
            if let Some(counted) = &mut channel.counted {
                counted.observed_at = counted.observed_at.min(now);
            }
        }
        self.own_time = self.own_time.map(|at| at.min(now));
        self.faults = Faults::default();
        if let Some(outlook) = self.battery.outlook_mut() {
            outlook.clock_stepped_back(today);
        }
    }
}

/// Before an interval is learnt, a reading speaks for at most this long. Our choice.
const LONGEST_COVER: i64 = 30 * MINUTE;

/// Three impossible readings within an hour are a fault and no accident. Our choice.
const FAULTS_TO_SPEAK: u16 = 3;

/// Causes come from a closed list; this only bounds what a saved state can bring.
const MOST_CAUSES: usize = 64;
