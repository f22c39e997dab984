//! What a site remembers: everything that survives a restart, and nothing that can be figured from settings.

mod watering;

use std::collections::VecDeque;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::alert::Alerts;
use super::decision::hold::freeze::FreezeHold;
use super::decision::hold::operator::Operator;
use super::decision::hold::rain::{RainEvent, RainHold};
use super::decision::hold::restriction::WateredWeek;
use super::decision::hold::wind::WindHold;
use super::decision::{Change, Standing};
use super::event::{Digest, Now};
use super::formula::solar::SunTimes;
use super::output::Output;
use super::quality::drift::Drift;
use super::quality::sky::Quarter;
use super::sensor::Sensor;
use super::sensor::link::LinkState;
use super::settings::{Settings, SiteSettings};
use super::site::clogged::{Alike, Missed, RainNearby};
use super::site::day_book::DayBook;
use super::site::days::Days;
use super::site::knock::HumidityClimate;
use super::site::ledger::Ledger;
use super::site::night::Nights;
use super::site::normals::Learnt;
use super::site::quarantine::Doubt;
use super::site::rain::Gauge;
use super::site::rain::intensity::Intensity;
use super::site::spray::Spray;
use super::site::sun_clock::SunClock;
use super::site::waterings::Waterings;
use super::stamp::Stamp;
pub use watering::{AssumedRun, BookedRun, BridgeWord, ControllerState, Delivered, OpenWindow, Told};

/// What a step on a site works with.
pub struct Context<'a> {
    pub now: Now,
    pub settings: &'a Settings,
    pub site: &'a SiteSettings,
    pub epoch: u64,
    /// What batteries of all sites taught until today.
    pub fleet: &'a super::sensor::battery::fleet::Table,
    pub outputs: &'a mut Vec<Output>,
}

