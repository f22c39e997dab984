//! A clogged gauge: what sites nearby tell of rain is held against a gauge that says 0, rain after rain. Once it is likelier
//! clogged than not, rain that it misses counts as the neighbors have it; once it is judged clogged it counts as silent, until
//! it tips again or somebody has seen to it.

use crate::engine::alert::{AlertKind, Wording};
use crate::engine::civil;
use crate::engine::event::Digest;
use crate::engine::evidence;
use crate::engine::intake;
use crate::engine::output::Level;
use crate::engine::publish::{alerts, log, words};
use crate::engine::rainfall;
use crate::engine::sensor::service::ServiceKind;
use crate::engine::site::clogged::{
    AROUND, Missed, PATIENCE, RainNearby, is_nothing, log_odds_after, nothing_by_chance, weight,
};
use crate::engine::site::day_book::KEPT;
use crate::engine::site::neighborhood::{Near, NearHour};
use crate::engine::stamp::{DAY, HOUR, Stamp};
use crate::engine::state::{Context, SiteState};

/// A neighbor told of an hour for the first time; `estimate`: what the neighbors say of that hour here.
pub fn told(state: &mut SiteState, digest: &Digest, hour: Stamp, estimate: &NearHour, context: &mut Context<'_>) {
    let Some(mm) = digest.rain_mm.filter(|mm| mm.is_finite()) else { return };
    if state.rain_nearby.as_deref().is_some_and(|rain| rain.is_over(hour))
        && let Some(mut rain) = state.rain_nearby.take()
    {
        over(state, &mut rain, context);
    }
    // Snow melts in one gauge and not in another.
    let frost = digest.air_temperature_celsius.is_some_and(|celsius| celsius < FROST_BELOW_CELSIUS);
    if mm > 0.0 && !frost {
        let rain = state.rain_nearby.get_or_insert_with(|| Box::new(RainNearby::new(hour)));
        rain.fell(&digest.from, hour, mm);
    }
    let Some(mut rain) = state.rain_nearby.take() else { return };
    if let Some(here) = estimate.value(Near::Rain) {
        rain.here(hour, here);
    }
    if mm > 0.0 && context.now.wall.since(rain.first.plus(HOUR)) >= PATIENCE {
        meanwhile(state, &mut rain, context);
    }
    state.rain_nearby = Some(rain);
}

/// What a rain nearby says of the site's gauge.
enum Word {
    /// It says nothing: the gauge did not speak, it froze, the rain was too little or too long.
    Nothing,
    Caught {
        agreed_mm: f64,
    },
    Missed {
        agreed_mm: f64,
    },
}

/// Holds the gauge at `index` against the rain as far as it has come.
fn word(state: &SiteState, index: usize, rain: &RainNearby, is_over: bool, context: &Context<'_>) -> Word {
    let now = context.now.wall;
    let Some(agreed_mm) = rain.agreed_mm().filter(|_| !rain.is_endless() && now.since(rain.first) < KEPT - AROUND)
    else {
        return Word::Nothing;
    };
    let (mut caught_um, mut frost) = (0i64, false);
    for bin in state.book.between(rain.first.plus(-AROUND), now) {
        caught_um += i64::from(bin.rain_um) + i64::from(bin.quarantined_um);
        frost |= f64::from(bin.coldest) < FROST_BELOW_CELSIUS;
    }
    if !is_nothing(caught_um as f64 / 1000.0, agreed_mm) {
        return Word::Caught { agreed_mm };
    }
    // A gauge proves nothing about hours in which it did not speak, but a counter knows them when it speaks again.
    let (end, counter) = (rain.last.plus(HOUR), rainfall::is_counter(state, index));
    let spoke_after = !is_over || state.book.between(end, now).any(|bin| bin.gauge_heard);
    let during = || state.book.between(rain.first, end);
    let spoke_always = during().next().is_some() && during().all(|bin| bin.gauge_heard);
    if frost || !spoke_after || !(rain.counts || counter || spoke_always) {
        return Word::Nothing;
    }
    Word::Missed { agreed_mm }
}

