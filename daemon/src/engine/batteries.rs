//! What batteries mean for people: low, when they will end, and whether a change took place.

use chrono::NaiveDate;

use super::alert::{AlertKind, Urgency, Wording};
use super::civil;
use super::evidence;
use super::output::Level;
use super::publish::{alerts, log};
use super::reading::{Quantity, Reading};
use super::sensor::battery::forecast::{Basis, RangeBasis};
use super::sensor::battery::{Battery, BatteryChange, BatteryReading, DayChange, Forecast, Outlook};
use super::settings::SensorSettings;
use super::stamp::{DAY, HOUR, Stamp};
use super::state::{Context, SiteState};
use super::units::{Percent, Volts};

/// A reading about the battery of the sensor at `index`, with the air temperature of the same message where there is one.
pub fn read(
    state: &mut SiteState,
    index: usize,
    settings: &SensorSettings,
    reading: &Reading,
    beside: Option<f64>,
    context: &mut Context<'_>,
) {
    let said = match reading.quantity {
        Quantity::BatteryVoltage => BatteryReading::Volts(Volts(reading.value)),
        Quantity::BatteryLevel => BatteryReading::Percent(Percent(reading.value)),
        _ => BatteryReading::Ok(reading.value != 0.0),
    };
    let listening = context.now.listening;
    let change = state.sensors[index].sensor.battery.read(listening, said, &settings.battery);
    if context.now.trusted {
        let celsius = beside.or_else(|| nearby_celsius(state, index, settings, context));
        let at = moment_of(state, reading, context);
        let noted = state.sensors[index].sensor.battery.note(at, said, celsius, &settings.battery);
        take_outcome(state, index, settings, context);
        day_changed(state, index, settings, noted, context);
    }
    match change {
        // The batteries of a drained site can wait for the spring: they are told of when the season begins.
        Some(BatteryChange::Low) if state.season.waters() => low(state, index, settings, context),
        Some(BatteryChange::Low) => {}
        Some(BatteryChange::Recovered) => alerts::clear(state, AlertKind::BatteryLow, &settings.id, context),
        None => {}
    }
}

/// Says that a battery is low, where the time left by its trend does not let that wait.
pub fn low(state: &mut SiteState, index: usize, settings: &SensorSettings, context: &mut Context<'_>) {
    let battery = &state.sensors[index].sensor.battery;
    if battery.may_wait(&settings.battery) {
        return;
    }
    let bring = bring(battery.outlook(), settings);
    let inverted = battery.word_may_be_inverted() && battery.volts().is_none() && battery.percent().is_none();
    let (also, but) = if inverted {
        (
            " It has said so ever since it was first heard.",
            " If the cells are new, its word may mean the opposite: set inverted of the feed's field.",
        )
    } else {
        ("", "")
    };
    let mut wording = Wording::new(
        format!("The battery of sensor {} is low.{also}", settings.id),
        format!("Replace it soon: bring {bring}, and note the replacement with a service command.{but}"),
    )
    .bringing(bring);
    if let Some(volts) = battery.volts() {
        wording = wording.with("battery_volts", volts.0);
    }
    if let Some(percent) = battery.percent() {
        wording = wording.with("battery_percent", percent.0);
    }
    alerts::raise(state, AlertKind::BatteryLow, &settings.id, wording, context);
}

/// The evening's conclusions about every battery of the site, once a civil day has ended.
pub fn turn(state: &mut SiteState, context: &mut Context<'_>) {
    let Some(today) = state.days.today().map(|today| civil::day_number(today.date)) else { return };
    for (index, settings) in context.site.sensors.iter().enumerate() {
        let Some(entry) = state.sensors.get_mut(index) else { return };
        let Some(outlook) = entry.sensor.battery.outlook_mut() else { continue };
        let before = outlook.forecast().copied();
        let change = outlook.turn(today, &settings.battery, context.fleet);
        entry.sensor.status_due |= outlook.forecast().copied() != before;
        take_outcome(state, index, settings, context);
        day_changed(state, index, settings, change, context);
        // A drained site needs no battery before the spring.
        if !state.season.waters() {
            continue;
        }
        if state.sensors[index].sensor.battery.is_low() {
            low(state, index, settings, context);
        }
        announce(state, index, settings, today, context);
    }
}

/// What became of a battery is told to the partition, whose forecasts learn from it.
fn take_outcome(state: &mut SiteState, index: usize, settings: &SensorSettings, context: &Context<'_>) {
    let Some(outcome) = state.sensors[index].sensor.battery.outlook_mut().and_then(Outlook::take_outcome) else {
        return;
    };
    let day = utc_day(context.now.wall);
    // FNV-1a, 32 bits: a replay that comes by here again gives the same key.
    let step = |hash: u32, byte: u8| (hash ^ u32::from(byte)).wrapping_mul(0x0100_0193);
    let names = context.site.id.bytes().chain([b'/']).chain(settings.id.bytes()).chain(day.to_le_bytes());
    state.outcomes.push((names.fold(0x811c_9dc5, step), day, outcome));
}