/// State of one site.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SiteState {
    /// Last journal sequence applied.
    #[serde(rename = "j", default)]
    pub applied: u64,
    /// The time of its last step.
    #[serde(rename = "la", default)]
    pub last: Now,
    /// We are away from the broker: nothing can be heard, and silence proves nothing.
    #[serde(rename = "aw", default)]
    pub away: bool,
    /// Last sequence used in a payload of this site.
    #[serde(rename = "q", default)]
    pub sequence: u64,
    #[serde(rename = "sn", default)]
    pub sensors: Vec<SensorState>,
    #[serde(rename = "gr", default)]
    pub groups: Vec<GroupState>,
    #[serde(rename = "co", default)]
    pub controllers: Vec<ControllerState>,
    #[serde(rename = "bk", default)]
    pub book: DayBook,
    #[serde(rename = "dy", default)]
    pub days: Days,
    /// What its own full days say of its months.
    #[serde(rename = "le", default, skip_serializing_if = "Option::is_none")]
    pub learnt: Option<Box<Learnt>>,
    #[serde(rename = "ev", default)]
    pub event: RainEvent,
    #[serde(rename = "ri", default, skip_serializing_if = "Intensity::is_empty")]
    pub intensity: Intensity,
    /// What the sun says of the clock.
    #[serde(rename = "sc", default, skip_serializing_if = "SunClock::is_empty")]
    pub sun_clock: SunClock,
    /// What the envelopes of the last weeks are made of.
    #[serde(rename = "dr", default, skip_serializing_if = "Option::is_none")]
    pub drift: Option<Box<Drift>>,
    #[serde(rename = "fz", default)]
    pub freeze: FreezeHold,
    /// A reading waits for the next one: listening time from which it stands if none comes.
    #[serde(rename = "sw", default, skip_serializing_if = "Option::is_none")]
    pub settle_at: Option<i64>,
    /// The freeze hold began on the word of sites nearby while no thermometer of this one spoke.
    #[serde(rename = "fn", default, skip_serializing_if = "std::ops::Not::not")]
    pub freeze_by_neighbors: bool,
    #[serde(rename = "ni", default)]
    pub nights: Nights,
    #[serde(rename = "wd", default)]
    pub wind: WindHold,
    #[serde(rename = "al", default)]
    pub alerts: Alerts,
    /// All its sensors fell silent at once.
    #[serde(rename = "gw", default, skip_serializing_if = "Option::is_none")]
    pub gateway: Option<super::gateway::Gateway>,
    /// Since the visit list last looked.
    #[serde(skip)]
    pub alerts_changed: bool,
    /// What became of batteries in this step, for the partition: key, UTC day, outcome.
    #[serde(skip)]
    pub outcomes: Vec<(u32, u16, super::sensor::battery::fleet::Outcome)>,
    #[serde(rename = "cm", default)]
    pub commands: VecDeque<SeenCommand>,
    #[serde(rename = "se", default)]
    pub season: Season,
    /// When a person set the season last.
    #[serde(rename = "sa", default, skip_serializing_if = "Option::is_none")]
    pub season_set_at: Option<Stamp>,
    /// Rain that came while the clock was not believed: dated when it is, µm.
    #[serde(rename = "un", default)]
    pub undated_rain_um: i32,
    /// Digests of neighboring sites, newest per site, bounded.
    #[serde(rename = "nb", default)]
    pub neighbors: Vec<Digest>,
    /// Rain at the neighbors, while it lasts and until its end is known.
    #[serde(rename = "rn", default, skip_serializing_if = "Option::is_none")]
    pub rain_nearby: Option<Box<RainNearby>>,
    /// Where its sensors stand.
    #[serde(rename = "si", default, skip_serializing_if = "Option::is_none")]
    pub siting: Option<Box<super::siting::Siting>>,
    /// How well rain here and rain there go together.
    #[serde(rename = "ak", default, skip_serializing_if = "Alike::is_empty")]
    pub alike: Alike,
    /// When sprinklers ran, as reported.
    #[serde(rename = "wt", default, skip_serializing_if = "Waterings::is_empty")]
    pub waterings: Waterings,
    /// What humidities say about rain here.
    #[serde(rename = "hc", default)]
    pub humidity: HumidityClimate,
    #[serde(rename = "st", default)]
    pub sent: Sent,
    /// When closed days are figured anew, once things have settled.
    #[serde(rename = "rv", default)]
    pub revise_at: Option<Stamp>,
    /// Readings that came after their day was final.
    #[serde(rename = "tl", default)]
    pub too_late: u64,
    /// When the state began to be unknown, for the text.
    #[serde(rename = "uk", default)]
    pub unknown_since: Option<Stamp>,
    /// Sun of the day last asked for. Figured anew after a restart, to the same times.
    #[serde(skip)]
    pub sun: Option<SunTimes>,
    /// The sun of the quarter of an hour last asked for; likewise.
    #[serde(skip)]
    pub quarter: Option<Quarter>,
    /// Settings version it last ran under.
    #[serde(rename = "v", default)]
    pub settings_version: u32,
}

/// A sensor and its gauge.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SensorState {
    #[serde(rename = "s")]
    pub sensor: Sensor,
    #[serde(rename = "g", default)]
    pub gauge: Gauge,
    /// Listening time of the last word of the gauge that counts.
    #[serde(rename = "h", default)]
    pub gauge_heard: Option<i64>,
    /// A counter or an amount was heard: the rate alone is then not summed.
    #[serde(rename = "m", default)]
    pub gauge_measures: bool,
    #[serde(rename = "r", default)]
    pub rate_at: Option<Stamp>,
    /// Rain of its gauge under doubt, bounded.
    #[serde(rename = "d", default, skip_serializing_if = "Vec::is_empty")]
    pub doubts: Vec<Doubt>,
    /// What it tipped lately, and what a sprinkler may have to do with it.
    #[serde(rename = "p", default, skip_serializing_if = "Option::is_none")]
    pub spray: Option<Box<Spray>>,
    /// Rain nearby that its gauge missed.
    #[serde(rename = "x", default, skip_serializing_if = "Option::is_none")]
    pub missed: Option<Box<Missed>>,
    /// Whether tips come in pairs.
    #[serde(rename = "b", default, skip_serializing_if = "Option::is_none")]
    pub bounce: Option<Box<super::siting::Bounce>>,
    /// When its counter last began anew.
    #[serde(rename = "a", default, skip_serializing_if = "Option::is_none")]
    pub reset_at: Option<Stamp>,
    /// Link state and battery (low) as last published.
    #[serde(rename = "y", default)]
    pub said: Option<(LinkState, bool)>,
    #[serde(rename = "z", default)]
    pub said_at: Option<Stamp>,
}

