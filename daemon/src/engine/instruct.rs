//! From the decisions of groups to what one controller can be told, and whether it follows.

use std::collections::BTreeMap;

use super::alert::{AlertKind, Wording};
use super::civil;
use super::decision::reason::Capability;
use super::decision::{Confidence, scale};
use super::publish::messages::{self, Shape};
use super::publish::{alerts, words};
use super::settings::{ControllerSettings, GroupSettings};
use super::site::ledger::{self, DayWater};
use super::site::normals::monthly;
use super::stamp::{DAY, MINUTE, Stamp};
use super::state::{Context, SiteState, Told};

/// Tells every controller whose groups have a newer decision.
pub fn controllers(state: &mut SiteState, context: &mut Context<'_>) {
    for index in 0..state.controllers.len().min(context.site.controllers.len()) {
        let settings = &context.site.controllers[index];
        let newest = members(settings, context)
            .filter_map(|group| state.groups[group].standing.as_ref())
            .map(|standing| standing.issued)
            .max();
        let Some(newest) = newest else { continue };
        let told = state.controllers[index].told.as_ref();
        let spoken = members(settings, context).all(|group| state.groups[group].standing.is_some());
        if spoken && told.is_none_or(|told| told.issued < newest) {
            tell(state, index, context);
        }
        judge_obedience(state, index, context);
    }
}

/// Publishes the twelve percentages where they are new.
pub fn fallback(state: &mut SiteState, context: &mut Context<'_>) {
    let percents = fallback_percents(context);
    if state.sent.fallback != Some(percents) {
        state.sent.fallback = Some(percents);
        messages::fallback(state, percents, context);
    }
}

/// Percent of a full run that a group is given now, by what its controllers were told.
pub fn effective_percent(state: &SiteState, group: usize, context: &Context<'_>) -> u16 {
    let mut controlled = false;
    for (index, settings) in context.site.controllers.iter().enumerate() {
        let Some(position) = members(settings, context).position(|member| member == group) else { continue };
        controlled = true;
        if let Some(told) = state.controllers.get(index).and_then(|controller| controller.told.as_ref()) {
            return told.percents.get(position).copied().unwrap_or(0);
        }
    }
    let standing = state.groups.get(group).and_then(|group| group.standing.as_ref());
    match standing {
        Some(standing) if !controlled && !standing.said.holds() => standing.said.percent,
        _ => 0,
    }
}

/// Counts what the open window of a group has given up to `now`.
pub fn accrue(state: &mut SiteState, group: usize, now: Stamp, context: &Context<'_>) {
    let percent = f64::from(effective_percent(state, group, context));
    if let Some(window) = state.groups.get_mut(group).and_then(|group| group.window.as_mut()) {
        let to = now.min(window.closes);
        window.percent_millis += percent * to.since(window.counted_to).max(0) as f64;
        window.counted_to = window.counted_to.max(to);
    }
}

/// True where a bridge tells what was given, so that nothing has to be assumed.
pub fn reports_runs(state: &SiteState, group: usize, context: &Context<'_>) -> bool {
    let last = state.groups.get(group).and_then(|group| group.reported_at);
    last.is_some_and(|at| context.now.wall.since(at) < BRIDGE_TRUSTED)
}

/// When obedience has to be looked at next: listening time.
pub fn next_look(state: &SiteState) -> Option<i64> {
    let waits = state.controllers.iter().filter(|controller| controller.bridge.is_some());
    waits.filter_map(|controller| controller.told.as_ref()).map(|told| told.changed_listening + ECHO_WITHIN).min()
}

fn members<'a>(settings: &'a ControllerSettings, context: &Context<'a>) -> impl Iterator<Item = usize> + 'a {
    let groups = &context.site.groups;
    settings.groups.iter().filter_map(|id| groups.iter().position(|group| group.id == *id))
}