/// The gauge that speaks for the site.
fn speaking(state: &SiteState, context: &Context<'_>) -> Option<usize> {
    rainfall::gauge_index(state, context).filter(|_| rainfall::gauge_is_heard(state, context))
}

/// It still rains nearby. Where the gauge here has caught nothing and is in doubt with that, the rain counts at once: water
/// is given before it is over.
fn meanwhile(state: &mut SiteState, rain: &mut RainNearby, context: &mut Context<'_>) {
    let Some(index) = speaking(state, context) else { return };
    let Word::Missed { agreed_mm } = word(state, index, rain, false, context) else { return };
    let chance = state.alike.nothing_in_sound_gauge(agreed_mm);
    let missed = state.sensors[index].missed.as_deref().copied();
    let missed = missed.unwrap_or_else(|| Missed::new(rain.first, log_odds(state, index, rain.first)));
    if missed.is_suspect_with(weight(chance)) {
        if !rain.counts {
            let text = format!(
                "sensor {}: it rains nearby, {} at two sites, and its gauge caught nothing: it is in doubt, and the rain of \
                 its neighbors counts",
                context.site.sensors[index].id,
                words::depth(context.site, agreed_mm)
            );
            log(context, Level::Info, text);
        }
        side(state, index, context);
        stand_in(state, rain, context);
    }
}

/// Natural logarithm of the odds that a gauge is clogged as rain nearby begins, by how long nothing has shown that it is not.
fn log_odds(state: &SiteState, index: usize, rain: Stamp) -> f64 {
    let cares = |kind| !matches!(kind, ServiceKind::Battery | ServiceKind::Added);
    let marks = state.sensors[index].sensor.services.iter().filter(|mark| cares(mark.kind)).map(|mark| mark.at);
    let sound = marks.chain(state.event.last_rain()).filter(|at| *at <= rain).max();
    let days = sound.map_or(UNPROVEN_DAYS, |at| rain.since(at) as f64 / DAY as f64);
    log_odds_after(days)
}

/// Rain nearby is over: did the site's gauge miss it?
fn over(state: &mut SiteState, rain: &mut RainNearby, context: &mut Context<'_>) {
    let now = context.now.wall;
    let Some(index) = speaking(state, context) else { return };
    let agreed_mm = match word(state, index, rain, true, context) {
        Word::Nothing => return,
        Word::Caught { agreed_mm } => {
            state.alike.learn(nothing_by_chance(agreed_mm), 0.0);
            return believed(state, index, "it caught rain", context);
        }
        Word::Missed { agreed_mm } => agreed_mm,
    };
    let chance = state.alike.nothing_in_sound_gauge(agreed_mm);
    if state.sensors[index].missed.is_none() {
        let odds = log_odds(state, index, rain.first);
        state.sensors[index].missed = Some(Box::new(Missed::new(rain.first, odds)));
    }
    let Some(missed) = state.sensors[index].missed.as_deref_mut() else { return };
    let is_clogged = missed.add(agreed_mm, chance, now);
    let missed = *missed;
    if missed.is_suspect() {
        let fell_mm = side(state, index, context);
        stand_in(state, rain, context);
        if is_clogged {
            say(state, index, missed, fell_mm, context);
        }
    } else {
        // Not yet believed, not yet forgotten: the ledgers reckon with it on the side.
        let rain_mm = rain.hours().map(|(_, mm)| mm).sum();
        evidence::doubt(state, rain_mm, context);
    }
}

