//! The retained payloads of a site: decisions, instructions, totals, sensors, fallback.

use std::borrow::Cow;
use std::collections::BTreeMap;

use thirst_schemas as wire;

use super::{basis, capability, confidence, day_basis, diary, history, json, log, method, reason, state as put, words};
use crate::engine::civil;
use crate::engine::decision::hold::restriction::Rules;
use crate::engine::decision::scale::{self, RunTime};
use crate::engine::decision::{Change, Wanted};
use crate::engine::evidence;
use crate::engine::output::{Level, Output};
use crate::engine::reading::Quantity;
use crate::engine::sensor::battery::forecast::{Basis, RangeBasis};
use crate::engine::sensor::battery::{Chemistry, Forecast};
use crate::engine::sensor::link::LinkState;
use crate::engine::settings::{ControllerSettings, SensorSettings};
use crate::engine::stamp::{HOUR, Stamp};
use crate::engine::state::{Context, SiteState, Told};

/// The decision of a group, as it now stands.
pub fn decision(state: &mut SiteState, index: usize, change: Change, context: &mut Context<'_>) {
    let Some(standing) = state.groups[index].standing.clone() else { return };
    let (now, site) = (context.now.wall, context.site);
    let settings = &site.groups[index];
    let said = &standing.said;
    let text = words::decision(state, index, said, context);
    let holds = said.holds.iter().map(|hold| wire::Hold {
        reason: reason(hold.reason),
        since: hold.since.utc(),
        until: hold.until.map(Stamp::utc),
        text: words::hold(state, index, hold, context),
    });
    let mut holds: Vec<wire::Hold> = holds.collect();
    holds.sort_by_key(|hold| hold.since);
    let releases = &state.groups[index].operator.releases;
    let payload = wire::Decision {
        schema: Default::default(),
        site: site.id.clone(),
        epoch: context.epoch,
        sequence: 0,
        issued_at: now.utc(),
        group: settings.id.clone(),
        action: if said.holds() { wire::Action::Hold } else { wire::Action::Scale },
        scale_percent: said.percent,
        holds,
        released: releases
            .iter()
            .map(|release| wire::Release { reason: reason(release.reason), until: release.until.map(Stamp::utc) })
            .collect(),
        next_change_at: next_change(state, index, said).map(Stamp::utc),
        valid_until: valid_until(context).utc(),
        confidence: confidence(said.confidence),
        basis: basis_of(state, context),
        figures: figures(state, index, context),
        allowed_intervals: allowed(state, index, context),
        clock_trusted: context.now.trusted,
        durable: true,
        text,
    };
    let payload = wire::Decision { sequence: state.next_sequence(), ..payload };
    if change != Change::Nothing {
        log(context, Level::Info, format!("group {}: {}", settings.id, payload.text));
        history::decision(&settings.id, &standing, context);
    }
    let topic = wire::topics::decision(&context.settings.prefix, &site.id, &settings.id);
    let payload = json(&payload);
    if change != Change::Nothing {
        diary::decision(&settings.id, payload.clone(), context);
    }
    context.outputs.push(Output::State { topic, payload });
}

/// The instruction of a controller, as it was just told.
pub fn instruction(settings: &ControllerSettings, told: &Told, shape: Shape, context: &mut Context<'_>) {
    let now = context.now.wall;
    let payload = wire::Instruction {
        schema: Default::default(),
        site: context.site.id.clone(),
        epoch: context.epoch,
        sequence: told.sequence,
        issued_at: now.utc(),
        controller: settings.id.clone(),
        capability: capability(settings.capability),
        water_allowed: told.water_allowed,
        percent: shape.percent,
        percents: shape.percents,
        months: shape.months,
        minutes: shape.minutes.map(|runs| runs.into_iter().map(|(group, run)| (group, run_time(run))).collect()),
        follows_group: shape.follows_group,
        spread_percent: shape.spread_percent,
        valid_until: valid_until(context).utc(),
        text: shape.text,
    };
    put(context, wire::topics::instruction(&context.settings.prefix, &context.site.id, &settings.id), &payload);
}

/// What differs between the capabilities of controllers.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Shape {
    pub percent: Option<u16>,
    pub percents: Option<BTreeMap<String, u16>>,
    pub months: Option<[u16; 12]>,
    pub minutes: Option<BTreeMap<String, RunTime>>,
    pub follows_group: Option<String>,
    pub spread_percent: Option<u16>,
    pub text: String,
}

