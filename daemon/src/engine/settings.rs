//! Everything the engine can be told to do differently. Values are valid by construction: `config` checks them.

use std::sync::Arc;

use chrono::{NaiveDate, NaiveTime};
use chrono_tz::Tz;

pub use super::civil::Window;
use super::decision::reason::{Capability, Reason};
use super::decode::{FeedSettings, Field};
use super::quality;
use super::reading::Quantity;
use super::sensor::{BatterySettings, LinkSettings};
use super::site::evapotranspiration::Place;
use super::site::knock::KnockSettings;
use super::site::normals::{DefaultEto, Normals};
use super::site::rain::GaugeSettings;
use super::site::soil::Texture;
pub use super::units::DisplayUnits;

/// One configuration, whole.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// Raised with every change; state and journal name the version they ran under.
    pub version: u32,
    /// First levels of every topic of ours, without a trailing slash.
    pub prefix: String,
    /// Name of this daemon on the wire.
    pub instance: String,
    pub feeds: Vec<FeedSettings>,
    pub sites: Vec<SiteSettings>,
    /// Write points of history.
    pub history: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub struct SiteSettings {
    pub id: String,
    /// The text that stands for this site in topics and payloads.
    pub heard_as: String,
    /// For people; the id where none is given.
    pub label: String,
    pub zone: Tz,
    pub place: Place,
    pub units: DisplayUnits,
    pub sensors: Vec<SensorSettings>,
    pub groups: Vec<GroupSettings>,
    pub controllers: Vec<ControllerSettings>,
    pub decide_at: DecideAt,
    /// A day becomes final this long after its end, hours 0–72.
    pub lateness_hours: u16,
    pub rain: RainHoldSettings,
    pub freeze: FreezeHoldSettings,
    pub wind: WindHoldSettings,
    pub restrictions: Vec<RestrictionRule>,
    /// What the place usually has; sites of one climate share it.
    pub normals: Option<Arc<Normals>>,
    /// Months in which frost is to be reckoned with, January first.
    pub frost_months: [bool; 12],
    /// Somebody named the frost months: odds of the normals do not overrule them.
    pub frost_months_given: bool,
    /// Odds of a night with 0 °C or less from which frost is to be reckoned with, 0–1.
    pub least_frost_odds: f64,
    /// The system is drained for the winter, so draining and starting are suggested.
    pub drained_in_winter: bool,
    pub when_unknown: WhenUnknown,
    /// Without normals: reference evapotranspiration of a day nobody measured, and the scale of a site nobody hears, %.
    pub default_eto: DefaultEto,
    pub default_scale_percent: u16,
    /// Ending a hold and changing the scale wait for this.
    pub settle_seconds: u32,
    /// False: a hold that ends inside a watering window is kept until the window closes.
    pub release_in_window: bool,
    pub minimum_dwell_minutes: u32,
    pub valid_hours: u32,
    pub refresh_hours: u32,
    pub quality: quality::Settings,
    pub knock: KnockSettings,
    /// Sites whose hours stand in where this one has none, at most [`MOST_NEIGHBORS`].
    pub neighbors: Vec<String>,
    /// Some site lists this one: it tells its hours.
    pub is_neighbor: bool,
}

/// Neighbors of a site. Our choice: more say nothing new.
pub const MOST_NEIGHBORS: usize = 8;

#[derive(Clone, Debug, PartialEq)]
pub struct SensorSettings {
    pub id: String,
    /// The text that stands for this sensor in topics and payloads, and the site's text it comes under.
    pub heard_as: String,
    pub heard_under: String,
    pub gauge: GaugeSettings,
    pub link: LinkSettings,
    pub battery: BatterySettings,
    /// False: its rain does not count (a second gauge, a gauge under a tree).
    pub rain_counts: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub struct GroupSettings {
    pub id: String,
    pub label: String,
    pub kind: GroupKind,
    /// Share of reference evapotranspiration the plants use, January first, 0–1.5.
    pub plant_factor: [f64; 12],
    /// Share of the rain that reaches the ground, 0–1.
    pub rain_exposure: f64,
    /// Monday first.
    pub watering_days: [bool; 7],
    /// False: nobody said on which days the controller runs, so every day is taken for one.
    pub watering_days_known: bool,
    /// The published percentage of a group whose watering days are not known is the mean over so many of them, 1–30; 1:
    /// none. What is owed is never averaged.
    pub averaging_days: u8,
    pub window: Window,
    /// Net depth of a 100 % run, mm, more than 0.
    pub run_depth_mm: f64,
    /// How long a 100 % run is, minutes, where known.
    pub run_minutes: Option<f64>,
    /// Share of the water that reaches the root zone, 0–1.
    pub efficiency: f64,
    /// Ground that the group waters, m², where known: turns a metered volume into a depth.
    pub area_m2: Option<f64>,
    /// Application rate times efficiency, mm/h: turns reported minutes into depth. None: not known.
    pub net_rate_mm_per_hour: Option<f64>,
    /// Rain stored ahead, mm (positive).
    pub credit_mm: f64,
    /// Most water owed, mm.
    pub ceiling_mm: f64,
    /// Smallest run worth giving, % of a 100 % run.
    pub least_percent: u16,
    pub most_percent: u16,
    /// Plant need without water at which evidence no longer holds, % of the ceiling.
    pub dry_guard_percent: u16,
    pub method: Method,
    pub ground: Ground,
    pub probe: Option<Box<ProbeSettings>>,
}

/// How the water of a group is kept.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Method {
    /// What is owed, watered at every opportunity.
    #[default]
    Ledger,
    /// What is missing in the root zone, watered when the plants would begin to feel it.
    Account,
}

