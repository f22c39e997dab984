//! `[[sites.sensors]]`: what reports, under which name, with which gauge and battery.

use super::measure::{DAYS, DEPTH, HOURS, MINUTES, SECONDS, SHARE, TENSION};
use super::spot::Spot;
use super::table::Table;
use crate::engine::sensor::battery::Chemistry;
use crate::engine::sensor::{BatterySettings, LinkSettings};
use crate::engine::settings::SensorSettings;
use crate::engine::site::rain::{Cap, Caps, GaugeSettings};

/// Reads a sensor of a site that is heard as `site`.
pub(super) fn read<'n>(table: &Table<'n>, site: &str) -> Option<(SensorSettings, Spot<'n>)> {
    let id = table.id("id", "shed");
    let heard_as = name(table, "heard_as");
    let heard_under = name(table, "heard_under");
    let gauge = table.table("gauge").map_or_else(GaugeSettings::default, |table| gauge(&table));
    let battery = table.table("battery").map_or_else(BatterySettings::default, |table| battery(&table));
    let link = link(table);
    let rain_counts = table.truth("rain_counts").unwrap_or(true);
    let id = id?.to_owned();
    let sensor = SensorSettings {
        heard_as: heard_as.unwrap_or(&id).to_owned(),
        heard_under: heard_under.unwrap_or(site).to_owned(),
        id,
        gauge,
        link,
        battery,
        rain_counts,
    };
    Some((sensor, table.here()))
}

/// The text that stands for something in a topic or payload.
pub(super) fn name<'n>(table: &Table<'n>, key: &'static str) -> Option<&'n str> {
    let text = table.text(key, "A4:C1:38:01")?;
    if text.len() > LONGEST_NAME || text.contains(['/', '+', '#', '\0']) {
        table.fault(key, format!("write at most {LONGEST_NAME} letters, none of / + #: it is one level of a topic"));
        return None;
    }
    Some(text)
}

fn gauge(table: &Table<'_>) -> GaugeSettings {
    let defaults = GaugeSettings::default();
    GaugeSettings {
        tip_mm: table.measured("tip", &DEPTH, 0.01..=10.0).unwrap_or(defaults.tip_mm),
        modulus: table.number("modulus", 1.0..=1e12),
        new_level_hours: table.measured_whole("new_level", &HOURS, 1..=720).unwrap_or(defaults.new_level_hours),
        reset_at_most_tips: table.number("reset_at_most_tips", 0.0..=1000.0).unwrap_or(defaults.reset_at_most_tips),
        unit_change_at_least_mm: table
            .measured("unit_change_at_least", &DEPTH, 1.0..=1000.0)
            .unwrap_or(defaults.unit_change_at_least_mm),
        unknown_interval_minutes: table
            .measured_whole("unknown_interval", &MINUTES, 1..=1440)
            .unwrap_or(defaults.unknown_interval_minutes),
        caps: caps(table).unwrap_or(defaults.caps),
    }
}

/// The most rain of rising durations; as many as the gauge has by default.
fn caps(table: &Table<'_>) -> Option<Caps> {
    let written = table.has("caps");
    let tables = table.tables("caps");
    let caps: Vec<Cap> = tables.iter().filter_map(cap).collect();
    if !written || caps.len() < tables.len() {
        return None;
    }
    let rising = caps.windows(2).all(|pair| {
        let [a, b] = pair else { return true };
        a.minutes < b.minutes && a.suspect_mm <= b.suspect_mm && a.fail_mm <= b.fail_mm
    });
    match <[Cap; 5]>::try_from(caps) {
        Ok(caps) if rising => Some(Caps(caps)),
        _ => {
            table.fault(
                "caps",
                "write five of { within, suspect, fail }, each longer and not smaller than the one before",
            );
            None
        }
    }
}

