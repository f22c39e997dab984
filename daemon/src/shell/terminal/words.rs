//! Small words of both pages: times, ages, figures in the site's units, reasons, needs.

use std::collections::BTreeMap;

use thirst_schemas as wire;

use crate::engine::civil;
use crate::engine::publish::words::{depth, speed, temperature};
use crate::engine::settings::SiteSettings;
use crate::engine::stamp::{DAY, HOUR, MINUTE, SECOND, Stamp};

/// "12 seconds", "4 minutes", "3 hours", "2 days".
pub(super) fn age(millis: i64) -> String {
    let (count, unit) = match millis.max(0) {
        millis @ ..MINUTE => (millis / SECOND, "second"),
        millis @ MINUTE..HOUR => (millis / MINUTE, "minute"),
        millis @ HOUR..TWO_DAYS => (millis / HOUR, "hour"),
        millis => (millis / DAY, "day"),
    };
    let plural = if count == 1 { "" } else { "s" };
    format!("{count} {unit}{plural}")
}

const TWO_DAYS: i64 = 2 * DAY;

/// "14:05" on the day of `now`, else with the weekday or the date.
pub(super) fn moment(site: &SiteSettings, at: Stamp, now: Stamp) -> String {
    if civil::date(site.zone, at) == civil::date(site.zone, now) {
        return civil::local(site.zone, at).format("%H:%M").to_string();
    }
    civil::clock_text(site.zone, at, now)
}

/// "rain (14.2 mm)" is not known here: the reason alone, for a list.
pub(super) fn reason(reason: wire::Reason) -> &'static str {
    match reason {
        wire::Reason::Rain => "rain",
        wire::Reason::Freeze => "frost",
        wire::Reason::Wind => "wind",
        wire::Reason::Restriction => "a watering restriction",
        wire::Reason::Operator => "an operator's hold",
        wire::Reason::RootZoneFull => "soil that is full of water",
        wire::Reason::Season => "the season (drained)",
        wire::Reason::Calendar => "the calendar",
        wire::Reason::NoEvidence => "want of evidence",
    }
}

/// "rain, frost and wind".
pub(super) fn list(words: &[&str]) -> String {
    match words {
        [] => String::new(),
        [only] => (*only).to_owned(),
        [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
    }
}

/// "3.2 mm owed", "2.0 mm stored ahead", "nothing owed".
pub(super) fn owed(site: &SiteSettings, mm: f64) -> String {
    match mm {
        0.05.. => format!("{} owed", depth(site, mm)),
        ..=-0.05 => format!("{} stored ahead", depth(site, -mm)),
        _ => "nothing owed".to_owned(),
    }
}

/// The figures that a decision rests on, without what is not known.
pub(super) fn figures(site: &SiteSettings, figures: &wire::Figures) -> String {
    let mut words = vec![
        owed(site, figures.owed_mm),
        format!("ETo {} and rain {} so far", depth(site, figures.eto_today_mm), depth(site, figures.rain_today_mm)),
    ];
    if figures.rain_event_mm >= 0.05 && (figures.rain_event_mm - figures.rain_today_mm).abs() >= 0.05 {
        words.push(format!("this rain {}", depth(site, figures.rain_event_mm)));
    }
    if let Some(celsius) = figures.coldest_celsius.or(figures.air_temperature_celsius) {
        words.push(temperature(site, celsius));
    }
    words.extend(figures.wind_10min_m_per_s.map(|wind| format!("wind {}", speed(site, wind))));
    words.join("; ")
}

pub(super) fn method(method: wire::EtoMethod) -> &'static str {
    match method {
        wire::EtoMethod::StandardizedHourly => "standardized equation, hour by hour",
        wire::EtoMethod::PenmanMonteithDaily => "Penman–Monteith for the day",
        wire::EtoMethod::HargreavesSamani => "Hargreaves–Samani, from temperatures",
        wire::EtoMethod::Neighbours => "from sites nearby",
        wire::EtoMethod::Normals => "climate normals: not measured",
        wire::EtoMethod::Default => "configured default: not measured",
    }
}

