use super::*;
use crate::engine::decode::{Field, Format, TimeField, TimeFormat, TopicTemplate};

fn feed(name: &str, template: &str, format: Format, fields: &[(&str, Quantity, &str)]) -> FeedSettings {
    let fields = fields.iter().map(|&(key, quantity, unit)| Field::new(key, quantity, Unit::parse(unit).unwrap()));
    FeedSettings {
        fields: fields.collect(),
        ..FeedSettings::new(name, TopicTemplate::parse(template).unwrap(), format)
    }
}

fn feeds() -> Vec<FeedSettings> {
    let time = TimeField { pointer: "/ts".into(), format: TimeFormat::UnixAuto, zone: None };
    let combo = feed(
        "combo",
        "yard/{site}/{sensor}/state",
        Format::Json,
        &[
            ("/temp_f", Quantity::AirTemperature, "degF"),
            ("/rh_pct", Quantity::RelativeHumidity, "%"),
            ("/rain_total", Quantity::RainCounter, "tips"),
            ("/seq", Quantity::SequenceNumber, "1"),
            ("/batt_v", Quantity::BatteryVoltage, "V"),
        ],
    );
    let plain =
        feed("plain", "farm/{site}/{sensor}/{field}", Format::Value, &[("temp_c", Quantity::AirTemperature, "Cel")]);
    vec![FeedSettings { time: Some(time), ..combo }, plain]
}

fn check(topic: &str, payload: &str, expected: &str) {
    // 2027-07-01T03:30:01Z
    let text = explain(&feeds(), topic, payload.as_bytes(), Stamp(1_814_412_601_000)).to_string();
    assert_eq!(text, expected, "\n{text}");
}

#[test]
fn a_good_message_is_shown_field_by_field() {
    check(
        "yard/oak/air/state",
        r#"{"ts":1814412600,"temp_f":50,"rh_pct":NaN,"rain_total":7,"seq":77}"#,
        "\
topic    yard/oak/air/state
payload  {\"ts\":1814412600,\"temp_f\":50,\"rh_pct\":NaN,\"rain_total\":7,\"s…  (66 bytes)

feed     combo with yard/{site}/{sensor}/state
site     oak  (from {site} of the topic)
sensor   air  (from {sensor} of the topic)
time     2027-07-01T03:30:00Z  (from /ts of the payload: 1814412600)

  /temp_f      50   air_temperature = 10 °C
  /rh_pct      NaN  relative_humidity: lost (not_finite), it is not a finite number
                    to do: check the probe and its wiring if it persists
  /rain_total  7    rain_counter = 7 tips
  /seq         77   sequence_number = 77
  /batt_v           battery_voltage: not in this message
",
    );
}

#[test]
fn tmp() {
    for (topic, payload) in [
        ("yard/oak/air/state", "{\"ts\":12,\"temp_f\":\"12,345\""),
        ("yard/oak/air/state", r#"{"ts":1814420401,"temp_f":185,"batt_v":"3 mV"}"#),
        ("yard/oak/air/state", r#"{"ts":1814405401,"rh_pct":55.5}"#),
        ("yard/oak/air/state", r#"{"Temp":12}"#),
        ("yard//air/state", r#"{"temp_f":12}"#),
        ("yard/oak/air/stat", r#"{"temp_f":12}"#),
        ("yard/oak/air", ""),
        ("yard/oak/air/state", ""),
        ("farm/oak/air/temp_c", "offline"),
        ("farm/oak/air/uptime", "5"),
        ("farm/oak/+/uptime", "5"),
    ] {
        println!("{}\n=====", explain(&feeds(), topic, payload.as_bytes(), Stamp(1_814_412_601_000)));
    }
}
