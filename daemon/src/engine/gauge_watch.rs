//! Tips under doubt: judged as they come, watched while more is learnt, put in quarantine, and settled by a person, by
//! evidence or by the end of their time.

mod clogged;
mod clues;
mod learn;
mod settle;
mod spray;

use super::alert::{AlertKind, Wording};
use super::civil;
use super::evidence;
use super::output::Level;
use super::publish::{alerts, log, words};
use super::rainfall;
use super::reading::Flag;
use super::settings::SensorSettings;
use super::site::day_book::{Move, SPREAD_FROM, micrometers};
use super::site::knock::{Score, Verdict};
use super::site::quarantine::{Cause, Doubt, TOGETHER};
use super::site::rain::{Catch, Outcome};
use super::stamp::{DAY, HOUR, MINUTE, Stamp};
use super::state::{Context, SiteState};
pub use clogged::{believed, tipped as proven, told};
use clues::{begun, look};
pub use settle::{calibrated, settle};
use settle::{close, lift, no_longer_rain, shift};
pub use spray::{moved, ran};

/// The site's gauge, sensor `index`, caught rain: it counts, or it waits in quarantine. Returns the flag of the reading where
/// there is a doubt. `live`: news of now, to be judged by what is known now; `interval`: as for the day book.
pub fn tipped(
    state: &mut SiteState,
    index: usize,
    catch: &Catch,
    live: bool,
    interval: i64,
    context: &mut Context<'_>,
) -> Option<Flag> {
    let span = catch.to.since(catch.from);
    let at_once = span <= interval.max(SPREAD_FROM);
    // When a counter began anew, nobody knows; what it shows since is judged as of now.
    let after_reset = catch.outcome == Outcome::AfterReset && span <= RESET_WITHIN;
    if !context.site.knock.enabled || !live || !(at_once || after_reset) {
        if catch.mm >= LARGE_MM && !at_once {
            // It can be rain; a person who wonders about the total finds the mark.
            *state.sensors[index].sensor.flags.entry("rain_unchecked".to_owned()).or_default() += 1;
        }
        rainfall::count(state, catch.mm, catch.from, catch.to, interval, context);
        return None;
    }
    if spray::expected(state, index, catch, context) {
        return Some(Flag::Suspect);
    }
    if catch.outcome == Outcome::AfterReset {
        state.sensors[index].reset_at = Some(catch.to);
    }
    let (counts, flag) = judge(state, index, catch, interval, context);
    if counts {
        learn::rained(state, context);
        spray::note(state, index, catch, context);
    }
    flag
}

/// Judges tips that are news of now. Whether they count, and the flag where there is a doubt.
fn judge(
    state: &mut SiteState,
    index: usize,
    catch: &Catch,
    interval: i64,
    context: &mut Context<'_>,
) -> (bool, Option<Flag>) {
    let span = catch.to.since(catch.from);
    let known =
        state.sensors[index].doubts.iter().position(|doubt| doubt.cause == Cause::Knock && doubt.goes_on(catch.to));
    let mut doubt = match known {
        Some(position) => state.sensors[index].doubts.remove(position),
        None => begun(state, index, catch, context),
    };
    doubt.tipped(catch.to);
    let tips = catch.mm / context.site.sensors[index].gauge.tip_mm.max(0.01);
    let quick = doubt.last.since(doubt.first) <= MINUTE && doubt.reports >= 3;
    // Several tips in one report are a burst only where the report is of a short time.
    let in_one = doubt.reports == 1 && tips > 2.5 && span <= LONGEST_BURST;
    doubt.evidence.burst = quick || in_one || (doubt.evidence.burst && doubt.reports <= 2);
    doubt.evidence.rattle |= doubt.in_a_breath >= 2;
    look(state, index, &mut doubt, context);
    let score = Score::of(&doubt.evidence, &state.humidity);
    let verdict = score.verdict(&context.site.knock);
    let bin = catch.to.plus(-1);
    if doubt.quarantined && score.decibels < 0.0 {
        lift(state, index, doubt, "the tips go on as rain does", context);
        rainfall::count(state, catch.mm, catch.from, catch.to, interval, context);
        return (true, None);
    }
    if !doubt.quarantined && verdict == Verdict::Rain {
        rainfall::count(state, catch.mm, catch.from, catch.to, interval, context);
        return (true, None);
    }
    if !doubt.quarantined && verdict == Verdict::Provisional {
        rainfall::count(state, catch.mm, catch.from, catch.to, interval, context);
        if span <= interval.max(SPREAD_FROM) {
            doubt.add(bin, micrometers(catch.mm));
            keep(state, index, doubt);
        }
        return (true, (score.decibels > 0.0).then_some(Flag::Suspect));
    }
    state.book.add_rain(context.site.zone, catch.mm, true, bin, bin, 0);
    state.sent.totals_due = true;
    if doubt.quarantined {
        doubt.add(bin, micrometers(catch.mm));
        evidence::figure_today(state, context);
    } else {
        let counted_mm = shift(state, &doubt, Move::IntoQuarantine, context);
        doubt.add(bin, micrometers(catch.mm));
        quarantine(state, index, &mut doubt, counted_mm, &score, context);
    }
    keep(state, index, doubt);
    (false, Some(Flag::Suspect))
}

