//! From a message to the state of a site: repeats, link, battery, flags, day book, gauges, live evidence.

use super::alert::{AlertKind, Wording};
use super::civil;
use super::decode::{Decoded, Parsed, TimeProblem};
use super::formula::solar;
use super::output::Level;
use super::publish::{alerts, history, log};
use super::quality::Judgment;
use super::quality::duplicate::{Repeat, RepeatSettings};
use super::reading::{Flag, Quantity, Reading, TimeSource};
use super::sensor::Counted;
use super::sensor::battery::{BatteryChange, BatteryReading};
use super::sensor::link::LinkChange;
use super::settings::SensorSettings;
use super::site::day_book::Averaged;
use super::site::rain::RawUnit;
use super::stamp::{HOUR, MINUTE, SECOND, Stamp};
use super::state::{Context, SiteState};
use super::units::{Degrees, Percent, Volts};

/// Takes in a message that could be taken apart, for the sensor at `index`.
pub fn receive(state: &mut SiteState, index: usize, parsed: &Parsed<'_>, retain: bool, context: &mut Context<'_>) {
    let Some(settings) = context.site.sensors.get(index) else { return };
    let Some(sensor) = state.sensors.get(index).map(|entry| &entry.sensor) else { return };
    let now = context.now.wall;
    let decoded = parsed.readings(now, Some(context.site.zone), sensor.own_time);
    if retain && !is_usable_retained(&decoded, state, index, settings, context) {
        return;
    }
    heard(state, index, settings, context);
    for loss in &decoded.losses {
        let what = loss.quantity.map_or("the message", Quantity::name);
        lost(
            state,
            index,
            loss.cause.name(),
            &format!("{what}: {} (saw {:?}): {}", loss.cause.text(), loss.seen, loss.cause.advice()),
            context,
        );
        if matches!(loss.cause.name(), "sentinel" | "not_finite") {
            fault(state, index, settings, &format!("it sends a fault code ({}) for {what}", loss.seen), context);
        }
    }
    note_clock(state, index, settings, &decoded, context);
    let sensor = &mut state.sensors[index].sensor;
    let depth =
        if decoded.readings.iter().any(|reading| reading.quantity == Quantity::RainfallAmount) { 64 } else { 8 };
    let repeat = RepeatSettings { window_ms: 5 * SECOND, depth };
    let own_time =
        decoded.own_time.filter(|_| decoded.readings.iter().all(|reading| reading.time_source == TimeSource::Payload));
    let only_transmission = decoded.readings.iter().all(|reading| reading.quantity.describes_transmission());
    if !only_transmission
        && sensor.repeats.judge(decoded.sequence, own_time, decoded.content_hash, now, &repeat) != Repeat::New
    {
        sensor.reject("repeat", now);
        return;
    }
    sensor.own_time = decoded.own_time.or(sensor.own_time);
    sensor.status_due = true;
    let calm = decoded.readings.iter().any(|reading| reading.quantity == Quantity::WindSpeed && reading.value == 0.0);
    let unit = if parsed.counts_tips() { RawUnit::Tips } else { RawUnit::Millimeters };
    let manner = Manner { calm, unit };
    let mut point = history::point(context, settings);
    for reading in &decoded.readings {
        let flag = read(state, index, settings, reading, manner, context);
        history::add(&mut point, reading, flag);
    }
    history::send(point, decoded.readings.first().map_or(now, |reading| reading.observed_at), context);
}

/// A message from the sensor at `index` that could not be read at all, or a field of it.
pub fn lost(state: &mut SiteState, index: usize, cause: &str, text: &str, context: &mut Context<'_>) {
    let now = context.now.wall;
    let Some(sensor) = state.sensors.get_mut(index).map(|entry| &mut entry.sensor) else { return };
    let Some(since) = sensor.reject(cause, now) else { return };
    let id = sensor.id.clone();
    let times = if since > 1 { format!(" ({since} since the last line)") } else { String::new() };
    log(context, Level::Warn, format!("sensor {id}: rejected, {cause}{times}: {text}"));
}

