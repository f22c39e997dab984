//! What radio links mean for people: the alerts `link_weak` and `link_unstable`, before a sensor falls silent for good.

use super::alert::{AlertKind, Wording};
use super::civil;
use super::publish::{alerts, words};
use super::sensor::Sensor;
use super::sensor::link::{LinkState, Strength, likely_share};
use super::settings::SensorSettings;
use super::state::{Context, SiteState};

/// The receiver's word on the signal of the sensor at `index`, dBm, or dB where that is all it says.
pub fn note_strength(state: &mut SiteState, index: usize, value: f64, context: &Context<'_>) {
    // The running day is at hand; a date costs a look into the zone.
    let today = state.days.today().map_or_else(|| civil::date(context.site.zone, context.now.wall), |today| today.date);
    let strength: &mut Strength = state.sensors[index].sensor.strength.get_or_insert_default();
    strength.note(value, civil::day_number(today));
}

/// Looks at every link, once an hour.
pub fn judge(state: &mut SiteState, context: &mut Context<'_>) {
    let listening = context.now.listening;
    for (index, settings) in context.site.sensors.iter().enumerate() {
        let Some(entry) = state.sensors.get(index) else { return };
        let link = &entry.sensor.link;
        let steady = link.steady_at().is_none_or(|at| at <= listening) && link.state() == LinkState::Present;
        if steady {
            alerts::clear(state, AlertKind::LinkUnstable, &settings.id, context);
        }
        judge_weakness(state, index, settings, context);
    }
}

/// The link of the sensor at `index` was lost and came back again and again: one alert instead of many.
pub fn unstable(state: &mut SiteState, index: usize, settings: &SensorSettings, context: &mut Context<'_>) {
    let Some(entry) = state.sensors.get(index) else { return };
    let (link, times) = (&entry.sensor.link, u32::from(entry.sensor.link.returns()) + 1);
    let limit = words::duration(minutes(link.loss_limit(&settings.link)));
    let wording = Wording::new(
        format!(
            "Sensor {} comes and goes: it was lost {times} times, each within a week of its last return. It may be silent for {limit}.",
            settings.id
        ),
        format!("{LOOK} Single losses are not told again until it was steady for a week; silence of a day is."),
    )
    .with("losses", f64::from(times));
    alerts::raise(state, AlertKind::LinkUnstable, &settings.id, wording, context);
}

/// Few of its messages come, or its signal fades. Silence has its own alert, and what was away lately proves nothing.
fn judge_weakness(state: &mut SiteState, index: usize, settings: &SensorSettings, context: &mut Context<'_>) {
    let Some(entry) = state.sensors.get(index) else { return };
    let sensor = &entry.sensor;
    if sensor.link.state() != LinkState::Present || sensor.link.was_away(context.now.listening) {
        return;
    }
    let fading = fading(sensor);
    let delivered = sensor.link.delivered(context.now.listening).filter(|(_, expected)| *expected >= LEAST_EXPECTED);
    let few = delivered.is_some_and(|(received, expected)| likely_share(received, expected).1 < FEW);
    let many = delivered.is_none_or(|(received, expected)| received as f64 / expected as f64 >= MANY);
    if fading.is_none() && !few {
        if many {
            alerts::clear(state, AlertKind::LinkWeak, &settings.id, context);
        }
        return;
    }
    if state.alerts.is_open(AlertKind::LinkWeak, &alerts::slug(&settings.id)) {
        return;
    }
    let mut parts = Vec::new();
    let mut figures = Vec::new();
    if let Some((from, to, days, unit)) = fading {
        parts.push(format!(
            "its signal fell from {from:.0} to {to:.0} {} in {days} days",
            if unit == "dbm" { "dBm" } else { "dB" }
        ));
        figures.push((format!("signal_from_{unit}"), from));
        figures.push((format!("signal_to_{unit}"), to));
        figures.push(("fading_days".to_owned(), f64::from(days)));
    }
    if let Some((received, expected)) = delivered {
        let percent = (100.0 * received as f64 / expected as f64).min(100.0);
        parts.push(format!("{percent:.0} % of its messages of the last 24 hours came"));
        figures.push(("delivery_percent".to_owned(), percent));
    }
    let text = format!("The link of sensor {} is weak: {}.", settings.id, parts.join("; "));
    let mut wording = Wording::new(text, format!("{LOOK} Do it before it falls silent."));
    for (name, value) in figures {
        wording = wording.with(&name, value);
    }
    alerts::raise(state, AlertKind::LinkWeak, &settings.id, wording, context);
}

/// From, to, days and unit of a signal that fades.
fn fading(sensor: &Sensor) -> Option<(f64, f64, u16, &'static str)> {
    let fading = sensor.strength.as_ref()?.fading()?;
    let unit = if sensor.rssi_dbm.is_some() { "dbm" } else { "db" };
    Some((fading.from, fading.to, fading.days, unit))
}

fn minutes(millis: i64) -> u32 {
    u32::try_from(millis / super::stamp::MINUTE).unwrap_or(u32::MAX)
}

/// Common practice.
const LOOK: &str = "Look at what grew or was put between the sensor and its gateway, at both antennas, and at the battery; a meter to the side or higher up often helps.";

/// Weak below: likely less than this share came. Strong again from: so much. Our choice.
const FEW: f64 = 0.75;
const MANY: f64 = 0.85;
/// Fewer messages a day prove nothing about the radio. Our choice.
const LEAST_EXPECTED: u64 = 20;