/// Notes rain that a jump of the counter put in quarantine.
pub fn jumped(state: &mut SiteState, index: usize, mm: f64, at: Stamp) {
    let doubts = &mut state.sensors[index].doubts;
    let position = doubts.iter().position(|doubt| doubt.cause == Cause::Jump).unwrap_or_else(|| {
        let mut doubt = Doubt::new(Cause::Jump, at, at);
        doubt.quarantined = true;
        doubts.push(doubt);
        doubts.len() - 1
    });
    if let Some(doubt) = doubts.get_mut(position) {
        doubt.tipped(at);
        doubt.add(at.plus(-1), micrometers(mm));
    }
}

/// What was put in quarantine since a jump never fell. True where there was any.
pub fn void_jump(state: &mut SiteState, index: usize, context: &mut Context<'_>) -> bool {
    let position = state.sensors[index].doubts.iter().position(|doubt| doubt.cause == Cause::Jump);
    let Some(doubt) = position.map(|position| state.sensors[index].doubts.remove(position)) else { return false };
    shift(state, &doubt, Move::Discard, context);
    true
}

/// Looks again at every doubt of the site: what is known now, and whose time is over.
pub fn review(state: &mut SiteState, context: &mut Context<'_>) {
    learn::hour(state, context);
    if !context.now.trusted || state.sensors.iter().all(|entry| entry.doubts.is_empty() && entry.spray.is_none()) {
        return;
    }
    for index in 0..state.sensors.len().min(context.site.sensors.len()) {
        spray::review(state, index, context);
        for doubt in std::mem::take(&mut state.sensors[index].doubts) {
            match doubt.cause {
                Cause::Knock => judge_again(state, index, doubt, context),
                Cause::Spray => spray::judge_again(state, index, doubt, context),
                Cause::Jump => wait(state, index, doubt, context),
            }
        }
    }
}

fn judge_again(state: &mut SiteState, index: usize, mut doubt: Doubt, context: &mut Context<'_>) {
    let now = context.now.wall;
    look(state, index, &mut doubt, context);
    let score = Score::of(&doubt.evidence, &state.humidity);
    if doubt.quarantined {
        if score.decibels < 0.0 {
            return lift(state, index, doubt, "more is known now", context);
        }
        return wait(state, index, doubt, context);
    }
    match score.verdict(&context.site.knock) {
        Verdict::Knock => {
            let mm = shift(state, &doubt, Move::IntoQuarantine, context);
            quarantine(state, index, &mut doubt, mm, &score, context);
            keep(state, index, doubt);
        }
        Verdict::Provisional if now.since(doubt.last) < REMEMBERED => keep(state, index, doubt),
        Verdict::Rain | Verdict::Provisional => {}
    }
}

/// Keeps what is in quarantine until its time is over.
fn wait(state: &mut SiteState, index: usize, doubt: Doubt, context: &mut Context<'_>) {
    let stands = doubt.cause == Cause::Jump && state.sensors[index].gauge.quarantined_since().is_some();
    if stands || context.now.wall < ends_at(&doubt, context) {
        return keep(state, index, doubt);
    }
    let moved = shift(state, &doubt, Move::Discard, context);
    close(state, index, &doubt, context);
    if doubt.cause != Cause::Jump {
        let text = format!(
            "sensor {}: {} in quarantine discarded: nobody confirmed it in time",
            context.site.sensors[index].id,
            words::depth(context.site, moved)
        );
        log(context, Level::Warn, text);
    }
}

