//! `[sites.quality]`: what is believed of each quantity, where a site differs from the defaults.

use super::measure::{HOURS, MILLIS, MINUTES, Measure, SHARE, SPEED};
use super::table::Table;
use crate::engine::quality::drift::DriftSettings;
use crate::engine::quality::duplicate::RepeatSettings;
use crate::engine::quality::{FlatLimits, Lasting, QuantityLimits, Settings, Span, SpikeLimits, StepLimit};
use crate::engine::reading::Quantity;
use crate::engine::stamp::{HOUR, MINUTE};

/// Reads the limits of a site; each replaces its default, the others stay.
pub(super) fn read(table: &Table<'_>) -> Settings {
    let mut settings = Settings::default();
    let calm = table.measured("calm_below", &SPEED, 0.0..=5.0);
    settings.calm_below_m_per_s = calm.unwrap_or(settings.calm_below_m_per_s);
    settings.sun_limits = table.truth("sun_limits").unwrap_or(settings.sun_limits);
    settings.drift = match table.spot_of("drift") {
        Some(spot) if spot.is_false() => None,
        Some(spot) => spot.table().map(|table| drift(&table)),
        None => settings.drift,
    };
    if let Some(table) = table.table("repeat") {
        settings.repeat = repeat(&table);
    }
    for quantity in Quantity::ALL {
        let Some((value, change)) = Measure::of(quantity).zip(Measure::change_of(quantity)) else { continue };
        if let Some(table) = table.table(quantity.name()) {
            let limits = settings.limits_mut(quantity);
            *limits = Limits { table: &table, value, change }.read(limits);
        }
    }
    settings
}

/// The limits of one quantity, and how its values are written.
struct Limits<'t, 'n> {
    table: &'t Table<'n>,
    value: Measure,
    change: Measure,
}

impl Limits<'_, '_> {
    fn read(&self, default: &QuantityLimits) -> QuantityLimits {
        let value = |key| self.table.measured(key, &self.value, LEAST..=MOST);
        let limits = QuantityLimits {
            hard_min: value("min").unwrap_or(default.hard_min),
            hard_max: value("max").unwrap_or(default.hard_max),
            clip_to: self.table.table("clip").map_or(default.clip_to, |table| self.clip(&table)),
            night_max: value("night_max").or(default.night_max),
            step: self.steps().unwrap_or_else(|| default.step.clone()),
            spike: self.spike(default.spike),
            flat: self.flat(default.flat),
            reanchor_ms: self
                .table
                .measured("reanchor", &HOURS, 0.1..=168.0)
                .map_or(default.reanchor_ms, millis_of_hours),
        };
        if limits.hard_min >= limits.hard_max {
            let (min, max) = (self.value.show(limits.hard_min), self.value.show(limits.hard_max));
            self.table.here().note(format!("min ({min}) is not below max ({max}): no reading could be good"));
        }
        limits
    }

    /// Without an end the clip is open there.
    fn clip(&self, table: &Table<'_>) -> Option<Span> {
        let end = |key| table.measured(key, &self.value, LEAST..=MOST);
        let span = Span { min: end("min").unwrap_or(f64::MIN), max: end("max").unwrap_or(f64::MAX) };
        if span.min >= span.max {
            table.here().note("min is not below max");
        }
        Some(span)
    }

    fn steps(&self) -> Option<Vec<StepLimit>> {
        if !self.table.has("step") {
            // Asked for, so that it is a known key.
            self.table.tables("step");
            return None;
        }
        let tables = self.table.tables("step");
        let steps: Vec<StepLimit> = tables.iter().filter_map(|table| self.step(table)).collect();
        let rising = steps.windows(2).all(|pair| {
            let [a, b] = pair else { return true };
            a.minutes < b.minutes && a.suspect <= b.suspect && a.fail <= b.fail
        });
        if !rising {
            self.table.fault("step", "write each longer and not smaller than the one before");
        }
        Some(steps)
    }

    fn step(&self, table: &Table<'_>) -> Option<StepLimit> {
        let minutes = table.measured("within", &MINUTES, 1.0..=720.0);
        let suspect = table.measured("suspect", &self.change, 0.0..=MOST);
        let fail = table.measured("fail", &self.change, 0.0..=MOST);
        if ["within", "suspect", "fail"].iter().any(|key| !table.has_either(key)) {
            table.here().note("write within, suspect and fail");
        }
        if let (Some(suspect), Some(fail)) = (suspect, fail)
            && (suspect <= 0.0 || suspect > fail)
        {
            table.here().note("suspect must be more than 0 and at most fail");
        }
        Some(StepLimit { minutes: minutes?, suspect: suspect?, fail: fail? })
    }

