//! Points for the history database: numbers with their unit in the name, immutable ids as tags.

use crate::engine::alert::AlertChange;
use crate::engine::decision::Standing;
use crate::engine::output::{Lane, Output, Record, Value};
use crate::engine::reading::{Flag, Quantity, Reading};
use crate::engine::settings::SensorSettings;
use crate::engine::site::day_weather::Input;
use crate::engine::site::days::{ClosedDay, Figures, Today};
use crate::engine::stamp::Stamp;
use crate::engine::state::Context;

/// What a message of a sensor becomes: one point of what it measured, one of the device itself.
pub struct Points {
    sensor: String,
    reading: Fields,
    device: Fields,
}

type Fields = Vec<(&'static str, Value)>;

/// Empty points of a sensor's message; None where no history is kept, or the time cannot be right.
pub fn points(context: &Context<'_>, sensor: &SensorSettings) -> Option<Points> {
    is_kept(context).then(|| Points { sensor: sensor.id.clone(), reading: Vec::new(), device: Vec::new() })
}

/// Adds one reading and its flag.
pub fn add(points: &mut Option<Points>, reading: &Reading, flag: Flag) {
    if let Some(points) = points {
        let (value, flag_name) = field_names(reading.quantity);
        let fields = if is_of_the_device(reading.quantity) { &mut points.device } else { &mut points.reading };
        fields.push((value, Value::Float(reading.value)));
        fields.push((flag_name, Value::Integer(flag as i64)));
    }
}

/// Sends the points, dated when the readings were observed.
pub fn send(points: Option<Points>, at: Stamp, context: &mut Context<'_>) {
    let Some(Points { sensor, reading, device }) = points else { return };
    let both = [("reading", reading), ("sensor", device)];
    for (measurement, fields) in both.into_iter().filter(|(_, fields)| !fields.is_empty()) {
        put(context, Lane::Reading, measurement, &[("sensor", &sensor)], fields, at);
    }
}

/// How much of what a sensor sends arrives, dated when it was heard last.
pub fn link(sensor: &str, delivery_ratio: Option<f64>, heard: Option<Stamp>, context: &mut Context<'_>) {
    if let (Some(ratio), Some(heard)) = (delivery_ratio, heard) {
        let fields = vec![("delivery_ratio", Value::Float(ratio))];
        put(context, Lane::Reading, "sensor", &[("sensor", sensor)], fields, heard);
    }
}

/// The day so far: dated like the day that it will be, and so rewritten until that is final.
pub fn running(today: &Today, context: &mut Context<'_>) {
    let fields = day_fields(&today.figures, None);
    account(context, "daily", &[], fields, today.start);
}

/// A civil day, dated at its start and rewritten in place by every revision.
pub fn day(day: &ClosedDay, context: &mut Context<'_>) {
    account(context, "daily", &[], day_fields(&day.figures, Some(day)), day.start);
}

/// `closed`: the day, where it is over.
fn day_fields(figures: &Figures, closed: Option<&ClosedDay>) -> Fields {
    let mut fields = vec![
        ("eto_mm", Value::Float(figures.water.eto_mm)),
        ("rain_mm", Value::Float(figures.water.rain_mm)),
        ("coverage_pct", Value::Float(100.0 * figures.coverage)),
        ("uncertainty_mm", Value::Float(figures.uncertainty_mm)),
        ("method", Value::Text(figures.method.name().to_owned())),
        ("method_code", Value::Integer(figures.method as i64)),
        ("basis", Value::Integer(figures.eto_basis as i64)),
        ("rain_basis", Value::Integer(figures.rain_basis as i64)),
        ("revision", Value::Integer(i64::from(closed.map_or(0, |day| day.revision)))),
        ("closed", Value::Boolean(closed.is_some())),
        ("final", Value::Boolean(closed.is_some_and(|day| day.is_final))),
    ];
    // Codes as in `basis`: 0 measured, 1 partial, 2 neighbours, 3 normals, 4 default.
    let inputs = [
        ("air_temperature_basis", Input::AirTemperature),
        ("relative_humidity_basis", Input::RelativeHumidity),
        ("wind_speed_basis", Input::WindSpeed),
        ("shortwave_basis", Input::Shortwave),
    ];
    fields.extend(inputs.map(|(name, input)| (name, Value::Integer(figures.bases.of(input) as i64))));
    // Zero is written too: the point is rewritten in place, and what is left out would stay as it was.
    fields.extend([
        ("dew_mm", Value::Float(figures.dew_mm)),
        ("frozen_mm", Value::Float(figures.frozen_mm)),
        ("quarantined_mm", Value::Float(figures.quarantined_mm)),
    ]);
    let extremes = [("tmin_c", figures.coldest_celsius), ("tmax_c", figures.warmest_celsius)];
    fields.extend(extremes.into_iter().filter_map(|(name, value)| Some((name, Value::Float(value?)))));
    fields
}

pub fn decision(group: &str, standing: &Standing, context: &mut Context<'_>) {
    let said = &standing.said;
    let first = said.holds.first().map(|hold| hold.reason);
    let fields = vec![
        ("scale_percent", Value::Integer(i64::from(said.percent))),
        ("hold", Value::Boolean(said.holds())),
        ("reason_code", Value::Integer(first.map_or(0, |reason| reason as i64 + 1))),
        ("reason", Value::Text(first.map_or("none", |reason| reason.name()).to_owned())),
    ];
    account(context, "decision", &[("group", group)], fields, standing.issued);
}

pub fn alert(change: &AlertChange, context: &mut Context<'_>) {
    let wording = &change.alert.wording;
    let mut fields = vec![
        ("state", Value::Integer(i64::from(!change.closed))),
        ("severity", Value::Integer(wording.urgency.unwrap_or(change.kind.urgency()) as i64)),
        ("text", Value::Text(wording.text.clone())),
    ];
    // Of several figures the first by name: one field has one meaning for each kind.
    fields.extend(wording.figures.values().next().map(|value| ("value", Value::Float(*value))));
    let tags = [("kind", change.kind.name()), ("subject", change.subject.as_str())];
    account(context, "alert", &tags, fields, context.now.wall);
}

fn account(
    context: &mut Context<'_>,
    measurement: &'static str,
    tags: &[(&'static str, &str)],
    fields: Fields,
    at: Stamp,
) {
    put(context, Lane::Account, measurement, tags, fields, at);
}

/// Tags are ids that never change; the shell puts the fleet before them.
fn put(
    context: &mut Context<'_>,
    lane: Lane,
    measurement: &'static str,
    tags: &[(&'static str, &str)],
    fields: Fields,
    at: Stamp,
) {
    if !is_kept(context) {
        return;
    }
    let mut all = vec![("site", context.site.id.clone())];
    all.extend(tags.iter().map(|(name, value)| (*name, (*value).to_owned())));
    context.outputs.push(Output::Record(Record { lane, measurement, tags: all, fields, at }));
}

/// A point with a wrong time would stand where nobody looks, for ever.
fn is_kept(context: &Context<'_>) -> bool {
    context.settings.history && context.now.trusted
}

/// True for what says nothing of the place but of the device and its radio.
fn is_of_the_device(quantity: Quantity) -> bool {
    matches!(
        quantity,
        Quantity::BatteryVoltage
            | Quantity::BatteryLevel
            | Quantity::BatteryOk
            | Quantity::Rssi
            | Quantity::Snr
            | Quantity::SequenceNumber
    )
}

/// Field names of a quantity: value with unit, and flag.
fn field_names(quantity: Quantity) -> (&'static str, &'static str) {
    match quantity {
        Quantity::AirTemperature => ("air_temperature_celsius", "air_temperature_flag"),
        Quantity::RelativeHumidity => ("relative_humidity_percent", "relative_humidity_flag"),
        Quantity::DewPointTemperature => ("dew_point_temperature_celsius", "dew_point_temperature_flag"),
        Quantity::AirPressure => ("air_pressure_hpa", "air_pressure_flag"),
        Quantity::WindSpeed => ("wind_speed_m_per_s", "wind_speed_flag"),
        Quantity::WindSpeedOfGust => ("wind_speed_of_gust_m_per_s", "wind_speed_of_gust_flag"),
        Quantity::WindFromDirection => ("wind_from_direction_degrees", "wind_from_direction_flag"),
        Quantity::SurfaceDownwellingShortwaveFlux => {
            ("surface_downwelling_shortwave_flux_w_per_m2", "surface_downwelling_shortwave_flux_flag")
        }
        Quantity::RainfallAmount => ("rainfall_amount_mm", "rainfall_amount_flag"),
        Quantity::RainCounter => ("rain_counter_mm", "rain_counter_flag"),
        Quantity::RainfallRate => ("rainfall_rate_mm_per_hour", "rainfall_rate_flag"),
        Quantity::SoilMoisture => ("soil_moisture_percent", "soil_moisture_flag"),
        Quantity::SoilTemperature => ("soil_temperature_celsius", "soil_temperature_flag"),
        Quantity::LeafWetness => ("leaf_wetness_percent", "leaf_wetness_flag"),
        Quantity::BatteryVoltage => ("battery_volts", "battery_volts_flag"),
        Quantity::BatteryLevel => ("battery_percent", "battery_percent_flag"),
        Quantity::BatteryOk => ("battery_ok", "battery_ok_flag"),
        Quantity::Rssi => ("rssi_dbm", "rssi_flag"),
        Quantity::Snr => ("snr_db", "snr_flag"),
        Quantity::SequenceNumber => ("sequence_number", "sequence_number_flag"),
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn every_quantity_has_fields_of_its_own_with_plain_names() {
        let mut seen = BTreeSet::from(["delivery_ratio", "time"]);
        for quantity in Quantity::ALL {
            let (value, flag) = field_names(quantity);
            for name in [value, flag] {
                assert!(seen.insert(name), "{name} twice");
                assert!(name.starts_with(|letter: char| letter.is_ascii_lowercase()), "{name}");
                assert!(name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_'), "{name}");
            }
            assert!(flag.ends_with("_flag"), "{flag}");
        }
    }
}