/// The sensor at `index` was heard, whatever it said.
pub fn heard(state: &mut SiteState, index: usize, settings: &SensorSettings, context: &mut Context<'_>) {
    let now = context.now;
    let Some(entry) = state.sensors.get_mut(index) else { return };
    match entry.sensor.link.heard(now.listening, now.wall, &settings.link) {
        Some(LinkChange::FirstHeard) => {
            log(context, Level::Info, format!("sensor {}: heard for the first time", settings.id))
        }
        Some(LinkChange::Returned) => {
            log(context, Level::Info, format!("sensor {}: heard again", settings.id));
            alerts::clear(state, AlertKind::SensorSilent, &settings.id, context);
        }
        _ => {}
    }
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
        let limit = entry.sensor.link.silence_limit(&settings.link) / MINUTE;
        let wording = match entry.sensor.link.last_heard() {
            Some(last) => Wording::new(
                format!(
                    "Sensor {} has been silent since {}, longer than the {limit} minutes it may be.",
                    settings.id,
                    civil::clock_text(context.site.zone, last, context.now.wall)
                ),
                "Look at its battery, its distance to the gateway and the gateway itself.",
            ),
            None => Wording::new(
                format!("Subscribed, but nothing has come from sensor {} yet.", settings.id),
                "Check the topic in the feed, the names of site and sensor, and whether the broker's access list lets this daemon read it.",
            ),
        };
        alerts::raise(
            state,
            AlertKind::SensorSilent,
            &settings.id,
            wording.with("silence_limit_minutes", limit as f64),
            context,
        );
    }
}

/// A retained message is old news: without its own time nobody knows how old.
fn is_usable_retained(
    decoded: &Decoded<'_>,
    state: &mut SiteState,
    index: usize,
    settings: &SensorSettings,
    context: &mut Context<'_>,
) -> bool {
    let limit = state.sensors[index].sensor.link.silence_limit(&settings.link);
    let (cause, text) = match decoded.own_time {
        Some(at) if context.now.wall.since(at) <= limit => return true,
        Some(at) => ("retained_stale", format!("the retained message is from {}", at.text())),
        None => ("retained_without_time", "last known value, age unknown; it is no evidence".to_owned()),
    };
    lost(state, index, cause, &text, context);
    false
}

/// What else of a message matters to a reading in it.
#[derive(Clone, Copy)]
struct Manner {
    /// The wind speed beside it is 0: a direction then says nothing.
    calm: bool,
    /// What a rain counter counts.
    unit: RawUnit,
}

/// One reading of a new message. Returns its flag.
fn read(
    state: &mut SiteState,
    index: usize,
    settings: &SensorSettings,
    reading: &Reading,
    manner: Manner,
    context: &mut Context<'_>,
) -> Flag {
    match reading.quantity {
        Quantity::RainCounter | Quantity::RainfallAmount | Quantity::RainfallRate => {
            return super::rainfall::read(state, index, settings, reading, manner.unit, context);
        }
        Quantity::BatteryVoltage | Quantity::BatteryLevel | Quantity::BatteryOk => {
            read_battery(state, index, settings, reading, context)
        }
        Quantity::Rssi => state.sensors[index].sensor.rssi_dbm = Some(reading.value),
        Quantity::WindFromDirection if manner.calm => return Flag::NotEvaluated,
        _ => return read_weather(state, index, settings, reading, context),
    }
    keep(state, index, reading, Flag::NotEvaluated, context.now.listening);
    Flag::NotEvaluated
}

