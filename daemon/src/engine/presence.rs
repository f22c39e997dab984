//! Who was heard when: the links of a site's sensors, and the alerts about silence.

use super::alert::{AlertKind, Wording};
use super::output::Level;
use super::publish::{alerts, log, words};
use super::sensor::link::LinkChange;
use super::settings::SensorSettings;
use super::stamp::{MINUTE, Stamp};
use super::state::{Context, SiteState};
use super::{batteries, gateway};

/// The sensor at `index` was heard, whatever it said.
pub fn heard(state: &mut SiteState, index: usize, settings: &SensorSettings, context: &mut Context<'_>) {
    let now = context.now;
    let Some(entry) = state.sensors.get_mut(index) else { return };
    let change = entry.sensor.link.heard(now.listening, now.wall, &settings.link);
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
        if !gateway::lost(state, context) {
            silent(state, index, settings, context);
        }
    }
    for index in gateway::stragglers(state, context) {
        if let Some(settings) = context.site.sensors.get(index) {
            silent(state, index, settings, context);
        }
    }
}

/// Says that the sensor at `index` is silent.
fn silent(state: &mut SiteState, index: usize, settings: &SensorSettings, context: &mut Context<'_>) {
    let Some(entry) = state.sensors.get(index) else { return };
    let limit = (entry.sensor.link.silence_limit(&settings.link) + MINUTE / 2) / MINUTE;
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
            "Look at its battery, its distance to the gateway and the gateway itself.",
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
            gateway::returned(state, context);
        }
        Some(LinkChange::Lost) | None => {}
    }
}
