//! The turn of days: closing, posting to the ledgers, revision, finality.

use chrono::Datelike;

use super::batteries;
use super::civil;
use super::drift;
use super::evidence;
use super::faults;
use super::formula::{radiation, reference_et};
use super::output::Level;
use super::probe;
use super::publish::{diary, history, log, words};
use super::rainfall;
use super::season;
use super::site::days::{ClosedDay, Figures};
use super::site::evapotranspiration::Method;
use super::site::normals::Basis;
use super::siting;
use super::stamp::HOUR;
use super::state::{Context, SiteState};
use super::units::{Celsius, Degrees};

/// Brings the days up to now. Where the clock is not believed, nothing turns.
pub fn days(state: &mut SiteState, context: &mut Context<'_>) {
    if !context.now.trusted {
        return;
    }
    let now = context.now.wall;
    if state.days.today().is_none() {
        state.days.begin(context.site.zone, now);
        state.sent.totals_due = true;
    }
    let mut closed = false;
    while let Some(today) = state.days.today().copied().filter(|today| today.end <= now) {
        closed = true;
        close(state, context);
        // A gap longer than the book cannot be filled day by day: one turn brings us to now.
        if now.since(today.end) > LONGEST_GAP {
            state.days.begin(context.site.zone, now);
        }
    }
    if closed {
        batteries::turn(state, context);
    }
    rainfall::date_undated(state, context);
    if state.revise_at.is_some_and(|at| at <= now) {
        state.revise_at = None;
        revise(state, context);
    }
    for day in state.days.finish(now, lateness(context)) {
        learn(state, &day, context);
        history::day(&day, context);
        diary::day(&day, context);
        state.sent.totals_due = true;
    }
}

/// A full day that nothing changes any more refines what is usual at the site.
fn learn(state: &mut SiteState, day: &ClosedDay, context: &Context<'_>) {
    let figures = &day.figures;
    let (Some(highest), Some(lowest)) = (figures.warmest_celsius, figures.coldest_celsius) else { return };
    if !figures.complete {
        return;
    }
    let latitude = Degrees(context.site.place.latitude_degrees).radians();
    let sun = radiation::extraterrestrial_daily(latitude, day.date.ordinal());
    let by_temperature = reference_et::hargreaves_samani(Celsius(highest), Celsius(lowest), sun);
    let learnt = state.learnt.get_or_insert_default();
    learnt.take(civil::month(day.date), figures.water.eto_mm, by_temperature.0);
}

pub fn lateness(context: &Context<'_>) -> i64 {
    i64::from(context.site.lateness_hours) * HOUR
}

fn close(state: &mut SiteState, context: &mut Context<'_>) {
    let has_gauge = rainfall::gauge_index(state, context).is_some();
    let stand_in = evidence::stand_in(&state.learnt, has_gauge, context);
    let (zone, place) = (context.site.zone, &context.site.place);
    let Some(closed) = state.days.close_today(zone, place, &state.book, stand_in) else { return };
    post(state, None, &closed, context);
    state.sun_clock.closed(place, &state.book, closed.date, closed.start, closed.end);
    faults::judge_sun(state, context);
    drift::closed(state, &closed, context);
    siting::day_closed(state, closed.date, closed.start, closed.end, context);
    probe::correct(state, context);
    season::judge(state, context);
    for entry in &mut state.sensors {
        entry.sensor.flags.clear();
    }
    evidence::figure_today(state, context);
    state.sent.totals_due = true;
    let water = closed.figures.water;
    let text = format!(
        "day {} closes: ETo {} ({}), rain {}",
        closed.date,
        words::depth(context.site, water.eto_mm),
        method(&closed.figures),
        words::depth(context.site, water.rain_mm)
    );
    log(context, Level::Info, text);
    history::day(&closed, context);
    diary::day(&closed, context);
}

/// How a day's evapotranspiration came about, for people.
fn method(figures: &Figures) -> String {
    match (figures.method, figures.eto_basis) {
        (Method::None, Basis::Normals) => "climate normals".to_owned(),
        (Method::None, _) => "configured default".to_owned(),
        (method, _) => method.name().replace('_', " "),
    }
}

/// Figures touched days anew and posts the difference, dated now.
fn revise(state: &mut SiteState, context: &mut Context<'_>) {
    let has_gauge = rainfall::gauge_index(state, context).is_some();
    let stand_in = evidence::stand_in(&state.learnt, has_gauge, context);
    let changed = state.days.revise(&context.site.place, &state.book, stand_in);
    for (before, day) in changed {
        post(state, Some(before), &day, context);
        let (old, new) = (before.water, day.figures.water);
        let text = format!(
            "day {} revised ({}): ETo {} to {}, rain {} to {}",
            day.date,
            day.revision,
            words::exact_depth(context.site, old.eto_mm),
            words::exact_depth(context.site, new.eto_mm),
            words::exact_depth(context.site, old.rain_mm),
            words::exact_depth(context.site, new.rain_mm)
        );
        log(context, Level::Info, text);
        history::day(&day, context);
        diary::day(&day, context);
        state.sent.totals_due = true;
    }
}

fn post(state: &mut SiteState, before: Option<Figures>, day: &ClosedDay, context: &Context<'_>) {
    let month = civil::month(day.date);
    for (group, settings) in state.groups.iter_mut().zip(&context.site.groups) {
        match before {
            None => group.ledger.post(settings, month, day.figures.water),
            Some(before) => group.ledger.correct(settings, month, before.water, day.figures.water),
        }
        if !state.season.waters() {
            group.ledger.forgive();
        }
    }
}

/// What the day book can still hold of the past.
const LONGEST_GAP: i64 = 75 * HOUR;