/// Weather that is judged by range, step and flat line.
fn read_weather(
    state: &mut SiteState,
    index: usize,
    settings: &SensorSettings,
    reading: &Reading,
    context: &mut Context<'_>,
) -> Flag {
    let (now, site) = (context.now, context.site);
    let quantity = reading.quantity;
    let daylight = quantity != Quantity::SurfaceDownwellingShortwaveFlux || is_day(context, reading.observed_at);
    let sensor = &mut state.sensors[index].sensor;
    let covered = sensor.covered(quantity, reading.observed_at);
    let limits = site.quality.of(quantity);
    let judgment =
        sensor.channel_mut(quantity).track.judge(quantity, reading.value, reading.observed_at, daylight, limits);
    if let Some(test) = judgment.test {
        *sensor.flags.entry(test.name().to_owned()).or_default() += 1;
    }
    note_flat_line(state, index, settings, quantity, &judgment, context);
    let kept = Reading { value: judgment.value, ..*reading };
    keep(state, index, &kept, judgment.flag, now.listening);
    if !judgment.flag.counts() {
        let why = judgment.explain(quantity);
        fault(state, index, settings, &why, context);
        return judgment.flag;
    }
    if let Some(averaged) = Averaged::of(quantity).filter(|_| is_preferred(state, index, quantity, context)) {
        if !now.trusted {
            // Kept out of the book: the day it would fall into is not known.
        } else if !state.days.touch(reading.observed_at)
            || !state.book.add(site.zone, averaged, judgment.value, reading.observed_at, covered)
        {
            state.too_late = state.too_late.saturating_add(1);
        } else {
            note_late(state, reading.observed_at, context);
        }
    }
    let fresh = now.wall.since(reading.observed_at) <= LIVE_WITHIN;
    match quantity {
        Quantity::AirTemperature if fresh => super::evidence::cold(state, context),
        Quantity::WindSpeed if fresh && is_preferred(state, index, quantity, context) => {
            if state.wind.judge(judgment.value, reading.observed_at, &site.wind) {
                let mean = state.wind.mean().unwrap_or(0.0);
                let word = if state.wind.since().is_some() { "begins" } else { "ends" };
                log(context, Level::Info, format!("wind hold {word} at a 10-minute mean of {mean:.1} m/s"));
            }
        }
        Quantity::WindFromDirection => state.sensors[index].sensor.direction.add(judgment.value, reading.observed_at),
        _ => {}
    }
    judgment.flag
}

fn read_battery(
    state: &mut SiteState,
    index: usize,
    settings: &SensorSettings,
    reading: &Reading,
    context: &mut Context<'_>,
) {
    let said = match reading.quantity {
        Quantity::BatteryVoltage => BatteryReading::Volts(Volts(reading.value)),
        Quantity::BatteryLevel => BatteryReading::Percent(Percent(reading.value)),
        _ => BatteryReading::Ok(reading.value != 0.0),
    };
    let battery = &mut state.sensors[index].sensor.battery;
    match battery.read(context.now.listening, said, &settings.battery) {
        Some(BatteryChange::Low) => {
            let mut wording = Wording::new(
                format!("The battery of sensor {} is low.", settings.id),
                "Replace it soon; note the replacement with a service command.",
            );
            if let Some(volts) = battery.volts() {
                wording = wording.with("battery_volts", volts.0);
            }
            if let Some(percent) = battery.percent() {
                wording = wording.with("battery_percent", percent.0);
            }
            alerts::raise(state, AlertKind::BatteryLow, &settings.id, wording, context);
        }
        Some(BatteryChange::Recovered) => alerts::clear(state, AlertKind::BatteryLow, &settings.id, context),
        None => {}
    }
}