/// Twelve percentages for the time without a daemon.
pub fn fallback(state: &mut SiteState, percents: [u16; 12], context: &mut Context<'_>) {
    let site = context.site;
    let frost: Vec<u8> = (1..=12u8).filter(|month| site.frost_months[usize::from(*month) - 1]).collect();
    let source = if site.normals.is_some() {
        "from the climate normals of the place"
    } else {
        "the configured default, because no climate normals are set"
    };
    let payload = wire::Fallback {
        schema: Default::default(),
        site: site.id.clone(),
        epoch: context.epoch,
        sequence: state.next_sequence(),
        issued_at: context.now.wall.utc(),
        percents,
        frost_months: frost,
        text: format!(
            "While no decision is valid, water the percentage of the month ({source}). A contact waters, except in frost months: there it stays held."
        ),
    };
    put(context, wire::topics::fallback(&context.settings.prefix, &site.id), &payload);
}

/// The water account of the day so far.
pub fn totals(state: &mut SiteState, context: &mut Context<'_>) {
    let (now, site) = (context.now.wall, context.site);
    let Some(today) = state.days.today().copied() else { return };
    let figures = &today.figures;
    let hour = civil::hour_start(now);
    let mut marks = Vec::new();
    if figures.spread {
        marks.push(wire::TotalMark::RainSpreadOverGap);
    }
    if figures.quarantined_mm > 0.0 {
        marks.push(wire::TotalMark::RainQuarantined);
    }
    if !context.now.trusted {
        marks.push(wire::TotalMark::ClockUntrusted);
    }
    if state.days.last_closed().is_some_and(|day| day.late) {
        marks.push(wire::TotalMark::Late);
    }
    let owed = site
        .groups
        .iter()
        .enumerate()
        .map(|(index, group)| (group.id.clone(), wire::round2(evidence::owed_mm(state, index, context))));
    let payload = wire::Totals {
        schema: Default::default(),
        site: site.id.clone(),
        epoch: context.epoch,
        sequence: 0,
        issued_at: now.utc(),
        day: today.date,
        revision: 0,
        is_final: false,
        eto_mm: wire::round2(figures.water.eto_mm),
        eto_method: method(figures),
        coverage_percent: wire::round1(100.0 * figures.coverage),
        uncertainty_mm: wire::round2(figures.uncertainty_mm),
        rain: wire::RainTotals {
            hour_mm: wire::round2(state.book.rain_mm(hour, now.plus(1))),
            day_mm: wire::round2(figures.water.rain_mm),
            last_24h_mm: wire::round2(state.book.rain_mm(now.plus(-24 * HOUR), now.plus(1))),
            event_mm: wire::round2(state.event.mm(now, &site.rain)),
            last_7_days_mm: wire::round2(state.days.rain_of_week_mm()),
            season_mm: wire::round2(state.days.rain_of_season_mm()),
            quarantined_mm: wire::round2(figures.quarantined_mm),
            dew_mm: wire::round2(figures.dew_mm),
            frozen_mm: wire::round2(figures.frozen_mm),
            intensity_mm_per_hour: wire::round1(state.intensity.now(now)),
            highest_intensity_mm_per_hour: wire::round1(state.intensity.peak()),
        },
        owed_mm: owed.collect(),
        basis: day_basis(figures),
        marks,
        air_temperature_min_celsius: figures.coldest_celsius.map(wire::round2),
        air_temperature_max_celsius: figures.warmest_celsius.map(wire::round2),
        previous_day: state.days.last_closed().map(|day| wire::PreviousDay {
            day: day.date,
            eto_mm: wire::round2(day.figures.water.eto_mm),
            rain_mm: wire::round2(day.figures.water.rain_mm),
            revision: day.revision,
            is_final: day.is_final,
            method: method(&day.figures),
            coverage_percent: Some(wire::round1(100.0 * day.figures.coverage)),
            uncertainty_mm: Some(wire::round2(day.figures.uncertainty_mm)),
            basis: day_basis(&day.figures),
        }),
    };
    let payload = wire::Totals { sequence: state.next_sequence(), ..payload };
    put(context, wire::topics::totals(&context.settings.prefix, &site.id), &payload);
    history::running(&today, context);
}

