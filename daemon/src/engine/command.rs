//! Commands: what people and programs ask of a site. Each is taken once, answered always, and written down.

use thirst_schemas as wire;

use super::alert::AlertKind;
use super::batteries;
use super::civil;
use super::decision::hold::operator::{OperatorHold, Release};
use super::decision::reason::Reason;
use super::drift;
use super::evidence;
use super::gauge_watch;
use super::output::{Level, Output};
use super::publish::{self, alerts, log, words};
use super::season;
use super::sensor::service::{ServiceKind, ServiceMark};
use super::siting;
use super::stamp::DAY;
use super::stamp::{HOUR, Stamp};
use super::state::{Context, Establishing, Season, SeenCommand, SiteState};

/// Takes in a command, answers it on the site's result topic and writes it down.
pub fn receive(state: &mut SiteState, payload: &[u8], retain: bool, context: &mut Context<'_>) {
    let now = context.now.wall;
    if retain {
        return answer(
            None,
            None,
            None,
            wire::Outcome::Refused,
            "a retained command is refused: publish commands without retain, or it would be carried out again after every reconnect",
            now,
            context,
        );
    }
    let command = match wire::Command::parse(payload) {
        Ok(command) => command,
        Err(error) => {
            return answer(error.id, error.who, error.verb, wire::Outcome::Refused, &error.text, now, context);
        }
    };
    let verb = command.verb.name();
    let (id, who) = (command.id.clone(), command.who.clone());
    if let Some(seen) = state.commands.iter().find(|seen| seen.id == id) {
        let (at, text) = (seen.at, seen.text.clone());
        return answer(Some(id), Some(who), Some(verb), wire::Outcome::Repeated, &text, at, context);
    }
    if command.expires_at.is_some_and(|expires| Stamp::from(expires) <= now) {
        return answer(
            Some(id),
            Some(who),
            Some(verb),
            wire::Outcome::Expired,
            "it came after its expires_at and was not carried out",
            now,
            context,
        );
    }
    let (outcome, text) = match carry_out(state, &command, context) {
        Ok(text) => (wire::Outcome::Done, text),
        Err(text) => (wire::Outcome::Refused, text),
    };
    if outcome == wire::Outcome::Done {
        state.commands.push_back(SeenCommand { id: id.clone(), at: now, text: text.clone() });
        while state.commands.len() > REMEMBERED {
            state.commands.pop_front();
        }
        context.outputs.push(Output::Audit {
            site: context.site.id.clone(),
            who: who.clone(),
            text: format!("{} ({id}): {text}", name(verb)),
        });
    }
    log(context, Level::Info, format!("command {} by {who}: {text}", name(verb)));
    answer(Some(id), Some(who), Some(verb), outcome, &text, now, context);
}

fn answer(
    id: Option<String>,
    who: Option<String>,
    verb: Option<wire::VerbName>,
    outcome: wire::Outcome,
    text: &str,
    at: Stamp,
    context: &mut Context<'_>,
) {
    let result = wire::CommandResult {
        schema: Default::default(),
        site: context.site.id.clone(),
        epoch: context.epoch,
        issued_at: context.now.wall.utc(),
        id,
        who,
        verb,
        outcome,
        text: text.to_owned(),
        at: at.utc(),
    };
    let topic = wire::topics::result(&context.settings.prefix, &context.site.id);
    let payload = serde_json::to_vec(&result).unwrap_or_default();
    context.outputs.push(Output::Answer { topic, payload });
}

