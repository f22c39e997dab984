//! Rain of a site: what its gauge says becomes totals, events and quarantine.

use super::alert::{AlertKind, Wording};
use super::civil;
use super::evidence;
use super::gauge_watch;
use super::intake::{self, Manner};
use super::output::Level;
use super::publish::{alerts, log, words};
use super::reading::{Flag, Quantity, Reading, TimeSource};
use super::settings::SensorSettings;
use super::site::day_book::{KEPT, micrometers};
use super::site::rain::{Catch, Outcome};
use super::siting;
use super::stamp::{HOUR, MINUTE, Stamp};
use super::state::{Context, SensorState, SiteState};

/// A reading of a rain gauge. Returns its flag.
pub fn read(
    state: &mut SiteState,
    index: usize,
    settings: &SensorSettings,
    reading: &Reading,
    manner: Manner,
    context: &mut Context<'_>,
) -> Flag {
    let entry = &mut state.sensors[index];
    let by_arrival = reading.time_source != TimeSource::Payload;
    let usual = entry.sensor.link.interval();
    let catch = match reading.quantity {
        Quantity::RainCounter => {
            entry.gauge_measures = true;
            entry.gauge.counter(reading.value, manner.unit, reading.observed_at, by_arrival, &settings.gauge)
        }
        Quantity::RainfallAmount => {
            entry.gauge_measures = true;
            entry.gauge.interval(reading.value, reading.observed_at, usual, &settings.gauge)
        }
        // A rate is summed over the time since the last one, where nothing better comes from this sensor.
        _ => {
            let before = entry.rate_at;
            entry.rate_at = before.max(Some(reading.observed_at));
            if entry.gauge_measures || reading.value < 0.0 {
                return keep(state, index, reading, Flag::NotEvaluated, manner, context);
            }
            let span = before.map_or(0, |before| reading.observed_at.since(before)).clamp(0, LONGEST_RATE);
            let mm = reading.value * span as f64 / HOUR as f64;
            entry.gauge.interval(mm, reading.observed_at, Some(span.max(MINUTE)), &settings.gauge)
        }
    };
    let doubted = take_in(state, index, settings, &catch, manner, context);
    let mut flag = flag_of(catch.outcome).max(doubted.unwrap_or(Flag::Good));
    if doubted.is_some() {
        *state.sensors[index].sensor.flags.entry("knock_or_rain".to_owned()).or_default() += 1;
    }
    if flag == Flag::Good && catch.mm > 0.0 && is_frozen(state, manner, context) {
        // It counts, because it is water on the site sooner or later; but when and how much is not known.
        flag = Flag::Suspect;
        *state.sensors[index].sensor.flags.entry(FROZEN_GAUGE.to_owned()).or_default() += 1;
        if context.now.trusted && gauge_index(state, context) == Some(index) {
            state.book.gauge_frozen(context.site.zone, catch.to);
            evidence::figure_today(state, context);
        }
    }
    if flag_of(catch.outcome) != Flag::Good || catch.outcome == Outcome::AfterReset {
        *state.sensors[index].sensor.flags.entry(catch.outcome.name().to_owned()).or_default() += 1;
    }
    keep(state, index, reading, flag, manner, context)
}

/// Rain that was waiting for the clock gets the date of now.
pub fn date_undated(state: &mut SiteState, context: &mut Context<'_>) {
    if state.undated_rain_um == 0 || !context.now.trusted {
        return;
    }
    let mm = f64::from(std::mem::take(&mut state.undated_rain_um)) / 1000.0;
    let now = context.now.wall;
    count(state, mm, now, now, 0, context);
    log(
        context,
        Level::Info,
        format!("{} of rain that came while the clock was wrong is dated to now", words::depth(context.site, mm)),
    );
}

/// The site's rain gauge: the first sensor that counts and is not silent; where all are, the first that was ever heard.
pub fn gauge_index(state: &SiteState, context: &Context<'_>) -> Option<usize> {
    let gauges = || {
        let all = state.sensors.iter().zip(&context.site.sensors).enumerate();
        all.filter(|(_, (entry, settings))| settings.rain_counts && entry.gauge_heard.is_some())
    };
    let speaking = gauges().find(|(_, (entry, settings))| speaks(entry, settings, context));
    speaking.or_else(|| gauges().next()).map(|(index, _)| index)
}

/// A gauge that speaks, within its sensor's silence limit.
pub fn gauge_is_heard(state: &SiteState, context: &Context<'_>) -> bool {
    gauge_index(state, context)
        .is_some_and(|index| speaks(&state.sensors[index], &context.site.sensors[index], context))
}

