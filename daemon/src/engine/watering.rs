//! Watering windows: when they open and close, the one opportunity in each, and the water that is booked for it.
//!
//! Without a bridge's report water is booked as decided when the window opens, or when the hold that stood then ends. A hold
//! that comes while the run is taken to be under way gives the rest of it back. A bridge's report overrules all that.

use chrono::{Days, NaiveDate};

use super::alert::{AlertKind, Wording};
use super::civil;
use super::decision::hold::restriction::{Rules, WateredWeek};
use super::decision::scale;
use super::evidence;
use super::formula::solar;
use super::instruct;
use super::output::Level;
use super::publish::{alerts, diary, log, words};
use super::settings::{DecideAt, GroupSettings};
use super::stamp::{DAY, HOUR, MINUTE, Stamp};
use super::state::{AssumedRun, Context, Delivered, GroupState, OpenWindow, SiteState};
use super::units::Degrees;

/// The close of the window that is open at this group, where water may be running and a release has to wait for it.
pub fn open_until(group: &GroupState, context: &Context<'_>) -> Option<Stamp> {
    let window = group.window.filter(|window| window.waters && window.closes > context.now.wall && !group.false_alarm);
    window.map(|window| window.closes)
}

/// The next instant at which an assumed run ends.
pub fn next_end(window: Option<OpenWindow>) -> Option<Stamp> {
    window.and_then(|window| window.run).map(|run| run.ends)
}

/// Opens and closes the watering window, and says whether a decision time has come.
pub fn points(state: &mut SiteState, index: usize, context: &mut Context<'_>) -> bool {
    let now = context.now.wall;
    if state.groups[index].next_point.is_some_and(|point| point > now) {
        return false;
    }
    if state.groups[index].window.is_some_and(|window| window.closes <= now) {
        close(state, index, context);
    }
    let settings = &context.site.groups[index];
    let zone = context.site.zone;
    let windows: Vec<_> = civil::windows_from(zone, now, settings.window, 2).collect();
    let open = windows.iter().find(|(_, opens, closes)| *opens <= now && now < *closes);
    let group = &state.groups[index];
    if let (Some(&(day, _, closes)), None) =
        (open.filter(|(_, _, closes)| group.closed_window != Some(*closes)), group.window)
    {
        let waters = settings.watering_days[civil::weekday(day)] && state.season.waters();
        if waters {
            average(state, index, context);
        }
        state.groups[index].window = Some(OpenWindow {
            opened: now,
            closes,
            waters,
            decided_percent: None,
            given_mm: 0.0,
            reported_mm: 0.0,
            broken: false,
            run: None,
        });
    }
    let edges = windows.iter().flat_map(|&(_, opens, closes)| [opens.plus(-BEFORE_WINDOW), opens, closes]);
    state.groups[index].next_point = edges.chain([decide_at(context)]).filter(|at| *at > now).min();
    true
}

/// Takes the opportunity of every open window, once it is known what the controllers were told.
pub fn opportunities(state: &mut SiteState, context: &mut Context<'_>) {
    for index in 0..state.groups.len().min(context.site.groups.len()) {
        let Some(window) = state.groups[index].window.filter(|window| window.waters) else { continue };
        let held = instruct::is_held(state, index, context);
        match (window.decided_percent, window.run) {
            (None, _) if held => {}
            (None, _) => take(state, index, context),
            (Some(_), Some(run)) if held || run.ends <= context.now.wall => end_run(state, index, context),
            (Some(_), _) => {}
        }
        if let Some(window) = state.groups[index].window.as_mut() {
            window.broken |= held && window.decided_percent.is_some();
        }
    }
}

/// Water owed to a group as its plan sees it, mm: what was already given in the window that is open is part of one run, so
/// that a reported cycle does not shorten those that follow.
pub fn owed_of_plan_mm(state: &SiteState, index: usize, context: &Context<'_>) -> f64 {
    let given_mm = state.groups[index].window.map_or(0.0, |window| window.given_mm);
    let most_mm = context.site.groups[index].most_owed_mm();
    let owed_mm = evidence::owed_mm(state, index, context);
    if given_mm > 0.0 { (owed_mm + given_mm).min(most_mm.max(owed_mm)) } else { owed_mm }
}

