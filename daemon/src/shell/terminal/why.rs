//! `thirstd why`: one civil day of a site out of its diary: what was decided and why, what ran, the day's water.

mod answer;
mod timeline;

use chrono::NaiveDate;
use serde::de::DeserializeOwned;
use serde_json::{Value as Json, json};
use thirst_schemas as wire;

use super::page::{Page, Screen, Style};
use super::words;
use crate::engine::civil;
use crate::engine::output::{DiaryKind, DiaryLine};
use crate::engine::publish::diary::{Day, Delivery};
use crate::engine::publish::words::{depth, temperature};
use crate::engine::settings::{GroupSettings, SiteSettings};
use crate::engine::stamp::{DAY, Stamp};
use crate::shell::store::{AuditRow, Reader, StoreError};

/// What is kept of one civil day.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Past<'a> {
    pub(super) site: &'a SiteSettings,
    pub(super) day: NaiveDate,
    /// The day's first instant, and the one after its last.
    pub(super) start: Stamp,
    pub(super) end: Stamp,
    pub(super) now: Stamp,
    /// The groups asked for.
    pub(super) groups: Vec<&'a GroupSettings>,
    /// Since when a diary of the site is kept.
    pub(super) begins: Option<Stamp>,
    /// The decisions that stood when the day began, with the time they had stood since.
    pub(super) before: Vec<(Stamp, wire::Decision)>,
    pub(super) decisions: Vec<(Stamp, wire::Decision)>,
    /// Water that ran on the day, also where it was reported later.
    pub(super) deliveries: Vec<Delivery>,
    pub(super) orders: Vec<AuditRow>,
    /// Alerts that were open when the day began.
    pub(super) open: Vec<wire::Alert>,
    pub(super) alerts: Vec<(Stamp, wire::Alert)>,
    /// The day's closing figures and every revision of them, in order.
    pub(super) figures: Vec<(Stamp, Day)>,
    /// The figures so far, where the day still runs.
    pub(super) so_far: Option<wire::Totals>,
}

pub(super) fn read<'a>(
    reader: &Reader,
    prefix: &str,
    site: &'a SiteSettings,
    day: NaiveDate,
    group: Option<&str>,
    now: Stamp,
) -> Result<Past<'a>, StoreError> {
    let (start, end) = (civil::day_start(site.zone, day), civil::day_end(site.zone, day));
    let groups: Vec<_> = site.groups.iter().filter(|settings| group.is_none_or(|named| settings.id == named)).collect();
    let asked = |line: &DiaryLine| groups.iter().any(|group| group.id == line.subject);
    let id = site.id.as_str();
    let decisions = |lines: Vec<DiaryLine>| parsed(lines.into_iter().filter(asked).collect());
    let before = decisions(reader.diary_before(id, DiaryKind::Decision, start)?);
    let of_day = decisions(reader.diary(id, DiaryKind::Decision, start, end)?);
    let deliveries = reader.diary(id, DiaryKind::Delivery, start, end.plus(REPORTED_WITHIN))?;
    let deliveries: Vec<(Stamp, Delivery)> = parsed(deliveries.into_iter().filter(asked).collect());
    let mut deliveries: Vec<Delivery> = deliveries.into_iter().map(|(_, delivery)| delivery).collect();
    deliveries.retain(|delivery| Stamp::from(delivery.start) < end && start < Stamp::from(delivery.end));
    deliveries.sort_by_key(|delivery| delivery.start);
    let open: Vec<(Stamp, wire::Alert)> = parsed(reader.diary_before(id, DiaryKind::Alert, start)?);
    let open = open.into_iter().map(|(_, alert)| alert).filter(|alert| alert.state != wire::AlertState::Closed);
    let totals = reader.topics_below(&format!("{prefix}/site/{id}/"))?;
    let topic = wire::topics::totals(prefix, id);
    let totals = totals.iter().find(|kept| kept.topic == topic);
    let totals = totals.and_then(|kept| serde_json::from_slice::<wire::Totals>(&kept.payload).ok());
    Ok(Past {
        site,
        day,
        start,
        end,
        now,
        begins: reader.diary_begins(id)?,
        before,
        decisions: of_day,
        deliveries,
        orders: reader.audit(id, start, end)?,
        open: open.collect(),
        alerts: parsed(reader.diary(id, DiaryKind::Alert, start, end)?),
        figures: parsed(reader.diary_about(id, DiaryKind::Day, &day.to_string())?),
        so_far: totals.filter(|totals| totals.day == day),
        groups,
    })
}

/// What cannot be read any more is left out.
fn parsed<T: DeserializeOwned>(lines: Vec<DiaryLine>) -> Vec<(Stamp, T)> {
    lines.into_iter().filter_map(|line| Some((line.at, serde_json::from_slice(&line.payload).ok()?))).collect()
}

pub(super) fn page(past: &Past<'_>, screen: Screen) -> String {
    let mut page = Page::new(screen);
    let site = past.site;
    let name = if site.label == site.id { site.id.clone() } else { format!("{} ({})", site.id, site.label) };
    let so_far = if past.is_running() { ", so far" } else { "" };
    let day = past.day.format("%A, %-d %B %Y");
    page.line(Style::Strong, &format!("{name} on {day}{so_far}"));
    let column = super::column(past.groups.iter().map(|group| group.label.as_str())).max(timeline::COLUMN);
    for group in &past.groups {
        page.row(column, Style::Strong, &group.label, &answer::answer(past, group));
    }
    page.blank();
    page.line(Style::Strong, &format!("What happened (time of {})", site.zone.name()));
    timeline::rows(past, &mut page);
    page.blank();
    page.line(Style::Strong, "Water of the day");
    for (label, text) in water(past) {
        page.row(timeline::COLUMN, Style::Plain, &label, &text);
    }
    page.finish()
}

