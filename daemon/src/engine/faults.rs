//! What is wrong with what a sensor says: losses, impossible readings, flat lines, its clock.

use super::alert::{AlertKind, Wording};
use super::decode::{Decoded, TimeProblem};
use super::intake::LIVE_WITHIN;
use super::output::Level;
use super::publish::{alerts, log};
use super::quality::{self, Judgment, Test};
use super::reading::{Flag, Quantity};
use super::settings::SensorSettings;
use super::site::sun_clock::Finding;
use super::stamp::{HOUR, MINUTE};
use super::state::{Context, SiteState};

/// A message from the sensor at `index` that could not be read at all, or a field of it.
pub fn lost(state: &mut SiteState, index: usize, cause: &str, text: &str, context: &mut Context<'_>) {
    let now = context.now.wall;
    let Some(sensor) = state.sensors.get_mut(index).map(|entry| &mut entry.sensor) else { return };
    let Some(since) = sensor.reject(cause, now) else { return };
    let id = sensor.id.clone();
    let times = if since > 1 { format!(" ({since} since the last line)") } else { String::new() };
    log(context, Level::Warn, format!("sensor {id}: rejected, {cause}{times}: {text}"));
}

/// A reading that cannot be: three within an hour are an alert.
pub fn fault(state: &mut SiteState, index: usize, settings: &SensorSettings, why: &str, context: &mut Context<'_>) {
    let Some(entry) = state.sensors.get_mut(index) else { return };
    if entry.sensor.fault(context.now.wall) {
        let wording = Wording::new(
            format!("Sensor {} keeps sending readings that cannot be: {why}.", settings.id),
            "Look at the probe and its wiring. Until then these readings count for nothing.",
        );
        alerts::raise(state, AlertKind::ReadingImplausible, &settings.id, wording, context);
    }
}

/// Hours without a fault, or a value that moves again, close the alerts about readings.
pub fn judge_faults(state: &mut SiteState, context: &mut Context<'_>) {
    for (index, settings) in context.site.sensors.iter().enumerate() {
        let Some(entry) = state.sensors.get(index) else { return };
        let over = entry.sensor.faults.last.is_none_or(|last| context.now.wall.since(last) >= FAULT_OVER);
        let doubtful = entry.gauge.quarantined_since().is_some() || entry.gauge.unit_suspect_since().is_some();
        if over && !doubtful {
            alerts::clear(state, AlertKind::ReadingImplausible, &settings.id, context);
        }
    }
}

/// A value that does not move is an alert until it moves.
pub fn note_flat_line(
    state: &mut SiteState,
    settings: &SensorSettings,
    quantity: Quantity,
    judgment: &Judgment,
    context: &mut Context<'_>,
) {
    let flat = judgment.test == Some(Test::FlatLine);
    // Nearly every reading is no news here.
    if !flat && state.alerts.is_empty() {
        return;
    }
    let subject = format!("{}-{}", settings.id, quantity.name().replace('_', "-"));
    if flat && judgment.flag == Flag::Bad {
        let wording = Wording::new(
            format!("Sensor {}: {}.", settings.id, quality::explain(judgment, quantity, context.site.units)),
            "The probe may be dead while its radio repeats an old value: look at it, or restart it.",
        );
        alerts::raise(state, AlertKind::FlatLine, &subject, wording, context);
    } else if !flat && judgment.flag.counts() && state.alerts.is_open(AlertKind::FlatLine, &subject) {
        alerts::clear(state, AlertKind::FlatLine, &subject, context);
    }
}

