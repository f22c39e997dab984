//! What pages and other programs may see: copies, never handles.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};

use super::decision::Standing;
use super::evidence;
use super::sensor::link::LinkState;
use super::site::days::{ClosedDay, Today};
use super::state::{Context, Season, SiteState};

/// A site at the last step.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteView {
    pub id: String,
    pub label: String,
    pub groups: Vec<GroupView>,
    pub today: Option<Today>,
    /// Oldest first.
    pub closed_days: Vec<ClosedDay>,
    pub rain_event_mm: f64,
    pub coldest_celsius: Option<f64>,
    pub season: Season,
    pub open_alerts: Vec<(String, String, String)>,
    pub sensors: Vec<SensorView>,
    pub sequence: u64,
    /// Readings that came after their day was final.
    pub too_late: u64,
    /// Own full days that refine what is usual at the site.
    pub learnt_days: u32,
}

#[derive(Clone, Debug, PartialEq)]
pub struct GroupView {
    pub id: String,
    pub standing: Option<Standing>,
    pub owed_mm: f64,
    pub effective_percent: u16,
}

#[derive(Clone, Debug, PartialEq)]
pub struct SensorView {
    pub id: String,
    pub link: LinkState,
    pub rejects: BTreeMap<String, u64>,
    pub flags: BTreeMap<String, u64>,
    pub battery_low: bool,
    /// Quantity, last value that counts.
    pub values: BTreeMap<&'static str, f64>,
}

/// What reached no site.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct IntakeView {
    pub rejects: BTreeMap<String, u64>,
    pub strangers: Vec<StrangerView>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct StrangerView {
    pub site: String,
    pub sensor: String,
    pub first: DateTime<Utc>,
    pub last: DateTime<Utc>,
    pub messages: u64,
}

impl SiteView {
    /// The closed day of that date, while it is kept.
    pub fn day(&self, date: NaiveDate) -> Option<&ClosedDay> {
        self.closed_days.iter().find(|day| day.date == date)
    }
}

pub(super) fn of(state: &SiteState, context: &Context<'_>) -> SiteView {
    let groups = state.groups.iter().enumerate().map(|(index, group)| GroupView {
        id: group.id.clone(),
        standing: group.standing.clone(),
        owed_mm: evidence::owed_mm(state, index, context),
        effective_percent: super::instruct::effective_percent(state, index, context),
    });
    let sensors = state.sensors.iter().map(|entry| SensorView {
        id: entry.sensor.id.clone(),
        link: entry.sensor.link.state(),
        rejects: entry.sensor.rejects.iter().map(|(cause, tally)| (cause.clone(), tally.count)).collect(),
        flags: entry.sensor.flags.clone(),
        battery_low: entry.sensor.battery.is_low(),
        values: entry
            .sensor
            .channels
            .iter()
            .filter_map(|channel| Some((channel.quantity.name(), channel.counted?.value)))
            .collect(),
    });
    SiteView {
        id: context.site.id.clone(),
        label: context.site.label.clone(),
        groups: groups.collect(),
        today: state.days.today().copied(),
        closed_days: state.days.closed().copied().collect(),
        rain_event_mm: state.event.mm(context.now.wall, &context.site.rain),
        coldest_celsius: evidence::coldest(state, context),
        season: state.season,
        open_alerts: state
            .alerts
            .iter()
            .map(|((kind, subject), alert)| (kind.name().to_owned(), subject.clone(), alert.wording.text.clone()))
            .collect(),
        sensors: sensors.collect(),
        sequence: state.sequence,
        too_late: state.too_late,
        learnt_days: state.learnt.as_ref().map_or(0, |learnt| learnt.days()),
    }
}
