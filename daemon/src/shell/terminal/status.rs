//! `thirstd status`: what every site does now, who needs somebody, and how old the word is.

use serde_json::{Value as Json, json};
use thirst_schemas as wire;

use super::page::{Page, Screen, Style};
use super::{column, outbox, words};
use crate::engine::civil;
use crate::engine::publish::words::depth;
use crate::engine::settings::{GroupSettings, Settings, SiteSettings};
use crate::engine::stamp::{MINUTE, SECOND, Stamp};
use crate::shell::store::{HistoryCount, Reader, Saved, StoreError};

/// What the store says of the sites asked for.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Status<'a> {
    pub(super) now: Stamp,
    pub(super) saved: Saved,
    /// Alerts of the daemon itself.
    pub(super) alerts: Vec<wire::Alert>,
    /// What waits for the history database and what became of the rest, and when the oldest was kept that waits; None:
    /// no history is kept.
    pub(super) history: Option<(HistoryCount, Option<Stamp>)>,
    /// Those that need somebody first.
    pub(super) sites: Vec<Site<'a>>,
    /// One site was named.
    pub(super) is_one: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) struct Site<'a> {
    pub(super) settings: &'a SiteSettings,
    /// In the order of the groups; None: nothing decided yet.
    pub(super) decisions: Vec<Option<wire::Decision>>,
    pub(super) totals: Option<wire::Totals>,
    pub(super) sensors: Vec<wire::SensorStatus>,
    /// The most urgent first.
    pub(super) alerts: Vec<wire::Alert>,
}

/// How soon a site needs somebody.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Need {
    Now,
    Today,
    NextVisit,
    /// Somebody has taken on all there is.
    TakenOn,
    Nobody,
}

/// Whether a daemon seems to run on the store.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Daemon {
    Running,
    Stopped,
    Silent,
    /// The store was written later than now.
    Ahead,
    Never,
}

/// Reads what is known of `sites` at `now`.
pub(super) fn read<'a>(
    reader: &Reader,
    settings: &Settings,
    sites: impl Iterator<Item = &'a SiteSettings>,
    is_one: bool,
    now: Stamp,
) -> Result<Status<'a>, StoreError> {
    let prefix = &settings.prefix;
    let own = reader.topics_below(&format!("{prefix}/daemon/{}/alert/", settings.instance))?;
    let mut status = Status {
        now,
        saved: reader.saved()?,
        history: if settings.history { Some(reader.history()?) } else { None },
        alerts: own.iter().filter_map(|topic| serde_json::from_slice(&topic.payload).ok()).collect(),
        sites: sites.map(|site| read_site(reader, prefix, site)).collect::<Result<_, _>>()?,
        is_one,
    };
    status.alerts.sort_by_key(rank);
    status.sites.sort_by_key(Site::need);
    Ok(status)
}

fn read_site<'a>(reader: &Reader, prefix: &str, settings: &'a SiteSettings) -> Result<Site<'a>, StoreError> {
    let start = format!("{prefix}/site/{}/", settings.id);
    let mut site = Site {
        settings,
        decisions: vec![None; settings.groups.len()],
        totals: None,
        sensors: Vec::new(),
        alerts: Vec::new(),
    };
    for topic in reader.topics_below(&start)? {
        let payload = topic.payload.as_slice();
        match topic.topic[start.len()..].split('/').collect::<Vec<_>>().as_slice() {
            ["decision", id] => {
                if let Some(place) = settings.groups.iter().position(|group| group.id == *id) {
                    site.decisions[place] = serde_json::from_slice(payload).ok();
                }
            }
            ["totals"] => site.totals = serde_json::from_slice(payload).ok(),
            ["sensor", id] if settings.sensors.iter().any(|sensor| sensor.id == *id) => {
                site.sensors.extend(serde_json::from_slice::<wire::SensorStatus>(payload));
            }
            ["alert", _, _] => site.alerts.extend(serde_json::from_slice::<wire::Alert>(payload)),
            _ => {}
        }
    }
    site.alerts.sort_by_key(rank);
    Ok(site)
}

/// The most urgent first, of those the oldest.
fn rank(alert: &wire::Alert) -> (bool, wire::Urgency, Stamp) {
    (alert.state == wire::AlertState::Acknowledged, alert.urgency, Stamp::from(alert.since))
}

