//! The battery of one sensor: when it is low, without crying at one reading on a cold night.
//!
//! Three kinds of evidence, each with its own patience: volts, percent, and the sensor's own ok. The battery is low
//! while any of them says so.

use serde::{Deserialize, Serialize};

use super::super::units::{Percent, Volts};

/// What the sensor runs on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Chemistry {
    #[serde(rename = "alkaline_9v")]
    Alkaline9V,
    #[serde(rename = "lithium_9v")]
    Lithium9V,
    #[serde(rename = "nimh_9v")]
    Nimh9V,
    /// Two cells in series.
    #[serde(rename = "alkaline_aa_2")]
    AlkalineAa2,
    /// Two cells of lithium iron disulfide in series.
    #[serde(rename = "lithium_iron_aa_2")]
    LithiumIronAa2,
    Cr2032,
    Cr123a,
    /// One cell of lithium thionyl chloride.
    #[serde(rename = "li_socl2")]
    LiSocl2,
    /// Two NiMH cells in series, charged by the sun.
    NimhSun,
    /// Nothing is assumed; `low_volts` must be given for volts to be judged.
    #[default]
    Custom,
}

impl Chemistry {
    pub const ALL: [Self; 10] = [
        Self::Alkaline9V,
        Self::Lithium9V,
        Self::Nimh9V,
        Self::AlkalineAa2,
        Self::LithiumIronAa2,
        Self::Cr2032,
        Self::Cr123a,
        Self::LiSocl2,
        Self::NimhSun,
        Self::Custom,
    ];

    /// Volts below which a visit is worth planning; None where nothing can be assumed.
    ///
    /// All are our choice, well above the end-point voltage at which devices stop (common practice for the cells:
    /// alkaline 0.8 V to 1.1 V, NiMH 1.0 V, lithium manganese dioxide 2.0 V, lithium iron disulfide 0.9 V).
    pub fn low_volts(self) -> Option<Volts> {
        let volts = match self {
            // 1.15 V a cell: about four fifths are used.
            Self::Alkaline9V => 6.9,
            Self::AlkalineAa2 => 2.3,
            // Three cells of 2.4 V, behind the knee of the flat curve.
            Self::Lithium9V => 7.2,
            // Seven cells of 1.1 V, two cells of 1.1 V.
            Self::Nimh9V => 7.7,
            Self::NimhSun => 2.2,
            // 1.3 V a cell, behind the knee; the plateau is at 1.5 V.
            Self::LithiumIronAa2 => 2.6,
            // The plateau is at 2.8 V to 3.0 V.
            Self::Cr2032 | Self::Cr123a => 2.5,
            // The plateau is at 3.6 V almost to the end.
            Self::LiSocl2 => 3.3,
            Self::Custom => return None,
        };
        Some(Volts(volts))
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct BatterySettings {
    pub chemistry: Chemistry,
    /// None: [`Chemistry::low_volts`].
    pub low_volts: Option<f64>,
    /// Our choice: 20 % where None.
    pub low_percent: Option<f64>,
    /// Our choice: 3 readings in a row, so one weak moment is not a low battery. At least 1.
    pub readings_to_change: u8,
    /// Our choice: 1 h from the first to the last of them, so one cold start is not a low battery. Volts and percent.
    pub low_for_seconds: u32,
    /// Our choice: 3 % of the threshold above it before a battery counts as recovered.
    pub recovery_margin_percent: f64,
}

impl Default for BatterySettings {
    fn default() -> Self {
        Self {
            chemistry: Chemistry::default(),
            low_volts: None,
            low_percent: None,
            readings_to_change: 3,
            low_for_seconds: 3600,
            recovery_margin_percent: 3.0,
        }
    }
}

impl BatterySettings {
    /// Volts below which the battery is low; None: volts are not judged.
    pub fn volts_threshold(&self) -> Option<Volts> {
        self.low_volts.filter(|volts| volts.is_finite()).map(Volts).or_else(|| self.chemistry.low_volts())
    }

    /// Percent below which the battery is low.
    pub fn percent_threshold(&self) -> Percent {
        Percent(self.low_percent.filter(|percent| percent.is_finite()).unwrap_or(20.0))
    }
}

/// What a sensor can say about its battery.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum BatteryReading {
    Volts(Volts),
    Percent(Percent),
    /// The sensor's own judgment: true is good.
    Ok(bool),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BatteryChange {
    Low,
    Recovered,
}

/// State of one sensor's battery.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Battery {
    #[serde(rename = "v")]
    volts: Option<f64>,
    #[serde(rename = "p")]
    percent: Option<f64>,
    #[serde(rename = "o")]
    ok: Option<bool>,
    #[serde(rename = "a")]
    by_volts: Patience,
    #[serde(rename = "b")]
    by_percent: Patience,
    #[serde(rename = "c")]
    by_ok: Patience,
}

impl Battery {
    /// Last believable volts.
    pub fn volts(&self) -> Option<Volts> {
        self.volts.map(Volts)
    }