/// The soil below a group.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ground {
    pub texture: Option<Texture>,
    /// 0–100.
    pub slope_percent: f64,
    /// Water between field capacity and wilting point in the root zone, mm; with method account always known.
    pub total_mm: Option<f64>,
    /// Share of it that plants take before they close up, at 5 mm a day: p of FAO-56, Table 22.
    pub depletion_fraction: f64,
}

impl Default for Ground {
    fn default() -> Self {
        Self { texture: None, slope_percent: 0.0, total_mm: None, depletion_fraction: 0.5 }
    }
}

/// A soil-moisture sensor in a group, with its two marks, % by volume.
#[derive(Clone, Debug, PartialEq)]
pub struct ProbeSettings {
    /// Id of the sensor.
    pub sensor: String,
    /// The root zone holds no more.
    pub full_percent: f64,
    /// The plants need water: the allowable depletion is used up. Less than `full_percent`.
    pub refill_percent: f64,
    /// Most that owed is moved by it in a day, mm; 0: never.
    pub daily_correction_mm: f64,
    /// A hold it began ends so long after its last word, hours.
    pub longest_hours: u32,
}

impl GroupSettings {
    pub fn is_account(&self) -> bool {
        self.method == Method::Account
    }

    /// Most and least that can be owed, mm: ceiling and credit of the ledger, or an empty and a full root zone.
    pub fn most_owed_mm(&self) -> f64 {
        match (self.method, self.ground.total_mm) {
            (Method::Account, Some(total)) => total.max(0.0),
            _ => self.ceiling_mm.max(self.least_owed_mm()),
        }
    }

    pub fn least_owed_mm(&self) -> f64 {
        if self.is_account() { 0.0 } else { -self.credit_mm.max(0.0) }
    }

