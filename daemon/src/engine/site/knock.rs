//! Knock or rain: what speaks for each, as scores in decibels of the odds, and the verdict.
//!
//! The probability that tips came from a knock is `1 / (1 + 10^(-score / 10))`. The scores of service, humidity, sun, leaf,
//! soil, neighbors and burst are those of `tests/vectors/rain_cases.json`; the others are our choice, as said beside them.

mod climate;
#[cfg(test)]
mod tests;

use serde::{Deserialize, Serialize};

pub use climate::HumidityClimate;

/// When tips are judged, and what for.
#[derive(Clone, Debug, PartialEq)]
pub struct KnockSettings {
    pub enabled: bool,
    /// From this probability of a knock on, tips are put in quarantine, %, 50–100.
    pub knock_at_percent: f64,
    /// Up to this probability of a knock, tips are rain without further question, %, 0–50.
    pub rain_at_percent: f64,
    /// Tips so near to a service mark, before or after it, can come from the hands at work, minutes.
    pub service_within_minutes: u32,
    /// What nobody confirmed or discarded is discarded this long after its last tip, hours, at most 48.
    pub discard_after_hours: u32,
}

impl Default for KnockSettings {
    fn default() -> Self {
        Self {
            enabled: true,
            // Our choice: between the 11 dB that wait and the 14 dB that are a knock in the reference cases.
            knock_at_percent: 95.0,
            rain_at_percent: 10.0,       // Our choice: -10 dB is rain in the reference cases.
            service_within_minutes: 120, // Our choice.
            discard_after_hours: 48,     // Our choice: as long as its day can be revised by default.
        }
    }
}

/// What came after the tips.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum After {
    /// Not known yet.
    #[default]
    #[serde(rename = "u")]
    Unknown,
    /// The gauge went on speaking, and said 0 for an hour.
    #[serde(rename = "d")]
    Dry,
    /// Tips in at least three reports over at least 20 minutes.
    #[serde(rename = "c")]
    Continues,
}

/// What is known around the tips. `None`: nobody measured it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Evidence {
    /// Somebody was at the site, or the counter began anew as it does with a new battery.
    #[serde(rename = "s")]
    pub service: bool,
    /// Water was poured through this gauge.
    #[serde(rename = "c")]
    pub calibration: bool,
    /// The most since the tips, %.
    #[serde(rename = "h")]
    pub humidity_percent: Option<f32>,
    /// A neighbor's gauge: did it rain there in the same hour?
    #[serde(rename = "n")]
    pub neighbor_rain: Option<bool>,
    /// Sun as a share of a clear sky's, the least since the tips; only while the sun stands above 10°.
    #[serde(rename = "k")]
    pub clear_share: Option<f32>,
    #[serde(rename = "l")]
    pub leaf_wet: Option<bool>,
    #[serde(rename = "o")]
    pub soil_rises: bool,
    /// Three tips or more at once: in one report, or within a minute.
    #[serde(rename = "b")]
    pub burst: bool,
    /// Three tips or more less than a second apart.
    #[serde(rename = "r")]
    pub rattle: bool,
    /// Below -1 °C.
    #[serde(rename = "f")]
    pub frozen: bool,
    /// The air cooled by 3 °C or more within about an hour.
    #[serde(rename = "d")]
    pub cooled: bool,
    /// It had rained within the three hours before.
    #[serde(rename = "w")]
    pub rain_before: bool,
    /// Between 21:00 and 6:00 local time.
    #[serde(rename = "g")]
    pub night: bool,
    #[serde(rename = "a")]
    pub after: After,
    /// Sprinklers ran: wet air, leaves and soil and a fall of temperature say nothing about rain.
    #[serde(rename = "m")]
    pub sprinklers: bool,
}

/// One thing that speaks for a knock (above 0) or for rain (below).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Clue {
    Prior,
    Service,
    Calibration,
    Humidity,
    Neighbors,
    Sun,
    Leaf,
    Soil,
    Burst,
    Rattle,
    Frozen,
    Cooled,
    Before,
    Night,
    After,
}

impl Clue {
    /// The name in figures: `score_<name>_db`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Prior => "prior",
            Self::Service => "service",
            Self::Calibration => "calibration",
            Self::Humidity => "humidity",
            Self::Neighbors => "neighbors",
            Self::Sun => "sun",
            Self::Leaf => "leaf_wetness",
            Self::Soil => "soil_moisture",
            Self::Burst => "burst",
            Self::Rattle => "rattle",
            Self::Frozen => "frozen",
            Self::Cooled => "cooled",
            Self::Before => "rain_before",
            Self::Night => "night",
            Self::After => "after",
        }
    }

    /// What it says, in plain words.
    pub fn words(self, evidence: &Evidence) -> String {
        let percent = |share: Option<f32>| format!("{:.0} %", share.unwrap_or(0.0));
        match self {
            Self::Prior => "rain is far commoner than a knock".to_owned(),
            Self::Service => "somebody was at work on the site".to_owned(),
            Self::Calibration => "water was poured through the gauge".to_owned(),
            Self::Humidity => format!("the humidity was {}", percent(evidence.humidity_percent)),
            Self::Neighbors if evidence.neighbor_rain == Some(true) => "a neighbor's gauge had rain".to_owned(),
            Self::Neighbors => "no neighbor's gauge had rain".to_owned(),
            Self::Sun => {
                format!("the sun was at {} of a clear sky's", percent(evidence.clear_share.map(|share| share * 100.0)))
            }
            Self::Leaf if evidence.leaf_wet == Some(true) => "the leaves were wet".to_owned(),
            Self::Leaf => "the leaves stayed dry".to_owned(),
            Self::Soil => "the soil moisture rose".to_owned(),
            Self::Burst => "all tips came at once".to_owned(),
            Self::Rattle => "the tips came less than a second apart".to_owned(),
            Self::Frozen => "it was below freezing".to_owned(),
            Self::Cooled => "the air cooled quickly".to_owned(),
            Self::Before => "it had rained shortly before".to_owned(),
            Self::Night => "nobody works there at night".to_owned(),
            Self::After if evidence.after == After::Continues => "the tips went on".to_owned(),
            Self::After => "no tip followed within an hour".to_owned(),
        }
    }
}

