//! Watering restrictions: rules of a district that sites share, or of one site.

use chrono::NaiveDate;

use super::calendar::{self, End};
use super::group::KINDS;
use super::measure::MINUTES;
use super::spot::Spot;
use super::table::Table;
use crate::engine::settings::{Parity, RestrictionRule, Window};

/// A rule, with the places of the groups it names: whether they exist is known when the groups are.
pub(super) struct Rule<'n> {
    pub rule: RestrictionRule,
    pub groups: Vec<(String, Spot<'n>)>,
    /// Stages of the district in which it is in force; None: in all of them.
    pub stages: Option<Vec<u8>>,
}

/// The rules of a district.
pub(super) struct District {
    pub id: String,
    pub rules: Vec<RestrictionRule>,
}

/// Reads a district. Its rules name no groups: sites have their own.
pub(super) fn read_district(table: &Table<'_>) -> Option<District> {
    let id = table.id("id", "valley-water");
    let source = table.text("source", SOURCE_EXAMPLE);
    if !table.has("source") {
        table.missing("source", format!("say who published the rules and where, for example \"{SOURCE_EXAMPLE}\""));
    }
    let rules: Vec<Rule<'_>> =
        table.tables("rules").iter().filter_map(|rule| read_rule(rule, source.or(Some("")))).collect();
    if !table.has("rules") {
        table.missing("rules", "write at least one rule, for example { weekdays = [\"mon\", \"thu\"] }");
    }
    for (_, spot) in rules.iter().flat_map(|rule| &rule.groups) {
        spot.fault("a district knows no groups; write the rule under the site, or exempt_kinds");
    }
    let schedule = schedule(table);
    let rules = rules.iter().flat_map(|rule| in_force(rule, &schedule)).collect();
    Some(District { id: id?.to_owned(), rules })
}

/// Reads a rule; `source` stands where it has none of its own.
pub(super) fn read_rule<'n>(table: &Table<'n>, source: Option<&str>) -> Option<Rule<'n>> {
    let name = table.text("name", "Summer stage 2");
    let own_source = table.text("source", SOURCE_EXAMPLE);
    if own_source.is_none() && source.is_none() && !table.has("source") {
        table.missing("source", format!("say who published the rule and where, for example \"{SOURCE_EXAMPLE}\""));
    }
    let allowed_weekdays = calendar::weekdays(table, "weekdays");
    let parity = table.word("dates", &[("odd", Parity::Odd), ("even", Parity::Even)]);
    let barred = table.list("barred", "times of day, for example [\"10:00-18:00\"]").unwrap_or_default();
    let barred: Vec<Window> = barred.iter().filter_map(calendar::window).collect();
    let days_a_week = table.whole("days_a_week", 1..=6);
    let most_minutes = table.measured("most_run", &MINUTES, 1.0..=1440.0);
    let (from, until, every_year) = span(table);
    let stages = table.list("stages", "numbers of stages, for example [2, 3]").map(|spots| {
        spots.iter().filter_map(|spot| spot.number(0.0..=9.0)).map(|stage| stage as u8).collect::<Vec<u8>>()
    });
    let exempt = table.list("exempt_kinds", "kinds, for example [\"drip\"]").unwrap_or_default();
    let exempt_kinds = exempt.iter().filter_map(|spot| spot.word(&KINDS)).collect();
    let groups = table.list("groups", "ids of groups").unwrap_or_default();
    let groups: Vec<(String, Spot<'n>)> =
        groups.into_iter().filter_map(|spot| Some((spot.id("lawn")?.to_owned(), spot))).collect();
    let rules = ["weekdays", "dates", "barred", "days_a_week"];
    if !rules.iter().any(|key| table.has(key)) && most_minutes.is_none() {
        table.here().note("restricts nothing; write weekdays, dates, days_a_week, barred or most_run");
    }
    let name = name.map_or_else(|| "watering restriction".to_owned(), str::to_owned);
    let source = own_source.or(source)?.to_owned();
    let rule = RestrictionRule {
        name,
        source,
        allowed_weekdays,
        parity,
        days_a_week,
        most_minutes,
        barred,
        from,
        until,
        every_year,
        exempt_kinds,
        groups: groups.iter().map(|(id, _)| id.clone()).collect(),
    };
    Some(Rule { rule, groups, stages })
}

/// From a month and day to another.
type EveryYear = ((u8, u8), (u8, u8));

/// First and last day of force: dates, or months and days of every year.
fn span(table: &Table<'_>) -> (Option<NaiveDate>, Option<NaiveDate>, Option<EveryYear>) {
    match (calendar::end(table, "from"), calendar::end(table, "until")) {
        (Some(End::EveryYear(month, day)), Some(End::EveryYear(last_month, last_day))) => {
            (None, None, Some(((month, day), (last_month, last_day))))
        }
        (Some(End::EveryYear(..)), _) | (_, Some(End::EveryYear(..))) => {
            table.fault("until", "from and until of every year go together, for example \"05-01\" and \"09-30\"");
            (None, None, None)
        }
        (from, until) => {
            let date = |end: Option<End>| match end {
                Some(End::Date(date)) => Some(date),
                _ => None,
            };
            let (from, until) = (date(from), date(until));
            if let (Some(from), Some(until)) = (from, until)
                && until < from
            {
                table.fault("until", format!("lies before from ({from}); the rule would never bind"));
            }
            (from, until, None)
        }
    }
}

/// The stages of a district and from when on they are in force: the first one before every date.
fn schedule(table: &Table<'_>) -> Vec<(Option<NaiveDate>, u8)> {
    let mut schedule = vec![(None, table.whole("stage", 0..=9).unwrap_or(0))];
    for change in &table.tables("stages") {
        let (from, stage) = (calendar::date(change, "from"), change.whole("stage", 0..=9));
        if !change.has("from") || !change.has("stage") {
            change.here().note("a change of stage needs from and stage, for example { from = 2027-07-01, stage = 2 }");
        }
        let Some((from, stage)) = from.zip(stage) else { continue };
        if schedule.last().is_some_and(|(before, _)| before.is_some_and(|before| from <= before)) {
            change.fault("from", "lies before the change above; write them in order of time");
        }
        schedule.push((Some(from), stage));
    }
    schedule
}

/// The rule in each span of time in which one of its stages is in force.
fn in_force(rule: &Rule<'_>, schedule: &[(Option<NaiveDate>, u8)]) -> Vec<RestrictionRule> {
    let Some(stages) = &rule.stages else { return vec![rule.rule.clone()] };
    let ends = schedule.iter().skip(1).map(|(from, _)| from.and_then(|from| from.pred_opt())).chain([None]);
    schedule
        .iter()
        .zip(ends)
        .filter(|((_, stage), _)| stages.contains(stage))
        .map(|((from, _), until)| RestrictionRule {
            from: rule.rule.from.max(*from),
            until: [rule.rule.until, until].into_iter().flatten().min(),
            ..rule.rule.clone()
        })
        .filter(|rule| rule.from.zip(rule.until).is_none_or(|(from, until)| from <= until))
        .collect()
}

const SOURCE_EXAMPLE: &str = "Valley Water District, rule 12, valley-water.example/rules";