/// Carries a command out. The text says what was done, or why not and what to do instead.
fn carry_out(state: &mut SiteState, command: &wire::Command, context: &mut Context<'_>) -> Result<String, String> {
    match &command.verb {
        wire::Verb::Hold(order) => hold(state, order, &command.who, context),
        wire::Verb::Release(order) => release(state, order, context),
        wire::Verb::Service(order) => service(state, order, context),
        wire::Verb::ConfirmRain(order) => settle_rain(state, &order.sensor, true, context),
        wire::Verb::DiscardRain(order) => settle_rain(state, &order.sensor, false, context),
        wire::Verb::Adopt(_) => Err(
            "adopting a successor is not supported yet: set heard_as of the sensor in the configuration to its new id"
                .to_owned(),
        ),
        wire::Verb::Acknowledge(order) => {
            let Some(kind) = AlertKind::from_name(order.kind.name()) else {
                return Err("kind: no such alert".to_owned());
            };
            let until = put_off(order.until.map(Stamp::from), context)?;
            if alerts::acknowledge(state, kind, &order.subject, &command.who, until, context) {
                let until = until_text(until, "", context).replacen(" until", " and put off until", 1);
                Ok(format!("alert {} {} acknowledged{until}", kind.name(), order.subject))
            } else {
                Err(format!("kind and subject: no alert {} {} is open", kind.name(), order.subject))
            }
        }
        wire::Verb::Season(order) => season(state, order, context),
    }
}

fn hold(
    state: &mut SiteState,
    order: &wire::HoldOrder,
    who: &str,
    context: &mut Context<'_>,
) -> Result<String, String> {
    let groups = groups(order.groups.as_deref(), context)?;
    let until = end(order.until.map(Stamp::from), order.hours, context)?;
    for &index in &groups {
        state.groups[index].operator.set_hold(OperatorHold {
            since: context.now.wall,
            until,
            who: who.to_owned(),
            note: order.note.clone().unwrap_or_default(),
        });
    }
    Ok(format!("{} held{}", named(&groups, context), until_text(until, " until released", context)))
}

fn release(state: &mut SiteState, order: &wire::ReleaseOrder, context: &mut Context<'_>) -> Result<String, String> {
    let groups = groups(order.groups.as_deref(), context)?;
    let until = end(order.until.map(Stamp::from), order.hours, context)?;
    if !state.season.waters() && order.confirm != Some(true) {
        return Err("the system is drained: send confirm true if it has been filled".to_owned());
    }
    let asked: Option<Vec<Reason>> = order
        .reasons
        .as_ref()
        .map(|reasons| Reason::ALL.into_iter().filter(|reason| reasons.contains(&publish::reason(*reason))).collect());
    let mut released: Vec<Reason> = Vec::new();
    for &index in &groups {
        let group = &mut state.groups[index];
        let standing: Vec<Reason> = match (&asked, &group.standing) {
            (Some(asked), Some(standing)) => {
                asked.iter().copied().filter(|reason| standing.said.hold(*reason).is_some()).collect()
            }
            (None, Some(standing)) => standing
                .said
                .holds
                .iter()
                .map(|hold| hold.reason)
                .filter(|reason| reason.released_by_default())
                .collect(),
            (_, None) => vec![],
        };
        for reason in standing {
            group.operator.release(Release { reason, since: context.now.wall, until });
            if !released.contains(&reason) {
                released.push(reason);
            }
        }
    }
    if released.is_empty() {
        let tail = "; holds for freeze, restriction and season are released only when they are named in reasons";
        return Err(format!("no hold in force that this would release{tail}"));
    }
    let reasons: Vec<&str> = released.iter().map(|reason| reason.name()).collect();
    Ok(format!("{} released from {}{}", named(&groups, context), reasons.join(", "), until_text(until, "", context)))
}