    /// Minutes that `mm` net take, where the rate is known.
    pub fn minutes_for(&self, mm: f64) -> Option<f64> {
        self.net_rate_mm_per_hour.filter(|rate| *rate > 0.0).map(|rate| 60.0 * mm.max(0.0) / rate)
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum GroupKind {
    Spray,
    Rotor,
    Drip,
    Bubbler,
    Other,
}

#[derive(Clone, Debug, PartialEq)]
pub struct ControllerSettings {
    pub id: String,
    pub capability: Capability,
    /// Ids of the groups it waters; every group of the site where the file names none.
    pub groups: Vec<String>,
    pub step_percent: u16,
    pub least_percent: u16,
    pub most_percent: u16,
    /// Takes whole minutes only.
    pub whole_minutes: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DecideAt {
    Sunset,
    At(NaiveTime),
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RainHoldSettings {
    pub threshold_mm: f64,
    pub length: RainHoldLength,
    /// Only this much in 24 h extends a hold, mm.
    pub extends_at_mm: f64,
    /// An event ends after this many hours without rain.
    pub event_gap_hours: u16,
    /// However little evidence there is, an automatic hold ends this long after the last rain, days.
    pub longest_days: f64,
    pub enabled: bool,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum RainHoldLength {
    /// Until the ledger owes a least effective run again.
    Auto,
    /// From the last rain, 0–7.
    Days(f64),
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FreezeHoldSettings {
    pub hold_at_celsius: f64,
    pub release_at_celsius: f64,
    pub release_after_minutes: u32,
    pub enabled: bool,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WindHoldSettings {
    pub hold_at_m_per_s: f64,
    pub release_at_m_per_s: f64,
    pub release_after_minutes: u32,
    /// A silent anemometer ends the hold after this, hours.
    pub longest_hours: u32,
    pub enabled: bool,
}

/// A watering restriction, judged when the water flows.
#[derive(Clone, Debug, PartialEq)]
pub struct RestrictionRule {
    pub name: String,
    /// Who published it and where: shown with the hold.
    pub source: String,
    /// Monday first: days on which watering is allowed; None: any.
    pub allowed_weekdays: Option<[bool; 7]>,
    pub parity: Option<Parity>,
    /// At most so many days with water in a week from Monday to Sunday, 1–6.
    pub days_a_week: Option<u8>,
    /// Longest run of a zone on a day, minutes.
    pub most_minutes: Option<f64>,
    /// Local times of day within which nobody waters; may cross midnight.
    pub barred: Vec<Window>,
    /// First and last day of force, inclusive.
    pub from: Option<NaiveDate>,
    pub until: Option<NaiveDate>,
    /// Every year from a month and day to another, inclusive; may cross the new year.
    pub every_year: Option<((u8, u8), (u8, u8))>,
    /// Kinds it does not bind.
    pub exempt_kinds: Vec<GroupKind>,
    /// Groups it binds; empty: all.
    pub groups: Vec<String>,
}

/// Odd or even dates. The 31st and 29 February are closed to odd addresses: the next day is odd again (common practice).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Parity {
    Odd,
    Even,
}

/// What to do where the evidence is gone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WhenUnknown {
    /// Scale from normals; without normals the configured default.
    Scale,
    Hold,
}

impl Settings {
    /// Where rain comes from and in which unit: a change there is a new gauge.
    pub fn rain_fields(&self) -> impl Iterator<Item = (&str, &Field)> {
        let rain = [Quantity::RainCounter, Quantity::RainfallAmount, Quantity::RainfallRate];
        self.feeds.iter().flat_map(move |feed| {
            let fields = feed.fields.iter().filter(move |field| rain.contains(&field.quantity));
            fields.map(|field| (feed.template.text(), field))
        })
    }
}

impl SiteSettings {
    /// True on a date in whose night frost is to be reckoned with: in a frost month that somebody named, else by the odds
    /// of the normals, else by latitude.
    pub fn frost_possible(&self, date: NaiveDate) -> bool {
        let odds =
            self.normals.as_ref().filter(|_| !self.frost_months_given).and_then(|normals| normals.frost_odds(date));
        odds.map_or(self.frost_months[super::civil::month(date)], |odds| odds >= self.least_frost_odds)
    }

    /// True where `reason` can ever hold this group.
    pub fn binds(&self, group: &GroupSettings, reason: Reason) -> bool {
        match reason {
            Reason::Wind => self.wind.enabled && !matches!(group.kind, GroupKind::Drip | GroupKind::Bubbler),
            Reason::Rain => self.rain.enabled && group.rain_exposure > 0.0,
            Reason::Freeze => self.freeze.enabled,
            _ => true,
        }
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    pub(crate) fn time(hour: u32) -> NaiveTime {
        NaiveTime::from_hms_opt(hour, 0, 0).unwrap()
    }

    /// A group of lawn sprayed every day with 10 mm a run.
    pub(crate) fn group() -> GroupSettings {
        GroupSettings {
            id: "lawn".into(),
            label: "lawn".into(),
            kind: GroupKind::Spray,
            plant_factor: [0.8; 12],
            rain_exposure: 1.0,
            watering_days: [true; 7],
            watering_days_known: true,
            averaging_days: 1,
            window: Window { opens: time(2), closes: time(10) },
            run_depth_mm: 10.0,
            run_minutes: None,
            efficiency: 0.65,
            area_m2: None,
            net_rate_mm_per_hour: None,
            credit_mm: 5.0,
            ceiling_mm: 25.0,
            least_percent: 20,
            most_percent: 120,
            dry_guard_percent: 150,
            method: Method::Ledger,
            ground: Ground::default(),
            probe: None,
        }
    }

    /// A site of one sensor, one group and one controller with every default.
    pub(crate) fn site() -> SiteSettings {
        SiteSettings {
            id: "oak".into(),
            heard_as: "oak".into(),
            label: "Oak".into(),
            zone: Tz::Europe__Berlin,
            place: Place {
                latitude_degrees: 52.0,
                longitude_degrees: 10.0,
                elevation_m: 60.0,
                wind_height_m: 2.0,
                clear_sky: Default::default(),
                climate: Default::default(),
                exposure: Default::default(),
                usual_wind_m_per_s: None,
                usual_dew_point_depression: None,
                temperature_factors: [1.0; 12],
                factor_source: Default::default(),
            },
            units: DisplayUnits::Metric,
            sensors: vec![],
            groups: vec![group()],
            controllers: vec![],
            decide_at: DecideAt::Sunset,
            lateness_hours: 48,
            rain: RainHoldSettings {
                threshold_mm: 6.0,
                length: RainHoldLength::Auto,
                extends_at_mm: 2.5,
                event_gap_hours: 6,
                longest_days: 7.0,
                enabled: true,
            },
            freeze: FreezeHoldSettings {
                hold_at_celsius: 3.0,
                release_at_celsius: 5.0,
                release_after_minutes: 120,
                enabled: true,
            },
            wind: WindHoldSettings {
                hold_at_m_per_s: 5.0,
                release_at_m_per_s: 4.0,
                release_after_minutes: 30,
                longest_hours: 12,
                enabled: true,
            },
            restrictions: vec![],
            normals: None,
            frost_months_given: false,
            least_frost_odds: 0.1,
            frost_months: [true, true, true, false, false, false, false, false, false, false, true, true],
            drained_in_winter: true,
            when_unknown: WhenUnknown::Scale,
            default_eto: DefaultEto::Flat(4.0),
            default_scale_percent: 60,
            settle_seconds: 10,
            release_in_window: false,
            minimum_dwell_minutes: 10,
            valid_hours: 26,
            refresh_hours: 6,
            quality: quality::Settings::default(),
            knock: KnockSettings::default(),
            neighbors: vec![],
            is_neighbor: false,
        }
    }
}
