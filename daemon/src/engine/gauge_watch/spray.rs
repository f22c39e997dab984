//! A sprinkler that reaches the gauge: its water is told from rain by the reported runs and by the clock.

use chrono::{Datelike, Timelike};

use super::clues;
use super::settle::{lift, no_longer_rain, shift};
use super::{keep, wait};
use crate::engine::alert::{AlertKind, Wording};
use crate::engine::civil;
use crate::engine::evidence;
use crate::engine::publish::{alerts, words};
use crate::engine::settings::{GroupKind, GroupSettings};
use crate::engine::site::day_book::{Averaged, Move, micrometers};
use crate::engine::site::quarantine::{Cause, Doubt};
use crate::engine::site::rain::Catch;
use crate::engine::site::spray::{Fall, Shower, Spray};
use crate::engine::stamp::{DAY, HOUR, MINUTE, Stamp};
use crate::engine::state::{Context, SiteState};

/// True where the gauge is known to be sprayed and these tips come when the sprinkler does: they are in quarantine.
pub fn expected(state: &mut SiteState, index: usize, catch: &Catch, context: &mut Context<'_>) -> bool {
    let Some(spray) = state.sensors[index].spray.as_deref() else { return false };
    let ran = state.waterings.overlap(catch.from, catch.to);
    if !spray.known || !(ran || spray.expects(local_minute(catch.to, context))) {
        return false;
    }
    let doubts = &mut state.sensors[index].doubts;
    let position = doubts.iter().position(|doubt| doubt.cause == Cause::Spray && doubt.goes_on(catch.to));
    let mut doubt = match position {
        Some(position) => doubts.remove(position),
        None => {
            let mut doubt = Doubt::new(Cause::Spray, catch.from, catch.to);
            doubt.quarantined = true;
            doubt
        }
    };
    let bin = catch.to.plus(-1);
    state.book.add_rain(context.site.zone, catch.mm, true, bin, bin, 0);
    doubt.tipped(catch.to);
    doubt.add(bin, micrometers(catch.mm));
    let day = civil::date(context.site.zone, catch.to).num_days_from_ce();
    if let Some(spray) = &mut state.sensors[index].spray {
        spray.dry_runs = 0;
        spray.seen(day);
    }
    evidence::figure_today(state, context);
    state.sent.totals_due = true;
    keep(state, index, doubt);
    true
}

/// Remembers tips that count, and compares them with the runs known so far.
pub fn note(state: &mut SiteState, index: usize, catch: &Catch, context: &mut Context<'_>) {
    let spray = state.sensors[index].spray.get_or_insert_default();
    spray.tipped(catch.from, catch.to, micrometers(catch.mm));
    if state.waterings.overlap(catch.from, catch.to) {
        compare(state, index, context);
    }
}

/// A bridge reported a run of a group, from `start` to `end` or to now.
pub fn ran(state: &mut SiteState, group: &GroupSettings, start: Stamp, end: Option<Stamp>, context: &mut Context<'_>) {
    let now = context.now.wall;
    let end = end.unwrap_or(now).min(now);
    if is_drip(group) || start > now || now.since(end) > LATEST_REPORT || end.since(start) > DAY {
        return;
    }
    state.waterings.add(start, end, now);
    for index in 0..state.sensors.len().min(context.site.sensors.len()) {
        let entry = &mut state.sensors[index];
        let Some(spray) = entry.spray.as_deref_mut() else { continue };
        let inside = |from: Stamp, to: Stamp| from <= end && start <= to;
        let held = entry.doubts.iter().any(|doubt| doubt.cause == Cause::Spray && inside(doubt.first, doubt.last));
        if spray.mm(inside) > 0.0 {
            compare(state, index, context);
        } else if spray.known && !held {
            spray.dry_runs = spray.dry_runs.saturating_add(1);
            if spray.dry_runs >= DRY_RUNS_TO_END {
                over(state, index, context);
            }
        }
    }
}