    /// Last believable percent.
    pub fn percent(&self) -> Option<Percent> {
        self.percent.map(Percent)
    }

    /// The sensor's own last judgment.
    pub fn ok(&self) -> Option<bool> {
        self.ok
    }

    pub fn is_low(&self) -> bool {
        self.by_volts.low || self.by_percent.low || self.by_ok.low
    }

    /// A reading at `listening` (ms of uptime with the broker connected). What cannot be a battery's (not finite, no
    /// volts at all or above 100 V, percent outside 0 to 100) is no evidence.
    pub fn read(
        &mut self,
        listening: i64,
        reading: BatteryReading,
        settings: &BatterySettings,
    ) -> Option<BatteryChange> {
        let was_low = self.is_low();
        let patience = settings.readings_to_change.max(1);
        let span = i64::from(settings.low_for_seconds) * 1000;
        match reading {
            BatteryReading::Volts(Volts(volts)) if volts > 0.0 && volts <= 100.0 => {
                self.volts = Some(volts);
                match settings.volts_threshold() {
                    Some(threshold) => {
                        self.by_volts.judge(listening, side(volts, threshold.0, settings), patience, span);
                    }
                    // The settings no longer name a threshold: an old judgment by it falls.
                    None => self.by_volts = Patience::default(),
                }
            }
            BatteryReading::Percent(Percent(percent)) if (0.0..=100.0).contains(&percent) => {
                self.percent = Some(percent);
                let threshold = settings.percent_threshold().0;
                self.by_percent.judge(listening, side(percent, threshold, settings), patience, span);
            }
            BatteryReading::Ok(ok) => {
                self.ok = Some(ok);
                self.by_ok.judge(listening, if ok { Side::Above } else { Side::Below }, patience, 0);
            }
            BatteryReading::Volts(_) | BatteryReading::Percent(_) => {}
        }
        match (was_low, self.is_low()) {
            (false, true) => Some(BatteryChange::Low),
            (true, false) => Some(BatteryChange::Recovered),
            _ => None,
        }
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Side {
    Below,
    /// Not low, but not far enough above to call it recovered.
    Between,
    Above,
}

fn side(value: f64, threshold: f64, settings: &BatterySettings) -> Side {
    let margin = settings.recovery_margin_percent;
    let margin = if margin.is_finite() { margin.clamp(0.0, 50.0) } else { 0.0 };
    if value < threshold {
        Side::Below
    } else if value <= threshold * (1.0 + margin / 100.0) {
        Side::Between
    } else {
        Side::Above
    }
}

/// Low or not by one kind of evidence, with the readings in a row that speak for a change.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Patience {
    #[serde(rename = "l")]
    low: bool,
    #[serde(rename = "n")]
    in_a_row: u8,
    /// Listening instant of the first of them.
    #[serde(rename = "f")]
    from: i64,
}

impl Patience {
    fn judge(&mut self, listening: i64, side: Side, needed: u8, span: i64) {
        let (wanted, span) = if self.low { (Side::Above, 0) } else { (Side::Below, span) };
        if side != wanted {
            self.in_a_row = 0;
            return;
        }
        if self.in_a_row == 0 {
            self.from = listening;
        }
        self.in_a_row = self.in_a_row.saturating_add(1);
        if self.in_a_row >= needed && listening.saturating_sub(self.from) >= span {
            self.low = !self.low;
            self.in_a_row = 0;
        }
    }
}

#[cfg(test)]
mod tests;
