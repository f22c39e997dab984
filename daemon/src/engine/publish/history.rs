//! Points for the history database: numbers with their unit in the name, immutable ids as tags.

use crate::engine::alert::AlertChange;
use crate::engine::decision::Standing;
use crate::engine::output::{Lane, Output, Record, Value};
use crate::engine::reading::{Flag, Quantity, Reading};
use crate::engine::settings::SensorSettings;
use crate::engine::site::day_weather::Input;
use crate::engine::site::days::ClosedDay;
use crate::engine::stamp::Stamp;
use crate::engine::state::Context;

/// An empty point of a sensor's readings; None where no history is kept, or the time cannot be right.
pub fn point(context: &Context<'_>, sensor: &SensorSettings) -> Option<Record> {
    (context.settings.history && context.now.trusted).then(|| Record {
        lane: Lane::Reading,
        measurement: "reading",
        tags: vec![("site", context.site.id.clone()), ("sensor", sensor.id.clone())],
        fields: Vec::new(),
        at: Stamp::default(),
    })
}

/// Adds one reading and its flag.
pub fn add(point: &mut Option<Record>, reading: &Reading, flag: Flag) {
    if let Some(point) = point {
        let (value, flag_name) = field_names(reading.quantity);
        point.fields.push((value, Value::Float(reading.value)));
        point.fields.push((flag_name, Value::Integer(flag as i64)));
    }
}

/// Sends the point, dated when the readings were observed.
pub fn send(point: Option<Record>, at: Stamp, context: &mut Context<'_>) {
    if let Some(point) = point.filter(|point| !point.fields.is_empty()) {
        context.outputs.push(Output::Record(Record { at, ..point }));
    }
}

/// A civil day, dated at its start and rewritten in place by every revision.
pub fn day(day: &ClosedDay, context: &mut Context<'_>) {
    let figures = &day.figures;
    let mut fields = vec![
        ("eto_mm", Value::Float(figures.water.eto_mm)),
        ("rain_mm", Value::Float(figures.water.rain_mm)),
        ("coverage_pct", Value::Float(100.0 * figures.coverage)),
        ("uncertainty_mm", Value::Float(figures.uncertainty_mm)),
        ("method", Value::Text(figures.method.name().to_owned())),
        ("basis", Value::Integer(figures.eto_basis as i64)),
        ("rain_basis", Value::Integer(figures.rain_basis as i64)),
        ("revision", Value::Integer(i64::from(day.revision))),
        ("final", Value::Boolean(day.is_final)),
    ];
    // Codes as in `basis`: 0 measured, 1 partial, 2 neighbours, 3 normals, 4 default.
    let inputs = [
        ("air_temperature_basis", Input::AirTemperature),
        ("relative_humidity_basis", Input::RelativeHumidity),
        ("wind_speed_basis", Input::WindSpeed),
        ("shortwave_basis", Input::Shortwave),
    ];
    fields.extend(inputs.map(|(name, input)| (name, Value::Integer(figures.bases.of(input) as i64))));
    let doubtful =
        [("dew_mm", figures.dew_mm), ("frozen_mm", figures.frozen_mm), ("quarantined_mm", figures.quarantined_mm)];
    fields.extend(doubtful.into_iter().filter(|(_, mm)| *mm > 0.0).map(|(name, mm)| (name, Value::Float(mm))));
    let extremes = [("tmin_c", figures.coldest_celsius), ("tmax_c", figures.warmest_celsius)];
    fields.extend(extremes.into_iter().filter_map(|(name, value)| Some((name, Value::Float(value?)))));
    account(context, "daily", &[], fields, day.start);
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
    let fields = vec![
        ("state", Value::Integer(i64::from(!change.closed))),
        ("severity", Value::Integer(change.alert.wording.urgency.unwrap_or(change.kind.urgency()) as i64)),
        ("text", Value::Text(change.alert.wording.text.clone())),
    ];
    let tags = [("kind", change.kind.name()), ("subject", change.subject.as_str())];
    account(context, "alert", &tags, fields, context.now.wall);
}

fn account(
    context: &mut Context<'_>,
    measurement: &'static str,
    tags: &[(&'static str, &str)],
    fields: Vec<(&'static str, Value)>,
    at: Stamp,
) {
    if !context.settings.history || !context.now.trusted {
        return;
    }
    let mut all = vec![("site", context.site.id.clone())];
    all.extend(tags.iter().map(|(name, value)| (*name, (*value).to_owned())));
    context.outputs.push(Output::Record(Record { lane: Lane::Account, measurement, tags: all, fields, at }));
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