fn service(state: &mut SiteState, order: &wire::ServiceOrder, context: &mut Context<'_>) -> Result<String, String> {
    let index = sensor(&order.sensor, context)?;
    let at = order.at.map_or(context.now.wall, Stamp::from);
    if !(-DAY..=0).contains(&at.since(context.now.wall).min(0)) || at > context.now.wall.plus(HOUR) {
        return Err("at: write a time within the last 24 hours, or leave it out".to_owned());
    }
    let kind = match order.kind {
        wire::ServiceKind::Battery => ServiceKind::Battery,
        wire::ServiceKind::Cleaned => ServiceKind::Cleaned,
        wire::ServiceKind::Calibration => ServiceKind::Calibration,
        wire::ServiceKind::Moved => ServiceKind::Moved,
        wire::ServiceKind::Replaced => ServiceKind::Replaced,
        wire::ServiceKind::Added => ServiceKind::Added,
    };
    let mut poured_mm = 0.0;
    let entry = &mut state.sensors[index];
    entry.sensor.serviced(ServiceMark { kind, at });
    match kind {
        ServiceKind::Replaced | ServiceKind::Moved => {
            entry.gauge.reanchor();
            gauge_watch::believed(state, index, "somebody has seen to it", context);
            gauge_watch::moved(state, index, context);
        }
        ServiceKind::Calibration => {
            entry.gauge.confirm_unit();
            gauge_watch::believed(state, index, "somebody has seen to it", context);
            poured_mm = gauge_watch::calibrated(state, index, at, context);
        }
        ServiceKind::Cleaned => gauge_watch::believed(state, index, "somebody has seen to it", context),
        ServiceKind::Battery | ServiceKind::Added => {}
    }
    siting::serviced(state, index, kind, context);
    if kind == ServiceKind::Battery || kind == ServiceKind::Replaced {
        batteries::replaced(state, &order.sensor, context);
    }
    if !matches!(kind, ServiceKind::Battery | ServiceKind::Added) {
        drift::seen_to(state, index, context);
    }
    alerts::clear(state, AlertKind::ReadingImplausible, &order.sensor, context);
    let poured = match poured_mm {
        0.0 => String::new(),
        mm => format!("; {} of water poured through it left the totals", words::depth(context.site, mm)),
    };
    Ok(format!("service {} noted for sensor {}{poured}", kind.name(), order.sensor))
}

fn settle_rain(
    state: &mut SiteState,
    sensor_id: &str,
    confirm: bool,
    context: &mut Context<'_>,
) -> Result<String, String> {
    let index = sensor(sensor_id, context)?;
    if let Some(mm) = gauge_watch::settle(state, index, confirm, context) {
        let depth = words::depth(context.site, mm);
        alerts::clear(state, AlertKind::ReadingImplausible, sensor_id, context);
        return Ok(if confirm {
            format!("{depth} of rain confirmed: it counts, on the day it fell where that is not final")
        } else {
            format!("{depth} discarded: it was no rain")
        });
    }
    // A state saved by an earlier version has rain in quarantine without knowing whose.
    let (mm, touched) = state.book.settle_quarantine(confirm);
    let (Some(&earliest), Some(&latest)) = (touched.first(), touched.last()) else {
        return Err("no rain is in quarantine".to_owned());
    };
    let mut too_late = false;
    for at in touched {
        too_late |= !state.days.touch(at);
        super::intake::note_late(state, at, context);
    }
    state.sent.totals_due = true;
    if confirm {
        let now = context.now.wall;
        state.event.add(mm, earliest, latest, &context.site.rain);
        let last_day_mm = state.book.rain_mm(now.plus(-24 * HOUR), now.plus(HOUR));
        evidence::rained(state, last_day_mm, context);
        let but = if too_late { ", but not on days that are final already" } else { "" };
        return Ok(format!("{} of rain confirmed: it counts{but}", words::depth(context.site, mm)));
    }
    alerts::clear(state, AlertKind::ReadingImplausible, sensor_id, context);
    Ok(format!("{} in quarantine discarded: it was no rain", words::depth(context.site, mm)))
}

fn season(state: &mut SiteState, order: &wire::SeasonOrder, context: &mut Context<'_>) -> Result<String, String> {
    match order.state {
        wire::SeasonState::Running => {
            let filled = !state.season.waters();
            season::set(state, Season::Running, context);
            for (index, settings) in context.site.sensors.iter().enumerate().filter(|_| filled) {
                if state.sensors.get(index).is_some_and(|entry| entry.sensor.battery.is_low()) {
                    batteries::low(state, index, settings, context);
                }
            }
            Ok("the season runs".to_owned())
        }
        wire::SeasonState::Drained => {
            season::set(state, Season::Drained, context);
            Ok("the system is drained: everything is held until the season runs again".to_owned())
        }
        wire::SeasonState::Establishing => establishing(state, order, context),
    }
}