fn cap(table: &Table<'_>) -> Option<Cap> {
    let minutes = table.measured("within", &MINUTES, 1.0..=10_080.0);
    let suspect = table.measured("suspect", &DEPTH, 0.1..=5_000.0);
    let fail = table.measured("fail", &DEPTH, 0.1..=5_000.0);
    if ["within", "suspect", "fail"].iter().any(|key| !table.has_either(key)) {
        table.here().note("write { within = \"15 min\", suspect = \"25 mm\", fail = \"200 mm\" }");
    }
    Some(Cap { minutes: minutes?, suspect_mm: suspect?, fail_mm: fail? })
}

fn battery(table: &Table<'_>) -> BatterySettings {
    let defaults = BatterySettings::default();
    BatterySettings {
        chemistry: table.word("chemistry", &CHEMISTRIES).unwrap_or_default(),
        low_volts: table.measured("low", &TENSION, 0.1..=60.0),
        low_percent: table.number("low_percent", 1.0..=99.0),
        readings_to_change: table.whole("readings_to_change", 1..=100).unwrap_or(defaults.readings_to_change),
        low_for_seconds: table.measured_whole("low_for", &SECONDS, 0..=604_800).unwrap_or(defaults.low_for_seconds),
        recovery_margin_percent: table
            .measured("recovery_margin", &SHARE, 0.0..=50.0)
            .unwrap_or(defaults.recovery_margin_percent),
        end_volts: table.measured("end", &TENSION, 0.1..=60.0),
        typical_life_days: table.measured_whole("typical_life", &DAYS, 10..=7300),
        forecast_after_days: table
            .measured_whole("forecast_after", &DAYS, 3..=60)
            .unwrap_or(defaults.forecast_after_days),
        forecast_lead_days: table
            .measured_whole("forecast_lead", &DAYS, 1..=365)
            .unwrap_or(defaults.forecast_lead_days),
    }
}

fn link(table: &Table<'_>) -> LinkSettings {
    let defaults = LinkSettings::default();
    let silence_limit_seconds = table.measured_whole("silence_limit", &SECONDS, 1..=30 * 86_400);
    let Some(table) = table.table("link") else { return LinkSettings { silence_limit_seconds, ..defaults } };
    let seconds = |key, default| table.measured_whole(key, &SECONDS, 1..=30 * 86_400).unwrap_or(default);
    let link = LinkSettings {
        silence_limit_seconds,
        silence_intervals: table.number("silence_intervals", 1.1..=100.0).unwrap_or(defaults.silence_intervals),
        shortest_silence_seconds: seconds("shortest_silence", defaults.shortest_silence_seconds),
        longest_silence_seconds: seconds("longest_silence", defaults.longest_silence_seconds),
        first_silence_seconds: seconds("first_silence", defaults.first_silence_seconds),
        messages_to_return: table.whole("messages_to_return", 1..=100).unwrap_or(defaults.messages_to_return),
        false_alerts_per_year: table
            .number("false_alerts_per_year", 0.01..=100.0)
            .unwrap_or(defaults.false_alerts_per_year),
    };
    if link.shortest_silence_seconds > link.longest_silence_seconds {
        table.here().note(format!(
            "longest_silence ({} s) is shorter than shortest_silence ({} s)",
            link.longest_silence_seconds, link.shortest_silence_seconds
        ));
    }
    link
}

/// Names as in the battery's own list.
const CHEMISTRIES: [(&str, Chemistry); 10] = [
    ("alkaline_9v", Chemistry::Alkaline9V),
    ("lithium_9v", Chemistry::Lithium9V),
    ("nimh_9v", Chemistry::Nimh9V),
    ("alkaline_aa_2", Chemistry::AlkalineAa2),
    ("lithium_iron_aa_2", Chemistry::LithiumIronAa2),
    ("cr2032", Chemistry::Cr2032),
    ("cr123a", Chemistry::Cr123a),
    ("li_socl2", Chemistry::LiSocl2),
    ("nimh_sun", Chemistry::NimhSun),
    ("custom", Chemistry::Custom),
];
const LONGEST_NAME: usize = 128;