    fn spike(&self, default: Option<SpikeLimits>) -> Option<SpikeLimits> {
        let Some(spot) = self.table.spot_of("spike") else { return default };
        if spot.is_false() {
            return None;
        }
        let table = spot.table()?;
        let suspect = table.measured("suspect", &self.change, 0.0..=MOST).or(default.map(|spike| spike.suspect));
        let fail = table.measured("fail", &self.change, 0.0..=MOST).or(default.map(|spike| spike.fail));
        let within = table.measured("within", &MINUTES, 1.0..=720.0);
        let within_ms = within.map(millis_of_minutes).or(default.map(|spike| spike.within_ms));
        let (Some(suspect), Some(fail), Some(within_ms)) = (suspect, fail, within_ms) else {
            table.here().note("write suspect, fail and within, or spike = false");
            return None;
        };
        if suspect <= 0.0 || suspect > fail {
            table.here().note("suspect must be more than 0 and at most fail");
        }
        Some(SpikeLimits { suspect, fail, within_ms })
    }

    fn flat(&self, default: Option<FlatLimits>) -> Option<FlatLimits> {
        let Some(spot) = self.table.spot_of("flat") else { return default };
        if spot.is_false() {
            return None;
        }
        let table = spot.table()?;
        let base = default.unwrap_or(FlatLimits {
            tolerance: 0.0,
            lasting: Lasting { suspect_ms: 24 * HOUR, fail_ms: None },
            lasting_at_zero: None,
            exempt_at_or_above: None,
            daylight_only: false,
        });
        let zero = table.table("zero");
        Some(FlatLimits {
            tolerance: table.measured("tolerance", &self.change, 0.0..=MOST).unwrap_or(base.tolerance),
            lasting: lasting(&table, base.lasting),
            lasting_at_zero: zero.map_or(base.lasting_at_zero, |zero| {
                Some(lasting(&zero, base.lasting_at_zero.unwrap_or(base.lasting)))
            }),
            exempt_at_or_above: table.measured("exempt_from", &self.value, LEAST..=MOST).or(base.exempt_at_or_above),
            daylight_only: table.truth("daylight_only").unwrap_or(base.daylight_only),
        })
    }
}

fn lasting(table: &Table<'_>, default: Lasting) -> Lasting {
    let suspect = table.measured("suspect_after", &HOURS, 0.1..=8_760.0).map_or(default.suspect_ms, millis_of_hours);
    let fail_ms = match table.spot_of("fail_after") {
        Some(spot) if spot.says("never") => None,
        _ => table.measured("fail_after", &HOURS, 0.1..=8_760.0).map(millis_of_hours).or(default.fail_ms),
    };
    if fail_ms.is_some_and(|fail| fail <= suspect) {
        table.here().note("fail_after must be longer than suspect_after, or \"never\"");
    }
    Lasting { suspect_ms: suspect, fail_ms }
}

fn drift(table: &Table<'_>) -> DriftSettings {
    let default = DriftSettings::default();
    let share = |key, range, default: f64| table.measured(key, &SHARE, range).unwrap_or(default);
    let above = Measure::change_of(Quantity::AirTemperature)
        .and_then(|change| table.measured("dew_point_above", &change, 0.5..=50.0));
    DriftSettings {
        sun_high_percent: share("sun_high", 100.0..=200.0, default.sun_high_percent),
        sun_low_percent: share("sun_low", 1.0..=100.0, default.sun_low_percent),
        sun_impossible_percent: share("sun_impossible", 100.0..=250.0, default.sun_impossible_percent),
        wet_day_humidity_percent: share("wet_day_humidity", 1.0..=100.0, default.wet_day_humidity_percent),
        dew_point_above_celsius: above.unwrap_or(default.dew_point_above_celsius),
    }
}

fn repeat(table: &Table<'_>) -> RepeatSettings {
    let defaults = RepeatSettings::default();
    RepeatSettings {
        window_ms: table.measured_whole("window", &MILLIS, 0..=600_000).unwrap_or(defaults.window_ms),
        sequence_window_ms: table
            .measured_whole("sequence_window", &MILLIS, 1_000..=7 * 86_400_000)
            .unwrap_or(defaults.sequence_window_ms),
        depth: table.whole("depth", 1..=1024).unwrap_or(defaults.depth),
    }
}

/// Within the ranges above the product is exact enough and far from the limits of the type.
fn millis_of_hours(hours: f64) -> i64 {
    (hours * HOUR as f64).round() as i64
}

fn millis_of_minutes(minutes: f64) -> i64 {
    (minutes * MINUTE as f64).round() as i64
}

/// No limit of any quantity lies beyond.
const LEAST: f64 = -1e10;
const MOST: f64 = 1e10;
