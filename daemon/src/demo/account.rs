//! The running account: what the daemon published, as lines for somebody who watches.

use std::collections::{BTreeMap, BTreeSet};

use chrono::DateTime;
use serde_json::Value;

use crate::engine::settings::{DisplayUnits, Settings, SiteSettings};
use crate::engine::stamp::Stamp;

use super::lockstep::Publication;

/// What a line is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// The evening's account of a site.
    Day,
    HoldBegins,
    HoldEnds,
    Alert,
    AlertOver,
    /// Somebody's command, and the answer.
    Command,
}

/// One line of the account.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Local time of the site.
    pub when: String,
    pub site: String,
    pub kind: Kind,
    pub text: String,
}

/// What was heard so far.
pub struct Account<'a> {
    settings: &'a Settings,
    sites: Vec<Heard>,
    /// How many began so far.
    pub holds: usize,
    pub alerts: usize,
}

#[derive(Debug, Default)]
struct Heard {
    /// Reasons to hold, by group.
    held: BTreeMap<String, BTreeSet<String>>,
    totals: Value,
    /// Texts of instructions by controller.
    told: BTreeMap<String, String>,
    /// With the time they opened.
    open_alerts: BTreeMap<String, String>,
    watered_mm: BTreeMap<String, f64>,
    last_account: String,
}

/// Holds of a site that began or ended together.
#[derive(Debug, Default)]
struct Turn {
    at: Stamp,
    begun: Vec<(String, String, Vec<String>)>,
    ended: Vec<(String, String, Vec<String>)>,
}

impl<'a> Account<'a> {
    pub fn new(settings: &'a Settings) -> Self {
        let sites = settings.sites.iter().map(|_| Heard::default()).collect();
        Self { settings, sites, holds: 0, alerts: 0 }
    }

    /// Takes in what was heard at `now`, in order, and gives what is worth a line.
    pub fn hear(&mut self, now: Stamp, publications: &[Publication]) -> Vec<Entry> {
        let mut entries = Vec::new();
        let mut turns: BTreeMap<usize, Turn> = BTreeMap::new();
        for Publication { topic, payload } in publications {
            let below = topic.strip_prefix(self.settings.prefix.as_str()).and_then(|rest| rest.strip_prefix("/site/"));
            let Some((site, rest)) = below.and_then(|below| below.split_once('/')) else { continue };
            let Some(index) = self.settings.sites.iter().position(|known| known.id == site) else { continue };
            let value: Value = serde_json::from_slice(payload).unwrap_or_default();
            let levels: Vec<&str> = rest.split('/').collect();
            let settings = &self.settings.sites[index];
            let heard = &mut self.sites[index];
            let at = issued_at(&value).unwrap_or(now);
            let entry = |kind, text| Entry { when: when(settings, at), site: site.to_owned(), kind, text };
            match levels.as_slice() {
                ["decision", group] => {
                    let turn = turns.entry(index).or_default();
                    turn.at = at;
                    heard.decision(group, &value, turn);
                }
                ["instruction", controller] => {
                    heard.told.insert((*controller).to_owned(), text(&value, "text"));
                }
                ["totals"] => heard.totals = value,
                ["report", _] => heard.report(&value),
                ["alert", kind, subject] => {
                    let key = format!("{kind}/{subject}");
                    match text(&value, "state").as_str() {
                        "open" if !heard.open_alerts.contains_key(&key) => {
                            heard.open_alerts.insert(key, when(settings, at));
                            self.alerts += 1;
                            let said = format!("{} {}", text(&value, "text"), text(&value, "suggested_action"));
                            entries.push(entry(Kind::Alert, format!("{kind}: {said}")));
                        }
                        // The last word, or the empty payload where only that one came.
                        "closed" | "" => {
                            if let Some(since) = heard.open_alerts.remove(&key) {
                                let since = since.split_whitespace().collect::<Vec<_>>().join(" ");
                                entries
                                    .push(entry(Kind::AlertOver, format!("{kind} of {subject}; it opened {since}.")));
                            }
                        }
                        _ => {}
                    }
                }
                ["command"] => {
                    let note = text(&value, "note");
                    let note = if note.is_empty() { note } else { format!(" ({note})") };
                    let who = text(&value, "who");
                    let said = if who.is_empty() {
                        "somebody sends what is no command".to_owned()
                    } else {
                        format!("{who} asks: {}{note}", asked(&value))
                    };
                    entries.push(entry(Kind::Command, said));
                }
                ["result"] => {
                    let said = format!("{}: {}", text(&value, "outcome"), text(&value, "text"));
                    entries.push(entry(Kind::Command, said));
                }
                _ => {}
            }
        }
        for (index, turn) in turns {
            self.tell_turn(index, turn, &mut entries);
        }
        entries
    }

