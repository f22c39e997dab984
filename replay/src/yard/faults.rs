//! What goes wrong in a yard: each fault comes once in every growing season.

use chrono::Datelike;

use super::weather::{Normals, Series};
use crate::world::random::Random;

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    /// The sensor says nothing for ten days.
    SensorDead,
    /// Everything but the rain gauge says nothing for ten days.
    AirDead,
    /// The rain gauge lets no water through for a month.
    GaugeClogged,
    /// The thermometer reads 3 °C too high for two weeks.
    ThermometerHigh,
    /// Three messages in ten are lost, for three months.
    MessageLoss,
    /// The sensor's own clock is an hour late in one year and an hour early in the next, for three months.
    ClockHour,
    /// Every run of the sprinklers puts 6.8 mm into the gauge, for three months.
    GaugeSprayed,
}

impl Fault {
    pub const ALL: [Self; 7] = [
        Self::SensorDead,
        Self::AirDead,
        Self::GaugeClogged,
        Self::ThermometerHigh,
        Self::MessageLoss,
        Self::ClockHour,
        Self::GaugeSprayed,
    ];

    pub fn name(self) -> &'static str {
        match self {
            Self::SensorDead => "sensor-dead",
            Self::AirDead => "air-dead",
            Self::GaugeClogged => "gauge-clogged",
            Self::ThermometerHigh => "thermometer-high",
            Self::MessageLoss => "message-loss",
            Self::ClockHour => "clock-hour",
            Self::GaugeSprayed => "gauge-sprayed",
        }
    }

    pub fn text(self) -> &'static str {
        match self {
            Self::SensorDead => "the sensor is silent for 10 days in high summer, its rain gauge too",
            Self::AirDead => "all but the rain gauge is silent for 10 days in high summer",
            Self::GaugeClogged => "the rain gauge is clogged for a month",
            Self::ThermometerHigh => "the thermometer reads 3 °C high for two weeks",
            Self::MessageLoss => "30 % of the messages are lost for three months",
            Self::ClockHour => "the sensor's clock is an hour wrong for three months",
            Self::GaugeSprayed => "sprinklers put 6.8 mm a run into the gauge for three months",
        }
    }

    fn length_days(self) -> usize {
        match self {
            Self::SensorDead | Self::AirDead => 10,
            Self::GaugeClogged => 30,
            Self::ThermometerHigh => 14,
            Self::MessageLoss | Self::ClockHour | Self::GaugeSprayed => 90,
        }
    }

    /// Alert kinds that name the fault or its effect on the evidence.
    pub fn alert_kinds(self) -> &'static [&'static str] {
        match self {
            Self::SensorDead | Self::AirDead => &["sensor_silent", "gateway_silent", "basis_weak"],
            Self::GaugeClogged => &["gauge_clogged", "basis_weak"],
            Self::ThermometerHigh => &["reading_implausible", "siting_doubtful", "basis_weak"],
            Self::MessageLoss => &["link_weak", "link_unstable"],
            Self::ClockHour => &["clock_wrong"],
            Self::GaugeSprayed => &["gauge_sprayed"],
        }
    }

    /// Why nobody can be alerted where the yard has one sensor and so many neighbors.
    pub fn why_unseen(self, neighbors: usize) -> Option<&'static str> {
        match self {
            Self::GaugeClogged if neighbors < 2 => {
                Some("a clogged gauge and a dry month look alike to one gauge: it takes two neighbors")
            }
            Self::ThermometerHigh => Some(
                "3 °C is less than days differ from each other: one thermometer cannot know, it takes a second one",
            ),
            _ => None,
        }
    }
}

/// The days of one fault, first and last inclusive, as indices of the history.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spell {
    pub first: usize,
    pub last: usize,
    pub year: i32,
}

/// One spell in each summer that lies whole in the history: the month with the most evapotranspiration and its neighbors.
pub fn spells(fault: Fault, series: &Series, normals: &Normals, seed: u64) -> Vec<Spell> {
    let (peak, _) = normals.peak();
    let in_summer = |month: usize| [(peak + 11) % 12, peak, (peak + 1) % 12].contains(&month);
    let mut random = Random::new(seed, fault.name());
    let mut spells = Vec::new();
    let mut at = 0;
    while at < series.days.len() {
        if !in_summer(series.days[at].month()) {
            at += 1;
            continue;
        }
        let end =
            (at..series.days.len()).find(|day| !in_summer(series.days[*day].month())).unwrap_or(series.days.len());
        let length = fault.length_days();
        // The history may begin or end within a summer.
        if end - at >= 89 && at > 0 {
            let room = (end - at).saturating_sub(length) + 1;
            let first = at + random.index(room);
            spells.push(Spell { first, last: (first + length - 1).min(end - 1), year: series.days[first].date.year() });
        }
        at = end;
    }
    spells
}

/// What the fault does on a day.
pub struct Plan {
    pub fault: Option<Fault>,
    pub spells: Vec<Spell>,
}

impl Plan {
    pub fn none() -> Self {
        Self { fault: None, spells: Vec::new() }
    }

    pub fn of(fault: Fault, series: &Series, normals: &Normals, seed: u64) -> Self {
        Self { fault: Some(fault), spells: spells(fault, series, normals, seed) }
    }

    /// The fault of day `index`, with the year of its spell.
    pub fn on(&self, index: usize) -> Option<(Fault, i32)> {
        let at = self.spells.partition_point(|spell| spell.last < index);
        let spell = self.spells.get(at).filter(|spell| spell.first <= index)?;
        Some((self.fault?, spell.year))
    }

    /// Which days a fault lies on.
    pub fn days(&self, length: usize) -> Vec<bool> {
        (0..length).map(|index| self.on(index).is_some()).collect()
    }
}

/// Rain that a run of the sprinklers puts into the gauge, mm.
pub const SPRAYED_MM: f64 = 6.8;

/// What the thermometer reads too high, °C.
pub const HIGH_CELSIUS: f64 = 3.0;

/// Odds that a message is lost.
pub const LOSS: f64 = 0.3;