/// Net depth due to a group at its next opportunity, or at the one of the window that is open, mm.
pub fn due_mm(state: &SiteState, index: usize, context: &Context<'_>) -> f64 {
    let settings = &context.site.groups[index];
    let owed_mm = owed_of_plan_mm(state, index, context);
    if !settings.is_account() {
        return owed_mm;
    }
    let daily_mm = evidence::daily_need_mm(state, settings, context).max(0.0);
    let waters = |day: NaiveDate| settings.watering_days[civil::weekday(day)];
    let (zone, now) = (context.site.zone, context.now.wall);
    let coming = civil::windows_from(zone, now, settings.window, 8).map(|(day, ..)| day).find(|day| waters(*day));
    let ahead = |coming: NaiveDate, days: u8| coming.checked_add_days(Days::new(u64::from(days)));
    let next = |coming: NaiveDate| (1..=7u8).find(|days| ahead(coming, *days).is_some_and(waters));
    let days = coming.and_then(next).unwrap_or(7);
    scale::due_mm(settings, owed_mm, daily_mm * f64::from(days), daily_mm)
}

/// Most percent of a run that rules on run times allow at the next opportunity, or at that of the open window.
pub fn most_percent(state: &SiteState, index: usize, context: &Context<'_>) -> u16 {
    let (site, now) = (context.site, context.now.wall);
    let settings = &site.groups[index];
    let Some(run_minutes) = settings.run_minutes.filter(|_| !site.restrictions.is_empty()) else { return u16::MAX };
    let rules =
        Rules { rules: &site.restrictions, group: settings, zone: site.zone, watered: state.groups[index].watered };
    let coming =
        civil::windows_from(site.zone, now, settings.window, 2).next().map_or(now, |(_, opens, _)| opens.max(now));
    // At most a few hundred percent, so the cast is exact.
    let percent = |minutes: f64| (100.0 * minutes / run_minutes.max(0.1)).floor().min(10_000.0) as u16;
    rules.most_minutes(coming).map_or(u16::MAX, percent)
}

/// A bridge reported a run that began at `start` and gave `mm`; owed fell by `fell_mm` for it.
pub fn reported(state: &mut SiteState, index: usize, start: Stamp, mm: f64, fell_mm: f64, context: &mut Context<'_>) {
    let group = &mut state.groups[index];
    group.missed = 0;
    note_watered(state, index, start, context);
    let group = &mut state.groups[index];
    if let Some(window) = group.window.as_mut().filter(|window| window.opened.plus(-SLACK) <= start) {
        window.given_mm += fell_mm;
        window.reported_mm += mm;
    }
    alerts::clear(state, AlertKind::NothingWatered, &context.site.groups[index].id, context);
}

/// Takes back what was booked as decided for a run that is now reported: the report says what it gave.
pub fn take_back_assumed(state: &mut SiteState, index: usize, start: Stamp) {
    let group = &mut state.groups[index];
    let Some(given) = group.delivered.filter(|given| !given.reported && start.since(given.at).abs() < DAY / 2) else {
        return;
    };
    group.ledger.take_back(given.fell_mm);
    group.delivered = None;
    if let Some(window) = group.window.as_mut().filter(|window| window.run.is_some() || window.opened <= given.at) {
        window.run = None;
        window.given_mm = (window.given_mm - given.fell_mm).max(0.0);
    }
}

/// Notes a day with water, where rules count them.
fn note_watered(state: &mut SiteState, index: usize, at: Stamp, context: &Context<'_>) {
    let group = &mut state.groups[index];
    group.watered = Some(WateredWeek::with(group.watered, civil::date(context.site.zone, at)));
    group.restriction_edge = None;
}

