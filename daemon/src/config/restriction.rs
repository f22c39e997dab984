//! Watering restrictions: rules of a district that sites share, or of one site.

use super::calendar;
use super::group::KINDS;
use super::spot::Spot;
use super::table::Table;
use crate::engine::settings::{Parity, RestrictionRule, Window};

/// A rule, with the places of the groups it names: whether they exist is known when the groups are.
pub(super) struct Rule<'n> {
    pub rule: RestrictionRule,
    pub groups: Vec<(String, Spot<'n>)>,
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
    let rules = rules.into_iter().map(|rule| rule.rule).collect();
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
    let from = calendar::date(table, "from");
    let until = calendar::date(table, "until");
    if let (Some(from), Some(until)) = (from, until)
        && until < from
    {
        table.fault("until", format!("lies before from ({from}); the rule would never bind"));
    }
    let exempt = table.list("exempt_kinds", "kinds, for example [\"drip\"]").unwrap_or_default();
    let exempt_kinds = exempt.iter().filter_map(|spot| spot.word(&KINDS)).collect();
    let groups = table.list("groups", "ids of groups").unwrap_or_default();
    let groups: Vec<(String, Spot<'n>)> =
        groups.into_iter().filter_map(|spot| Some((spot.id("lawn")?.to_owned(), spot))).collect();
    if !["weekdays", "dates", "barred"].iter().any(|key| table.has(key)) {
        table.here().note("restricts nothing; write weekdays, dates or barred");
    }
    let name = name.map_or_else(|| "watering restriction".to_owned(), str::to_owned);
    let source = own_source.or(source)?.to_owned();
    let rule = RestrictionRule {
        name,
        source,
        allowed_weekdays,
        parity,
        barred,
        from,
        until,
        exempt_kinds,
        groups: groups.iter().map(|(id, _)| id.clone()).collect(),
    };
    Some(Rule { rule, groups })
}

const SOURCE_EXAMPLE: &str = "Valley Water District, rule 12, valley-water.example/rules";
