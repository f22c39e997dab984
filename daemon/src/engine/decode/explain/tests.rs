//! What people read of a message.

use super::*;
use crate::engine::decode::{Field, Format, TimeField, TimeFormat, TopicTemplate};
use crate::engine::units::Unit;

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
fn a_lost_message_says_why_and_what_to_do() {
    check(
        "yard/oak/air/state",
        r#"{"ts":12,"temp_f":"12,3"#,
        "\
topic    yard/oak/air/state
payload  {\"ts\":12,\"temp_f\":\"12,3  (23 bytes)

feed     combo with yard/{site}/{sensor}/state

The message is lost (not_json): the payload is not valid JSON.
  seen   {\"ts\":12,\"temp_f\":\"12,3
  to do  a cut message points to a small buffer in the sensor; else set the feed's format to value
",
    );
}

#[test]
fn a_time_not_believed_and_a_site_not_named_are_told() {
    check(
        "yard//air/state",
        r#"{"ts":1814419801,"batt_v":"3 mV"}"#,
        "\
topic    yard//air/state
payload  {\"ts\":1814419801,\"batt_v\":\"3 mV\"}  (33 bytes)

feed     combo with yard/{site}/{sensor}/state
site     unknown: nothing at {site} of the topic, so the message belongs to nobody
sensor   air  (from {sensor} of the topic)
time     2027-07-01T03:30:01Z  (arrival; /ts of the payload is not believed: 1814419801)
         it is ahead by 120 min; to do: the sensor's clock seems to run on local time: name its zone, or set it to UTC

  /temp_f            air_temperature: not in this message
  /rh_pct            relative_humidity: not in this message
  /rain_total        rain_counter: not in this message
  /seq               sequence_number: not in this message
  /batt_v      3 mV  battery_voltage: lost (unit_mismatch), it carries another unit than the feed says
                     to do: set the unit of the field to the one that the sensor sends, or correct its quantity
",
    );
}

/// The end of the text alone: what comes after the payload.
fn check_end(topic: &str, payload: &str, expected: &str) {
    let text = explain(&feeds(), topic, payload.as_bytes(), Stamp(1_814_412_601_000)).to_string();
    assert!(text.ends_with(expected), "\n{text}");
}

#[test]
fn a_topic_that_no_feed_wants_is_compared_with_the_nearest() {
    check_end(
        "yard/oak/air/stat",
        "{}",
        "\
No feed listens to this topic. Nearest is feed combo with yard/{site}/{sensor}/state:
  level 4 must be `state` and is `stat`.
",
    );
    check_end(
        "farm/oak/air",
        "5",
        "with farm/{site}/{sensor}/{field}:\n  level 4 must be `{field}` and is not there.\n",
    );
    check_end("farm/oak/air/temp_c/x", "5", "\n  level 5 `x` is one too many.\n");
    check_end("farm/oak/+/temp_c", "5", "it is empty or has +, # or a NUL in it.\n");
    assert!(explain(&[], "a", b"5", Stamp(0)).to_string().ends_with("\nNo feed is configured.\n"));
}

#[test]
fn late_and_missing_things_are_told() {
    check_end("farm/oak/air/uptime", "5", "  to do  add a field of that name to the feed if it is wanted\n");
    check_end(
        "yard/oak/air/state",
        r#"{"Temp":12}"#,
        "compare the field keys of the feed with the payload; keys are case-sensitive\n",
    );
    let text = explain(&feeds(), "yard/oak/air/state", br#"{"ts":1814405401}"#, Stamp(1_814_412_601_000)).to_string();
    assert!(text.contains("\n         120 min before arrival: sent late, or"), "{text}");
}

#[test]
fn every_feed_that_matches_is_shown() {
    let twice = [feeds(), feeds()].concat();
    let text = explain(&twice, "farm/oak/air/temp_c", b"5", Stamp(0)).to_string();
    assert_eq!(text.matches("air_temperature = 5 °C").count(), 2);
    assert!(text.ends_with("\n2 feeds listen to this topic. Make their templates differ.\n"));
}

#[test]
fn values_are_told_in_the_units_of_the_site() {
    let us = Local { zone: chrono_tz::Tz::UTC, units: DisplayUnits::Us };
    let payload = br#"{"temp_f":72.5,"rain_total":31,"batt_v":2.9}"#;
    let text = explain_in(&feeds(), "yard/oak/air/state", payload, Stamp(1_814_412_601_000), |_| Some(us)).to_string();
    for said in ["air_temperature = 72.5 °F", "rain_counter = 31 tips", "battery_voltage = 2.9 V"] {
        assert!(text.contains(said), "{text}");
    }
}

#[test]
fn the_zone_of_the_site_is_used_for_local_times() {
    let mut feeds = feeds();
    feeds[0].time = Some(TimeField { pointer: "/ts".into(), format: TimeFormat::Local, zone: None });
    let payload = br#"{"ts":"2027-07-01 05:30:00"}"#;
    let berlin = Local { zone: chrono_tz::Europe::Berlin, units: DisplayUnits::Us };
    let local_of = |site: &str| (site == "oak").then_some(berlin);
    let arrival = Stamp(1_814_412_601_000);
    let text = explain_in(&feeds, "yard/oak/air/state", payload, arrival, local_of).to_string();
    assert!(text.contains("2027-07-01T03:30:00Z  (from /ts of the payload: 2027-07-01 05:30:00)"), "{text}");
    let text = explain(&feeds, "yard/oak/air/state", payload, arrival).to_string();
    assert!(text.contains("it has no zone; to do: name the zone"), "{text}");
}

#[test]
fn numbers_are_shown_short() {
    for (value, expected) in
        [(7.619_999_999_999_999, "7.62"), (0.0, "0"), (-12.0, "-12"), (1e300, "1e300"), (1.5e-9, "1.5e-9")]
    {
        assert_eq!(rounded(value), expected);
    }
}