/// The health of one sensor.
pub fn sensor(state: &mut SiteState, index: usize, settings: &SensorSettings, context: &mut Context<'_>) {
    let listening = context.now.listening;
    let sensor = &state.sensors[index].sensor;
    let last_values = sensor.channels.iter().map(|channel| {
        let mean = (channel.quantity == Quantity::WindFromDirection).then(|| sensor.direction.mean_degrees()).flatten();
        let value = wire::LastValue {
            value: wire::round2(mean.unwrap_or(channel.last)),
            unit: Cow::Borrowed(channel.quantity.unit()),
            flag: channel.flag as u8,
            observed_at: channel.observed_at.utc(),
        };
        (Cow::Borrowed(channel.quantity.name()), value)
    });
    let battery = &sensor.battery;
    let outlook = battery.outlook();
    let chemistry = outlook.map_or(settings.battery.chemistry, |outlook| outlook.chemistry(&settings.battery));
    let forecast = outlook.and_then(|outlook| outlook.forecast()).map(battery_forecast);
    let knows_battery = battery.volts().is_some() || battery.percent().is_some() || battery.ok().is_some();
    let payload = wire::SensorStatus {
        schema: Default::default(),
        site: context.site.id.clone(),
        epoch: context.epoch,
        sequence: 0,
        issued_at: context.now.wall.utc(),
        sensor: settings.id.clone(),
        last_seen: sensor.link.last_heard().map(Stamp::utc),
        last_values: last_values.collect(),
        link: wire::Link {
            state: match sensor.link.state() {
                LinkState::Unheard => wire::LinkState::Unheard,
                LinkState::Present => wire::LinkState::Present,
                LinkState::Lost => wire::LinkState::Lost,
            },
            interval_seconds: sensor.link.interval().map(|interval| wire::round1(interval as f64 / 1000.0)),
            silence_limit_seconds: seconds(sensor.link.loss_limit(&settings.link)),
            fresh_seconds: Some(seconds(sensor.link.silence_limit(&settings.link))),
            delivery_ratio: sensor.link.delivery_ratio(listening).map(wire::round2),
            rssi_dbm: sensor.rssi_dbm.map(wire::round1),
        },
        battery: knows_battery.then(|| wire::Battery {
            volts: battery.volts().map(|volts| wire::round2(volts.0)),
            percent: battery.percent().map(|percent| wire::round1(percent.0)),
            ok: battery.ok(),
            state: if battery.is_low() { wire::BatteryState::Low } else { wire::BatteryState::Good },
            chemistry: (chemistry != Chemistry::Custom).then_some(Cow::Borrowed(chemistry.name())),
            forecast,
        }),
        forecast: forecast.map(|forecast| wire::SilenceForecast {
            silent_by: forecast.low_at.likely,
            earliest: Some(forecast.low_at.earliest),
            latest: Some(forecast.low_at.latest),
        }),
        flags: sensor.flags.iter().map(|(test, count)| (Cow::Owned(test.clone()), *count)).collect(),
        rejects: sensor.rejects.iter().map(|(cause, tally)| (Cow::Owned(cause.clone()), tally.count)).collect(),
    };
    let payload = wire::SensorStatus { sequence: state.next_sequence(), ..payload };
    state.sensors[index].sensor.status_due = false;
    history::link(&settings.id, payload.link.delivery_ratio, payload.last_seen.map(Stamp::from), context);
    put(context, wire::topics::sensor(&context.settings.prefix, &context.site.id, &settings.id), &payload);
}

/// Whole seconds of a limit of silence, at least one and at most a month.
fn seconds(millis: i64) -> u32 {
    u32::try_from(millis / 1000).unwrap_or(u32::MAX).clamp(1, 2_678_400)
}