    /// Every site's account of the day, once each evening.
    pub fn evening(&mut self, now: Stamp) -> Vec<Entry> {
        let mut entries = Vec::new();
        for (settings, heard) in self.settings.sites.iter().zip(&mut self.sites) {
            let local = now.utc().with_timezone(&settings.zone);
            let day = local.format("%F").to_string();
            let is_evening = local.format("%H").to_string().as_str() >= EVENING;
            if !is_evening || heard.last_account == day || heard.totals.is_null() {
                continue;
            }
            heard.last_account = day;
            let text = heard.day(settings);
            heard.watered_mm.clear();
            entries.push(Entry { when: when(settings, now), site: settings.id.clone(), kind: Kind::Day, text });
        }
        entries
    }

    fn tell_turn(&mut self, index: usize, turn: Turn, entries: &mut Vec<Entry>) {
        self.holds += turn.begun.len();
        let (settings, told) = (&self.settings.sites[index], self.sites[index].told());
        let entry = |kind, text| Entry { when: when(settings, turn.at), site: settings.id.clone(), kind, text };
        for (_, said, _) in &turn.begun {
            entries.push(entry(Kind::HoldBegins, format!("{said} {told}")));
        }
        for (reason, said, groups) in &turn.ended {
            let some = settings.groups.iter().filter(|group| groups.contains(&group.id));
            let labels: Vec<&str> = some.map(|group| group.label.as_str()).collect();
            let labels = if labels.len() == settings.groups.len() {
                String::new()
            } else {
                format!(" for {}", labels.join(", "))
            };
            let text = format!("The {} hold is over{labels}. {said} {told}", reason.replace('_', " "));
            entries.push(entry(Kind::HoldEnds, text));
        }
    }
}

impl Heard {
    /// Reasons that are new or gone; groups with the same are told of together.
    fn decision(&mut self, group: &str, value: &Value, turn: &mut Turn) {
        let holds = value.get("holds").and_then(Value::as_array).map(Vec::as_slice).unwrap_or_default();
        let reasons: BTreeSet<String> = holds.iter().map(|hold| text(hold, "reason")).collect();
        let before = self.held.insert(group.to_owned(), reasons.clone()).unwrap_or_default();
        for hold in holds.iter().filter(|hold| !before.contains(&text(hold, "reason"))) {
            note(&mut turn.begun, text(hold, "reason"), text(hold, "text"), group);
        }
        for reason in before.difference(&reasons) {
            let said = if reasons.is_empty() {
                text(value, "text")
            } else {
                let others: Vec<&str> = reasons.iter().map(String::as_str).collect();
                format!("Still held for {}.", others.join(", "))
            };
            note(&mut turn.ended, reason.clone(), said, group);
        }
    }

    fn report(&mut self, value: &Value) {
        for run in value.get("runs").and_then(Value::as_array).into_iter().flatten() {
            let mm = run.get("depth_mm").and_then(Value::as_f64).unwrap_or(0.0);
            *self.watered_mm.entry(text(run, "group")).or_default() += mm;
        }
    }

