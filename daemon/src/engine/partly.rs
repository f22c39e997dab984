//! Sensors that fall silent in part: the radio speaks, but what it always told of the air no longer comes.
//!
//! Rain counters and soil probes may rightly say nothing for days; temperature, humidity, wind and sun do not.

use super::alert::{AlertKind, Wording};
use super::publish::{alerts, words};
use super::reading::Quantity;
use super::sensor::link::LinkState;
use super::stamp::{HOUR, MINUTE, Stamp};
use super::state::{Context, SiteState};

/// Looks at every sensor, once an hour.
pub fn judge(state: &mut SiteState, context: &mut Context<'_>) {
    for (index, settings) in context.site.sensors.iter().enumerate() {
        let Some(entry) = state.sensors.get(index) else { return };
        let subject = format!("{}-parts", settings.id);
        let open = state.alerts.is_open(AlertKind::SensorSilent, &alerts::slug(&subject));
        // All of it silent is one alert, and readings that cannot be are another.
        let speaks = entry.sensor.link.state() == LinkState::Present;
        let faulty = state.alerts.is_open(AlertKind::ReadingImplausible, &alerts::slug(&settings.id));
        if state.away || (!open && (!speaks || faulty)) {
            continue;
        }
        let limit = SILENCE_LIMITS * entry.sensor.link.silence_limit(&settings.link);
        let newest = entry.sensor.channels.iter().map(|channel| channel.observed_at).max();
        let missing: Vec<(Quantity, Stamp)> = QUANTITIES
            .into_iter()
            .filter(|(quantity, _)| is_asked_for(*quantity, context))
            .filter_map(|(quantity, least)| {
                let channel = entry.sensor.channel(quantity)?;
                let (limit, counted) = (limit.max(least), channel.counted?);
                let silent = context.now.listening.saturating_sub(counted.listening) > limit;
                // A value that comes and does not count is told of by who judges it; in a backlog all is old.
                (silent && newest?.since(channel.observed_at) > limit / 2).then_some((quantity, counted.observed_at))
            })
            .collect();
        let Some(since) = missing.iter().map(|(_, since)| *since).min() else {
            alerts::clear(state, AlertKind::SensorSilent, &subject, context);
            continue;
        };
        if !speaks {
            // What is told of the whole sensor covers its parts.
            alerts::clear(state, AlertKind::SensorSilent, &subject, context);
            continue;
        }
        let names: Vec<String> = missing.iter().map(|(quantity, _)| quantity.name().replace('_', " ")).collect();
        let wording = Wording::new(
            format!(
                "Sensor {} still reports, but nothing has come of {} since {}.",
                settings.id,
                listed(&names),
                words::moment(context, since)
            ),
            "Look at the probe, its plug and its cable: the radio and the battery work. Until it is mended, other sensors, sites \
             nearby or normals stand in for it.",
        )
        .with("quantities_missing", names.len() as f64)
        .with("silence_limit_minutes", (limit.max(LEAST) / MINUTE) as f64)
        .bringing("a spare probe or sensor");
        if open {
            alerts::revise(state, AlertKind::SensorSilent, &subject, wording, context);
        } else {
            alerts::raise(state, AlertKind::SensorSilent, &subject, wording, context);
        }
    }
}

/// Some feed still brings it: who took a field out of the settings does not miss it.
fn is_asked_for(quantity: Quantity, context: &Context<'_>) -> bool {
    context.settings.feeds.iter().any(|feed| feed.fields.iter().any(|field| field.quantity == quantity))
}

/// "a", "a and b", "a, b and c".
fn listed(names: &[String]) -> String {
    match names.split_last() {
        Some((last, [])) => last.clone(),
        Some((last, rest)) => format!("{} and {last}", rest.join(", ")),
        None => String::new(),
    }
}

/// Quantities that are told at all times, and how long each may be missing at least. Some sun sensors say nothing at night.
const QUANTITIES: [(Quantity, i64); 5] = [
    (Quantity::AirTemperature, LEAST),
    (Quantity::RelativeHumidity, LEAST),
    (Quantity::DewPointTemperature, LEAST),
    (Quantity::WindSpeed, LEAST),
    (Quantity::SurfaceDownwellingShortwaveFlux, 30 * HOUR),
];

/// Our choice: some sensors tell each quantity only when it changes.
const LEAST: i64 = 6 * HOUR;
/// Times the sensor's own silence limit. Our choice.
const SILENCE_LIMITS: i64 = 3;
