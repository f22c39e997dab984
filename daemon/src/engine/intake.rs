//! From a message to the state of a site: repeats, link, battery, flags, day book, gauges, live evidence.

use super::batteries;
use super::decode::{Decoded, LossCause, Parsed};
use super::faults;
use super::formula::solar;
use super::links;
use super::output::Level;
use super::presence;
use super::publish::{history, log, words};
use super::quality::duplicate::{INTERVAL_RAIN_DEPTH, Repeat};
use super::quality::sky::{Quarter, Sky};
use super::quality::{self, Judgment, consistency};
use super::reading::{Flag, Quantity, Reading};
use super::sensor::Counted;
use super::settings::SensorSettings;
use super::site::day_book::{self, Averaged};
use super::site::rain::RawUnit;
use super::spike;
use super::stamp::{DAY, HOUR, SECOND, Stamp};
use super::state::{Context, SiteState};
use super::units::Degrees;

/// Takes in a message that could be taken apart, for the sensor at `index`.
pub fn receive(state: &mut SiteState, index: usize, parsed: &Parsed<'_>, retain: bool, context: &mut Context<'_>) {
    let Some(settings) = context.site.sensors.get(index) else { return };
    let Some(sensor) = state.sensors.get(index).map(|entry| &entry.sensor) else { return };
    let now = context.now.wall;
    let decoded = parsed.readings(now, Some(context.site.zone), sensor.own_time);
    if retain && !is_usable_retained(&decoded, state, index, settings, context) {
        return;
    }
    // Copies of one transmission are no deliveries, and prove nothing that the first of them did not.
    if is_repeat(&decoded, state, index, context) {
        state.sensors[index].sensor.reject("repeat", now);
        return;
    }
    let age = age_of(decoded.own_time, retain, now);
    match decoded.own_time {
        Some(at) if retain => presence::heard_before(state, index, settings, at, context),
        Some(_) if age > 0 => presence::heard_late(state, index, settings, context),
        _ => presence::heard(state, index, settings, decoded.sequence, context),
    }
    for loss in &decoded.losses {
        let what = loss.quantity.map_or("the message".to_owned(), |quantity| quantity.name().replace('_', " "));
        let text = format!("{what}: {} (saw {:?}); {}", loss.cause.text(), loss.seen, loss.cause.advice());
        faults::lost(state, index, loss.cause.name(), &text, context);
        // A battery whose level is not known is no fault of a probe.
        let of_battery =
            loss.quantity.is_some_and(|quantity| matches!(quantity, Quantity::BatteryLevel | Quantity::BatteryOk));
        if matches!(loss.cause, LossCause::Sentinel | LossCause::NotFinite) && !of_battery {
            let meaning =
                if loss.cause == LossCause::Sentinel { "is a fault code of the probe" } else { "is not a number" };
            faults::fault(state, index, settings, &format!("{what}: {:?} {meaning}", loss.seen), context);
        }
    }
    faults::note_clock(state, index, settings, &decoded, context);
    if age > OLDEST_TAKEN {
        let text = format!("its readings are of {}, more than 7 days ago; none of them is kept", now.plus(-age).text());
        return faults::lost(state, index, "too_old", &text, context);
    }
    let sensor = &mut state.sensors[index].sensor;
    sensor.own_time = decoded.own_time.or(sensor.own_time);
    sensor.status_due = true;
    let unit = if parsed.counts_tips() { RawUnit::Tips } else { RawUnit::Millimeters };
    // A message can bring readings of several times, in their order.
    for together in decoded.readings.chunk_by(|a, b| a.observed_at == b.observed_at) {
        let observed_at = together.first().map_or(now, |reading| reading.observed_at);
        let age = age_of(Some(observed_at), retain, now);
        if age > OLDEST_TAKEN {
            continue;
        }
        let beside = |quantity| together.iter().find(|reading| reading.quantity == quantity).map(|beside| beside.value);
        let (wind_speed, air_temperature) = (beside(Quantity::WindSpeed), beside(Quantity::AirTemperature));
        let mut points = history::points(context, settings);
        for reading in together {
            let manner = Manner { wind_speed, air_temperature, unit, age };
            let flag = read(state, index, settings, reading, manner, context);
            history::add(&mut points, reading, flag);
        }
        history::send(points, observed_at, context);
    }
}

