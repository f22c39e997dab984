//! `[sites.rain]`, `[sites.freeze]`, `[sites.wind]`: when water is held, and for how long; `[sites.knock]`: when tips are
//! believed to be rain.

use super::measure::{DAYS, DEPTH, HOURS, MINUTES, SHARE, SPEED, TEMPERATURE};
use super::table::Table;
use crate::engine::settings::{FreezeHoldSettings, RainHoldLength, RainHoldSettings, WindHoldSettings};
use crate::engine::site::knock::KnockSettings;

pub(super) fn rain(table: Option<&Table<'_>>) -> RainHoldSettings {
    let Some(table) = table else { return RAIN };
    RainHoldSettings {
        threshold_mm: table.measured("threshold", &DEPTH, 0.2..=200.0).unwrap_or(RAIN.threshold_mm),
        length: rain_length(table),
        extends_at_mm: table.measured("extends_at", &DEPTH, 0.0..=200.0).unwrap_or(RAIN.extends_at_mm),
        event_gap_hours: table.measured_whole("event_gap", &HOURS, 1..=48).unwrap_or(RAIN.event_gap_hours),
        longest_days: table.measured("longest", &DAYS, 0.5..=30.0).unwrap_or(RAIN.longest_days),
        enabled: table.truth("enabled").unwrap_or(RAIN.enabled),
    }
}

fn rain_length(table: &Table<'_>) -> RainHoldLength {
    match table.spot_of("length") {
        Some(spot) if spot.says("auto") => RainHoldLength::Auto,
        Some(spot) if spot.measures(&DAYS).is_none() => {
            spot.fault("write \"auto\", or a span of time up to 7 days, for example \"2 days\" or \"36 h\"");
            RainHoldLength::Auto
        }
        _ => table.measured("length", &DAYS, 0.0..=7.0).map_or(RainHoldLength::Auto, RainHoldLength::Days),
    }
}

pub(super) fn freeze(table: Option<&Table<'_>>) -> FreezeHoldSettings {
    let Some(table) = table else { return FREEZE };
    let freeze = FreezeHoldSettings {
        hold_at_celsius: table.measured("hold_at", &TEMPERATURE, -20.0..=15.0).unwrap_or(FREEZE.hold_at_celsius),
        release_at_celsius: table
            .measured("release_at", &TEMPERATURE, -20.0..=20.0)
            .unwrap_or(FREEZE.release_at_celsius),
        release_after_minutes: table
            .measured_whole("release_after", &MINUTES, 0..=2880)
            .unwrap_or(FREEZE.release_after_minutes),
        enabled: table.truth("enabled").unwrap_or(FREEZE.enabled),
    };
    if freeze.release_at_celsius < freeze.hold_at_celsius {
        table.here().note(format!(
            "release_at ({} °C) is colder than hold_at ({} °C); write it at or above",
            freeze.release_at_celsius, freeze.hold_at_celsius
        ));
    }
    freeze
}

pub(super) fn wind(table: Option<&Table<'_>>) -> WindHoldSettings {
    let Some(table) = table else { return WIND };
    let wind = WindHoldSettings {
        hold_at_m_per_s: table.measured("hold_at", &SPEED, 0.5..=40.0).unwrap_or(WIND.hold_at_m_per_s),
        release_at_m_per_s: table.measured("release_at", &SPEED, 0.1..=40.0).unwrap_or(WIND.release_at_m_per_s),
        release_after_minutes: table
            .measured_whole("release_after", &MINUTES, 0..=2880)
            .unwrap_or(WIND.release_after_minutes),
        longest_hours: table.measured_whole("longest", &HOURS, 1..=168).unwrap_or(WIND.longest_hours),
        enabled: table.truth("enabled").unwrap_or(WIND.enabled),
    };
    if wind.release_at_m_per_s > wind.hold_at_m_per_s {
        table.here().note(format!(
            "release_at ({} m/s) is above hold_at ({} m/s); write it at or below",
            wind.release_at_m_per_s, wind.hold_at_m_per_s
        ));
    }
    wind
}

pub(super) fn knock(table: Option<&Table<'_>>) -> KnockSettings {
    let defaults = KnockSettings::default();
    let Some(table) = table else { return defaults };
    KnockSettings {
        enabled: table.truth("enabled").unwrap_or(defaults.enabled),
        knock_at_percent: table.measured("knock_at", &SHARE, 50.0..=100.0).unwrap_or(defaults.knock_at_percent),
        rain_at_percent: table.measured("rain_at", &SHARE, 0.0..=50.0).unwrap_or(defaults.rain_at_percent),
        service_within_minutes: table
            .measured_whole("service_within", &MINUTES, 0..=720)
            .unwrap_or(defaults.service_within_minutes),
        discard_after_hours: table
            .measured_whole("discard_after", &HOURS, 1..=48)
            .unwrap_or(defaults.discard_after_hours),
    }
}

/// Our choice: a quarter inch is common practice.
const RAIN: RainHoldSettings = RainHoldSettings {
    threshold_mm: 6.0,
    length: RainHoldLength::Auto,
    extends_at_mm: 2.5,
    event_gap_hours: 6,
    longest_days: 7.0,
    enabled: true,
};
/// Our choice: 35 °F to 37 °F is common practice.
const FREEZE: FreezeHoldSettings =
    FreezeHoldSettings { hold_at_celsius: 3.0, release_at_celsius: 5.0, release_after_minutes: 120, enabled: true };
/// Our choice.
const WIND: WindHoldSettings = WindHoldSettings {
    hold_at_m_per_s: 5.0,
    release_at_m_per_s: 4.0,
    release_after_minutes: 30,
    longest_hours: 12,
    enabled: true,
};
