//! One step of one site: what happened, then days, links, decisions, and what is due to be told; and the next deadline.

use super::alert::{AlertKind, Wording};
use super::civil;
use super::decode::{FeedSettings, Part};
use super::evidence;
use super::faults;
use super::frost;
use super::gateway;
use super::gauge_watch;
use super::instruct;
use super::judge;
use super::links;
use super::nearby;
use super::output::Level;
use super::partly;
use super::presence;
use super::publish::{alerts, log, messages};
use super::spike;
use super::stamp::{DAY, HOUR, MINUTE, SECOND, Stamp};
use super::state::{Context, SiteState};
use super::turn;

/// Runs `act`, brings the site up to now, and says when it has to be looked at next.
pub fn step(
    state: &mut SiteState,
    context: &mut Context<'_>,
    act: impl FnOnce(&mut SiteState, &mut Context<'_>),
) -> Stamp {
    turn::days(state, context);
    if state.settings_version == 0 {
        state.settings_version = context.settings.version.max(1);
        announce(state, context);
    }
    spike::expire(state, context);
    act(state, context);
    gauge_watch::review(state, context);
    presence::judge_links(state, context);
    alerts::wake(state, context);
    if state.wind.lapse(context.now.wall, &context.site.wind) {
        log(
            context,
            Level::Warn,
            "wind hold ends: the anemometer has been silent for too long to hold on its last word".to_owned(),
        );
    }
    evidence::refresh_today(state, context);
    frost::look(state, context);
    judge::groups(state, context);
    nearby::tell(state, context);
    tell(state, context);
    deadline(state, context)
}

/// What a site says once under new settings.
pub fn announce(state: &mut SiteState, context: &mut Context<'_>) {
    instruct::fallback(state, context);
    for entry in &mut state.sensors {
        entry.sensor.status_due = true;
    }
    state.sent.status_at = None;
    state.sent.totals_due = true;
}

/// The broker would not grant some subscriptions: said for the site whose sensors they would have brought.
pub fn subscriptions(state: &mut SiteState, refused: &[String], context: &mut Context<'_>) {
    let open: Vec<String> = state
        .alerts
        .iter()
        .filter(|((kind, _), _)| *kind == AlertKind::SubscriptionRefused)
        .map(|((_, subject), _)| subject.clone())
        .filter(|subject| !refused.iter().any(|filter| alerts::slug(filter) == *subject))
        .collect();
    for subject in open {
        alerts::clear(state, AlertKind::SubscriptionRefused, &subject, context);
    }
    let missed: Vec<&String> = refused.iter().filter(|filter| brings(filter, context)).collect();
    for filter in missed {
        let wording = Wording::new(
            format!("The broker refused the subscription to \"{filter}\": nothing on it is heard."),
            "Give the daemon's account read access to this topic in the broker's access list.",
        );
        alerts::raise(state, AlertKind::SubscriptionRefused, filter, wording, context);
    }
}

/// Would a subscription bring something of the site? One that no feed asks for is for everybody: commands, reports.
fn brings(filter: &str, context: &Context<'_>) -> bool {
    let named = |part: &Part, name: &str| match part {
        Part::Fixed(fixed) => fixed == name,
        Part::Captured | Part::Pointer(_) => true,
    };
    let mut feeds = context.settings.feeds.iter().filter(|feed| feed.template.filter() == filter).peekable();
    let hears = |feed: &FeedSettings| {
        let sensors = &context.site.sensors;
        sensors.iter().any(|sensor| named(&feed.site, &sensor.heard_under) && named(&feed.sensor, &sensor.heard_as))
    };
    feeds.peek().is_none() || feeds.any(hears)
}

/// The wall clock was set. Instants that lie ahead of a clock that went back cannot be.
pub fn clock_stepped(state: &mut SiteState, by: i64, context: &mut Context<'_>) {
    let now = context.now.wall;
    let side = if by < 0 { "back" } else { "ahead" };
    log(context, Level::Warn, format!("the wall clock was set {side} by {}", span(by.saturating_abs())));
    if by > 0 {
        // What came by arrival was dated by the clock that was behind.
        for entry in state.sensors.iter_mut().filter(|entry| entry.sensor.own_time.is_none()) {
            entry.gauge.clock_stepped_ahead(by, now);
        }
    }
    state.nights.clock_stepped(now);
    if by < 0 {
        let today = civil::day_number(civil::date(context.site.zone, now));
        for entry in &mut state.sensors {
            entry.sensor.clock_stepped(now, today);
            entry.gauge.clock_stepped_back(now);
        }
        state.freeze.clock_stepped(now);
        state.wind.clock_stepped(now);
        state.event.clock_stepped(now);
        gauge_watch::clock_stepped(state, now);
    }
    for entry in &mut state.sensors {
        entry.said_at = None;
    }
    for group in &mut state.groups {
        if by < 0 {
            group.rain.clock_stepped(now);
        }
        (group.restriction_edge, group.next_point) = (None, None);
        if let Some(full) = &mut group.full {
            (full.since, full.heard) = (full.since.min(now), full.heard.min(now));
        }
        group.guarded_since = group.guarded_since.map(|since| since.min(now));
        // A window whose close was stepped over is closed and booked by its rule.
        group.window = group.window.filter(|window| window.opened <= now);
        if let Some(standing) = &mut group.standing {
            standing.issued = standing.issued.min(now);
        }
    }
    for controller in &mut state.controllers {
        if let Some(told) = &mut controller.told {
            told.issued = told.issued.min(now);
        }
    }
    state.season_set_at = state.season_set_at.map(|at| at.min(now));
    state.revise_at = state.revise_at.map(|at| at.min(now.plus(MINUTE)));
    (state.sent.totals_at, state.sent.status_at) = (None, None);
}

/// Publishes what is due: totals and sensors, hourly and soon after something changed.
fn tell(state: &mut SiteState, context: &mut Context<'_>) {
    let now = context.now.wall;
    let hour = civil::hour_start(now);
    let new_hour = state.sent.status_at.is_none_or(|at| at < hour);
    if new_hour {
        faults::judge_faults(state, context);
        partly::judge(state, context);
        links::judge(state, context);
    }
    for (index, settings) in context.site.sensors.iter().enumerate() {
        let Some(entry) = state.sensors.get(index) else { break };
        let state_of_link = (entry.sensor.link.state(), entry.sensor.battery.is_low());
        let urgent = entry.said != Some(state_of_link);
        let waited = entry.said_at.is_none_or(|at| now.since(at) >= after_settling(SENSORS_EVERY, context));
        if urgent || (entry.sensor.status_due && waited) {
            (state.sensors[index].said, state.sensors[index].said_at) = (Some(state_of_link), Some(now));
            messages::sensor(state, index, settings, context);
        }
    }
    if new_hour {
        state.sent.status_at = Some(now);
    }
    let waited = state.sent.totals_at.is_none_or(|at| now.since(at) >= after_settling(TOTALS_EVERY, context));
    if state.days.today().is_some()
        && (state.sent.totals_at.is_none_or(|at| at < hour) || (state.sent.totals_due && waited))
    {
        (state.sent.totals_at, state.sent.totals_due) = (Some(now), false);
        messages::totals(state, context);
    }
}

/// The next instant at which the site has to be looked at.
pub fn deadline(state: &SiteState, context: &Context<'_>) -> Stamp {
    let now = context.now;
    let (judged, settling) = judge::next_change(state, context);
    let hour = civil::hour_start(now.wall).plus(HOUR);
    let mut first = hour;
    let mut due = |at: Option<Stamp>| first = at.map_or(first, |at| first.min(at));
    due(judged);
    due(state.wind.ends_in_silence_at(&context.site.wind));
    if now.trusted {
        due(state.days.next_change(turn::lateness(context)));
        due(state.revise_at);
        due(gauge_watch::next_look(state, context));
        due(nearby::due(state, context));
        due(state.nights.next);
        due(state.alerts.next_wake());
        if state.days.today().is_none() {
            due(Some(now.wall));
        }
    }
    if state.sent.totals_due {
        due(state.sent.totals_at.map(|at| at.plus(after_settling(TOTALS_EVERY, context))));
    }
    let silent = state
        .sensors
        .iter()
        .zip(&context.site.sensors)
        .filter_map(|(entry, settings)| entry.sensor.link.due(&settings.link));
    let obey = instruct::next_look(state).filter(|due| *due > now.listening);
    let aging = evidence::stale_at(state, context).filter(|due| *due > now.listening);
    let settle = state.settle_at.filter(|due| *due > now.listening);
    let listening = silent
        .chain(presence::long_silences(state, context))
        .chain(aging)
        .chain(gateway::due(state, context))
        .chain(obey)
        .chain(settling)
        .chain(settle)
        .min();
    // While we are away these timers stand still; coming back reckons them anew.
    if !state.away {
        due(listening.map(|due| now.wall.plus(due.saturating_sub(now.listening))));
    }
    first.max(now.wall.plus(1))
}

/// A span of milliseconds for the log.
fn span(millis: i64) -> String {
    match millis {
        0..MINUTE => format!("{} s", millis / SECOND),
        MINUTE..HOUR => format!("{} min", millis / MINUTE),
        HOUR..DAY => format!("{:.1} h", millis as f64 / HOUR as f64),
        _ => format!("{:.1} days", millis as f64 / DAY as f64),
    }
}

/// A number of settle times, in milliseconds.
fn after_settling(times: i64, context: &Context<'_>) -> i64 {
    times * i64::from(context.site.settle_seconds) * SECOND
}

/// Between full hours, totals are published at most this often when rain changed, and sensors when they were heard, in
/// settle times: with the default of 10 s a minute and a quarter of an hour. Our choice.
const TOTALS_EVERY: i64 = 6;
const SENSORS_EVERY: i64 = 90;