/// Books the opportunity: what was decided, where no bridge tells what runs.
fn take(state: &mut SiteState, index: usize, context: &mut Context<'_>) {
    let (settings, now) = (&context.site.groups[index], context.now.wall);
    let percent = instruct::effective_percent(state, index, context);
    let mm = scale::depth_of_mm(settings, f64::from(percent));
    let assumed = !instruct::reports_runs(state, index, context) && mm >= LEAST_BOOKED_MM;
    let fell_mm = if assumed { evidence::deliver(state, index, mm, context) } else { 0.0 };
    let group = &mut state.groups[index];
    let Some(window) = group.window.as_mut() else { return };
    window.decided_percent = Some(percent);
    if !assumed {
        return;
    }
    let ends = now.plus(length(settings, mm)).min(window.closes).max(now.plus(1));
    window.given_mm += fell_mm;
    group.watered = Some(WateredWeek::with(group.watered, civil::date(context.site.zone, now)));
    window.run = Some(AssumedRun { start: now, ends, mm, fell_mm });
    group.delivered = Some(Delivered { at: now, mm, reported: false, fell_mm });
    state.sent.totals_due = true;
    log(
        context,
        Level::Info,
        format!("group {}: window opens, {} booked as decided", settings.id, words::depth(context.site, mm)),
    );
}

/// Ends an assumed run: at its end, or at a hold that stopped it, where the rest of it is owed again.
fn end_run(state: &mut SiteState, index: usize, context: &mut Context<'_>) {
    let (settings, now) = (&context.site.groups[index], context.now.wall);
    let group = &mut state.groups[index];
    let Some(window) = group.window.as_mut() else { return };
    let Some(run) = window.run.take() else { return };
    let ran = now.since(run.start) as f64 / run.ends.since(run.start).max(1) as f64;
    let rest = 1.0 - ran.clamp(0.0, 1.0);
    let (at, mm, fell_mm) = (now.min(run.ends), run.mm * (1.0 - rest), run.fell_mm * (1.0 - rest));
    if rest > 0.0 {
        window.given_mm = (window.given_mm - run.fell_mm * rest).max(0.0);
        group.ledger.take_back(run.fell_mm * rest);
        state.sent.totals_due = true;
        let text = format!("group {}: held in the run, {} of it booked", settings.id, words::depth(context.site, mm));
        log(context, Level::Info, text);
    }
    // Reports on it are matched by its beginning.
    state.groups[index].delivered = Some(Delivered { at: run.start, mm, reported: false, fell_mm });
    if mm >= LEAST_BOOKED_MM {
        diary::delivery(&settings.id, run.start, &Delivered { at, mm, reported: false, fell_mm }, context);
    }
}

/// Closes the window and judges what its bridge told of it.
fn close(state: &mut SiteState, index: usize, context: &mut Context<'_>) {
    end_run(state, index, context);
    let reports = instruct::reports_runs(state, index, context);
    let settings = &context.site.groups[index];
    let group = &mut state.groups[index];
    let Some(window) = group.window.take() else { return };
    group.closed_window = Some(window.closes);
    let decided_mm = scale::depth_of_mm(settings, f64::from(window.decided_percent.unwrap_or(0)));
    if !reports || window.broken || decided_mm < LEAST_BOOKED_MM {
        return;
    }
    if window.reported_mm <= 0.0 {
        group.missed = group.missed.saturating_add(1);
        if group.missed >= MISSED {
            let wording = Wording::new(
                format!("No water was reported for {} on two days when it was due.", settings.label),
                "Look at the controller: is it on, is its program set, is the supply open?",
            )
            .with("owed_mm", evidence::owed_mm(state, index, context));
            alerts::raise(state, AlertKind::NothingWatered, &settings.id, wording, context);
        }
        return;
    }
    group.fits.push((window.reported_mm / decided_mm).clamp(0.0, 100.0) as f32);
    if group.fits.len() > FITS {
        group.fits.remove(0);
    }
    judge_fit(state, index, context);
}