/// What follows from a score.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    Rain,
    /// It counts, and is judged again as more is known.
    Provisional,
    Knock,
}

/// The clues that spoke, and their sum.
#[derive(Clone, Debug, PartialEq)]
pub struct Score {
    /// Decibels of the odds of a knock.
    pub decibels: f64,
    /// Clues other than 0, in their order.
    pub clues: Vec<(Clue, f64)>,
}

impl Score {
    /// Weighs the evidence; `climate` says what humidities mean at this site.
    pub fn of(evidence: &Evidence, climate: &HumidityClimate) -> Self {
        // What sprinklers do as well is no evidence of rain.
        let dry_only = |weight: f64| if evidence.sprinklers { weight.max(0.0) } else { weight };
        let when = |is: bool, weight: f64| if is { weight } else { 0.0 };
        let clues = [
            (Clue::Prior, -17.0),
            (Clue::Service, when(evidence.service, 16.0)),
            (Clue::Calibration, when(evidence.calibration, 30.0)), // Our choice.
            (
                Clue::Humidity,
                dry_only(evidence.humidity_percent.map_or(0.0, |percent| climate.weight(f64::from(percent)))),
            ),
            (Clue::Neighbors, evidence.neighbor_rain.map_or(0.0, |wet| if wet { -13.0 } else { 13.0 })),
            (Clue::Sun, evidence.clear_share.map_or(0.0, sun)),
            (Clue::Leaf, evidence.leaf_wet.map_or(0.0, |wet| if wet { dry_only(-7.0) } else { 5.0 })),
            (Clue::Soil, dry_only(when(evidence.soil_rises, -10.0))),
            (Clue::Burst, when(evidence.burst, 2.0)),
            // Our choice: a bucket needs about half a second to turn (common practice), and fills between.
            (Clue::Rattle, when(evidence.rattle, 12.0)),
            (Clue::Frozen, when(evidence.frozen, 4.0)), // Our choice: snow does not tip a gauge without a heater.
            (Clue::Cooled, dry_only(when(evidence.cooled, -4.0))), // Our choice: the outflow of a shower.
            (Clue::Before, when(evidence.rain_before, -10.0)), // Our choice.
            (Clue::Night, when(evidence.night, -3.0)),  // Our choice.
            // Our choice: two of three showers have a second half, no knock has.
            (
                Clue::After,
                match evidence.after {
                    After::Unknown => 0.0,
                    After::Dry => 5.0,
                    After::Continues => -15.0,
                },
            ),
        ];
        let clues: Vec<_> = clues.into_iter().filter(|(_, weight)| *weight != 0.0).collect();
        Self { decibels: clues.iter().map(|(_, weight)| weight).sum(), clues }
    }

    /// Probability of a knock, 0–1.
    pub fn probability(&self) -> f64 {
        1.0 / (1.0 + 10f64.powf(-self.decibels / 10.0))
    }

    pub fn verdict(&self, settings: &KnockSettings) -> Verdict {
        let percent = 100.0 * self.probability();
        if settings.enabled && settings.knock_at_percent <= percent {
            Verdict::Knock
        } else if percent <= settings.rain_at_percent || !settings.enabled {
            Verdict::Rain
        } else {
            Verdict::Provisional
        }
    }

    /// The clues on one side, weightiest first, as a list in words with their scores.
    pub fn words(&self, for_knock: bool, evidence: &Evidence) -> String {
        let mut side: Vec<_> = self.clues.iter().filter(|(_, weight)| (*weight > 0.0) == for_knock).collect();
        side.sort_by(|a, b| b.1.abs().total_cmp(&a.1.abs()));
        let said: Vec<_> =
            side.iter().map(|(clue, weight)| format!("{} ({weight:+.0})", clue.words(evidence))).collect();
        said.join(", ")
    }
}

/// A bright sky speaks for a knock. The limits are our choice; the reference cases have 0.7 and more.
fn sun(share: f32) -> f64 {
    match share {
        share if 0.65 <= share => 4.0,
        share if share < 0.35 => -4.0,
        _ => 0.0,
    }
}
