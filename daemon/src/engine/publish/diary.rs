//! The diary of a site: every decision that changed, water delivered, days closed and revised, alerts raised and closed.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use thirst_schemas as wire;

use super::{day_basis, json, method};
use crate::engine::output::{DiaryKind, DiaryLine, Output};
use crate::engine::site::days::ClosedDay;
use crate::engine::stamp::Stamp;
use crate::engine::state::{Context, Delivered};

/// Figures of a civil day, as it closed or was revised.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Day {
    pub day: NaiveDate,
    pub revision: u32,
    /// True when the figures will not change any more.
    #[serde(rename = "final")]
    pub is_final: bool,
    pub eto_mm: f64,
    pub rain_mm: f64,
    pub eto_method: wire::EtoMethod,
    pub coverage_percent: f64,
    pub uncertainty_mm: f64,
    /// Per quantity, where its values come from.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub basis: BTreeMap<wire::Name, wire::BasisKind>,
    /// Left out of the rain, and doubtful in it, mm.
    #[serde(default, skip_serializing_if = "is_nothing")]
    pub dew_mm: f64,
    #[serde(default, skip_serializing_if = "is_nothing")]
    pub frozen_mm: f64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub air_temperature_min_celsius: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub air_temperature_max_celsius: Option<f64>,
}

/// Water that a group was given.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Delivery {
    pub group: String,
    /// When it began, UTC.
    pub start: DateTime<Utc>,
    /// When it ended, UTC.
    pub end: DateTime<Utc>,
    /// Net depth, mm.
    pub depth_mm: f64,
    /// True: a bridge reported it. False: it was taken to have run as decided.
    pub reported: bool,
}

/// A decision that differs from the one before; `payload` is its JSON as it is published.
pub fn decision(group: &str, payload: Vec<u8>, context: &mut Context<'_>) {
    keep(DiaryKind::Decision, group.to_owned(), payload, context);
}

/// An alert that was raised, taken on or closed, as it is published.
pub fn alert(payload: &wire::Alert, context: &mut Context<'_>) {
    write(DiaryKind::Alert, format!("{}/{}", payload.kind.name(), payload.subject), payload, context);
}

pub fn day(day: &ClosedDay, context: &mut Context<'_>) {
    let figures = &day.figures;
    let payload = Day {
        day: day.date,
        revision: day.revision,
        is_final: day.is_final,
        eto_mm: wire::round2(figures.water.eto_mm),
        rain_mm: wire::round2(figures.water.rain_mm),
        eto_method: method(figures),
        coverage_percent: wire::round1(100.0 * figures.coverage),
        uncertainty_mm: wire::round2(figures.uncertainty_mm),
        basis: day_basis(figures),
        dew_mm: wire::round2(figures.dew_mm),
        frozen_mm: wire::round2(figures.frozen_mm),
        air_temperature_min_celsius: figures.coldest_celsius.and_then(wire::finite).map(wire::round2),
        air_temperature_max_celsius: figures.warmest_celsius.and_then(wire::finite).map(wire::round2),
    };
    write(DiaryKind::Day, day.date.to_string(), &payload, context);
}

/// Water given to `group` since `start`.
pub fn delivery(group: &str, start: Stamp, delivered: &Delivered, context: &mut Context<'_>) {
    let payload = Delivery {
        group: group.to_owned(),
        start: start.utc(),
        end: delivered.at.utc(),
        depth_mm: wire::round2(delivered.mm),
        reported: delivered.reported,
    };
    write(DiaryKind::Delivery, payload.group.clone(), &payload, context);
}

fn is_nothing(mm: &f64) -> bool {
    *mm == 0.0
}

fn write(kind: DiaryKind, subject: String, payload: &impl Serialize, context: &mut Context<'_>) {
    keep(kind, subject, json(payload), context);
}

fn keep(kind: DiaryKind, subject: String, payload: Vec<u8>, context: &mut Context<'_>) {
    let site = context.site.id.clone();
    context.outputs.push(Output::Diary(DiaryLine { site, at: context.now.wall, kind, subject, payload }));
}