/// Remembers a reading as the channel's last.
pub fn keep(state: &mut SiteState, index: usize, reading: &Reading, flag: Flag, listening: i64) {
    let channel = state.sensors[index].sensor.channel_mut(reading.quantity);
    let newer = channel.flag == Flag::Missing || reading.observed_at >= channel.observed_at;
    if newer {
        (channel.last, channel.flag, channel.observed_at) = (reading.value, flag, reading.observed_at);
    }
    if flag.counts() && channel.counted.is_none_or(|counted| reading.observed_at >= counted.observed_at) {
        channel.counted = Some(Counted { value: reading.value, observed_at: reading.observed_at, listening });
    }
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

fn note_flat_line(
    state: &mut SiteState,
    index: usize,
    settings: &SensorSettings,
    quantity: Quantity,
    judgment: &Judgment,
    context: &mut Context<'_>,
) {
    let subject = format!("{}-{}", settings.id, quantity.name().replace('_', "-"));
    let flat = judgment.test.is_some_and(|test| test.name() == "flat_line");
    if flat && judgment.flag == Flag::Bad {
        let wording = Wording::new(
            format!("Sensor {}: {}.", settings.id, judgment.explain(quantity)),
            "The probe may be dead while its radio repeats an old value: look at it, or restart it.",
        );
        alerts::raise(state, AlertKind::FlatLine, &subject, wording, context);
    } else if !flat && judgment.flag.counts() && state.alerts.is_open(AlertKind::FlatLine, &subject) {
        let _ = index;
        alerts::clear(state, AlertKind::FlatLine, &subject, context);
    }
}

/// The sensor's clock: wrong times fall back to arrival, and a zone that is off is said once.
fn note_clock(
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
        lost(state, index, problem.name(), &format!("{problem}: {}", problem.advice()), context);
    }
    let offset = match decoded.time_problem {
        Some(TimeProblem::ZoneSuspect { offset_minutes }) => Some((offset_minutes, true)),
        _ => decoded.offset_minutes.map(|minutes| (minutes, false)),
    };
    let clock = &mut state.sensors[index].sensor.clock;
    match offset {
        Some((minutes, certain)) => {
            clock.in_a_row = if clock.offset_minutes == minutes { clock.in_a_row.saturating_add(1) } else { 1 };
            clock.offset_minutes = minutes;
            if certain || clock.in_a_row >= ZONE_SUSPECT_AFTER {
                let hours = minutes as f64 / 60.0;
                let wording = Wording::new(
                    format!("The clock of sensor {} is off by {hours:+.2} h: its time zone may be wrong.", settings.id),
                    "Set the zone of the feed's time, or the sensor's clock.",
                )
                .with("offset_minutes", minutes as f64);
                alerts::raise(state, AlertKind::ClockWrong, &settings.id, wording, context);
            }
        }
        None if decoded.time_problem.is_some() => {
            let wording = Wording::new(
                format!("Sensor {} sends times that cannot be; the time of arrival is used instead.", settings.id),
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

/// What arrived for a day that has closed is figured in once things have settled.
pub fn note_late(state: &mut SiteState, at: Stamp, context: &Context<'_>) {
    let before_today = state.days.today().is_some_and(|today| at < today.start);
    if before_today && state.revise_at.is_none() {
        state.revise_at = Some(context.now.wall.plus(i64::from(context.site.settle_seconds.max(1)) * SECOND));
    }
}

/// The first sensor in the order of the settings that has fresh values of a quantity speaks for the site.
fn is_preferred(state: &SiteState, index: usize, quantity: Quantity, context: &Context<'_>) -> bool {
    state
        .sensors
        .iter()
        .zip(&context.site.sensors)
        .take(index)
        .all(|(entry, settings)| entry.sensor.fresh(quantity, context.now.listening, &settings.link).is_none())
}

fn is_day(context: &Context<'_>, at: Stamp) -> bool {
    let place = &context.site.place;
    let times = solar::sun_times(at, Degrees(place.latitude_degrees), Degrees(place.longitude_degrees));
    match (times.sunrise, times.sunset) {
        (Some(sunrise), Some(sunset)) => at.since(sunrise) > HOUR && sunset.since(at) > HOUR,
        _ => false,
    }
}

/// A reading older than this changes the books but begins and ends no hold. Our choice.
pub const LIVE_WITHIN: i64 = HOUR;
const FAULT_OVER: i64 = 6 * HOUR;
const ZONE_SUSPECT_AFTER: u16 = 3;