fn tell(state: &mut SiteState, index: usize, context: &mut Context<'_>) {
    let settings = &context.site.controllers[index];
    let groups: Vec<usize> = members(settings, context).collect();
    for &group in &groups {
        accrue(state, group, context.now.wall, context);
    }
    let (percents, shape) = shape(state, settings, &groups, context);
    let water_allowed = percents.iter().any(|percent| *percent > 0);
    let sequence = state.next_sequence();
    let before = state.controllers[index].told.take();
    let changed =
        before.as_ref().is_none_or(|before| before.water_allowed != water_allowed || before.percents != percents);
    let (changed_sequence, changed_listening) = match &before {
        Some(before) if !changed => (before.changed_sequence, before.changed_listening),
        _ => (sequence, context.now.listening),
    };
    let told = Told {
        sequence,
        issued: context.now.wall,
        listening: context.now.listening,
        changed_sequence,
        changed_listening,
        water_allowed,
        percents,
    };
    messages::instruction(settings, &told, shape, context);
    state.controllers[index].told = Some(told);
}

/// Effective percent per group, and the shape the controller takes. A controller that treats its groups alike can only
/// water all of them or none: one held group holds it.
fn shape(
    state: &SiteState,
    settings: &ControllerSettings,
    groups: &[usize],
    context: &Context<'_>,
) -> (Vec<u16>, Shape) {
    let said = |group: usize| state.groups[group].standing.as_ref().map(|standing| &standing.said);
    let label = |group: usize| context.site.groups[group].label.as_str();
    let held: Vec<String> = groups
        .iter()
        .filter_map(|&group| {
            let holds = &said(group)?.holds;
            let reasons: Vec<String> = holds.iter().map(|hold| hold.reason.name().replace('_', " ")).collect();
            (!holds.is_empty()).then(|| format!("{} ({})", label(group), reasons.join(", ")))
        })
        .collect();
    let wanted: Vec<u16> = groups
        .iter()
        .map(|&group| said(group).filter(|said| !said.holds()).map_or(0, |said| stepped(settings, said.percent)))
        .collect();
    match settings.capability {
        Capability::PercentPerGroup | Capability::Minutes => {
            let named =
                groups.iter().zip(&wanted).map(|(&group, percent)| (context.site.groups[group].id.clone(), *percent));
            let map: BTreeMap<String, u16> = named.collect();
            let list: Vec<String> =
                groups.iter().zip(&wanted).map(|(&group, percent)| format!("{} {percent} %", label(group))).collect();
            let allowed = wanted.iter().any(|percent| *percent > 0);
            let what = if allowed { list.join(", ") } else { TOO_LITTLE.to_owned() };
            let text = words::instruction(allowed, &what, if allowed { &[] } else { &held });
            (wanted, Shape { percents: Some(map), text, ..Shape::default() })
        }
        Capability::Percent => {
            let most = wanted.iter().copied().max().unwrap_or(0);
            let least = wanted.iter().copied().min().unwrap_or(0);
            let percent = if held.is_empty() { most } else { 0 };
            let thirstiest = groups.iter().zip(&wanted).max_by_key(|(_, percent)| **percent).map(|(&group, _)| group);
            let follows = thirstiest.filter(|_| groups.len() > 1 && percent > 0);
            let what = match follows {
                Some(group) => format!(
                    "{percent} % of the programmed run times, for {}, the thirstiest group; the others ask for {} to {percent} %",
                    label(group),
                    least
                ),
                None if percent == 0 => TOO_LITTLE.to_owned(),
                None => format!("{percent} % of the programmed run times"),
            };
            let shape = Shape {
                percent: Some(percent),
                follows_group: follows.map(|group| context.site.groups[group].id.clone()),
                spread_percent: follows.map(|_| most - least),
                text: words::instruction(percent > 0, &what, &held),
                ..Shape::default()
            };
            (vec![percent; groups.len()], shape)
        }
        Capability::Hold => {
            let due = groups.iter().any(|&group| whole_run_due(state, group, context));
            let allowed = held.is_empty() && due;
            let what = if allowed { "one whole run is owed" } else { "less than one whole run is owed" };
            let text = words::instruction(allowed, what, &held);
            (vec![if allowed { 100 } else { 0 }; groups.len()], Shape { text, ..Shape::default() })
        }
        Capability::TwelveMonths => {
            let months = fallback_percents(context);
            let month = months[civil::month(civil::date(context.site.zone, context.now.wall))];
            let percent = if held.is_empty() { month } else { 0 };
            let what = "the percentages of the twelve months apply".to_owned();
            let shape =
                Shape { months: Some(months), text: words::instruction(percent > 0, &what, &held), ..Shape::default() };
            (vec![percent; groups.len()], shape)
        }
    }
}

