//! What left the settings leaves the broker too: retained payloads are cleared, alerts about it are closed.

use thirst_schemas::topics;

use super::alerts;
use crate::engine::alert::AlertKey;
use crate::engine::output::Output;
use crate::engine::settings::SiteSettings;
use crate::engine::state::{Context, SiteState};

/// A whole site is gone, or speaks elsewhere. Its alerts stay open in its state, should it come back. `context` is of the
/// settings before.
pub fn site(state: &mut SiteState, context: &mut Context<'_>) {
    state.groups.iter_mut().for_each(|group| group.standing = None);
    state.controllers.iter_mut().for_each(|controller| controller.told = None);
    state.sent.fallback = None;
    let (prefix, site) = (&context.settings.prefix, context.site);
    let own = [topics::fallback(prefix, &site.id), topics::totals(prefix, &site.id)];
    let open = state.alerts.iter().filter_map(|((kind, subject), _)| alerts::topic(*kind, subject, context));
    let all = own.into_iter().chain(topics_of_parts(site, |_| true, prefix)).chain(open).collect();
    clear(all, context);
}

/// A site came back, or speaks elsewhere now: what its state takes for said is said again.
pub fn back(state: &mut SiteState, context: &mut Context<'_>) {
    for (kind, subject) in open_alerts(state, |_| true) {
        alerts::say_again(state, kind, &subject, context);
    }
}

/// A site goes on as `after`: its groups, controllers and sensors that are no longer in it are gone. `context` is of the
/// settings before.
pub fn parts(state: &mut SiteState, after: &SiteSettings, context: &mut Context<'_>) {
    let stays: Vec<&str> = ids(after).collect();
    let gone: Vec<String> = ids(context.site).filter(|id| !stays.contains(id)).map(alerts::slug).collect();
    for (kind, subject) in open_alerts(state, |subject| gone.iter().any(|id| id == subject)) {
        alerts::clear(state, kind, &subject, context);
    }
    let (prefix, before) = (&context.settings.prefix, context.site);
    let kept: Vec<String> = topics_of_parts(after, |_| true, prefix).collect();
    let all = topics_of_parts(before, |topic| !kept.iter().any(|stays| stays == topic), prefix).collect();
    clear(all, context);
}

fn ids(site: &SiteSettings) -> impl Iterator<Item = &str> {
    let groups = site.groups.iter().map(|group| group.id.as_str());
    let controllers = site.controllers.iter().map(|controller| controller.id.as_str());
    groups.chain(controllers).chain(site.sensors.iter().map(|sensor| sensor.id.as_str()))
}

fn topics_of_parts(site: &SiteSettings, wanted: impl Fn(&str) -> bool, prefix: &str) -> impl Iterator<Item = String> {
    let groups = site.groups.iter().map(move |group| topics::decision(prefix, &site.id, &group.id));
    let controllers =
        site.controllers.iter().map(move |controller| topics::instruction(prefix, &site.id, &controller.id));
    let sensors = site.sensors.iter().map(move |sensor| topics::sensor(prefix, &site.id, &sensor.id));
    groups.chain(controllers).chain(sensors).filter(move |topic| wanted(topic))
}

fn open_alerts(state: &SiteState, about: impl Fn(&str) -> bool) -> Vec<AlertKey> {
    state.alerts.iter().map(|(key, _)| key.clone()).filter(|(_, subject)| about(subject)).collect()
}

fn clear(topics: Vec<String>, context: &mut Context<'_>) {
    context.outputs.extend(topics.into_iter().map(|topic| Output::State { topic, payload: Vec::new() }));
}