/// Where what was not measured here comes from: "wind from sites nearby; humidity in part only". None: all was measured.
pub(super) fn stand_ins(basis: &BTreeMap<wire::Name, wire::BasisKind>) -> Option<String> {
    let names = [
        ("air_temperature", "temperature"),
        ("relative_humidity", "humidity"),
        ("wind_speed", "wind"),
        ("surface_downwelling_shortwave_flux", "sun"),
        ("rainfall_amount", "rain"),
    ];
    let kinds = [
        (wire::BasisKind::Partial, "measured in part"),
        (wire::BasisKind::Neighbours, "from sites nearby"),
        (wire::BasisKind::Normals, "as usual for the place"),
        (wire::BasisKind::Default, "not measured"),
    ];
    let parts: Vec<String> = kinds
        .into_iter()
        .filter_map(|(kind, words)| {
            let of_kind = names.iter().filter(|(key, _)| basis.get(*key) == Some(&kind));
            let of_kind: Vec<&str> = of_kind.map(|(_, name)| *name).collect();
            (!of_kind.is_empty()).then(|| format!("{} {words}", list(&of_kind)))
        })
        .collect();
    (!parts.is_empty()).then(|| format!("{}.", parts.join("; ")))
}

pub(super) fn urgency(urgency: wire::Urgency) -> &'static str {
    match urgency {
        wire::Urgency::Now => "act now",
        wire::Urgency::Today => "act today",
        wire::Urgency::NextVisit => "next visit",
    }
}

pub(super) fn audience(audience: wire::Audience) -> &'static str {
    match audience {
        wire::Audience::Owner => "owner",
        wire::Audience::Technician => "technician",
        wire::Audience::Office => "office",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::settings::{DisplayUnits, tests::site};

    #[test]
    fn what_stood_in_is_said_by_where_it_came_from() {
        let basis = |kinds: &[(&'static str, wire::BasisKind)]| {
            stand_ins(&kinds.iter().map(|(name, kind)| (wire::Name::Borrowed(*name), *kind)).collect())
        };
        assert_eq!(basis(&[("air_temperature", wire::BasisKind::Measured)]), None);
        let mixed = basis(&[
            ("air_temperature", wire::BasisKind::Partial),
            ("wind_speed", wire::BasisKind::Neighbours),
            ("rainfall_amount", wire::BasisKind::Neighbours),
            ("surface_downwelling_shortwave_flux", wire::BasisKind::Default),
        ]);
        let expected = "temperature measured in part; wind and rain from sites nearby; sun not measured.";
        assert_eq!(mixed.as_deref(), Some(expected));
    }

    #[test]
    fn ages_and_lists_read_like_speech() {
        for (millis, text) in [
            (-5, "0 seconds"),
            (1_000, "1 second"),
            (59_999, "59 seconds"),
            (MINUTE, "1 minute"),
            (HOUR - 1, "59 minutes"),
            (47 * HOUR, "47 hours"),
            (48 * HOUR, "2 days"),
        ] {
            assert_eq!(age(millis), text);
        }
        assert_eq!(
            [list(&[]), list(&["a"]), list(&["a", "b"]), list(&["a", "b", "c"])],
            ["", "a", "a and b", "a, b and c"]
        );
    }

    #[test]
    fn figures_are_in_the_units_of_the_site() {
        let mut oak = site();
        let known = wire::Figures {
            owed_mm: -2.0,
            run_depth_mm: 10.0,
            net_due_mm: None,
            gross_due_mm: None,
            dry_mm: None,
            eto_today_mm: 5.08,
            rain_today_mm: 1.0,
            rain_24h_mm: 9.0,
            rain_event_mm: 9.0,
            air_temperature_celsius: Some(20.0),
            coldest_celsius: None,
            coldest_expected_celsius: None,
            wind_10min_m_per_s: Some(4.4704),
        };
        let metric = "2.0 mm stored ahead; ETo 5.1 mm and rain 1.0 mm so far; this rain 9.0 mm; 20.0 °C; wind 4.5 m/s";
        assert_eq!(figures(&oak, &known), metric);
        oak.units = DisplayUnits::Us;
        let us = "0.08 in stored ahead; ETo 0.20 in and rain 0.04 in so far; this rain 0.35 in; 68 °F; wind 10 mph";
        assert_eq!(figures(&oak, &known), us);
    }
}