/// State of one group.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct GroupState {
    #[serde(rename = "i")]
    pub id: String,
    #[serde(rename = "l", default)]
    pub ledger: Ledger,
    #[serde(rename = "r", default)]
    pub rain: RainHold,
    #[serde(rename = "o", default)]
    pub operator: Operator,
    /// The decision in force.
    #[serde(rename = "d", default)]
    pub standing: Option<Standing>,
    #[serde(rename = "p", default)]
    pub planned: Planned,
    /// What held it was judged false: its end does not wait for the window to close.
    #[serde(rename = "fa", default, skip_serializing_if = "std::ops::Not::not")]
    pub false_alarm: bool,
    /// A change that waits to settle, and since when (listening).
    #[serde(rename = "w", default)]
    pub pending: Option<Pending>,
    /// Restriction in force, and the next instant it has to be looked at.
    #[serde(rename = "x", default)]
    pub restriction: Option<Restricted>,
    #[serde(rename = "e", default)]
    pub restriction_edge: Option<Stamp>,
    /// Reasons in force without a latch of their own: since when.
    #[serde(rename = "n", default)]
    pub no_evidence_since: Option<Stamp>,
    #[serde(rename = "m", default)]
    pub season_since: Option<Stamp>,
    /// The next decision time, opening or closing.
    #[serde(rename = "t", default)]
    pub next_point: Option<Stamp>,
    #[serde(rename = "a", default)]
    pub window: Option<OpenWindow>,
    /// When a bridge last told of a run of this group that could be booked.
    #[serde(rename = "k", default)]
    pub reported_at: Option<Stamp>,
    /// The close of the last window that was booked.
    #[serde(rename = "z", default)]
    pub closed_window: Option<Stamp>,
    /// Last water delivered: when, mm net, and whether a bridge said so.
    #[serde(rename = "g", default)]
    pub delivered: Option<Delivered>,
    /// Mean share of a 100 % run over the last openings, %, where watering days are not known.
    #[serde(rename = "v", default, skip_serializing_if = "Option::is_none")]
    pub mean_percent: Option<f32>,
    /// Windows in a row with water due and a bridge that reported none.
    #[serde(rename = "u", default, skip_serializing_if = "is_zero")]
    pub missed: u8,
    /// Reported over decided depth of the last windows, newest last, at most five.
    #[serde(rename = "f", default, skip_serializing_if = "Vec::is_empty")]
    pub fits: Vec<f32>,
    /// New plants establish.
    #[serde(rename = "h", default, skip_serializing_if = "Option::is_none")]
    pub establishing: Option<Box<Establishing>>,
    /// Days of a week with water.
    #[serde(rename = "q", default, skip_serializing_if = "Option::is_none")]
    pub watered: Option<WateredWeek>,
    /// The root zone is full.
    #[serde(rename = "b", default, skip_serializing_if = "Option::is_none")]
    pub full: Option<FullRootZone>,
    /// Since when the dry guard has taken evidence holds away.
    #[serde(rename = "y", default, skip_serializing_if = "Option::is_none")]
    pub guarded_since: Option<Stamp>,
}

/// New plants that need water beyond what the ledger owes.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Establishing {
    /// Last day, local.
    #[serde(rename = "u")]
    pub until: NaiveDate,
    /// What permits it to be watered in spite of restrictions.
    #[serde(rename = "p", default)]
    pub permit: Option<String>,
}

/// A full root zone: since when, and when that was last confirmed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FullRootZone {
    #[serde(rename = "s")]
    pub since: Stamp,
    #[serde(rename = "h")]
    pub heard: Stamp,
}