/// Its gauge was heard within its silence limit, and is not clogged: that is as if it were silent.
fn speaks(entry: &SensorState, settings: &SensorSettings, context: &Context<'_>) -> bool {
    let limit = entry.sensor.link.silence_limit(&settings.link);
    let heard = entry.gauge_heard.is_some_and(|heard| context.now.listening.saturating_sub(heard) <= limit);
    heard && !is_clogged(entry)
}

pub fn is_clogged(entry: &SensorState) -> bool {
    entry.missed.as_deref().is_some_and(|missed| missed.clogged.is_some())
}

fn take_in(
    state: &mut SiteState,
    index: usize,
    settings: &SensorSettings,
    catch: &Catch,
    manner: Manner,
    context: &mut Context<'_>,
) -> Option<Flag> {
    tell(state, index, settings, catch, context);
    if catch.mm > 0.0 && settings.rain_counts {
        gauge_watch::proven(state, index, context);
    }
    // Who spoke for the site until now: a gauge that comes back brings rain that another has counted meanwhile.
    let spoke = gauge_index(state, context);
    let doubtful = matches!(
        catch.outcome,
        Outcome::QuarantinedJump
            | Outcome::StillQuarantined
            | Outcome::DropPending
            | Outcome::UnitSuspect
            | Outcome::DuplicateOrOld
            | Outcome::Impossible
    );
    if !doubtful && settings.rain_counts {
        let heard = context.now.listening.saturating_sub(manner.age);
        let entry = &mut state.sensors[index];
        entry.gauge_heard = entry.gauge_heard.max(Some(heard));
    }
    if !settings.rain_counts || spoke.is_some_and(|gauge| gauge != index) {
        return None;
    }
    if !context.now.trusted {
        state.undated_rain_um = state.undated_rain_um.saturating_add(micrometers(catch.mm));
        return None;
    }
    if catch.outcome == Outcome::BackFromJump {
        // What was quarantined since the jump never fell.
        gauge_watch::void_jump(state, index, context);
    }
    let (site, usual) = (context.site, state.sensors[index].sensor.link.interval().unwrap_or(0));
    if catch.quarantined_mm > 0.0 {
        state.book.add_rain(site.zone, catch.quarantined_mm, true, catch.to, catch.to, 0);
        gauge_watch::jumped(state, index, catch.quarantined_mm, catch.to);
        evidence::figure_today(state, context);
        state.sent.totals_due = true;
    }
    if !doubtful && !is_clogged(&state.sensors[index]) {
        state.book.gauge_heard(site.zone, catch.to);
        // What a counter says of the time since its last word is better than any neighbor's.
        if is_counter(state, index) {
            state.book.neighborhood.forget_rain(catch.from, catch.to);
        }
        state.intensity.add(catch.mm, catch.from, catch.to, state.event.is_on(catch.to, &site.rain));
    }
    if catch.mm <= 0.0 {
        return None;
    }
    siting::tipped(state, index, catch, manner.unit, context);
    gauge_watch::tipped(state, index, catch, manner.age == 0, 2 * usual, context)
}

/// The gauge gives a running total, which knows what fell while nobody heard it.
pub fn is_counter(state: &SiteState, index: usize) -> bool {
    state.sensors[index].sensor.channel(Quantity::RainCounter).is_some()
}

/// It is so cold at the gauge, by the message itself or by any thermometer, that it cannot be told from snow.
fn is_frozen(state: &SiteState, manner: Manner, context: &Context<'_>) -> bool {
    let celsius = manner.air_temperature.or_else(|| evidence::fresh(state, Quantity::AirTemperature, context).next());
    celsius.is_some_and(|celsius| celsius < FROZEN_BELOW_CELSIUS)
}

/// Rain that counts, fallen between `from` and `to`.
pub fn count(state: &mut SiteState, mm: f64, from: Stamp, to: Stamp, usual: i64, context: &mut Context<'_>) {
    let (now, site) = (context.now.wall, context.site);
    let (open_from, open_to) = (state.days.touch(from), state.days.touch(to));
    // The days between have their share; the book reaches back no further than this.
    let mut between = to.plus(-SHORTEST_DAY);
    while between > from && to.since(between) < KEPT {
        state.days.touch(between);
        between = between.plus(-SHORTEST_DAY);
    }
    if !open_to || !state.book.add_rain(site.zone, mm, false, from, to, usual) {
        state.too_late = state.too_late.saturating_add(1);
        log(
            context,
            Level::Warn,
            format!("{} of rain came too late for its day and counts for history only", words::depth(context.site, mm)),
        );
        return;
    }
    if !open_from && to.since(from) > usual {
        log(context, Level::Warn, "part of the rain over a gap fell on days that are final".to_owned());
    }
    intake::note_late(state, from.min(to), context);
    state.sent.totals_due = true;
    // What falls after sunset while it rains anyway is rain.
    if state.event.is_on(to, &site.rain) || !evidence::is_dew(state, to, context) {
        state.event.add(mm, from, to, &site.rain);
    }
    let last_day_mm = state.book.rain_mm(now.plus(-24 * HOUR), now.plus(HOUR));
    evidence::rained(state, last_day_mm, context);
}

