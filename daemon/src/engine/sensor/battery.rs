//! The battery of one sensor: when it is low, without crying at one reading on a cold night.
//!
//! Three kinds of evidence, each with its own patience: volts, percent, and the sensor's own ok. The battery is low
//! while any of them says so. What the daily volts or percent tell of the time left is kept in [`Outlook`].

pub mod chemistry;
pub mod days;
pub mod experience;
pub mod fleet;
pub mod forecast;
pub mod mark;
pub mod outlook;
mod own_word;
pub mod replacement;
pub mod trend;
pub mod warmth;

use serde::{Deserialize, Serialize};

use super::super::stamp::Stamp;
use super::super::units::{Percent, Volts};
pub use chemistry::{Chemistry, Course};
pub use forecast::Forecast;
use mark::Mark;
pub use outlook::{DayChange, Outlook};
use own_word::OwnWord;

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct BatterySettings {
    pub chemistry: Chemistry,
    /// None: [`Chemistry::low_volts`].
    pub low_volts: Option<f64>,
    /// Our choice: 20 % where None.
    pub low_percent: Option<f64>,
    /// Our choice: 3 readings in a row, so one weak moment is not a low battery; of the sensor's own word 3 within a day
    /// and at least half of the last 12. At least 1.
    pub readings_to_change: u8,
    /// Our choice: 1 h from the first to the last of them, so one cold start is not a low battery. Volts and percent.
    pub low_for_seconds: u32,
    /// Our choice: 3 % of the threshold above it before a battery counts as recovered.
    pub recovery_margin_percent: f64,
    /// End-point voltage, at which the device stops. None: [`Chemistry::end_volts`].
    pub end_volts: Option<f64>,
    /// How long such a battery lives in this sensor, days. None: not known. Used for chemistries whose volts stand flat.
    pub typical_life_days: Option<u16>,
    /// Our choice: 7 days of readings before a trend is believed. At least 3.
    pub forecast_after_days: u8,
    /// Our choice: 30 days, so that the change fits into the visit that is planned anyway.
    pub forecast_lead_days: u16,
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
            end_volts: None,
            typical_life_days: None,
            forecast_after_days: 7,
            forecast_lead_days: 30,
        }
    }
}

impl BatterySettings {
    /// Volts below which the battery is low; None: volts are not judged.
    pub fn volts_threshold(&self) -> Option<Volts> {
        self.low_volts.filter(|volts| volts.is_finite()).map(Volts).or_else(|| self.chemistry.low_volts())
    }

    /// End-point voltage of the battery set; None: not known.
    pub fn end(&self) -> Option<Volts> {
        self.end_of(self.chemistry)
    }

    /// End-point voltage with another chemistry than the one set: a device stops where it stops. Never above what counts
    /// as low. Where nothing else is known, low is the end.
    pub fn end_of(&self, chemistry: Chemistry) -> Option<Volts> {
        let set = self.end_volts.filter(|volts| volts.is_finite()).map(Volts);
        let low = self.low_volts.filter(|volts| volts.is_finite()).map(Volts);
        set.or_else(|| match (chemistry.end_volts(), low) {
            (Some(end), Some(low)) => Some(Volts(end.0.min(low.0))),
            (end, low) => end.or(low),
        })
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
    by_ok: OwnWord,
    /// What its days tell; rare enough to keep aside.
    #[serde(rename = "t", default, skip_serializing_if = "Option::is_none")]
    outlook: Option<Box<Outlook>>,
    /// A change that was noted and has to show.
    #[serde(rename = "m", default, skip_serializing_if = "Option::is_none")]
    mark: Option<Box<Mark>>,
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

    /// What its days tell.
    pub fn outlook(&self) -> Option<&Outlook> {
        self.outlook.as_deref()
    }

    pub fn outlook_mut(&mut self) -> Option<&mut Outlook> {
        self.outlook.as_deref_mut()
    }

    /// A service mark says that the battery was changed `at`. Its judgments start anew; the trend of the old one is kept
    /// until the readings bear the change out.
    pub fn changed(&mut self, at: Stamp) {
        let level = self.outlook.as_deref().and_then(Outlook::newest_level).or(self.volts).or(self.percent);
        let mark = Mark::new(at, level, self.volts.is_none(), self.is_low());
        (self.by_volts, self.by_percent, self.by_ok) = Default::default();
        self.mark = Some(Box::new(mark));
    }

    /// A reading `at`, in a civil day (days since 1970-01-01) and an hour of it, beside the air temperature where known.
    /// The day has to be certain: nothing is noted by a clock that is not trusted.
    pub fn note(
        &mut self,
        at: (Stamp, u16, u8),
        reading: BatteryReading,
        celsius: Option<f64>,
        settings: &BatterySettings,
    ) -> Option<DayChange> {
        let (instant, day, hour) = at;
        let judged = self.mark.as_deref_mut().and_then(|mark| {
            let chemistry = self.outlook.as_deref().map_or(settings.chemistry, |outlook| outlook.chemistry(settings));
            mark.hear(instant, reading, chemistry, settings)
        });
        if let Some(changed) = judged {
            self.mark = None;
            if !changed {
                return Some(DayChange::Unchanged);
            }
            if let Some(outlook) = self.outlook.as_deref_mut() {
                outlook.changed_by_mark(day, settings);
            }
        }
        let has_end = settings.chemistry.course() != Course::Unknown || settings.end().is_some();
        let (percent, level) = match reading {
            BatteryReading::Volts(Volts(volts)) if has_end && volts > 0.0 && volts < 65.0 => (false, volts * 1000.0),
            BatteryReading::Percent(Percent(percent)) if percent > 0.0 && percent <= 100.0 => (true, percent * 100.0),
            _ => return judged.map(|_| DayChange::Replaced(day)),
        };
        // Volts say more than percent, which is often made from them in coarse steps.
        if percent && has_end && self.volts.is_some() {
            return judged.map(|_| DayChange::Replaced(day));
        }
        let level = level.round().max(1.0) as u16;
        let outlook = self.outlook.get_or_insert_with(Default::default);
        let change = outlook.note((day, hour), level, percent, celsius, settings);
        judged.map(|_| DayChange::Replaced(day)).or(change)
    }

    /// Low by volts alone, while their trend says that the end is further away than a visit is planned ahead: the curve
    /// knows better than one threshold for every load.
    pub fn may_wait(&self, settings: &BatterySettings) -> bool {
        let trend = self.outlook.as_deref().and_then(Outlook::forecast);
        let far = trend.is_some_and(|forecast| {
            forecast.basis == forecast::Basis::Trend
                && forecast.days_of_data >= 14
                && forecast.to_plan() > settings.forecast_lead_days
        });
        far && self.by_volts.low && !self.by_percent.low && !self.by_ok.low
    }

    /// The sensor's own word says low, and never said otherwise.
    pub fn word_may_be_inverted(&self) -> bool {
        self.by_ok.may_be_inverted()
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
                self.by_ok.hear(listening, ok, patience);
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
