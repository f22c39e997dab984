//! A whole site that falls silent at once: one alert about its gateway instead of one for every sensor.
//!
//! No gateway is known from the settings: that every sensor of a site went quiet within the same minutes says it. A sensor
//! that was silent before keeps its own alert and is no witness.

use serde::{Deserialize, Serialize};

use super::alert::{AlertKind, Wording};
use super::publish::{alerts, words};
use super::sensor::link::LinkState;
use super::stamp::{MINUTE, Stamp};
use super::state::{Context, SiteState};

/// The site's gateway is taken to be silent, or has just come back.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gateway {
    /// Listening instant at which the first sensor came back; None while all are silent.
    #[serde(rename = "r", default, skip_serializing_if = "Option::is_none")]
    returned_at: Option<i64>,
}

/// A sensor was just lost. True: its silence is the gateway's, and is said there.
pub fn lost(state: &mut SiteState, context: &mut Context<'_>) -> bool {
    if state.gateway == Some(Gateway { returned_at: None }) {
        return true;
    }
    let Some(together) = together(state, context) else { return false };
    let names: Vec<&str> = together.iter().map(|&index| context.site.sensors[index].id.as_str()).collect();
    let last = together.iter().filter_map(|&index| state.sensors[index].sensor.link.last_heard()).max();
    let since = words::moment(context, last.unwrap_or(Stamp(context.now.wall.0)));
    let wording = Wording::new(
        format!(
            "Nothing has been heard from {} sensors of this site since {since}; they fell silent within the same minutes: {}.",
            names.len(),
            names.join(", ")
        ),
        "Look at what they share: the gateway, its power and its network. If that works, look at the sensors.",
    )
    .with("silent_sensors", names.len() as f64);
    let names: Vec<String> = names.into_iter().map(str::to_owned).collect();
    state.gateway = Some(Gateway::default());
    for name in names {
        alerts::clear(state, AlertKind::SensorSilent, &name, context);
    }
    alerts::raise(state, AlertKind::GatewaySilent, &context.site.id, wording, context);
    true
}

/// A lost sensor came back: then the gateway is not what is wrong. The others get their time before each is said itself.
pub fn returned(state: &mut SiteState, context: &mut Context<'_>) {
    if state.gateway == Some(Gateway { returned_at: None }) {
        state.gateway = Some(Gateway { returned_at: Some(context.now.listening) });
        alerts::clear(state, AlertKind::GatewaySilent, &context.site.id, context);
    }
}

/// The sensors that have not followed the gateway back in their time.
pub fn stragglers(state: &mut SiteState, context: &Context<'_>) -> Vec<usize> {
    let Some(Gateway { returned_at: Some(at) }) = state.gateway else { return Vec::new() };
    let waiting: Vec<(usize, i64)> = folded(state, context, at).collect();
    if waiting.is_empty() {
        state.gateway = None;
    }
    waiting.into_iter().filter(|(_, due)| *due <= context.now.listening).map(|(index, _)| index).collect()
}

/// Listening instant at which the next of them has to be looked at.
pub fn due(state: &SiteState, context: &Context<'_>) -> Option<i64> {
    let at = state.gateway?.returned_at?;
    folded(state, context, at).map(|(_, due)| due).min()
}

/// Lost sensors without an alert of their own, and until when they have time after the return at `at`.
fn folded<'a>(state: &'a SiteState, context: &'a Context<'_>, at: i64) -> impl Iterator<Item = (usize, i64)> + 'a {
    let all = state.sensors.iter().zip(&context.site.sensors).enumerate();
    all.filter(|(_, (entry, settings))| {
        entry.sensor.link.state() == LinkState::Lost
            && !state.alerts.is_open(AlertKind::SensorSilent, &alerts::slug(&settings.id))
    })
    .map(move |(index, (entry, settings))| (index, at.saturating_add(entry.sensor.link.loss_limit(&settings.link))))
}

/// The sensors that fell silent together, where that is every one of the site that was not silent long before.
fn together(state: &SiteState, context: &Context<'_>) -> Option<Vec<usize>> {
    let now = context.now.listening;
    let heard = |index: usize| state.sensors[index].sensor.link.last_heard_listening();
    let all = 0..state.sensors.len().min(context.site.sensors.len());
    let last = all.clone().filter_map(heard).max()?;
    let mut quiet = Vec::new();
    for index in all {
        let link = &state.sensors[index].sensor.link;
        // Never heard: no witness either way.
        let Some(at) = heard(index) else { continue };
        let limit = link.silence_limit(&context.site.sensors[index].link);
        // Its last word before a common end lies at most one interval back, and one lost message.
        let reach = link.interval().unwrap_or(limit / 2).saturating_mul(2).max(SAME_MINUTES);
        if last.saturating_sub(at) > reach {
            if link.state() == LinkState::Lost {
                continue; // silent before
            }
            return None;
        }
        // One that may well speak in a moment says that it is too early to tell.
        if now.saturating_sub(at).saturating_mul(2) < limit {
            return None;
        }
        quiet.push(index);
    }
    (quiet.len() >= LEAST_TOGETHER).then_some(quiet)
}

/// Sensors that have to fall silent together: all of the site, and more than one. Our choice: that two fail by themselves within
/// the same two intervals is far rarer than that their gateway does, and the alert names both.
const LEAST_TOGETHER: usize = 2;

/// Last words this close together are of the same moment. Our choice, ms.
const SAME_MINUTES: i64 = 5 * MINUTE;
