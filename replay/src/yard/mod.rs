//! The yard: years of measured weather, played as messages through the engine, with a controller that obeys; and what became
//! of the plants.
//!
//! Modelled on the published protocol for controllers that follow the weather, with the zone table from memory ([`zones`]):
//! six zones, a true soil balance run through without a reset, and every eligible window of 30 days scored ([`score`]).
//!
//! - [`weather`]: the history made ready; [`hours`]: from its days to hours.
//! - [`setup`]: sensors, controller, days; [`given`]: normals from a file; [`faults`]: what goes wrong;
//!   [`neighbors`]: sites nearby that stand in.
//! - [`mod@play`]: the closed loop with the engine; [`rules`]: what others would have done.
//! - [`summary`], [`page`] and its [`charts`], [`daily`]: what was found. [`arguments`]: the command line.

pub mod arguments;
pub mod charts;
pub mod daily;
pub mod faults;
pub mod given;
pub mod hours;
pub mod neighbors;
pub mod page;
pub mod play;
pub mod rules;
pub mod score;
pub mod setup;
pub mod summary;
#[cfg(test)]
mod tests;
pub mod weather;
pub mod zones;

use std::collections::BTreeMap;

use chrono::Datelike;

use faults::{Fault, Plan};
use play::{Played, play};
use rules::{Ledger, Schedule};
use score::{Account, SETTLING, Score, Scored};
use setup::Setup;
use summary::{Compared, FaultScore, Findings};
use weather::{Normals, Series};
use zones::PerZone;

/// Where the yard's normals come from.
#[derive(Clone, Debug, PartialEq)]
pub enum NormalsFrom {
    /// The whole history.
    History,
    /// Its first years; the rest is scored.
    FirstYears(u32),
    /// As somebody gives them: daily means, and the table of the configuration.
    Given(Box<Normals>, String),
}

/// A run with everything a report shows.
#[derive(Clone, Debug)]
pub struct Outcome {
    pub findings: Findings,
    pub series: Series,
    pub played: Played,
    pub account: Account,
    pub schedule: Schedule,
    pub scored_from: usize,
    /// The days of the last run: of the last fault, where one was asked for.
    pub daily: String,
}

/// Plays `series` without a fault, then once for each of `faults`, and scores it all.
///
/// # Errors
/// The history has not every month of the year (or the first years of it have not), or nothing of it is left to score.
pub fn run(series: Series, setup: &Setup, from: NormalsFrom, faults: &[Fault]) -> Result<Outcome, String> {
    let mut table = None;
    let (normals, scored_from, named) = match from {
        NormalsFrom::History => (Normals::of(&series.days, series.spot), SETTLING, "of the whole history".to_owned()),
        NormalsFrom::FirstYears(years) => {
            let first = series.after_years(years);
            let normals = Normals::of(&series.days[..first], series.spot);
            (normals, first.max(SETTLING), format!("of the first {years} years, which are not scored"))
        }
        NormalsFrom::Given(normals, text) => {
            table = Some(text);
            (Some(*normals), SETTLING, "as given".to_owned())
        }
    };
    let normals = normals.ok_or("the history has not every month of a year: give a longer one, or normals")?;
    if series.days.len() < scored_from + score::WINDOW {
        return Err(
            "nothing of the history is left to score: give a longer one, or fewer years to the normals".to_owned()
        );
    }
    let schedule = Schedule::of(&normals, setup.days);
    let years: Vec<i32> = series.days.iter().map(|day| day.date.year()).collect();
    let scored = Scored { from: scored_from, overlapping: None, years: &years };
    let account = |given: &[PerZone]| account_of(&series, given);
    let text = setup::configuration(setup, &series, &schedule, &normals, table.as_deref());
    let played = play(&series, setup, &schedule, &text, &Plan::none())?;
    let whole = account(&played.given);
    let rule = |given: Vec<PerZone>| account(&given).score(scored);
    let truth = |read: fn(&weather::Day) -> f64| series.days.iter().map(read).collect::<Vec<f64>>();
    let mut findings = Findings {
        score: whole.score(scored),
        fixed_timer: rule(rules::fixed_timer(&series, &schedule)),
        percent_rule: rule(rules::percent_rule(&series, &schedule, false)),
        percent_rule_with_rain_hold: rule(rules::percent_rule(&series, &schedule, true)),
        ledger_without_messages: rule(rules::ledger(&series, &schedule, Ledger::usual(setup.storage_known))),
        eto: Compared::of(&played.eto_mm, &truth(|day| day.eto_mm)),
        rain: Compared::of(&played.rain_mm, &truth(|day| day.rain_mm)),
        days: series.len(),
        filled_days: series.filled,
        scored_from: series.days[scored_from].date.to_string(),
        scored_until: series.days.last().map(|day| day.date.to_string()).unwrap_or_default(),
        truth: series.truth.text(),
        sensors: setup.sensors.text(),
        controller: setup.controller.name(),
        watering_days_a_week: setup.days.iter().filter(|day| **day).count(),
        storage: if setup.storage_known { "storage known" } else { "storage not known, ceiling 25 mm" },
        normals: named,
        messages: played.messages,
        instructions: played.instructions,
        alerts: counted(&played.alerts),
        seed: setup.seed,
        neighbors: setup.neighbors,
        note: "modelled on the published protocol, zone table from memory; no statement of conformity",
        ..Findings::default()
    };
    let mut daily = daily::table(&series, &played, &whole, &[]);
    for fault in faults {
        let mut plan = Plan::of(*fault, &series, &normals, setup.seed);
        plan.spells.retain(|spell| spell.first >= scored_from);
        let faulty = play(&series, setup, &schedule, &text, &plan)?;
        let hit = plan.days(series.len());
        let overlapping = Scored { overlapping: Some(&hit), ..scored };
        let mut score = told(*fault, &plan, &faulty, &played, setup.neighbors);
        score.pass_percent_without = whole.score(overlapping).pass_percent;
        let account = account(&faulty.given);
        score.score = account.score(overlapping);
        daily = daily::table(&series, &faulty, &account, &hit);
        findings.by_fault.insert(fault.name(), score);
    }
    Ok(Outcome { findings, series, played, account: whole, schedule, scored_from, daily })
}