fn say(state: &mut SiteState, index: usize, missed: Missed, fell_mm: f64, context: &mut Context<'_>) {
    let (site, id) = (context.site, &context.site.sensors[index].id);
    let booked = if fell_mm >= LEAST_TOLD_MM {
        format!(" Up to {} less are owed for what it missed before.", words::depth(site, fell_mm))
    } else {
        String::new()
    };
    let wording = Wording::new(
        format!(
            "The rain gauge of sensor {id} looks clogged, at odds of {}: since {} it rained {} times nearby, {} or more in all at \
             two sites at least, and it reported but caught next to nothing. From now on the rain of this site comes from its \
             neighbors.{booked}",
            missed.odds_text(),
            civil::clock_text(site.zone, missed.first, context.now.wall),
            missed.rains,
            words::depth(site, f64::from(missed.mm)),
        ),
        format!(
            "Look into the funnel for leaves, nests and dirt, see that the bucket swings freely and the gauge stands level and \
             under the open sky, and look at its cable. Then note a service of kind \"cleaned\" for sensor {id}. It is believed \
             again from then on, or when it next tips."
        ),
    )
    .with("rains_missed", f64::from(missed.rains))
    .with("missed_mm", f64::from(missed.mm))
    .with("odds", missed.odds().min(MOST_ODDS));
    alerts::raise(state, AlertKind::GaugeClogged, id, wording, context);
}

/// Rain that the gauge missed earlier is booked, as far as the soil would still have it. Returns by how much owed falls at
/// most, mm.
fn side(state: &mut SiteState, index: usize, context: &mut Context<'_>) -> f64 {
    let mut most_mm = 0.0_f64;
    for group in &mut state.groups {
        most_mm = most_mm.max(group.ledger.side_with_doubt());
    }
    if most_mm >= LEAST_TOLD_MM {
        state.sent.totals_due = true;
        let text = format!(
            "sensor {}: its gauge is in doubt, and rain nearby that it did not catch is booked: up to {} less are owed",
            context.site.sensors[index].id,
            words::depth(context.site, most_mm)
        );
        log(context, Level::Info, text);
    }
    most_mm
}

/// The rain nearby is given to the site after all.
fn stand_in(state: &mut SiteState, rain: &mut RainNearby, context: &mut Context<'_>) {
    rain.counts = true;
    for (hour, mm) in rain.hours().filter(|(_, mm)| *mm > 0.0) {
        if state.days.touch(hour) {
            state.book.gauge_unheard(hour, hour.plus(HOUR));
            state.book.neighborhood.put_rain(hour, mm, KEPT);
            intake::note_late(state, hour, context);
        }
    }
    evidence::figure_today(state, context);
    state.sent.totals_due = true;
}

/// The gauge, sensor `index`, tipped. What it says of the rain that is on is then its own; one that was judged clogged is not.
pub fn tipped(state: &mut SiteState, index: usize, context: &mut Context<'_>) {
    if state.sensors[index].missed.as_deref().is_some_and(|missed| missed.clogged.is_some()) {
        believed(state, index, "it tipped", context);
    }
    let Some(mut rain) = state.rain_nearby.take_if(|rain| rain.counts) else { return };
    rain.counts = false;
    for (hour, _) in rain.hours().filter(|(_, mm)| *mm > 0.0) {
        if state.days.touch(hour) {
            state.book.gauge_spoke(hour, hour.plus(HOUR));
            state.book.neighborhood.forget_rain(hour, hour.plus(HOUR));
            intake::note_late(state, hour, context);
        }
    }
    state.rain_nearby = Some(rain);
    state.sent.totals_due = true;
}

/// The gauge caught rain, or somebody has seen to it: it is believed, and begins anew.
pub fn believed(state: &mut SiteState, index: usize, why: &str, context: &mut Context<'_>) {
    let Some(missed) = state.sensors[index].missed.take() else { return };
    let (expected, passed_by) = missed.passed_by();
    state.alike.learn(expected, passed_by);
    state.groups.iter_mut().for_each(|group| group.ledger.forget_doubt());
    if missed.clogged.is_some() {
        let id = &context.site.sensors[index].id;
        log(context, Level::Info, format!("sensor {id}: its gauge is believed again: {why}"));
        alerts::clear(state, AlertKind::GaugeClogged, id, context);
    }
}

/// A gauge that never caught anything and that nobody has seen to since it is known. Our choice.
const UNPROVEN_DAYS: f64 = 30.0;

/// Less is not worth a word, mm.
const LEAST_TOLD_MM: f64 = 0.05;

/// Odds beyond this are not told.
const MOST_ODDS: f64 = 1000.0;

/// A gauge that is not heated catches no snow. As for rain that is caught in frost.
const FROST_BELOW_CELSIUS: f64 = 1.0;