/// Looks at what time alone tells: a fall that is over and came by the clock, and what is too old to matter.
pub fn review(state: &mut SiteState, index: usize, context: &mut Context<'_>) {
    let now = context.now.wall;
    let Some(spray) = state.sensors[index].spray.as_deref_mut() else { return };
    if spray.is_past(civil::date(context.site.zone, now).num_days_from_ce()) {
        return over(state, index, context);
    }
    let Some(over_at) = spray.over_at() else {
        if spray.is_empty() {
            state.sensors[index].spray = None;
        }
        return;
    };
    if now.since(over_at) > LATEST_REPORT {
        spray.forget(|_, _| true);
        return;
    }
    if now < over_at || spray.judged == Some(over_at) {
        return;
    }
    spray.judged = Some(over_at);
    let interval = state.sensors[index].sensor.link.interval().unwrap_or(0);
    let Some(fall) = state.sensors[index].spray.as_deref().and_then(Spray::last_fall) else { return };
    if !fall.is_steady(interval) || !waters_on(fall.from, context) {
        return;
    }
    let in_run = state.waterings.overlap(fall.from, fall.to);
    let days = shower(state, index, &fall, in_run, context);
    let wet = clues::neighbor_rain(state, fall.from, fall.to) == Some(true);
    if days >= days_by_clock(state, &fall) && !wet {
        quarantine(state, index, &fall, "It came at the same time of day before", context);
    }
}

/// When the next fall is known whole.
pub fn next_look(spray: &Spray) -> Option<Stamp> {
    spray.over_at().filter(|over_at| spray.judged != Some(*over_at))
}

/// Looks again at sprayed water in quarantine: rain that goes on after the sprinklers, or without any, is rain.
pub fn judge_again(state: &mut SiteState, index: usize, doubt: Doubt, context: &mut Context<'_>) {
    let now = context.now.wall;
    let waterings = &state.waterings;
    let later = |from: Stamp, to: Stamp| {
        doubt.last.plus(-MINUTE) <= from && from.since(doubt.last) <= HOUR && !waterings.overlap(from, to)
    };
    let went_on = state.sensors[index].spray.as_deref().map_or(0.0, |spray| spray.mm(later));
    let reports = state.groups.iter().any(|group| group.reported_at.is_some_and(|at| now.since(at) < 7 * DAY));
    let none_ran = reports && now.since(doubt.last) >= REPORTED_WITHIN && !waterings.overlap(doubt.first, doubt.last);
    let why = if went_on >= (0.2 * doubt.mm()).max(3.0 * context.site.sensors[index].gauge.tip_mm) {
        "it went on after the sprinklers"
    } else if none_ran && now.since(doubt.last) < LATEST_REPORT {
        "no sprinkler ran"
    } else if clues::neighbor_rain(state, doubt.first, doubt.last) == Some(true) {
        "a neighbor's gauge had rain"
    } else {
        return wait(state, index, doubt, context);
    };
    lift(state, index, doubt, why, context);
}

/// Somebody moved or replaced the gauge: what was learnt of its place is void.
pub fn moved(state: &mut SiteState, index: usize, context: &mut Context<'_>) {
    if state.sensors[index].spray.is_some() {
        over(state, index, context);
    }
}

/// Compares the last fall with the runs: nothing but what fell in them, and dry before.
fn compare(state: &mut SiteState, index: usize, context: &mut Context<'_>) {
    let Some(spray) = state.sensors[index].spray.as_deref() else { return };
    let Some(fall) = spray.last_fall() else { return };
    let in_runs = spray.mm(|from, to| fall.from <= from && state.waterings.overlap(from, to));
    let neighbors = clues::neighbor_rain(state, fall.from, fall.to);
    let confined = fall.mm - in_runs <= 0.1 * fall.mm;
    if !confined || fall.mm < 2.0 * context.site.sensors[index].gauge.tip_mm || neighbors == Some(true) {
        return;
    }
    let known = spray.known;
    // Dry neighbors speak for the sprinkler, but a shower may pass them by, or reach them an hour later.
    let doubtful = was_wet(state, &fall) && neighbors != Some(false);
    let days = shower(state, index, &fall, true, context);
    if known || days >= if doubtful { DAYS_IN_RUNS_IN_WET_AIR } else { DAYS_IN_RUNS } {
        quarantine(state, index, &fall, "It came while sprinklers ran, and with their start", context);
    }
}

fn shower(state: &mut SiteState, index: usize, fall: &Fall, in_run: bool, context: &Context<'_>) -> usize {
    let length = u16::try_from(fall.to.since(fall.from) / MINUTE).unwrap_or(u16::MAX);
    let day = civil::date(context.site.zone, fall.from).num_days_from_ce();
    let rate = 10.0 * fall.mm * HOUR as f64 / fall.to.since(fall.from).max(MINUTE) as f64;
    let minute = local_minute(fall.from, context);
    let shower = Shower { day, minute, length, rate: rate.clamp(0.0, 65_000.0) as u16, in_run };
    state.sensors[index].spray.get_or_insert_default().shower(shower)
}