/// A contact waters when the ledger owes one whole run; where nothing is known, whenever the default waters at all.
fn whole_run_due(state: &SiteState, group: usize, context: &Context<'_>) -> bool {
    let settings = &context.site.groups[group];
    let Some(standing) = &state.groups[group].standing else { return false };
    if standing.said.confidence == Confidence::Unknown && context.site.normals.is_none() {
        return standing.said.percent > 0;
    }
    let whole = 100.0 * scale::whole_run_mm(settings) / settings.run_depth_mm.max(0.1);
    f64::from(standing.said.percent) + 0.5 >= whole.min(f64::from(settings.most_percent))
}

/// A percentage the controller can take: its step, its most, and 0 below its least.
fn stepped(settings: &ControllerSettings, percent: u16) -> u16 {
    let step = settings.step_percent.max(1);
    let rounded = (percent + step / 2) / step * step;
    let capped = rounded.min(settings.most_percent);
    if capped < settings.least_percent { 0 } else { capped }
}

/// No echo within five minutes is an alert, water during a hold another.
fn judge_obedience(state: &mut SiteState, index: usize, context: &mut Context<'_>) {
    let settings = &context.site.controllers[index];
    let controller = &state.controllers[index];
    let (Some(told), Some(bridge)) = (&controller.told, controller.bridge) else { return };
    let speaks_of_it = bridge.sequence > 0;
    let echoed = !speaks_of_it || (bridge.epoch, bridge.sequence) >= (context.epoch, told.changed_sequence);
    let overdue = context.now.listening.saturating_sub(told.changed_listening) >= ECHO_WITHIN;
    let flows = bridge.flow_while_held && !told.water_allowed && overdue;
    if echoed {
        alerts::clear(state, AlertKind::NotObeyed, &settings.id, context);
    } else if overdue {
        let wording = Wording::new(
            format!("Controller {} has not confirmed its instruction for more than five minutes.", settings.id),
            "Look at the bridge and the controller: is it connected, and does it follow?",
        );
        alerts::raise(state, AlertKind::NotObeyed, &settings.id, wording, context);
    }
    if flows {
        let wording = Wording::new(
            format!("Water flows at controller {} although it was told to hold.", settings.id),
            "Close the supply by hand if this is not wanted; then look at the controller, its wiring and for leaks.",
        );
        alerts::raise(state, AlertKind::WaterWhileHeld, &settings.id, wording, context);
    } else if !bridge.flow_while_held {
        alerts::clear(state, AlertKind::WaterWhileHeld, &settings.id, context);
    }
}

const TOO_LITTLE: &str = "too little is owed for a run";

/// Twelve percentages that follow the normals, for the thirstiest group; without normals the default.
fn fallback_percents(context: &Context<'_>) -> [u16; 12] {
    let site = context.site;
    let mut percents = [site.default_scale_percent; 12];
    if let Some(normals) = &site.normals {
        for (month, percent) in percents.iter_mut().enumerate() {
            let need = |group: &GroupSettings| {
                let rain = normals.rain_mm.map_or(0.0, |rain| rain[month] / monthly::DAYS[month]);
                let daily = ledger::balance_mm(
                    group,
                    month,
                    DayWater { eto_mm: normals.eto_of_month_mm(month), rain_mm: rain },
                );
                let days = group.watering_days.iter().filter(|day| **day).count().max(1) as f64;
                100.0 * daily.max(0.0) * 7.0 / days / group.run_depth_mm.max(0.1)
            };
            let most =
                site.groups.iter().map(|group| need(group).min(f64::from(group.most_percent))).fold(0.0, f64::max);
            *percent = most.round() as u16;
        }
    }
    percents
}

/// A bridge confirms within this time of listening. Design: 5 min.
const ECHO_WITHIN: i64 = 5 * MINUTE;

/// A bridge that has reported its runs is believed to go on doing so this long. Our choice.
const BRIDGE_TRUSTED: i64 = 14 * DAY;