/// Was this message heard before? One that carries nothing but its signal strength, or nothing readable, never was.
fn is_repeat(decoded: &Decoded<'_>, state: &mut SiteState, index: usize, context: &Context<'_>) -> bool {
    if decoded.readings.iter().all(|reading| reading.quantity.describes_transmission()) {
        return false;
    }
    let mut settings = context.site.quality.repeat;
    if decoded.readings.iter().any(|reading| reading.quantity == Quantity::RainfallAmount) {
        settings.depth = settings.depth.max(INTERVAL_RAIN_DEPTH);
    }
    let repeats = &mut state.sensors[index].sensor.repeats;
    let repeat = repeats.judge(decoded.sequence, decoded.own_time, decoded.content_hash, context.now.wall, &settings);
    repeat != Repeat::New
}

/// How old the news of a message is, in ms: 0 for a live one whose clock is a little slow.
fn age_of(own_time: Option<Stamp>, retain: bool, now: Stamp) -> i64 {
    let age = own_time.map_or(0, |at| now.since(at));
    if retain || age > LIVE_WITHIN { age.max(0) } else { 0 }
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
    faults::lost(state, index, cause, &text, context);
    false
}

/// What else of a message matters to a reading in it.
#[derive(Clone, Copy, Debug)]
pub struct Manner {
    /// In m/s and °C.
    wind_speed: Option<f64>,
    pub air_temperature: Option<f64>,
    /// What a rain counter counts.
    pub unit: RawUnit,
    /// How old its news is, ms.
    pub age: i64,
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
            return super::rainfall::read(state, index, settings, reading, manner, context);
        }
        Quantity::BatteryVoltage | Quantity::BatteryLevel | Quantity::BatteryOk => {
            batteries::read(state, index, settings, reading, manner.air_temperature, context)
        }
        Quantity::Rssi => {
            state.sensors[index].sensor.rssi_dbm = Some(reading.value);
            links::note_strength(state, index, reading.value, context);
        }
        _ => return read_weather(state, index, settings, reading, manner, context),
    }
    keep(state, index, reading, Flag::NotEvaluated, manner.age, context);
    Flag::NotEvaluated
}

/// Weather that is judged by range, step, spike and flat line.
fn read_weather(
    state: &mut SiteState,
    index: usize,
    settings: &SensorSettings,
    reading: &Reading,
    manner: Manner,
    context: &mut Context<'_>,
) -> Flag {
    let site = context.site;
    let quantity = reading.quantity;
    if quantity == Quantity::Snr && state.sensors[index].sensor.rssi_dbm.is_none() {
        links::note_strength(state, index, reading.value, context);
    }
    let sky = match quantity {
        Quantity::SurfaceDownwellingShortwaveFlux => sky_of(state, reading, context),
        _ => Sky::from(true),
    };
    let limits = site.quality.limits(quantity);
    let track = &mut state.sensors[index].sensor.channel_mut(quantity).track;
    let (settled, judgment) = track.judge(quantity, reading.value, reading.observed_at, sky, limits);
    if let Some(settled) = settled {
        spike::settle(state, index, settings, quantity, &settled, context);
    }
    if judgment.is_provisional() {
        // What else speaks against it is known now, and not when it is judged.
        if quantity == Quantity::DewPointTemperature
            && let Some(waiting) = state.sensors[index].sensor.channel_mut(quantity).track.waiting_mut()
        {
            waiting.judgment = consistency::dew_point(waiting.judgment, manner.air_temperature);
        }
        spike::wait(state, index, reading, &judgment, manner.age, context);
        return judgment.flag;
    }
    let judgment = match quantity {
        Quantity::WindFromDirection => {
            consistency::direction(judgment, manner.wind_speed, site.quality.calm_below_m_per_s)
        }
        Quantity::WindSpeedOfGust => consistency::gust(judgment, manner.wind_speed),
        Quantity::DewPointTemperature => consistency::dew_point(judgment, manner.air_temperature),
        _ => judgment,
    };
    count(state, index, settings, reading, &judgment, manner.age, context);
    judgment.flag
}