/// Whole days since 1970, UTC.
pub fn utc_day(at: Stamp) -> u16 {
    u16::try_from(at.0.div_euclid(DAY)).unwrap_or(0)
}

/// A new battery was seen, or its service noted: what was said of the old one is over.
pub fn replaced(state: &mut SiteState, sensor: &str, context: &mut Context<'_>) {
    for kind in [AlertKind::BatteryLow, AlertKind::BatteryForecast, AlertKind::BatteryUnchanged] {
        alerts::clear(state, kind, sensor, context);
    }
}

fn day_changed(
    state: &mut SiteState,
    index: usize,
    settings: &SensorSettings,
    change: Option<DayChange>,
    context: &mut Context<'_>,
) {
    let day = match change {
        None => return,
        Some(DayChange::Unchanged) => return unchanged(state, index, settings, context),
        Some(DayChange::Replaced(day)) => day,
    };
    let outlook = state.sensors[index].sensor.battery.outlook();
    let judged = outlook.map(|outlook| outlook.chemistry(&settings.battery));
    let other = judged.filter(|judged| *judged != settings.battery.chemistry);
    let but = other.map_or_else(String::new, |other| {
        format!("; its volts are those of {}, not of {}", other.name(), settings.battery.chemistry.name())
    });
    let date = civil::numbered_date(day);
    log(context, Level::Info, format!("sensor {}: a new battery since {}{but}", settings.id, long_date(date)));
    state.sensors[index].sensor.status_due = true;
    replaced(state, &settings.id, context);
}

/// A change was noted, and a day later nothing has changed.
fn unchanged(state: &mut SiteState, index: usize, settings: &SensorSettings, context: &mut Context<'_>) {
    let battery = &state.sensors[index].sensor.battery;
    let says = match (battery.volts(), battery.percent()) {
        (Some(volts), _) => format!("it still says {:.2} V", volts.0),
        (None, Some(percent)) => format!("it still says {:.0} %", percent.0),
        (None, None) => "the sensor still says that it is low".to_owned(),
    };
    let mut wording = Wording::new(
        format!("A new battery was noted for sensor {}, but a day later {says}.", settings.id),
        format!(
            "Look whether the change was made at another sensor, or the new cells are used up: bring {}.",
            bring(battery.outlook(), settings)
        ),
    )
    .bringing(bring(battery.outlook(), settings));
    if let Some(volts) = battery.volts() {
        wording = wording.with("battery_volts", volts.0);
    }
    if let Some(percent) = battery.percent() {
        wording = wording.with("battery_percent", percent.0);
    }
    state.sensors[index].sensor.status_due = true;
    alerts::raise(state, AlertKind::BatteryUnchanged, &settings.id, wording, context);
}

/// Raises, words anew or closes the forecast's alert.
fn announce(state: &mut SiteState, index: usize, settings: &SensorSettings, today: u16, context: &mut Context<'_>) {
    let Some(outlook) = state.sensors[index].sensor.battery.outlook() else { return };
    let kind = AlertKind::BatteryForecast;
    let open = state.alerts.is_open(kind, &alerts::slug(&settings.id));
    if outlook.is_far() && open {
        return alerts::clear(state, kind, &settings.id, context);
    }
    let Some(forecast) = outlook.forecast().copied().filter(|_| outlook.is_near()) else { return };
    let left = Left::of(&forecast, today);
    let wording = wording(&forecast, left, outlook, &state.sensors[index].sensor.battery, settings, today);
    if !open {
        alerts::raise(state, kind, &settings.id, wording, context);
    } else {
        let before = state.alerts.urgency(kind, &alerts::slug(&settings.id));
        let nearer = wording.urgency.is_some_and(|urgency| before.is_some_and(|before| (urgency as u8) < before as u8));
        let moved = outlook.said().abs_diff(forecast.made.saturating_add(forecast.likely));
        if !nearer && moved < LEAST_MOVE.max(forecast.likely / 4) {
            return;
        }
        alerts::revise(state, kind, &settings.id, wording, context);
    }
    if let Some(outlook) = state.sensors[index].sensor.battery.outlook_mut() {
        outlook.was_said();
    }
}

/// Days from today.
#[derive(Clone, Copy, Debug)]
struct Left {
    earliest: u16,
    likely: u16,
    latest: u16,
}

impl Left {
    fn of(forecast: &Forecast, today: u16) -> Self {
        let passed = today.saturating_sub(forecast.made);
        Self {
            earliest: forecast.earliest.saturating_sub(passed),
            likely: forecast.likely.saturating_sub(passed),
            latest: forecast.latest.saturating_sub(passed),
        }
    }
}