/// When the next doubt has to be looked at, if nothing comes.
pub fn next_look(state: &SiteState, context: &Context<'_>) -> Option<Stamp> {
    let now = context.now.wall;
    let all = state.sensors.iter().flat_map(|entry| &entry.doubts);
    let due = all.flat_map(|doubt| {
        let over = if doubt.quarantined { ends_at(doubt, context) } else { doubt.last.plus(REMEMBERED) };
        [doubt.last.plus(TOGETHER), doubt.last.plus(TOGETHER + HOUR / 2), over]
    });
    let falls = state.sensors.iter().filter_map(|entry| spray::next_look(entry.spray.as_deref()?));
    due.chain(falls).filter(|due| *due > now).min()
}

/// The wall clock went back.
pub fn clock_stepped(state: &mut SiteState, now: Stamp) {
    for entry in &mut state.sensors {
        entry.doubts.iter_mut().for_each(|doubt| doubt.clock_stepped(now));
        entry.reset_at = entry.reset_at.map(|at| at.min(now));
        if let Some(spray) = &mut entry.spray {
            spray.clock_stepped(now);
        }
    }
}

/// When what waits in quarantine is discarded.
fn ends_at(doubt: &Doubt, context: &Context<'_>) -> Stamp {
    doubt.last.plus(i64::from(context.site.knock.discard_after_hours) * HOUR)
}

/// Tips are a knock: out of event and holds, and a person is asked. `counted_mm`: what of it counted until now; the day book
/// has it in quarantine already.
fn quarantine(
    state: &mut SiteState,
    index: usize,
    doubt: &mut Doubt,
    counted_mm: f64,
    score: &Score,
    context: &mut Context<'_>,
) {
    doubt.quarantined = true;
    no_longer_rain(state, doubt, counted_mm, context);
    let settings = &context.site.sensors[index];
    alerts::raise(state, AlertKind::GaugeKnocked, &settings.id, wording(doubt, score, settings, context), context);
}

fn wording(doubt: &Doubt, score: &Score, settings: &SensorSettings, context: &Context<'_>) -> Wording {
    let (site, now) = (context.site, context.now.wall);
    let percent = 100.0 * score.probability();
    let until = civil::clock_text(site.zone, ends_at(doubt, context), now);
    let text = format!(
        "The rain gauge of sensor {} tipped {} at {}, and that looks like a knock, not rain ({percent:.0} % likely). For a \
         knock: {}. For rain: {}. It is in quarantine and counts for nothing.",
        settings.id,
        words::depth(site, doubt.mm()),
        civil::clock_text(site.zone, doubt.first, now),
        score.words(true, &doubt.evidence),
        score.words(false, &doubt.evidence),
    );
    let action = format!(
        "Was it rain? Send the command confirm_rain for sensor {0}. Was it none? Send discard_rain for sensor {0}, or do \
         nothing: it is discarded at {until}.",
        settings.id
    );
    let mut wording = Wording::new(text, action)
        .with("quarantined_mm", doubt.mm())
        .with("probability_percent", percent)
        .with("score_db", score.decibels);
    for (clue, weight) in &score.clues {
        wording = wording.with(&format!("score_{}_db", clue.name()), *weight);
    }
    wording
}

/// Keeps a doubt, the oldest giving way.
fn keep(state: &mut SiteState, index: usize, doubt: Doubt) {
    let doubts = &mut state.sensors[index].doubts;
    doubts.push(doubt);
    if doubts.len() > MOST_DOUBTS
        && let Some(watched) = doubts.iter().position(|doubt| !doubt.quarantined)
    {
        doubts.remove(watched);
    }
    // Of two quarantines too many the later takes the older in: nothing of it is lost.
    while doubts.len() > MOST_DOUBTS {
        let oldest = doubts.remove(0);
        let Some(heir) = doubts.iter_mut().find(|doubt| doubt.cause == oldest.cause) else { break };
        oldest.pieces().iter().for_each(|&(at, um)| heir.add(at, um));
        heir.first = heir.first.min(oldest.first);
    }
}

/// A counter that began anew within this time is judged as if it had tipped now. Our choice.
const RESET_WITHIN: i64 = 3 * HOUR;

/// A report of a longer time says nothing about tips at once. Our choice.
const LONGEST_BURST: i64 = 15 * MINUTE;

/// Tips that count under doubt can be called a knock for so long: a service mark can be a day late.
const REMEMBERED: i64 = DAY;

/// So much in one report over a time that nobody watched is marked for a check against other gauges. Our choice.
const LARGE_MM: f64 = 5.0;

/// Doubts of one gauge at a time. Our choice.
const MOST_DOUBTS: usize = 6;
