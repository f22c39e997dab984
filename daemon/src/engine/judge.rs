//! From evidence to decisions: calendar, windows, holds, scale, and when to speak.

use super::civil;
use super::decision::hold::Hold;
use super::decision::hold::restriction::{self, Rules};
use super::decision::reason::Reason;
use super::decision::{self, Change, Confidence, Speak, Standing, Wanted, scale};
use super::evidence::{self, Known};
use super::frost;
use super::guard;
use super::instruct;
use super::output::Level;
use super::probe;
use super::publish::{log, messages};
use super::season;
use super::settings::{GroupSettings, WhenUnknown};
use super::spike;
use super::stamp::{HOUR, Stamp};
use super::state::{Context, Pending, Planned, Restricted, SiteState};
use super::watering;

/// Judges every group and speaks where there is something to say.
pub fn groups(state: &mut SiteState, context: &mut Context<'_>) {
    let known = evidence::known(state, context);
    note_unknown(state, known, context);
    for index in 0..state.groups.len().min(context.site.groups.len()) {
        calendar(state, index, context);
        let at_point = watering::points(state, index, context);
        group(state, index, known, at_point, context);
    }
    instruct::controllers(state, context);
    watering::opportunities(state, context);
}

/// The next instant at which the calendar, a person or a settling change needs a look; `listening` timers are turned into
/// wall time by the caller.
pub fn next_change(state: &SiteState, context: &Context<'_>) -> (Option<Stamp>, Option<i64>) {
    let (mut wall, mut listening): (Option<Stamp>, Option<i64>) = (None, None);
    let mut sooner = |at: Option<Stamp>| wall = [wall, at].into_iter().flatten().min();
    for (index, group) in state.groups.iter().enumerate() {
        sooner(group.restriction_edge);
        sooner(group.next_point);
        sooner(watering::next_end(group.window));
        if let Some(settings) = context.site.groups.get(index) {
            sooner(probe::ends_in_silence_at(group.full, settings));
        }
        sooner(group.operator.next_change());
        sooner(group.rain.latest_end(&season::rain_settings(state, index, context)));
        sooner(group.standing.as_ref().map(|standing| standing.issued.plus(refresh_every(context))));
        if let Some(pending) = group.pending {
            let standing = group.standing.as_ref();
            let open_until = watering::open_until(group, context);
            let wanted = Wanted::default();
            match decision::speak(
                pending.change,
                standing,
                &wanted,
                pending.since,
                open_until,
                context.now,
                context.site,
            ) {
                Speak::Later { listening: due, not_before } => {
                    if due > context.now.listening {
                        listening = Some(listening.map_or(due, |other: i64| other.min(due)));
                    } else {
                        sooner(not_before);
                    }
                }
                Speak::Never | Speak::Now => {}
            }
        }
    }
    (wall, listening)
}

pub fn refresh_every(context: &Context<'_>) -> i64 {
    i64::from(context.site.refresh_hours.max(1)) * HOUR
}

fn note_unknown(state: &mut SiteState, known: Known, context: &mut Context<'_>) {
    let unknown = known.confidence == Confidence::Unknown;
    match (unknown, state.unknown_since) {
        (true, None) => {
            state.unknown_since = Some(context.now.wall);
            log(context, Level::Warn, "no fresh evidence: decisions rest on normals or defaults".to_owned());
        }
        (false, Some(_)) => {
            state.unknown_since = None;
            log(context, Level::Info, "evidence is fresh again".to_owned());
        }
        _ => {}
    }
}

/// Looks at the restriction rules where their next edge has come.
fn calendar(state: &mut SiteState, index: usize, context: &Context<'_>) {
    let (site, now) = (context.site, context.now.wall);
    let group = &mut state.groups[index];
    if group.restriction_edge.is_some_and(|edge| edge > now) || site.restrictions.is_empty() {
        if site.restrictions.is_empty() {
            (group.restriction, group.restriction_edge) = (None, None);
        }
        return;
    }
    let settings = &site.groups[index];
    let rules = Rules { rules: &site.restrictions, group: settings, zone: site.zone, watered: group.watered };
    let forbidden = rules.forbidden_by(now);
    group.restriction = forbidden.map(|rule| Restricted {
        since: group.restriction.as_ref().map_or(now, |before| before.since),
        until: rules.allowed_again(now),
        rule: rule.name.clone(),
        source: rule.source.clone(),
    });
    group.restriction_edge = restriction::next_edge(&site.restrictions, site.zone, now);
}