/// The sensor's clock: wrong times fall back to arrival, and a zone that is off is said once.
pub fn note_clock(
    state: &mut SiteState,
    index: usize,
    settings: &SensorSettings,
    decoded: &Decoded<'_>,
    context: &mut Context<'_>,
) {
    if decoded.own_time.is_none() && decoded.time_problem.is_none() {
        return;
    }
    if let Some(problem) = decoded.time_problem {
        let text = format!("the time of the message is not believed: {problem}; {}", problem.advice());
        lost(state, index, time_cause(problem), &text, context);
    }
    let now = context.now.wall;
    let lag = decoded.own_time.map(|own| now.since(own)).filter(|lag| *lag > LIVE_WITHIN);
    let offset = match decoded.time_problem {
        Some(TimeProblem::ZoneSuspect { offset_minutes }) => Some((offset_minutes, true)),
        _ => decoded.offset_minutes.or(lag.map(|lag| -(lag / MINUTE))).map(|minutes| (minutes, false)),
    };
    let clock = &mut state.sensors[index].sensor.clock;
    match offset {
        Some((minutes, certain)) => {
            // A backlog comes at once, and its times catch up with ours; a clock that is wrong stays as wrong as it is.
            if clock.in_a_row == 0 || now.since(clock.at) >= MINUTE {
                let same = (clock.offset_minutes - minutes).abs() <= STEADY_MINUTES;
                clock.in_a_row = if same { clock.in_a_row.saturating_add(1) } else { 1 };
                (clock.offset_minutes, clock.at) = (minutes, now);
            }
            if certain || clock.in_a_row >= OFFSET_AFTER {
                let wording = Wording::new(
                    format!("The clock of sensor {} is {}.", settings.id, offset_text(minutes)),
                    "Set the sensor's clock, or the zone of the feed's time. Until then readings dated more than an hour back begin and end no hold.",
                )
                .with("offset_minutes", minutes as f64);
                alerts::raise(state, AlertKind::ClockWrong, &settings.id, wording, context);
            }
        }
        None if decoded.time_problem.is_some() => {
            let wording = Wording::new(
                format!("Sensor {} sends times that cannot be. The time of arrival is used instead.", settings.id),
                "Set the sensor's clock, or take the time out of the feed.",
            );
            alerts::raise(state, AlertKind::ClockWrong, &settings.id, wording, context);
        }
        None => {
            clock.in_a_row = 0;
            alerts::clear(state, AlertKind::ClockWrong, &settings.id, context);
        }
    }
}

/// The measured sun, on clear days, says what is wrong with the time of the readings.
pub fn judge_sun(state: &mut SiteState, context: &mut Context<'_>) {
    let sun = Quantity::SurfaceDownwellingShortwaveFlux;
    let Some(id) = state.sensors.iter().find(|entry| entry.sensor.channel(sun).is_some()) else { return };
    let id = id.sensor.id.clone();
    let subject = format!("{id}-sun");
    match state.sun_clock.finding() {
        Finding::Off(minutes) => {
            let side = if minutes > 0 { "late" } else { "early" };
            let wording = Wording::new(
                format!(
                    "By sensor {id} the sun stands {} min too {side} on clear days: the time of its readings is off.",
                    minutes.unsigned_abs()
                ),
                "Check the clock of the sensor and of this computer, the zone of the feed's time, summer time, and the \
                 longitude of the site. Until then hours and days of these readings are shifted.",
            )
            .with("shift_minutes", f64::from(minutes));
            alerts::raise(state, AlertKind::ClockWrong, &subject, wording, context);
        }
        Finding::Right => alerts::clear(state, AlertKind::ClockWrong, &subject, context),
        Finding::Unknown => {}
    }
}

/// "2 h ahead of ours: it may run in another time zone", "70 min behind ours".
fn offset_text(minutes: i64) -> String {
    let side = if minutes > 0 { "ahead of" } else { "behind" };
    match minutes.unsigned_abs() {
        off if off.is_multiple_of(15) => {
            format!("{} h {side} ours: it may run in another time zone", off as f64 / 60.0)
        }
        off => format!("{off} min {side} ours"),
    }
}

/// What a time that is not believed is counted under.
fn time_cause(problem: TimeProblem) -> &'static str {
    match problem {
        TimeProblem::NoZone => "time_no_zone",
        TimeProblem::Unreadable => "time_unreadable",
        TimeProblem::Ancient => "time_ancient",
        TimeProblem::Ahead => "time_ahead",
        TimeProblem::ZoneSuspect { .. } => "time_zone_suspect",
    }
}

/// An alert about readings closes this long after the last doubt. Our choice.
const FAULT_OVER: i64 = 6 * HOUR;

/// So many messages in a row with one offset, at least a minute apart, are a wrong clock and no backlog. Our choice.
const OFFSET_AFTER: u16 = 3;

/// Offsets this near to each other are one. Our choice.
const STEADY_MINUTES: i64 = 2;