fn establishing(state: &mut SiteState, order: &wire::SeasonOrder, context: &mut Context<'_>) -> Result<String, String> {
    let groups = groups(order.groups.as_deref(), context)?;
    if !state.season.waters() {
        return Err("state: the system is drained; start the season first".to_owned());
    }
    let today = civil::date(context.site.zone, context.now.wall);
    let until = order.until.filter(|until| (0..=LONGEST_ESTABLISHMENT_DAYS).contains(&(*until - today).num_days()));
    let Some(until) = until else {
        return Err(format!("until: write a day from {today} on, at most {LONGEST_ESTABLISHMENT_DAYS} days ahead"));
    };
    let permit = order.permit.as_deref().map(str::trim).filter(|permit| !permit.is_empty()).map(str::to_owned);
    for &index in &groups {
        let period = Establishing { until, permit: permit.clone() };
        state.groups[index].establishing = Some(Box::new(period));
    }
    let but = if permit.is_some() { ", and restrictions are set aside by the permit that was noted" } else { "" };
    Ok(format!("{} establishing until {}{but}", named(&groups, context), until.format("%-d %b %Y")))
}

fn groups(named: Option<&[String]>, context: &Context<'_>) -> Result<Vec<usize>, String> {
    let all = &context.site.groups;
    match named {
        None => Ok((0..all.len()).collect()),
        Some(named) => named
            .iter()
            .map(|id| {
                let known = || all.iter().map(|group| group.id.as_str()).collect::<Vec<_>>().join(", ");
                all.iter()
                    .position(|group| group.id == *id)
                    .ok_or_else(|| format!("groups: no group {id}; write one of {}", known()))
            })
            .collect(),
    }
}

fn sensor(id: &str, context: &Context<'_>) -> Result<usize, String> {
    let known = || context.site.sensors.iter().map(|sensor| sensor.id.as_str()).collect::<Vec<_>>().join(", ");
    context
        .site
        .sensors
        .iter()
        .position(|sensor| sensor.id == id)
        .ok_or_else(|| format!("sensor: no sensor {id}; write one of {}", known()))
}

/// The end of an order: given as an instant, as hours from now, or open.
fn end(until: Option<Stamp>, hours: Option<f64>, context: &Context<'_>) -> Result<Option<Stamp>, String> {
    let until = until.or_else(|| hours.map(|hours| context.now.wall.plus((hours * HOUR as f64) as i64)));
    match until {
        Some(until) if until <= context.now.wall => Err("until: write a time in the future".to_owned()),
        until => Ok(until),
    }
}

/// Until when an alert is put off.
fn put_off(until: Option<Stamp>, context: &Context<'_>) -> Result<Option<Stamp>, String> {
    let until = end(until, None, context)?;
    if until.is_some_and(|until| until.since(context.now.wall) > LONGEST_PUT_OFF) {
        return Err("until: write a time within the next 366 days".to_owned());
    }
    Ok(until)
}

/// A year: what shall be silent for longer is better taken out of the settings. Our choice, ms.
const LONGEST_PUT_OFF: i64 = 366 * DAY;

fn until_text(until: Option<Stamp>, open: &str, context: &Context<'_>) -> String {
    let local = |until| civil::clock_text(context.site.zone, until, context.now.wall);
    until.map_or_else(|| open.to_owned(), |until| format!(" until {}", local(until)))
}

fn named(groups: &[usize], context: &Context<'_>) -> String {
    let names: Vec<&str> = groups.iter().map(|&index| context.site.groups[index].id.as_str()).collect();
    names.join(", ")
}

fn name(verb: wire::VerbName) -> &'static str {
    match verb {
        wire::VerbName::Hold => "hold",
        wire::VerbName::Release => "release",
        wire::VerbName::Service => "service",
        wire::VerbName::ConfirmRain => "confirm_rain",
        wire::VerbName::DiscardRain => "discard_rain",
        wire::VerbName::Adopt => "adopt",
        wire::VerbName::Acknowledge => "acknowledge",
        wire::VerbName::Season => "season",
    }
}

/// The longest establishment period. Our choice: plants of all kinds stand within a year.
const LONGEST_ESTABLISHMENT_DAYS: i64 = 366;

/// Commands remembered for repeats. Our choice.
const REMEMBERED: usize = 64;