/// The scale as last planned, and what it was planned on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Planned {
    #[serde(rename = "p")]
    pub percent: u16,
    #[serde(rename = "o")]
    pub owed_mm: f64,
    #[serde(rename = "a")]
    pub at: Stamp,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pending {
    #[serde(rename = "c")]
    pub change: Change,
    /// Reasons as a bit set, and percent: a different wish starts the wait anew.
    #[serde(rename = "w")]
    pub wish: (u16, u16, u8),
    #[serde(rename = "s")]
    pub since: i64,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Restricted {
    #[serde(rename = "s")]
    pub since: Stamp,
    #[serde(rename = "u", default)]
    pub until: Option<Stamp>,
    #[serde(rename = "r")]
    pub rule: String,
    #[serde(rename = "b", default)]
    pub source: String,
}

/// A command that was taken: its answer is given again when it comes again.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SeenCommand {
    #[serde(rename = "i")]
    pub id: String,
    #[serde(rename = "a")]
    pub at: Stamp,
    #[serde(rename = "t")]
    pub text: String,
}

/// Season of the site.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Season {
    #[default]
    Running,
    DrainDue,
    Drained,
    StartDue,
}

impl Season {
    /// True while the system is filled and may water.
    pub fn waters(self) -> bool {
        matches!(self, Self::Running | Self::DrainDue)
    }
}

/// What was published when, so that nothing is said twice or too often.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Sent {
    #[serde(rename = "t", default)]
    pub totals_at: Option<Stamp>,
    #[serde(rename = "d", default)]
    pub totals_due: bool,
    #[serde(rename = "s", default)]
    pub status_at: Option<Stamp>,
    /// The fallback as last sent.
    #[serde(rename = "f", default)]
    pub fallback: Option<[u16; 12]>,
    /// Its frost months: January is the lowest bit.
    #[serde(rename = "m", default, skip_serializing_if = "Option::is_none")]
    pub frost_months: Option<u16>,
    #[serde(rename = "y", default)]
    pub final_mark: u32,
    /// The hour of the last digest for other sites.
    #[serde(rename = "h", default, skip_serializing_if = "Option::is_none")]
    pub digest_hour: Option<Stamp>,
}

impl SiteState {
    /// A site as its settings begin it.
    pub fn new(site: &SiteSettings, listening: i64) -> Self {
        let mut state = Self::default();
        state.fit(site, listening);
        state
    }

    /// Brings the lists of sensors, groups and controllers in line with the settings: state follows the id.
    pub fn fit(&mut self, site: &SiteSettings, listening: i64) {
        let mut sensors = std::mem::take(&mut self.sensors);
        self.sensors = site
            .sensors
            .iter()
            .map(|settings| {
                take(&mut sensors, |state| state.sensor.id == settings.id).unwrap_or_else(|| SensorState {
                    sensor: Sensor::started(&settings.id, listening),
                    ..SensorState::default()
                })
            })
            .collect();
        let mut groups = std::mem::take(&mut self.groups);
        self.groups = site
            .groups
            .iter()
            .map(|settings| {
                let mut group = take(&mut groups, |state| state.id == settings.id)
                    .unwrap_or_else(|| GroupState { id: settings.id.clone(), ..GroupState::default() });
                // Calendar marks are figured anew from the new settings.
                (group.restriction_edge, group.next_point) = (None, None);
                group
            })
            .collect();
        let mut controllers = std::mem::take(&mut self.controllers);
        self.controllers = site
            .controllers
            .iter()
            .map(|settings| {
                take(&mut controllers, |state| state.id == settings.id)
                    .unwrap_or_else(|| ControllerState { id: settings.id.clone(), ..ControllerState::default() })
            })
            .collect();
    }

    /// The next sequence for a payload of this site.
    pub fn next_sequence(&mut self) -> u64 {
        self.sequence += 1;
        self.sequence
    }
}

fn is_zero(count: &u8) -> bool {
    *count == 0
}

fn take<T>(list: &mut Vec<T>, wanted: impl Fn(&T) -> bool) -> Option<T> {
    list.iter().position(wanted).map(|position| list.swap_remove(position))
}
