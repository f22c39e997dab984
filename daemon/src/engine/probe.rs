//! A full root zone: by a soil-moisture sensor with its two marks, or by the account; and the slow correction by the sensor.
//!
//! Wet soil right after a run is no news. A silent sensor says nothing: a hold it began ends by its own time limit.

use super::decision::hold::Hold;
use super::decision::reason::Reason;
use super::evidence;
use super::output::Level;
use super::publish::{log, words};
use super::reading::{Flag, Quantity};
use super::settings::{GroupSettings, ProbeSettings};
use super::stamp::{HOUR, Stamp};
use super::state::{Context, FullRootZone, SiteState};
use super::watering;

/// Begins and ends the hold of a full root zone.
pub fn judge(state: &mut SiteState, index: usize, holds: &mut Vec<Hold>, context: &mut Context<'_>) {
    let settings = &context.site.groups[index];
    let full = match (&settings.probe, settings.is_account()) {
        (Some(probe), _) => by_probe(state, index, probe, context),
        (None, true) => by_account(state, index, settings, context),
        (None, false) => None,
    };
    let before = std::mem::replace(&mut state.groups[index].full, full);
    match (before, full) {
        (None, Some(_)) => log(context, Level::Info, format!("group {}: the root zone is full", settings.id)),
        (Some(_), None) => {
            log(context, Level::Info, format!("group {}: the root zone is full no more", settings.id));
        }
        _ => {}
    }
    if let Some(full) = full {
        holds.push(Hold { reason: Reason::RootZoneFull, since: full.since, until: None });
    }
}

/// When the hold ends if the sensor stays silent.
pub fn ends_in_silence_at(full: Option<FullRootZone>, settings: &GroupSettings) -> Option<Stamp> {
    let probe = settings.probe.as_ref()?;
    full.map(|full| full.heard.plus(i64::from(probe.longest_hours) * HOUR))
}

/// The day closed: owed moves towards what the sensor says is missing, a step at most.
pub fn correct(state: &mut SiteState, context: &mut Context<'_>) {
    for (index, settings) in context.site.groups.iter().enumerate().take(state.groups.len()) {
        let Some(probe) = &settings.probe else { continue };
        let Some((percent, flag)) = reading(state, probe, context) else { continue };
        if flag != Flag::Good || is_wet_from_a_run(state, index, context) || probe.daily_correction_mm <= 0.0 {
            continue;
        }
        let share = (probe.full_percent - percent) / (probe.full_percent - probe.refill_percent).max(0.1);
        let wanted_mm = share.clamp(0.0, 1.0) * settings.ceiling_mm;
        let owed_mm = evidence::owed_mm(state, index, context);
        let step_mm = (wanted_mm - owed_mm).clamp(-probe.daily_correction_mm, probe.daily_correction_mm);
        if step_mm.abs() < LEAST_STEP_MM {
            continue;
        }
        state.groups[index].ledger.shift(settings, step_mm);
        let text = format!(
            "group {}: the soil holds {percent:.1} %, so owed moves by {} towards {}",
            settings.id,
            words::depth(context.site, step_mm),
            words::depth(context.site, wanted_mm)
        );
        log(context, Level::Info, text);
    }
}

/// The last fresh soil moisture of a group's sensor, % by volume.
pub fn moisture_percent(state: &SiteState, probe: &ProbeSettings, context: &Context<'_>) -> Option<f64> {
    reading(state, probe, context).map(|(percent, _)| percent)
}

fn by_probe(state: &SiteState, index: usize, probe: &ProbeSettings, context: &Context<'_>) -> Option<FullRootZone> {
    let now = context.now.wall;
    let stood = state.groups[index].full;
    match (reading(state, probe, context), stood) {
        (Some((percent, _)), None) => {
            let begins = percent >= probe.full_percent && !is_wet_from_a_run(state, index, context);
            begins.then_some(FullRootZone { since: now, heard: now })
        }
        (Some((percent, _)), Some(full)) => {
            let band = HYSTERESIS * (probe.full_percent - probe.refill_percent);
            (percent > probe.full_percent - band).then_some(FullRootZone { heard: now, ..full })
        }
        (None, stood) => stood.filter(|full| now.since(full.heard) < i64::from(probe.longest_hours) * HOUR),
    }
}

fn by_account(
    state: &SiteState,
    index: usize,
    settings: &GroupSettings,
    context: &Context<'_>,
) -> Option<FullRootZone> {
    let now = context.now.wall;
    // Water of the run that is under way is no reason to stop it.
    let missing_mm = watering::owed_of_plan_mm(state, index, context);
    let (begin_mm, end_mm) = (ACCOUNT_FULL * settings.ceiling_mm, ACCOUNT_FULL_NO_MORE * settings.ceiling_mm);
    match state.groups[index].full {
        None => (missing_mm <= begin_mm).then_some(FullRootZone { since: now, heard: now }),
        Some(full) => (missing_mm < end_mm).then_some(FullRootZone { heard: now, ..full }),
    }
}

fn reading(state: &SiteState, probe: &ProbeSettings, context: &Context<'_>) -> Option<(f64, Flag)> {
    let index = context.site.sensors.iter().position(|sensor| sensor.id == probe.sensor)?;
    let (entry, settings) = (state.sensors.get(index)?, &context.site.sensors[index]);
    let counted = entry.sensor.fresh(Quantity::SoilMoisture, context.now.listening, &settings.link)?;
    let flag = entry.sensor.channel(Quantity::SoilMoisture).map_or(Flag::Missing, |channel| channel.flag);
    Some((counted.value, flag))
}

/// From a run's start to two hours after its end soil moisture is no evidence. Runs are taken to last an hour at most here.
fn is_wet_from_a_run(state: &SiteState, index: usize, context: &Context<'_>) -> bool {
    let group = &state.groups[index];
    let soon_after = |at: Stamp| context.now.wall.since(at) < SOAKING;
    group.window.is_some_and(|window| window.run.is_some()) || group.delivered.is_some_and(|given| soon_after(given.at))
}

/// Share of the span between refill and full point by which the soil has to dry before the hold ends. Our choice.
const HYSTERESIS: f64 = 0.1;

/// Missing water below and above which the account calls the root zone full, share of what it stores. Our choice.
const ACCOUNT_FULL: f64 = 0.02;
const ACCOUNT_FULL_NO_MORE: f64 = 0.2;

/// Less is no correction, mm. Our choice.
const LEAST_STEP_MM: f64 = 0.05;

/// Design: two hours, and an hour of the run itself.
const SOAKING: i64 = 3 * HOUR;