fn battery_forecast(forecast: &Forecast) -> wire::BatteryForecast {
    let date = |days: u16| civil::numbered_date(forecast.made.saturating_add(days));
    wire::BatteryForecast {
        low_at: wire::BatteryEnd {
            earliest: date(forecast.earliest),
            likely: date(forecast.likely),
            latest: date(forecast.latest),
        },
        basis: match forecast.basis {
            Basis::Trend => wire::ForecastBasis::Trend,
            Basis::Age => wire::ForecastBasis::Age,
            Basis::Knee => wire::ForecastBasis::Knee,
            Basis::Charging => wire::ForecastBasis::Charging,
        },
        days_of_data: u16::from(forecast.days_of_data),
        used_percent: Some(forecast.used_percent),
        range: Some(match forecast.range {
            RangeBasis::Assumed => wire::RangeBasis::Assumed,
            RangeBasis::Sensor => wire::RangeBasis::Sensor,
            RangeBasis::Fleet => wire::RangeBasis::Fleet,
        }),
        range_outcomes: Some(u16::from(forecast.outcomes)),
    }
}

fn run_time(run: RunTime) -> wire::RunTime {
    wire::RunTime { minutes: run.minutes, cycles: run.cycles.count, soak_minutes: run.cycles.soak_minutes }
}

fn valid_until(context: &Context<'_>) -> Stamp {
    context.now.wall.plus(i64::from(context.site.valid_hours.max(1)) * HOUR)
}

/// When action or scale will change next, as far as can be foreseen: the last known end of all holds, else the next time a
/// decision is made.
fn next_change(state: &SiteState, index: usize, said: &Wanted) -> Option<Stamp> {
    let group = &state.groups[index];
    if said.holds() {
        let ends: Option<Vec<Stamp>> = said.holds.iter().map(|hold| hold.until).collect();
        return ends.and_then(|ends| ends.into_iter().max());
    }
    [group.next_point, group.restriction_edge].into_iter().flatten().min()
}

fn figures(state: &SiteState, index: usize, context: &Context<'_>) -> wire::Figures {
    let now = context.now.wall;
    let today = state.days.today().map(|today| today.figures.water).unwrap_or_default();
    let figure = |value: f64| wire::finite(value).map(wire::round2);
    let settings = &context.site.groups[index];
    let due_mm = scale::depth_of_mm(settings, f64::from(state.groups[index].planned.percent));
    wire::Figures {
        owed_mm: wire::round2(evidence::owed_mm(state, index, context)),
        run_depth_mm: wire::round2(settings.run_depth_mm),
        net_due_mm: figure(due_mm),
        gross_due_mm: figure(due_mm / settings.efficiency.max(0.05)),
        dry_mm: figure(evidence::dry_mm(state, index, context)),
        eto_today_mm: wire::round2(today.eto_mm),
        rain_today_mm: wire::round2(today.rain_mm),
        rain_24h_mm: wire::round2(state.book.rain_mm(now.plus(-24 * HOUR), now.plus(1))),
        rain_event_mm: wire::round2(state.event.mm(now, &context.site.rain)),
        air_temperature_celsius: evidence::fresh(state, Quantity::AirTemperature, context).next().and_then(figure),
        coldest_celsius: evidence::coldest(state, context).and_then(figure),
        coldest_expected_celsius: state.nights.expected_celsius().and_then(figure),
        wind_10min_m_per_s: evidence::fresh(state, Quantity::WindSpeed, context)
            .next()
            .and(state.wind.mean())
            .and_then(figure),
    }
}

fn basis_of(state: &SiteState, context: &Context<'_>) -> BTreeMap<wire::Name, wire::BasisKind> {
    let mut map = BTreeMap::new();
    if let Some(today) = state.days.today() {
        map.insert(Cow::Borrowed("reference_evapotranspiration"), basis(today.figures.eto_basis));
        map.insert(Cow::Borrowed(Quantity::RainfallAmount.name()), basis(today.figures.rain_basis));
    }
    let known = evidence::known(state, context);
    let kind = match known.thermometer {
        true => wire::BasisKind::Measured,
        false if evidence::is_warmth_known_nearby(state, context) => wire::BasisKind::Neighbours,
        false => wire::BasisKind::Default,
    };
    map.insert(Cow::Borrowed(Quantity::AirTemperature.name()), kind);
    map
}

fn allowed(state: &SiteState, index: usize, context: &Context<'_>) -> Vec<wire::Interval> {
    let (site, now) = (context.site, context.now.wall);
    let to = now.plus(48 * HOUR);
    let watered = state.groups[index].watered;
    Rules { rules: &site.restrictions, group: &site.groups[index], zone: site.zone, watered }
        .allowed_intervals(now, to)
        .into_iter()
        .map(|(start, end)| wire::Interval { start: start.utc(), end: end.utc() })
        .collect()
}