fn wording(
    forecast: &Forecast,
    left: Left,
    outlook: &Outlook,
    battery: &Battery,
    settings: &SensorSettings,
    today: u16,
) -> Wording {
    let date = |days: u16| civil::numbered_date(today.saturating_add(days));
    let (likely, range) = (long_date(date(left.likely)), range(date(left.earliest), date(left.latest)));
    let why = match forecast.basis {
        Basis::Trend => format!("by how its charge fell over {} days", forecast.days_of_data),
        Basis::Age => "by its age and the typical life that is set".to_owned(),
        Basis::Knee => "its voltage has left the level at which such cells stand until near their end".to_owned(),
        Basis::Charging => "the sun no longer charges it as it used to".to_owned(),
    };
    let text = if left.latest == 0 {
        format!(
            "The battery of sensor {} should be empty by now, {why}. The sensor may fall silent any day.",
            settings.id
        )
    } else {
        format!(
            "The battery of sensor {} will soon be empty: likely {range}, most probably about {likely}, {why}.",
            settings.id
        )
    };
    let urgency = match left {
        Left { likely: 0..=1, .. } => Urgency::Now,
        Left { earliest: 0..=3, .. } => Urgency::Today,
        _ => Urgency::NextVisit,
    };
    let bring = bring(Some(outlook), settings);
    let action = match urgency {
        Urgency::NextVisit => format!(
            "Bring {bring} on the next visit before {}, and note the change with a service command.",
            long_date(date(left.earliest))
        ),
        _ => format!("Go soon: bring {bring}, and note the change with a service command."),
    };
    let rests_on = match forecast.range {
        RangeBasis::Assumed => " The range is assumed so far.".to_owned(),
        RangeBasis::Sensor => {
            format!(" The range rests on {} earlier batteries of this sensor.", forecast.outcomes)
        }
        RangeBasis::Fleet => {
            format!(" The range is where eight of ten of such batteries ended, by {} ends.", forecast.outcomes)
        }
    };
    let text = if left.latest == 0 { text } else { text + &rests_on };
    let mut wording = Wording::new(text, action)
        .with("range_outcomes", f64::from(forecast.outcomes))
        .with("days_left_earliest", f64::from(left.earliest))
        .with("days_left_likely", f64::from(left.likely))
        .with("days_left_latest", f64::from(left.latest))
        .with("battery_used_percent", f64::from(forecast.used_percent))
        .with("days_of_data", f64::from(forecast.days_of_data));
    if let Some(volts) = battery.volts() {
        wording = wording.with("battery_volts", volts.0);
    }
    if let Some(percent) = battery.percent() {
        wording = wording.with("battery_percent", percent.0);
    }
    (wording.urgency, wording.by) = (Some(urgency), Some(today.saturating_add(left.earliest)));
    wording.bringing(bring)
}

/// The cells of a sensor, in words.
pub fn bring(outlook: Option<&Outlook>, settings: &SensorSettings) -> &'static str {
    let chemistry = outlook.map_or(settings.battery.chemistry, |outlook| outlook.chemistry(&settings.battery));
    chemistry.cells_to_bring()
}

/// "between 3 and 19 June", "between 28 May and 4 June", "between 20 December 2027 and 4 January 2028", "on 3 June".
fn range(from: NaiveDate, to: NaiveDate) -> String {
    let text = |date: NaiveDate, format: &str| date.format(format).to_string();
    let [year, month] = ["%Y", "%B %Y"].map(|format| text(from, format) == text(to, format));
    match (from == to, month, year) {
        (true, _, _) => format!("on {}", long_date(from)),
        (_, true, _) => format!("between {} and {}", text(from, "%-d"), long_date(to)),
        (_, _, true) => format!("between {} and {}", long_date(from), long_date(to)),
        _ => format!("between {} and {}", text(from, "%-d %B %Y"), text(to, "%-d %B %Y")),
    }
}

fn long_date(date: NaiveDate) -> String {
    date.format("%-d %B").to_string()
}

/// Instant, civil day and hour of a reading.
fn moment_of(state: &SiteState, reading: &Reading, context: &Context<'_>) -> (Stamp, u16, u8) {
    let at = reading.observed_at;
    let (date, start) = match state.days.today().filter(|today| (today.start..today.end).contains(&at)) {
        Some(today) => (today.date, today.start),
        None => {
            let date = civil::date(context.site.zone, at);
            (date, civil::day_start(context.site.zone, date))
        }
    };
    // A day of 25 hours ends in its 24th.
    (at, civil::day_number(date), u8::try_from((at.since(start) / HOUR).clamp(0, 23)).unwrap_or(0))
}

/// The temperature at the sensor, else at the site.
fn nearby_celsius(state: &SiteState, index: usize, settings: &SensorSettings, context: &Context<'_>) -> Option<f64> {
    let own = state.sensors[index].sensor.fresh(Quantity::AirTemperature, context.now.listening, &settings.link);
    own.map(|own| own.value).or_else(|| evidence::fresh(state, Quantity::AirTemperature, context).next())
}

/// Days by which the likely end has to move before an open alert is worded anew; or a quarter of the time left. Our choice.
const LEAST_MOVE: u16 = 5;

#[cfg(test)]
mod tests;