/// What the log and the alerts say of a catch.
fn tell(state: &mut SiteState, index: usize, settings: &SensorSettings, catch: &Catch, context: &mut Context<'_>) {
    let id = settings.id.as_str();
    match catch.outcome {
        Outcome::QuarantinedJump => {
            let wording = Wording::new(
                format!(
                    "The rain counter of sensor {id} jumped by {}, which cannot be. Nothing of it counts.",
                    words::depth(context.site, catch.quarantined_mm)
                ),
                "Look at the gauge. If the new level is right, nothing has to be done: it is believed after a day, without adding rain.",
            )
            .with("jump_mm", catch.quarantined_mm);
            alerts::raise(state, AlertKind::ReadingImplausible, id, wording, context);
            note_doubt(state, index, context);
        }
        Outcome::UnitSuspect => {
            let wording = Wording::new(
                format!(
                    "The rain total of sensor {id} changed by exactly the factor 25.4: its unit may have changed between inches and millimeters."
                ),
                "Check the unit in the feed. Then send a service command of kind \"calibration\" for the sensor: until then its rain does not count.",
            );
            alerts::raise(state, AlertKind::ReadingImplausible, id, wording, context);
        }
        Outcome::AfterReset => log(
            context,
            Level::Info,
            format!("sensor {id}: rain counter started anew, {} since", words::depth(context.site, catch.mm)),
        ),
        Outcome::Rollover => log(context, Level::Info, format!("sensor {id}: rain counter rolled over")),
        Outcome::NewLevelAccepted => {
            log(
                context,
                Level::Info,
                format!("sensor {id}: the new level of the rain counter is believed, no rain added"),
            );
            note_doubt(state, index, context);
        }
        Outcome::BackFromJump => {
            // Many counters jump to and fro: the alert stays open until they have been quiet for a while.
            if !state.alerts.is_open(AlertKind::ReadingImplausible, id) || catch.mm > 0.0 {
                log(context, Level::Info, format!("sensor {id}: the rain counter is back from its jump"));
            }
            note_doubt(state, index, context);
        }
        Outcome::Rain | Outcome::SuspectJump
            if catch.mm >= 1.0 && is_gap(state, index, catch) && gauge_index(state, context) == Some(index) =>
        {
            let zone = context.site.zone;
            let (from, to) = (
                civil::clock_text(zone, catch.from, context.now.wall),
                civil::clock_text(zone, catch.to, context.now.wall),
            );
            log(
                context,
                Level::Info,
                format!(
                    "sensor {id}: {} of rain at an unknown time between {from} and {to}",
                    words::depth(context.site, catch.mm)
                ),
            );
        }
        _ => {}
    }
}

/// An alert about the counter closes some hours after the last doubt.
fn note_doubt(state: &mut SiteState, index: usize, context: &Context<'_>) {
    state.sensors[index].sensor.faults.last = Some(context.now.wall);
}

/// The rain fell over a longer time than lies between two reports.
fn is_gap(state: &SiteState, index: usize, catch: &Catch) -> bool {
    let usual = state.sensors[index].sensor.link.interval().unwrap_or(0);
    catch.to.since(catch.from) > (2 * usual).max(HOUR)
}

fn flag_of(outcome: Outcome) -> Flag {
    match outcome {
        Outcome::QuarantinedJump | Outcome::StillQuarantined | Outcome::UnitSuspect | Outcome::Impossible => Flag::Bad,
        Outcome::SuspectJump | Outcome::DropPending => Flag::Suspect,
        Outcome::DuplicateOrOld => Flag::NotEvaluated,
        _ => Flag::Good,
    }
}

fn keep(
    state: &mut SiteState,
    index: usize,
    reading: &Reading,
    flag: Flag,
    manner: Manner,
    context: &Context<'_>,
) -> Flag {
    intake::keep(state, index, reading, flag, manner.age, context);
    flag
}

/// No civil day is shorter (a day with a clock change has 23 h; ours to be safe).
const SHORTEST_DAY: i64 = 12 * HOUR;

/// A gauge that is not heated catches no snow and gives away melt below this, °C. Our choice.
const FROZEN_BELOW_CELSIUS: f64 = 1.0;
const FROZEN_GAUGE: &str = "frozen_gauge";

/// A rate speaks for at most this long. Our choice.
const LONGEST_RATE: i64 = 30 * MINUTE;