impl Site<'_> {
    pub(super) fn need(&self) -> Need {
        match self.alerts.first() {
            None => Need::Nobody,
            Some(alert) if alert.state == wire::AlertState::Acknowledged => Need::TakenOn,
            Some(alert) => match alert.urgency {
                wire::Urgency::Now => Need::Now,
                wire::Urgency::Today => Need::Today,
                wire::Urgency::NextVisit => Need::NextVisit,
            },
        }
    }
}

impl Status<'_> {
    pub(super) fn daemon(&self) -> Daemon {
        let Some(last) = self.saved.last else { return Daemon::Never };
        match self.now.since(last.wall) {
            ahead if ahead <= AHEAD => Daemon::Ahead,
            _ if self.saved.stopped => Daemon::Stopped,
            ..=RUNNING_WITHIN => Daemon::Running,
            _ => Daemon::Silent,
        }
    }
}

pub(super) fn page(status: &Status<'_>, screen: Screen) -> String {
    let mut page = Page::new(screen);
    page.line(if status.daemon() == Daemon::Running { Style::Quiet } else { Style::Caution }, &heading(status));
    for alert in &status.alerts {
        alert_row(&mut page, 10, alert, status.now, |at| at.text());
    }
    if let Some((count, oldest)) = &status.history {
        page.row(10, Style::Quiet, "history", &outbox::words(count, *oldest, status.now));
    }
    let is_fleet = !status.is_one && status.sites.len() > 1;
    if is_fleet {
        page.line(Style::Strong, &needs(status));
    }
    for site in status.sites.iter().filter(|site| !is_fleet || site.need() != Need::Nobody) {
        page.blank();
        block(&mut page, site, status.now);
    }
    let mut calm = status.sites.iter().filter(|site| is_fleet && site.need() == Need::Nobody).peekable();
    if calm.peek().is_some() {
        page.blank();
        page.line(Style::Strong, "Nobody is needed at");
        let column = column(calm.clone().map(|site| site.settings.id.as_str()));
        for site in calm {
            page.row(column, Style::Plain, &site.settings.id, &in_short(site, status.now));
        }
    }
    page.finish()
}

pub(super) fn heading(status: &Status<'_>) -> String {
    let Some(last) = status.saved.last else {
        return "Nothing has been saved yet: thirstd has not run with this configuration.".to_owned();
    };
    let zone = status.sites.first().map(|site| site.settings.zone);
    let same = zone.filter(|zone| status.sites.iter().all(|site| site.settings.zone == *zone));
    let local = civil::local(same.unwrap_or(chrono_tz::UTC), last.wall).format("%a %-d %b %Y %H:%M");
    let name = if same.is_some() { "" } else { " UTC" };
    let saved = format!("Saved {} ago ({local}{name})", words::age(status.now.since(last.wall)));
    match status.daemon() {
        Daemon::Running | Daemon::Never => format!("{saved}; thirstd seems to be running."),
        Daemon::Stopped => {
            format!("{saved}: thirstd was stopped then. Bridges follow the fallback until it runs again.")
        }
        Daemon::Silent => format!(
            "{saved}; thirstd seems not to run: it saves at least every 10 minutes. Bridges follow the fallback once its \
             decisions are no longer valid."
        ),
        Daemon::Ahead => {
            format!(
                "Saved at {local}{name}, which is later than this machine's clock says: one of the clocks is wrong."
            )
        }
    }
}

fn needs(status: &Status<'_>) -> String {
    let count = |need: Need| status.sites.iter().filter(|site| site.need() == need).count();
    let words: Vec<String> = [
        (Need::Now, "somebody now"),
        (Need::Today, "somebody today"),
        (Need::NextVisit, "a look at the next visit"),
        (Need::Nobody, "nobody"),
    ]
    .into_iter()
    .filter(|(need, _)| count(*need) > 0)
    .map(|(need, what)| format!("{} {} {what}", count(need), if count(need) == 1 { "needs" } else { "need" }))
    .chain((count(Need::TakenOn) > 0).then(|| format!("{} taken on", count(Need::TakenOn))))
    .collect();
    format!("{} sites: {}.", status.sites.len(), words.join(", "))
}

