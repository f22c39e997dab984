//! Who was heard when: the links of a site's sensors, and the alerts about silence.

use super::alert::{AlertKind, Wording};
use super::output::Level;
use super::publish::{alerts, log, words};
use super::sensor::link::{LinkChange, LinkState};
use super::settings::SensorSettings;
use super::stamp::{MINUTE, Stamp};
use super::state::{Context, SiteState};
use super::{batteries, gateway, links};

/// The sensor at `index` was heard, whatever it said; with the sequence number of its message.
pub fn heard(
    state: &mut SiteState,
    index: usize,
    settings: &SensorSettings,
    number: Option<i64>,
    context: &mut Context<'_>,
) {
    let now = context.now;
    let Some(entry) = state.sensors.get_mut(index) else { return };
    let sensor = &mut entry.sensor;
    sensor
        .link
        .set_rain_only(!sensor.channels.is_empty() && sensor.channels.iter().all(|one| one.quantity.is_of_rain_only()));
    let number = number.and_then(|number| u64::try_from(number).ok());
    let change = sensor.link.heard_numbered(now.listening, now.wall, number, &settings.link);
    link_changed(state, change, settings, context);
}

/// The sensor at `index` was heard with old news: it lives, but nothing follows for how often it reports.
pub fn heard_late(state: &mut SiteState, index: usize, settings: &SensorSettings, context: &mut Context<'_>) {
    let Some(entry) = state.sensors.get_mut(index) else { return };
    let change = entry.sensor.link.heard_late(context.now.listening, context.now.wall, &settings.link);
    link_changed(state, change, settings, context);
}

/// The sensor at `index` spoke `at`, as the broker remembers it.
pub fn heard_before(
    state: &mut SiteState,
    index: usize,
    settings: &SensorSettings,
    at: Stamp,
    context: &mut Context<'_>,
) {
    let Some(entry) = state.sensors.get_mut(index) else { return };
    if entry.sensor.link.last_heard().is_some_and(|last| at <= last) {
        return;
    }
    let listening = context.now.listening.saturating_sub(context.now.wall.since(at).max(0));
    let change = entry.sensor.link.heard(listening, at, &settings.link);
    link_changed(state, change, settings, context);
}

/// Loses what has been silent for too long.
pub fn judge_links(state: &mut SiteState, context: &mut Context<'_>) {
    for (index, settings) in context.site.sensors.iter().enumerate() {
        let listening = context.now.listening;
        let Some(entry) = state.sensors.get_mut(index) else { return };
        if entry.sensor.link.judge(listening, &settings.link) != Some(LinkChange::Lost) {
            continue;
        }
        entry.sensor.status_due = true;
        if gateway::lost(state, context) {
            continue;
        }
        if state.sensors[index].sensor.link.is_unstable(listening) {
            links::unstable(state, index, settings, context);
        } else {
            silent(state, index, settings, context);
        }
    }
    for (index, due) in quiet_unstable(state, context).collect::<Vec<_>>() {
        if let Some(settings) = context.site.sensors.get(index).filter(|_| due <= context.now.listening) {
            silent(state, index, settings, context);
        }
    }
    for index in gateway::stragglers(state, context) {
        if let Some(settings) = context.site.sensors.get(index) {
            silent(state, index, settings, context);
        }
    }
}

/// Listening instants at which the silence of links that come and go has to be told.
pub fn long_silences<'a>(state: &'a SiteState, context: &'a Context<'_>) -> impl Iterator<Item = i64> + 'a {
    quiet_unstable(state, context).map(|(_, due)| due)
}

/// Lost sensors whose link comes and goes, and when each has been silent for so long that it is told.
fn quiet_unstable<'a>(state: &'a SiteState, context: &'a Context<'_>) -> impl Iterator<Item = (usize, i64)> + 'a {
    let all = state.sensors.iter().zip(&context.site.sensors).enumerate();
    all.filter(|(_, (entry, settings))| {
        entry.sensor.link.state() == LinkState::Lost
            && state.alerts.is_open(AlertKind::LinkUnstable, &alerts::slug(&settings.id))
            && !state.alerts.is_open(AlertKind::SensorSilent, &alerts::slug(&settings.id))
    })
    .map(|(index, (entry, settings))| (index, entry.sensor.link.long_silence_at(&settings.link)))
}

/// Says that the sensor at `index` is silent.
fn silent(state: &mut SiteState, index: usize, settings: &SensorSettings, context: &mut Context<'_>) {
    let Some(entry) = state.sensors.get(index) else { return };
    let limit = (entry.sensor.link.loss_limit(&settings.link) + MINUTE / 2) / MINUTE;
    let limit = u32::try_from(limit).unwrap_or(u32::MAX);
    let bring = batteries::bring(entry.sensor.battery.outlook(), settings);
    let wording = match entry.sensor.link.last_heard() {
        Some(last) => Wording::new(
            format!(
                "Sensor {} has not been heard since {}. It may be silent for {}.",
                settings.id,
                words::moment(context, last),
                words::duration(limit)
            ),
            if entry.sensor.link.is_rain_only() {
                "Look at its battery, its distance to the gateway and the gateway itself. A gauge that speaks only when it rains needs a silence_limit of its own in the settings."
            } else {
                "Look at its battery, its distance to the gateway and the gateway itself."
            },
        )
        .bringing(bring),
        None => Wording::new(
            format!("Subscribed, but nothing has come from sensor {} yet.", settings.id),
            "Check the topic in the feed, the names of site and sensor, and whether the broker's access list lets this daemon read it.",
        ),
    };
    alerts::raise(
        state,
        AlertKind::SensorSilent,
        &settings.id,
        wording.with("silence_limit_minutes", f64::from(limit)),
        context,
    );
}

fn link_changed(
    state: &mut SiteState,
    change: Option<LinkChange>,
    settings: &SensorSettings,
    context: &mut Context<'_>,
) {
    match change {
        Some(LinkChange::FirstHeard) => {
            log(context, Level::Info, format!("sensor {}: heard for the first time", settings.id));
        }
        Some(LinkChange::Returned) => {
            log(context, Level::Info, format!("sensor {}: heard again", settings.id));
            alerts::clear(state, AlertKind::SensorSilent, &settings.id, context);
            if state.gateway.is_some() {
                // The absence was not its own.
                if let Some(entry) = state.sensors.iter_mut().find(|entry| entry.sensor.id == settings.id) {
                    entry.sensor.link.forgive_loss();
                }
            }
            gateway::returned(state, context);
        }
        Some(LinkChange::Lost) | None => {}
    }
}