/// A weather reading that is judged goes where it counts.
pub fn count(
    state: &mut SiteState,
    index: usize,
    settings: &SensorSettings,
    reading: &Reading,
    judgment: &Judgment,
    age: i64,
    context: &mut Context<'_>,
) {
    let (now, site) = (context.now, context.site);
    let quantity = reading.quantity;
    let sensor = &mut state.sensors[index].sensor;
    let covered = sensor.covered(quantity, reading.observed_at);
    if let Some(test) = judgment.test {
        *sensor.flags.entry(test.name().to_owned()).or_default() += 1;
    }
    faults::note_flat_line(state, settings, quantity, judgment, context);
    if judgment.flag == Flag::Missing {
        return;
    }
    let kept = Reading { value: judgment.value, ..*reading };
    keep(state, index, &kept, judgment.flag, age, context);
    if !judgment.flag.counts() {
        // Many vanes say -1 in a calm, and no decision rests on a direction.
        if quantity != Quantity::WindFromDirection {
            faults::fault(state, index, settings, &quality::explain(judgment, quantity, context.site.units), context);
        }
        return;
    }
    if let Some(averaged) = Averaged::of(quantity).filter(|_| is_preferred(state, index, quantity, context)) {
        let at = day_book::counted_at(reading.observed_at, covered);
        if !now.trusted {
            // Kept out of the book: the day it would fall into is not known.
        } else if !state.days.is_open(at) || !state.book.add(site.zone, averaged, judgment.value, at, covered) {
            state.too_late = state.too_late.saturating_add(1);
        } else {
            if judgment.flag == Flag::Suspect {
                state.book.doubt(site.zone, averaged, at);
            }
            state.days.touch(at);
            note_late(state, at, context);
        }
    }
    let fresh = now.wall.since(reading.observed_at) <= LIVE_WITHIN;
    match quantity {
        Quantity::AirTemperature if fresh => super::evidence::cold(state, judgment.value, context),
        Quantity::WindSpeed
            if fresh
                && is_preferred(state, index, quantity, context)
                && state.wind.judge(judgment.value, reading.observed_at, &site.wind) =>
        {
            let mean = state.wind.mean().unwrap_or(0.0);
            let word = if state.wind.since().is_some() { "begins" } else { "ends" };
            log(
                context,
                Level::Info,
                format!("wind hold {word} at a 10-minute mean of {}", words::speed(context.site, mean)),
            );
        }
        Quantity::WindFromDirection => state.sensors[index].sensor.direction.add(judgment.value, reading.observed_at),
        _ => {}
    }
}

/// Remembers a reading as the channel's last. `age`: how old its news is, ms; it is fresh for that much less.
pub fn keep(state: &mut SiteState, index: usize, reading: &Reading, flag: Flag, age: i64, context: &Context<'_>) {
    let listening = context.now.listening.saturating_sub(age);
    let channel = state.sensors[index].sensor.channel_mut(reading.quantity);
    channel.show(reading, flag);
    if flag.counts() && channel.counted.is_none_or(|counted| reading.observed_at >= counted.observed_at) {
        channel.counted = Some(Counted { value: reading.value, observed_at: reading.observed_at, listening });
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

/// Where the sun stands around a reading of its radiation. Nearly nothing never tells more than the day or the night does.
fn sky_of(state: &mut SiteState, reading: &Reading, context: &Context<'_>) -> Sky {
    let daylight = is_day(state, context, reading.observed_at);
    if reading.value <= Sky::ALWAYS_BELIEVED {
        return Sky::from(daylight);
    }
    let quarter = state.quarter.filter(|quarter| quarter.holds(reading.observed_at)).unwrap_or_else(|| {
        let place = &context.site.place;
        let (latitude, longitude) = (Degrees(place.latitude_degrees), Degrees(place.longitude_degrees));
        Quarter::of(reading.observed_at, latitude, longitude)
    });
    state.quarter = Some(quarter);
    quarter.sky(daylight, context.site.quality.sun_limits)
}

/// True from an hour after sunrise to an hour before sunset: outside, a sun that does not move is no fault.
fn is_day(state: &mut SiteState, context: &Context<'_>, at: Stamp) -> bool {
    if state.sun.is_none_or(|sun| at.since(sun.noon).abs() > 12 * HOUR) {
        let place = &context.site.place;
        let times = solar::sun_times(at, Degrees(place.latitude_degrees), Degrees(place.longitude_degrees));
        state.sun = Some(times);
    }
    match state.sun.map(|sun| (sun.sunrise, sun.sunset)) {
        Some((Some(sunrise), Some(sunset))) => at.since(sunrise) > HOUR && sunset.since(at) > HOUR,
        _ => false,
    }
}

/// A reading older than this changes the books but begins and ends no hold. Our choice.
pub const LIVE_WITHIN: i64 = HOUR;

/// Older readings reach neither books nor history: a clock that was set wrong is likelier than so long a backlog. Our
/// choice, as proposed in field case S14.
const OLDEST_TAKEN: i64 = 7 * DAY;
