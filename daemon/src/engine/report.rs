//! What a bridge tells of its controller: the instruction in force, runs, flow.

use thirst_schemas as wire;

use super::evidence;
use super::gauge_watch;
use super::output::Level;
use super::publish::{diary, log, words};
use super::settings::GroupSettings;
use super::stamp::{DAY, MINUTE, Stamp};
use super::state::{BookedRun, BridgeWord, Context, ControllerState, Delivered, SiteState};
use super::watering;

/// Takes in a report on the controller named in its topic.
pub fn receive(state: &mut SiteState, controller: &str, payload: &[u8], retain: bool, context: &mut Context<'_>) {
    let Some(index) = context.site.controllers.iter().position(|settings| settings.id == controller) else {
        log(context, Level::Warn, "a report on a controller that is not in the settings was ignored".to_owned());
        return;
    };
    if retain {
        log(
            context,
            Level::Warn,
            format!("controller {controller}: a retained report was ignored; publish reports without retain"),
        );
        return;
    }
    let report = match wire::Report::parse(payload) {
        Ok(report) => report,
        Err(error) => {
            log(context, Level::Warn, format!("controller {controller}: report refused: {}", error.text));
            return;
        }
    };
    if report.controller.as_deref().is_some_and(|named| named != controller) {
        log(
            context,
            Level::Warn,
            format!("controller {controller}: report refused: it names another controller than its topic"),
        );
        return;
    }
    let told = state.controllers[index].told.as_ref();
    let allowed = told.is_some_and(|told| told.water_allowed);
    let held_since = told.filter(|told| !told.water_allowed).map(|told| told.changed_at.plus(OBEYED_WITHIN));
    let before = state.controllers[index].bridge;
    // A report on runs or flow alone takes nothing back of what was confirmed.
    let confirmed = before.map_or((0, 0), |before| (before.epoch, before.sequence));
    let force = report.in_force.map_or(confirmed, |force| (force.epoch, force.sequence));
    let runs = report.runs.as_deref().unwrap_or_default();
    let flows = report.flow_liters_per_minute.map(|flow| flow > LEAST_FLOW);
    let ran = held_since.is_some_and(|since| runs.iter().any(|run| Stamp::from(run.start) > since));
    let word = BridgeWord {
        at: context.now.wall,
        listening: context.now.listening,
        epoch: force.0,
        sequence: force.1,
        flow_while_held: match flows {
            Some(flows) => flows && !allowed,
            None => ran || before.is_some_and(|before| before.flow_while_held) && !allowed,
        },
    };
    if before.is_none() {
        log(context, Level::Info, format!("controller {controller}: its bridge reports for the first time"));
    }
    state.controllers[index].bridge = Some(word);
    for run in runs {
        if let Some(settings) = context.site.groups.iter().find(|settings| settings.id == run.group) {
            gauge_watch::ran(state, settings, Stamp::from(run.start), run.end.map(Stamp::from), context);
        }
        book(state, index, run, context);
    }
}

/// Books a finished run once, whatever number of times it is reported.
fn book(state: &mut SiteState, index: usize, run: &wire::Run, context: &mut Context<'_>) {
    let Some(group) = context.site.groups.iter().position(|settings| settings.id == run.group) else {
        log(context, Level::Warn, "a reported run names a group that is not in the settings".to_owned());
        return;
    };
    let (start, settings) = (Stamp::from(run.start), &context.site.groups[group]);
    let age = context.now.wall.since(start);
    if run.end.is_none() || !(-5 * MINUTE..=7 * DAY).contains(&age) {
        return;
    }
    let runs = &state.controllers[index].runs;
    let is_known = runs.iter().any(|booked| booked.group == run.group && booked.start == start);
    if is_known || state.controllers[index].runs_before.is_some_and(|before| start <= before) {
        return;
    }
    let Some(mm) = depth_mm(settings, run) else {
        log(
            context,
            Level::Warn,
            format!(
                "group {}: a run without depth_mm cannot be booked: set application_rate of the group, or area with a meter",
                settings.id
            ),
        );
        return;
    };
    remember(&mut state.controllers[index], BookedRun { group: run.group.clone(), start, mm });
    // The first report on a run whose window was booked as decided overrules that.
    watering::take_back_assumed(state, group, start);
    let fell_mm = evidence::deliver(state, group, mm, context);
    state.groups[group].reported_at = Some(context.now.wall);
    watering::reported(state, group, start, mm, fell_mm, context);
    let delivered = Delivered { at: run.end.map_or(start, Stamp::from), mm, reported: true, fell_mm };
    state.groups[group].delivered = Some(delivered);
    diary::delivery(&settings.id, start, &delivered, context);
    state.sent.totals_due = true;
    log(
        context,
        Level::Info,
        format!("group {}: {} booked from a reported run", settings.id, words::depth(context.site, mm)),
    );
}

/// Keeps a booked run. Of those that no longer fit, the oldest goes, and nothing up to it is booked again.
fn remember(controller: &mut ControllerState, run: BookedRun) {
    controller.runs.push_back(run);
    while controller.runs.len() > KEPT_RUNS {
        let oldest = controller.runs.iter().map(|run| run.start).min();
        controller.runs_before = controller.runs_before.max(oldest);
        controller.runs.retain(|run| Some(run.start) > controller.runs_before);
    }
}

/// Net depth of a run, mm: as reported, else what a meter counted over the area, else minutes times application rate; the
/// last two times efficiency.
fn depth_mm(settings: &GroupSettings, run: &wire::Run) -> Option<f64> {
    let minutes = run.minutes.or_else(|| {
        let end = run.end?;
        Some((end - run.start).num_seconds().max(0) as f64 / 60.0)
    });
    // A liter on a square meter is a millimeter.
    let metered = || Some(run.volume_liters? / settings.area_m2? * settings.efficiency);
    let depth = run.depth_mm.or_else(metered).or_else(|| Some(minutes? / 60.0 * settings.net_rate_mm_per_hour?))?;
    depth.is_finite().then(|| depth.clamp(0.0, 200.0))
}

/// A run that begins so long after a hold began while it was held. Design: five minutes to follow.
const OBEYED_WITHIN: i64 = 5 * MINUTE;

const KEPT_RUNS: usize = 128;

/// Less than this is a dripping meter. Our choice.
const LEAST_FLOW: f64 = 0.5;
