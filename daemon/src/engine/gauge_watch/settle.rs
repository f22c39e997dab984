//! The end of a doubt: rain after all, a knock after all, or no longer in doubt; the day book follows.

use crate::engine::alert::AlertKind;
use crate::engine::evidence;
use crate::engine::intake;
use crate::engine::output::Level;
use crate::engine::publish::{alerts, log, words};
use crate::engine::site::day_book::Move;
use crate::engine::site::quarantine::{Cause, Doubt};
use crate::engine::stamp::{DAY, HOUR, MINUTE, Stamp};
use crate::engine::state::{Context, SiteState};

/// A person says what became of the doubted rain of a sensor. Mm that were settled; None where there was no doubt.
pub fn settle(state: &mut SiteState, index: usize, confirm: bool, context: &mut Context<'_>) -> Option<f64> {
    let doubts = std::mem::take(&mut state.sensors[index].doubts);
    let mut settled = None;
    for doubt in doubts {
        if confirm && !doubt.quarantined {
            // It counts already; now nobody doubts it.
            continue;
        }
        let mm = if confirm {
            learn(state, &doubt);
            give_back(state, &doubt, context)
        } else if doubt.quarantined {
            shift(state, &doubt, Move::Discard, context)
        } else {
            let mm = shift(state, &doubt, Move::OutOfTotals, context);
            no_longer_rain(state, &doubt, mm, context);
            mm
        };
        if confirm && doubt.cause == Cause::Spray {
            super::spray::over(state, index, context);
        }
        close(state, index, &doubt, context);
        settled = Some(settled.unwrap_or(0.0) + mm);
    }
    settled
}

/// Water was poured through the gauge at `at`, as a person says: what it tipped within the hour before leaves the totals.
/// Returns mm.
pub fn calibrated(state: &mut SiteState, index: usize, at: Stamp, context: &mut Context<'_>) -> f64 {
    let entry = &mut state.sensors[index];
    let poured =
        |from: Stamp, to: Stamp| at.plus(-POURED_WITHIN) <= from.max(to.plus(-MINUTE)) && to <= at.plus(MINUTE);
    let Some(spray) = entry.spray.as_deref_mut() else { return 0.0 };
    let pieces = spray.pieces(poured);
    let (Some(&(first, _)), Some(&(last, _))) = (pieces.first(), pieces.last()) else { return 0.0 };
    spray.forget(poured);
    let mut doubt = Doubt::new(Cause::Knock, first, last);
    pieces.into_iter().for_each(|(at, um)| doubt.add(at, um));
    entry.doubts.retain(|other| other.quarantined || other.last < first || last < other.first);
    let mm = shift(state, &doubt, Move::OutOfTotals, context);
    no_longer_rain(state, &doubt, mm, context);
    mm
}

/// Rain that counted does not any more: the event is smaller, and holds that rested on it end.
pub fn no_longer_rain(state: &mut SiteState, doubt: &Doubt, mm: f64, context: &mut Context<'_>) {
    if mm > 0.0 {
        state.event.take_out(mm);
        let left = state.event.mm(context.now.wall, &context.site.rain);
        for (group, settings) in state.groups.iter_mut().zip(&context.site.groups) {
            let began_with_it = group.rain.since().is_some_and(|since| doubt.first <= since);
            if began_with_it && left * settings.rain_exposure < context.site.rain.threshold_mm {
                group.rain.withdraw();
                group.false_alarm = true;
            }
        }
    }
    evidence::figure_today(state, context);
    state.sent.totals_due = true;
}

/// The evidence says rain after all.
pub fn lift(state: &mut SiteState, index: usize, doubt: Doubt, why: &str, context: &mut Context<'_>) {
    let mm = give_back(state, &doubt, context);
    close(state, index, &doubt, context);
    let id = &context.site.sensors[index].id;
    let text = format!("sensor {id}: {} out of quarantine, it was rain: {why}", words::depth(context.site, mm));
    log(context, Level::Info, text);
}

/// Quarantined rain counts, dated when it fell. Returns mm.
fn give_back(state: &mut SiteState, doubt: &Doubt, context: &mut Context<'_>) -> f64 {
    let mm = shift(state, doubt, Move::IntoTotals, context);
    if mm > 0.0 {
        let now = context.now.wall;
        state.event.add(mm, doubt.first, doubt.last, &context.site.rain);
        let last_day_mm = state.book.rain_mm(now.plus(-DAY), now.plus(HOUR));
        evidence::rained(state, last_day_mm, context);
    }
    mm
}

/// Moves what a doubt put into the day book. Returns mm.
pub fn shift(state: &mut SiteState, doubt: &Doubt, to: Move, context: &mut Context<'_>) -> f64 {
    let mut moved = 0i64;
    for &(at, um) in doubt.pieces() {
        moved += i64::from(state.book.shift(at, um, to));
        touch(state, at, context);
    }
    evidence::figure_today(state, context);
    state.sent.totals_due = true;
    moved as f64 / 1000.0
}

/// The day of `at` is figured anew.
fn touch(state: &mut SiteState, at: Stamp, context: &Context<'_>) {
    if !state.days.touch(at) {
        state.too_late = state.too_late.saturating_add(1);
    }
    intake::note_late(state, at, context);
}

/// Closes the alert where no other doubt of its kind is left.
pub fn close(state: &mut SiteState, index: usize, doubt: &Doubt, context: &mut Context<'_>) {
    let left = state.sensors[index].doubts.iter().any(|other| other.quarantined && other.cause == doubt.cause);
    let kind = match doubt.cause {
        Cause::Knock => AlertKind::GaugeKnocked,
        // As long as the sprinkler reaches the gauge, somebody has to go there.
        Cause::Spray if state.sensors[index].spray.as_deref().is_some_and(|spray| spray.known) => return,
        Cause::Spray => AlertKind::GaugeSprayed,
        Cause::Jump => return,
    };
    if doubt.quarantined && !left {
        alerts::clear(state, kind, &context.site.sensors[index].id, context);
    }
}

/// A person said that it was rain: at this humidity it can begin here.
fn learn(state: &mut SiteState, doubt: &Doubt) {
    if let Some(percent) = doubt.evidence.humidity_percent.filter(|_| doubt.cause == Cause::Knock) {
        state.humidity.onset(f64::from(percent));
    }
}

/// Calibration water is poured within this time before its mark. Our choice.
const POURED_WITHIN: i64 = HOUR;