    fn day(&self, settings: &SiteSettings) -> String {
        let of = |pointer: &str| self.totals.pointer(pointer).and_then(Value::as_f64);
        let mut parts = Vec::new();
        let (low, high) = (of("/air_temperature_min_celsius"), of("/air_temperature_max_celsius"));
        if let (Some(low), Some(high)) = (low, high) {
            parts.push(range(settings, low, high));
        }
        parts.push(match of("/rain/day_mm") {
            Some(mm) if mm >= 0.05 => format!("rain {}", depth(settings, mm)),
            Some(_) => "dry".to_owned(),
            None => "rain unknown".to_owned(),
        });
        if let Some(mm) = of("/eto_mm") {
            parts.push(format!("ETo {}", depth(settings, mm)));
        }
        let named = |id: &str, text: String| if settings.groups.len() > 1 { format!("{id} {text}") } else { text };
        let watered = settings.groups.iter().filter_map(|group| {
            let mm = self.watered_mm.get(&group.id)?;
            Some(named(&group.id, depth(settings, *mm)))
        });
        let watered: Vec<String> = watered.collect();
        if !watered.is_empty() {
            parts.push(format!("watered {}", watered.join(", ")));
        }
        let owed = settings.groups.iter().filter_map(|group| {
            let mm = of(&format!("/owed_mm/{}", group.id))?;
            let ahead = || format!("none ({} ahead)", depth(settings, -mm));
            Some(named(&group.id, if mm <= -0.05 { ahead() } else { depth(settings, mm.max(0.0)) }))
        });
        let owed: Vec<String> = owed.collect();
        format!("{}. Owed: {}. {}", parts.join(", "), owed.join(", "), self.told())
    }

    /// What the controllers are told.
    fn told(&self) -> String {
        self.told.values().map(String::as_str).collect::<Vec<_>>().join(" ")
    }
}

fn note(list: &mut Vec<(String, String, Vec<String>)>, reason: String, said: String, group: &str) {
    match list.iter_mut().find(|(known, ..)| *known == reason) {
        Some((_, _, groups)) if groups.iter().any(|known| known == group) => {}
        Some((_, _, groups)) => groups.push(group.to_owned()),
        None => list.push((reason, said, vec![group.to_owned()])),
    }
}

fn asked(command: &Value) -> String {
    let reasons = command.get("reasons").and_then(Value::as_array).into_iter().flatten();
    let more = ["sensor", "kind"].iter().map(|key| text(command, key)).chain(reasons.map(plain));
    let words: Vec<String> =
        std::iter::once(text(command, "verb")).chain(more).filter(|word| !word.is_empty()).collect();
    words.join(" ")
}

fn text(value: &Value, key: &str) -> String {
    value.get(key).map(plain).unwrap_or_default()
}

fn plain(value: &Value) -> String {
    value.as_str().unwrap_or_default().to_owned()
}

fn when(settings: &SiteSettings, now: Stamp) -> String {
    now.utc().with_timezone(&settings.zone).format("%a %e %b %H:%M").to_string()
}

fn depth(settings: &SiteSettings, mm: f64) -> String {
    match settings.units {
        DisplayUnits::Metric => format!("{mm:.1} mm"),
        DisplayUnits::Us => format!("{:.2} in", mm / 25.4),
    }
}

fn range(settings: &SiteSettings, low: f64, high: f64) -> String {
    let whole = |celsius: f64| match settings.units {
        DisplayUnits::Metric => celsius.round() as i64,
        DisplayUnits::Us => (celsius * 1.8 + 32.0).round() as i64,
    };
    let unit = if settings.units == DisplayUnits::Metric { "°C" } else { "°F" };
    format!("{} to {} {unit}", whole(low), whole(high))
}

fn issued_at(value: &Value) -> Option<Stamp> {
    let text = value.get("issued_at")?.as_str()?;
    Some(DateTime::parse_from_rfc3339(text).ok()?.to_utc().into())
}

/// The hour after which the day is summed up.
const EVENING: &str = "21";