impl Past<'_> {
    pub(super) fn is_running(&self) -> bool {
        self.now < self.end
    }

    /// The end of what can be known.
    pub(super) fn until(&self) -> Stamp {
        self.end.min(self.now)
    }

    /// "Friday, 9 April 2027".
    pub(super) fn date(&self, at: Stamp) -> String {
        civil::date(self.site.zone, at).format("%A, %-d %B %Y").to_string()
    }

    /// Time of day; with the weekday where it is another day.
    pub(super) fn clock(&self, at: Stamp) -> String {
        words::moment(self.site, at, self.start)
    }
}

/// ETo, rain, temperatures and how they came about.
fn water(past: &Past<'_>) -> Vec<(String, String)> {
    let site = past.site;
    let row = |label: &str, text: String| (label.to_owned(), text);
    let eto = |mm: f64, method: wire::EtoMethod, coverage: f64, uncertainty: f64| {
        if matches!(method, wire::EtoMethod::Normals | wire::EtoMethod::Default) {
            return format!("{} ({})", depth(site, mm), words::method(method));
        }
        format!(
            "{}, likely within {} ({}; {coverage:.0} % of the time covered by readings)",
            depth(site, mm),
            depth(site, uncertainty),
            words::method(method)
        )
    };
    let extremes = |low: Option<f64>, high: Option<f64>| {
        Some(row("air", format!("{} to {}", temperature(site, low?), temperature(site, high?))))
    };
    let besides = |dew_mm: f64, frozen_mm: f64| {
        let dew = (dew_mm >= 0.05).then(|| format!("; {} of it was dew", depth(site, dew_mm)));
        let frozen =
            (frozen_mm >= 0.05).then(|| format!("; {} of it in frost, perhaps snow or melt", depth(site, frozen_mm)));
        [dew, frozen].into_iter().flatten().collect::<String>()
    };
    let mut rows = Vec::new();
    match (past.figures.last(), &past.so_far) {
        (Some((_, day)), _) => {
            rows.push(row("ETo", eto(day.eto_mm, day.eto_method, day.coverage_percent, day.uncertainty_mm)));
            rows.push(row("rain", format!("{}{}", depth(site, day.rain_mm), besides(day.dew_mm, day.frozen_mm))));
            rows.extend(words::stand_ins(&day.basis).map(|text| row("basis", text)));
            rows.extend(extremes(day.air_temperature_min_celsius, day.air_temperature_max_celsius));
            let revised = match day.revision {
                0 => "Not revised".to_owned(),
                1 => "Revised once by readings that came late".to_owned(),
                times => format!("Revised {times} times by readings that came late"),
            };
            let last =
                if day.is_final { "the figures are final" } else { "late readings may still change the figures" };
            rows.push(row("state", format!("{revised}; {last}.")));
        }
        (None, Some(totals)) => {
            let text = eto(totals.eto_mm, totals.eto_method, totals.coverage_percent, totals.uncertainty_mm);
            rows.push(row("ETo", format!("{text}, so far")));
            let mut rain = format!("{} so far", depth(site, totals.rain.day_mm));
            if totals.rain.quarantined_mm >= 0.05 {
                rain.push_str(&format!("; {} more in quarantine", depth(site, totals.rain.quarantined_mm)));
            }
            rain.push_str(&besides(totals.rain.dew_mm, totals.rain.frozen_mm));
            rows.push(row("rain", rain));
            rows.extend(words::stand_ins(&totals.basis).map(|text| row("basis", text)));
            rows.extend(extremes(totals.air_temperature_min_celsius, totals.air_temperature_max_celsius));
        }
        (None, None) => rows.push(row("", "No figures of this day are kept.".to_owned())),
    }
    let given: f64 = past.deliveries.iter().map(|delivery| delivery.depth_mm).sum();
    if past.groups.len() == 1 && given > 0.0 {
        rows.push(row("given", depth(site, given)));
    }
    rows
}

/// The same for programs: decisions and alerts as they were published.
pub(super) fn json(past: &Past<'_>) -> Json {
    let payloads = |lines: &[(Stamp, wire::Decision)]| {
        lines.iter().map(|(at, payload)| json!({"at": at.text(), "decision": payload})).collect::<Vec<_>>()
    };
    let answers = past.groups.iter().map(|group| json!({"group": group.id, "text": answer::answer(past, group)}));
    let orders = past.orders.iter().map(|row| json!({"at": row.at.text(), "who": row.who, "text": row.text}));
    let figures = past.figures.iter().map(|(at, day)| json!({"at": at.text(), "figures": day}));
    let alerts = past.alerts.iter().map(|(at, alert)| json!({"at": at.text(), "alert": alert}));
    json!({
        "site": past.site.id,
        "day": past.day,
        "zone": past.site.zone.name(),
        "start": past.start.text(),
        "end": past.end.text(),
        "answers": answers.collect::<Vec<_>>(),
        "stood_before": payloads(&past.before),
        "decisions": payloads(&past.decisions),
        "deliveries": past.deliveries,
        "commands": orders.collect::<Vec<_>>(),
        "alerts_open_before": past.open,
        "alerts": alerts.collect::<Vec<_>>(),
        "days": figures.collect::<Vec<_>>(),
        "totals": past.so_far,
        "diary_begins_at": past.begins.map(Stamp::text),
    })
}

/// A bridge may report a run this late (the engine books no older one), ms.
const REPORTED_WITHIN: i64 = 8 * DAY;

#[cfg(test)]
mod tests;