fn block(page: &mut Page, site: &Site<'_>, now: Stamp) {
    let settings = site.settings;
    let name = if settings.label == settings.id {
        settings.id.clone()
    } else {
        format!("{} ({})", settings.id, settings.label)
    };
    let (style, need) = match site.need() {
        Need::Now => (Style::Alarm, ": needs somebody now"),
        Need::Today => (Style::Caution, ": needs somebody today"),
        Need::NextVisit => (Style::Strong, ": needs a look at the next visit"),
        Need::TakenOn => (Style::Strong, ": what it needs is taken on"),
        Need::Nobody => (Style::Strong, ""),
    };
    page.line(style, &format!("{name}{need}"));
    let labels = settings.groups.iter().map(|group| group.label.as_str());
    let column = column(labels.chain(["next visit"]));
    for (group, decision) in settings.groups.iter().zip(&site.decisions) {
        let held = decision.as_ref().is_some_and(|decision| decision.action == wire::Action::Hold);
        let style = if held { Style::Held } else { Style::Strong };
        page.row(column, style, &group.label, &decision_words(settings, group, decision.as_ref(), now));
    }
    if let Some(totals) = &site.totals {
        page.row(column, Style::Plain, "water", &water(settings, totals, now));
    }
    let (lost, heard): (Vec<_>, Vec<_>) =
        site.sensors.iter().partition(|sensor| sensor.link.state == wire::LinkState::Lost);
    if !heard.is_empty() {
        let words: Vec<String> = heard.into_iter().map(|sensor| seen(sensor, now)).collect();
        page.row(column, Style::Plain, "sensors", &words.join(", "));
    }
    for sensor in lost {
        let since = sensor.last_seen.map(Stamp::from).map_or_else(String::new, |last| {
            format!(" since {} ({})", words::moment(settings, last, now), words::age(now.since(last)))
        });
        page.row(column, Style::Caution, "silent", &format!("{}{since}", sensor.sensor));
    }
    for alert in &site.alerts {
        alert_row(page, column, alert, now, |at| words::moment(settings, at, now));
    }
}

/// "12 minutes ago"; a battery that is low, or will be within 60 days, is said here too.
fn seen(sensor: &wire::SensorStatus, now: Stamp) -> String {
    let low = sensor.battery.as_ref().is_some_and(|battery| battery.state == wire::BatteryState::Low);
    let soon = |forecast: &&wire::SilenceForecast| (forecast.silent_by - now.utc().date_naive()).num_days() <= 60;
    let battery = match (low, sensor.forecast.as_ref().filter(soon)) {
        (true, _) => " (battery low)".to_owned(),
        (false, Some(forecast)) => format!(" (battery until about {})", forecast.silent_by.format("%-d %B")),
        (false, None) => String::new(),
    };
    match sensor.last_seen.filter(|_| sensor.link.state != wire::LinkState::Unheard) {
        Some(last) => format!("{} heard {} ago{battery}", sensor.sensor, words::age(now.since(Stamp::from(last)))),
        None => format!("{} not heard yet", sensor.sensor),
    }
}

/// One group's decision in a sentence, and what is owed.
fn decision_words(site: &SiteSettings, group: &GroupSettings, decision: Option<&wire::Decision>, now: Stamp) -> String {
    let Some(decision) = decision else { return "Nothing is decided yet.".to_owned() };
    let owed = match decision.figures.owed_mm {
        mm if mm >= 0.05 => format!("{} is owed", depth(site, mm)),
        mm if mm <= -0.05 => format!("{} is stored ahead", depth(site, -mm)),
        _ => "Nothing is owed".to_owned(),
    };
    let run = depth(site, group.run_depth_mm);
    let evidence = match decision.confidence {
        wire::Confidence::Measured => "",
        wire::Confidence::Substituted => " Part of the evidence is substituted.",
        wire::Confidence::Unknown => " Too little is measured: this rests on substitutes.",
    };
    let stale = if Stamp::from(decision.valid_until) < now {
        format!(
            " No longer valid since {}: the fallback applies.",
            words::moment(site, decision.valid_until.into(), now)
        )
    } else {
        String::new()
    };
    format!("{}. {owed}; a full run gives {run}.{evidence}{stale}", sentence(site, decision, now))
}

/// "No water until Thu 06:00: rain", without a full stop.
fn sentence(site: &SiteSettings, decision: &wire::Decision, now: Stamp) -> String {
    let next = decision.next_change_at.map(|at| words::moment(site, at.into(), now));
    match decision.action {
        wire::Action::Hold => {
            let reasons: Vec<&str> = decision.holds.iter().map(|hold| words::reason(hold.reason)).collect();
            let about = if decision.holds.iter().any(|hold| hold.reason == wire::Reason::Rain) { "about " } else { "" };
            let until = next.map_or_else(|| ", no end known yet".to_owned(), |next| format!(" until {about}{next}"));
            format!("No water{until}: {}", words::list(&reasons))
        }
        wire::Action::Scale => {
            let next = next.map_or_else(String::new, |next| format!("; next look {next}"));
            match decision.scale_percent {
                0 if decision.figures.owed_mm < 0.05 => format!("No water now{next}"),
                0 => format!("No water now: too little is owed{next}"),
                percent => format!("Water {percent} % of the run times{next}"),
            }
        }
    }
}