/// Judges one group.
fn group(state: &mut SiteState, index: usize, known: Known, at_point: bool, context: &mut Context<'_>) {
    let holds = holds(state, index, known, context);
    let standing = state.groups[index].standing.clone();
    let released = standing.as_ref().is_some_and(|standing| standing.said.holds()) && holds.is_empty();
    let doubt = standing.as_ref().is_some_and(|standing| standing.said.confidence != known.confidence);
    let in_window = state.groups[index].window.is_some_and(|window| window.waters);
    if at_point || standing.is_none() || released || doubt || in_window {
        plan(state, index, known, in_window, context);
    }
    let wanted = Wanted { holds, percent: state.groups[index].planned.percent, confidence: known.confidence };
    let change = decision::change(standing.as_ref(), &wanted);
    let pending_since = settle(state, index, change, &wanted, context);
    let open_until = watering::open_until(&state.groups[index], context);
    let speak =
        decision::speak(change, standing.as_ref(), &wanted, pending_since, open_until, context.now, context.site);
    let stale =
        standing.as_ref().is_some_and(|standing| context.now.wall.since(standing.issued) >= refresh_every(context));
    if speak == Speak::Now {
        say(state, index, wanted, change, context);
    } else if stale {
        // Refreshed unchanged: a change that still has to settle is not said early.
        if let Some(standing) = standing {
            say(state, index, standing.said, Change::Nothing, context);
        }
    }
}

/// The scale from what is owed; inside a window small steps are not worth a change.
fn plan(state: &mut SiteState, index: usize, known: Known, inside: bool, context: &Context<'_>) {
    let settings = &context.site.groups[index];
    let owed_mm = watering::due_mm(state, index, context);
    let mut percent = if known.confidence == Confidence::Unknown && context.site.normals.is_none() {
        context.site.default_scale_percent.min(settings.most_percent)
    } else {
        percent(state, index, owed_mm, context)
    };
    if state.groups[index].establishing.is_some() && state.season.waters() {
        percent = percent.max(100.min(settings.most_percent));
    }
    percent = percent.min(watering::most_percent(state, index, context));
    // The opportunity was at the opening, and that is what was booked: what comes due later waits for the next one.
    let taken = state.groups[index].window.and_then(|window| window.decided_percent);
    if taken.is_some() && !instruct::reports_runs(state, index, context) {
        percent = percent.min(state.groups[index].planned.percent);
    }
    let planned = &mut state.groups[index].planned;
    let small = planned.percent.abs_diff(percent) < SMALL_STEP_PERCENT && (percent == 0) == (planned.percent == 0);
    if !(inside && small) {
        *planned = Planned { percent, owed_mm, at: context.now.wall };
    }
}

/// Percent of a run by what is owed; where nobody knows the watering days, by what was owed on the last days as well.
fn percent(state: &SiteState, index: usize, owed_mm: f64, context: &Context<'_>) -> u16 {
    let settings = &context.site.groups[index];
    match state.groups[index].mean_percent {
        Some(mean) if owed_mm >= scale::least_run_mm(settings) && !instruct::is_by_contact(index, context) => {
            scale::percent(settings, scale::depth_of_mm(settings, f64::from(mean)), 1)
        }
        _ => scale::percent(settings, owed_mm, 1),
    }
}

/// Since when the same change has been wanted.
fn settle(state: &mut SiteState, index: usize, change: Change, wanted: &Wanted, context: &Context<'_>) -> i64 {
    let group = &mut state.groups[index];
    if change == Change::Nothing {
        group.pending = None;
        return context.now.listening;
    }
    let reasons = wanted.holds.iter().fold(0u16, |bits, hold| bits | 1 << hold.reason as u16);
    let percent = if wanted.holds() { 0 } else { wanted.percent };
    let wish = (reasons, percent, wanted.confidence as u8);
    match group.pending {
        Some(pending) if pending.change == change && pending.wish == wish => pending.since,
        _ => {
            group.pending = Some(Pending { change, wish, since: context.now.listening });
            context.now.listening
        }
    }
}