/// A fall is sprinkler water: out of totals, event and holds, and somebody has to visit.
fn quarantine(state: &mut SiteState, index: usize, fall: &Fall, why: &str, context: &mut Context<'_>) {
    let inside = |from: Stamp, _: Stamp| fall.from <= from && from <= fall.to;
    let entry = &mut state.sensors[index];
    let Some(spray) = entry.spray.as_deref_mut() else { return };
    let mut doubt = Doubt::new(Cause::Spray, fall.from, fall.to);
    for (at, um) in spray.pieces(inside) {
        doubt.add(at, um);
    }
    spray.forget(inside);
    (spray.known, spray.dry_runs) = (true, 0);
    // It is no longer a question of knocks.
    entry.doubts.retain(|other| other.quarantined || other.last < fall.from || fall.to < other.first);
    doubt.quarantined = true;
    let moved = shift(state, &doubt, Move::IntoQuarantine, context);
    no_longer_rain(state, &doubt, moved, context);
    let (site, id) = (context.site, &context.site.sensors[index].id);
    let wording = Wording::new(
        format!(
            "The gauge of sensor {id} is being sprayed: {} at {} is sprinkler water, not rain. {why}. It is in quarantine and \
             counts for nothing, and so is what comes like it from now on.",
            words::depth(site, moved),
            civil::clock_text(site.zone, fall.from, context.now.wall),
        ),
        format!(
            "The gauge is being sprayed: move it or turn the sprinkler, and note a service of kind \"moved\". Was it rain? \
             Send the command confirm_rain for sensor {id}."
        ),
    )
    .with("quarantined_mm", moved)
    .with("rate_mm_per_hour", fall.mm * HOUR as f64 / fall.to.since(fall.from).max(MINUTE) as f64);
    alerts::raise(state, AlertKind::GaugeSprayed, id, wording, context);
    keep(state, index, doubt);
}

/// No sprinkler reaches the gauge any more, or none ever did.
pub fn over(state: &mut SiteState, index: usize, context: &mut Context<'_>) {
    state.sensors[index].spray = None;
    alerts::clear(state, AlertKind::GaugeSprayed, &context.site.sensors[index].id, context);
}

/// How many days it takes to call a fall by the clock a sprinkler's.
fn days_by_clock(state: &SiteState, fall: &Fall) -> usize {
    if was_wet(state, fall) { DAYS_BY_CLOCK_IN_WET_AIR } else { DAYS_BY_CLOCK }
}

/// The air before the fall was as wet as it is before rain.
fn was_wet(state: &SiteState, fall: &Fall) -> bool {
    let before = state.book.between(fall.from.plus(-2 * HOUR), fall.from.plus(1));
    before.filter_map(|bin| bin.sum(Averaged::Humidity).mean()).fold(0.0, f64::max) >= WET_AIR_PERCENT
}

fn local_minute(at: Stamp, context: &Context<'_>) -> u16 {
    let local = civil::local(context.site.zone, at);
    u16::try_from(local.hour() * 60 + local.minute()).unwrap_or(0)
}

/// A day on which something but drip waters.
fn waters_on(at: Stamp, context: &Context<'_>) -> bool {
    let weekday = civil::weekday(civil::date(context.site.zone, at));
    context.site.groups.iter().any(|group| !is_drip(group) && group.watering_days[weekday])
}

fn is_drip(group: &GroupSettings) -> bool {
    matches!(group.kind, GroupKind::Drip | GroupKind::Bubbler)
}

/// Bridges report a run within this. Our choice.
const LATEST_REPORT: i64 = 6 * HOUR;

/// Where a bridge reports runs, one that is not reported by then did not happen. Our choice.
const REPORTED_WITHIN: i64 = 90 * MINUTE;

/// Days with a fall within a run that make it the sprinkler's. Our choice.
const DAYS_IN_RUNS: usize = 2;

/// As [`DAYS_IN_RUNS`], where the air was as wet before as it is before rain and no neighbor says that it was dry: a rainy
/// night meets a run now and then.
const DAYS_IN_RUNS_IN_WET_AIR: usize = 3;

/// Days with a fall at the same time that make it the sprinkler's, where nobody reports runs.
const DAYS_BY_CLOCK: usize = 3;

/// As [`DAYS_BY_CLOCK`], where the air was as wet before as it is before rain. Our choice: so wet, three showers at one time
/// of day within three weeks are common by chance.
const DAYS_BY_CLOCK_IN_WET_AIR: usize = 5;

/// Most rain falls in air with at least this. Our choice: 90 % of the rain of `tests/vectors/new_york_2013_hourly.csv` did.
const WET_AIR_PERCENT: f64 = 85.0;

/// Runs that leave the gauge dry, after which it is believed again. Our choice.
const DRY_RUNS_TO_END: u8 = 3;