/// The true balance of a history that was watered with `given`.
pub fn account_of(series: &Series, given: &[PerZone]) -> Account {
    let column = |read: fn(&weather::Day) -> f64| series.days.iter().map(read).collect::<Vec<f64>>();
    let months: Vec<usize> = series.days.iter().map(weather::Day::month).collect();
    Account::of(&column(|day| day.eto_mm), &column(|day| day.rain_mm), &months, given)
}

/// The score of a rule over the whole history, as the reference implementation does it.
pub fn score_of(series: &Series, given: &[PerZone], from: usize) -> Score {
    account_of(series, given).score(Scored { from, ..Scored::default() })
}

/// Who was told of a fault: alerts of its kinds that opened on its days and not on these days without it.
fn told(fault: Fault, plan: &Plan, faulty: &Played, clean: &Played, neighbors: usize) -> FaultScore {
    let mut delays: Vec<f64> = Vec::new();
    let mut kinds: BTreeMap<String, usize> = BTreeMap::new();
    for spell in &plan.spells {
        let within = |day: usize| (spell.first..=spell.last).contains(&day);
        let opened = |played: &Played| -> Vec<(usize, String)> {
            let names = |kind: &str| fault.alert_kinds().contains(&kind);
            played.alerts.iter().filter(|(day, kind)| within(*day) && names(kind)).cloned().collect()
        };
        let usual = opened(clean);
        let mut new = opened(faulty).into_iter().filter(|alert| !usual.contains(alert));
        if let Some((day, kind)) = new.next() {
            delays.push((day - spell.first) as f64);
            *kinds.entry(kind).or_default() += 1;
        }
    }
    delays.sort_by(f64::total_cmp);
    let median = delays.get(delays.len() / 2).copied();
    FaultScore {
        seasons: plan.spells.len(),
        alerted: delays.len(),
        alert_kinds: kinds.into_keys().collect(),
        days_to_alert: median,
        why_unseen: fault.why_unseen(neighbors).filter(|_| delays.is_empty()),
        what: fault.text(),
        ..FaultScore::default()
    }
}

fn counted(alerts: &[(usize, String)]) -> BTreeMap<String, usize> {
    let mut counts = BTreeMap::new();
    for (_, kind) in alerts {
        *counts.entry(kind.clone()).or_default() += 1;
    }
    counts
}