/// Publishes a decision and remembers it as the one in force.
fn say(state: &mut SiteState, index: usize, said: Wanted, change: Change, context: &mut Context<'_>) {
    let group = &mut state.groups[index];
    let kept = group
        .standing
        .as_ref()
        .filter(|_| !matches!(change, Change::First | Change::HoldBegins | Change::HoldEnds | Change::Scale));
    let changed = kept.map_or(context.now.listening, |standing| standing.changed);
    group.standing = Some(Standing { said, issued: context.now.wall, changed });
    if change != Change::Nothing {
        group.false_alarm = false;
    }
    if change != Change::Nothing {
        group.pending = None;
    }
    messages::decision(state, index, change, context);
}

/// Every reason to hold a group now, in order of reason, less what people released.
fn holds(state: &mut SiteState, index: usize, known: Known, context: &mut Context<'_>) -> Vec<Hold> {
    let settings = &context.site.groups[index];
    let now = context.now.wall;
    let mut holds = Vec::new();
    rain(state, index, &mut holds, context);
    let site = context.site;
    // Empty pipes freeze without harm: no noise of frost in winter.
    let frost_matters = site.binds(settings, Reason::Freeze) && state.season.waters();
    if frost_matters {
        let live =
            spike::freezing_since(state, context).map(|since| Hold { reason: Reason::Freeze, since, until: None });
        holds.extend(live.or_else(|| frost::hold(state, index, context)));
    }
    if let Some(since) = state.wind.since().filter(|_| site.binds(settings, Reason::Wind)) {
        holds.push(Hold { reason: Reason::Wind, since, until: None });
    }
    probe::judge(state, index, &mut holds, context);
    let no_evidence = no_evidence(state, known, settings, context);
    let drained = !state.season.waters();
    let group = &mut state.groups[index];
    let permitted = group.establishing.as_ref().is_some_and(|establishing| establishing.permit.is_some());
    if let Some(restricted) = group.restriction.as_ref().filter(|_| !permitted) {
        holds.push(Hold { reason: Reason::Restriction, since: restricted.since, until: restricted.until });
    }
    group.season_since = drained.then(|| group.season_since.unwrap_or(now));
    if let Some(since) = group.season_since {
        holds.push(Hold { reason: Reason::Season, since, until: None });
    }
    group.operator.lapse(now, |reason| {
        holds.iter().any(|hold| hold.reason == reason) || (reason == Reason::NoEvidence && no_evidence)
    });
    if let Some(hold) = &group.operator.hold {
        holds.push(Hold { reason: Reason::Operator, since: hold.since, until: hold.until });
    }
    group.no_evidence_since = no_evidence.then(|| group.no_evidence_since.unwrap_or(now));
    if let Some(since) = group.no_evidence_since {
        holds.push(Hold { reason: Reason::NoEvidence, since, until: None });
    }
    holds.retain(|hold| !group.operator.is_released(hold.reason));
    guard::apply(state, index, &mut holds, context);
    holds
}

/// The rain hold, ended where its time has come.
fn rain(state: &mut SiteState, index: usize, holds: &mut Vec<Hold>, context: &mut Context<'_>) {
    let (site, now) = (context.site, context.now.wall);
    if state.groups[index].rain.since().is_none() {
        return;
    }
    let event = state.event.clone();
    let evidence = evidence::rain_evidence(state, index, &event, context);
    let rain = season::rain_settings(state, index, context);
    let group = &mut state.groups[index];
    if !site.binds(&site.groups[index], Reason::Rain) {
        group.rain.withdraw();
    } else if group.rain.lapse(&evidence, now, &rain) {
        log(context, Level::Info, format!("group {}: rain hold ends", site.groups[index].id));
    } else if let Some(since) = group.rain.since() {
        holds.push(Hold { reason: Reason::Rain, since, until: group.rain.until(&evidence, now, &rain) });
    }
}

/// True where too little is known to let water run: by the settings, or because frost cannot be ruled out.
fn no_evidence(state: &SiteState, known: Known, settings: &GroupSettings, context: &Context<'_>) -> bool {
    let site = context.site;
    if known.confidence == Confidence::Unknown && site.when_unknown == WhenUnknown::Hold {
        return true;
    }
    !known.thermometer
        && site.frost_possible(civil::date(site.zone, context.now.wall))
        && state.season.waters()
        && site.binds(settings, Reason::Freeze)
        && spike::freezing_since(state, context).is_none()
}

/// Inside a window the scale moves only by this much. Our choice.
const SMALL_STEP_PERCENT: u16 = 5;