/// Do the run times fit? Five runs that all gave far less or far more than was decided say no.
fn judge_fit(state: &mut SiteState, index: usize, context: &mut Context<'_>) {
    let settings = &context.site.groups[index];
    let fits = &state.groups[index].fits;
    let far = |side: f32| fits.len() == FITS && fits.iter().all(|fit| (fit - 1.0) * side > FIT_WITHIN);
    if !(far(1.0) || far(-1.0)) {
        return alerts::clear(state, AlertKind::RunTimesDoNotFit, &settings.id, context);
    }
    let mean = f64::from(fits.iter().sum::<f32>()) / FITS as f64;
    let side = if mean > 1.0 { "more" } else { "less" };
    let wording = Wording::new(
        format!(
            "The last five runs of {} gave {side} than was decided: {:.0} % of it on average.",
            settings.label,
            100.0 * mean
        ),
        format!(
            "Set the programmed run so that 100 % gives {}, or correct the run in the configuration.",
            words::depth(context.site, settings.run_depth_mm)
        ),
    )
    .with("given_percent", 100.0 * mean)
    .with("run_depth_mm", settings.run_depth_mm);
    alerts::raise(state, AlertKind::RunTimesDoNotFit, &settings.id, wording, context);
}

/// Counts the opening of a window into the mean share, where nobody said on which days the controller runs.
fn average(state: &mut SiteState, index: usize, context: &Context<'_>) {
    let settings = &context.site.groups[index];
    if settings.watering_days_known || settings.averaging_days <= 1 {
        state.groups[index].mean_percent = None;
        return;
    }
    let share = scale::share_percent(settings, due_mm(state, index, context)) as f32;
    let mean = state.groups[index].mean_percent.unwrap_or(share);
    state.groups[index].mean_percent = Some(mean + (share - mean) / f32::from(settings.averaging_days));
}

/// How long a run of `mm` is taken to last.
fn length(settings: &GroupSettings, mm: f64) -> i64 {
    let by_depth = settings.run_minutes.map(|minutes| minutes * mm / settings.run_depth_mm.max(0.1));
    let minutes = by_depth.or_else(|| settings.minutes_for(mm));
    minutes.map_or(USUAL_RUN, |minutes| (minutes * MINUTE as f64) as i64)
}

/// The next evening decision.
pub fn decide_at(context: &Context<'_>) -> Stamp {
    let (site, now) = (context.site, context.now.wall);
    match site.decide_at {
        DecideAt::At(time) => civil::next_time(site.zone, now, time),
        DecideAt::Sunset => {
            let (latitude, longitude) = (Degrees(site.place.latitude_degrees), Degrees(site.place.longitude_degrees));
            let sunset = |near: Stamp| solar::sunset(near, latitude, longitude).filter(|at| *at > now);
            // From day to day the sun sets later on the calendar, so the first is the next.
            let next = (-1..=2).find_map(|day| sunset(now.plus(day * DAY)));
            // Without a sunset within reach (polar day and night) people look at 20:00.
            next.unwrap_or_else(|| {
                civil::next_time(site.zone, now, chrono::NaiveTime::from_hms_opt(20, 0, 0).unwrap_or_default())
            })
        }
    }
}

/// The last look before a window opens. Design: 15 minutes.
const BEFORE_WINDOW: i64 = 15 * MINUTE;

/// A controller's clock may be so much ahead of ours. Our choice.
const SLACK: i64 = 5 * MINUTE;

/// Less than this is no water. Our choice.
const LEAST_BOOKED_MM: f64 = 0.05;

/// A run of unknown length. Our choice.
const USUAL_RUN: i64 = HOUR;

/// Due windows without water that raise an alert. Design: two.
const MISSED: u8 = 2;

/// So many runs in a row, all off by more than this share to the same side, do not fit. Our choice.
const FITS: usize = 5;
const FIT_WITHIN: f32 = 0.4;