/// The day's water so far.
fn water(site: &SiteSettings, totals: &wire::Totals, now: Stamp) -> String {
    let is_today = totals.day == civil::date(site.zone, now);
    let day = if is_today { "today".to_owned() } else { format!("on {}", totals.day.format("%a %-d %b")) };
    let (eto, rain) = (depth(site, totals.eto_mm), depth(site, totals.rain.day_mm));
    let quarantined = if totals.rain.quarantined_mm >= 0.05 {
        format!("; {} more in quarantine", depth(site, totals.rain.quarantined_mm))
    } else {
        String::new()
    };
    format!("ETo {eto}, rain {rain} so far {day}{quarantined}")
}

/// A site that needs nobody, in a line.
fn in_short(site: &Site<'_>, now: Stamp) -> String {
    let mut words: Vec<String> = site
        .settings
        .groups
        .iter()
        .zip(&site.decisions)
        .map(|(group, decision)| match decision {
            Some(decision) => {
                let owed = words::owed(site.settings, decision.figures.owed_mm);
                let stale = if Stamp::from(decision.valid_until) < now { ", no longer valid" } else { "" };
                format!("{}: {} ({owed}{stale})", group.label, lower(&sentence(site.settings, decision, now)))
            }
            None => format!("{}: nothing decided yet", group.label),
        })
        .collect();
    words.extend(site.totals.as_ref().map(|totals| water(site.settings, totals, now)));
    words.join(". ")
}

fn lower(text: &str) -> String {
    let mut characters = text.chars();
    characters.next().map_or_else(String::new, |first| first.to_lowercase().chain(characters).collect())
}

fn alert_row(page: &mut Page, column: usize, alert: &wire::Alert, now: Stamp, moment: impl Fn(Stamp) -> String) {
    let style = match (alert.state, alert.urgency) {
        (wire::AlertState::Acknowledged, _) => Style::Quiet,
        (_, wire::Urgency::Now) => Style::Alarm,
        (_, wire::Urgency::Today) => Style::Caution,
        (_, wire::Urgency::NextVisit) => Style::Strong,
    };
    let since = Stamp::from(alert.since);
    let taken = alert.acknowledged_by.as_ref().map_or_else(String::new, |who| format!("; taken on by {who}"));
    let until = alert.snoozed_until.map(Stamp::from);
    let put_off = until.map_or_else(String::new, |until| format!("; put off until {}", moment(until)));
    let text = format!(
        "{} {} ({}; open since {}, {}{taken}{put_off})",
        alert.text,
        alert.suggested_action,
        words::audience(alert.audience),
        moment(since),
        words::age(now.since(since)),
    );
    page.row(column, style, words::urgency(alert.urgency), &text);
}

/// The same for programs: payloads as they are published.
pub(super) fn json(status: &Status<'_>) -> Json {
    let sites = status.sites.iter().map(|site| {
        json!({
            "site": site.settings.id,
            "label": site.settings.label,
            "needs": match site.need() {
                Need::Now => "now",
                Need::Today => "today",
                Need::NextVisit => "next_visit",
                Need::TakenOn => "taken_on",
                Need::Nobody => "nobody",
            },
            "decisions": site.decisions.iter().flatten().collect::<Vec<_>>(),
            "totals": site.totals,
            "sensors": site.sensors,
            "alerts": site.alerts,
        })
    });
    json!({
        "at": status.now.text(),
        "saved_at": status.saved.last.map(|last| last.wall.text()),
        "saved_seconds_ago": status.saved.last.map(|last| status.now.since(last.wall) / SECOND),
        "daemon": match status.daemon() {
            Daemon::Running => "running",
            Daemon::Stopped => "stopped",
            Daemon::Silent => "silent",
            Daemon::Ahead => "ahead",
            Daemon::Never => "never",
        },
        "history": status.history.map(|(count, oldest)| outbox::json(&count, oldest, status.now)),
        "alerts": status.alerts,
        "sites": sites.collect::<Vec<_>>(),
    })
}

/// A running daemon writes at least every 10 minutes; a commit may take its time. Our choice, ms.
const RUNNING_WITHIN: i64 = 11 * MINUTE;

/// Beyond the usual difference between two clocks, ms. Our choice.
const AHEAD: i64 = -5 * MINUTE;

#[cfg(test)]
mod tests;
