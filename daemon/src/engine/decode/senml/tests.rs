//! Packs: the examples of RFC 8428, section 5.1 (written from memory of the RFC), base fields, times, units, hostile input.

use proptest::prelude::*;
use serde_json::json;

use super::super::{
    Decoded, FeedSettings, Field, Format, Part, TopicTemplate, explain, parse, settings::DEFAULT_MAX_PAYLOAD_BYTES,
};
use super::*;
use crate::engine::{
    reading::TimeSource,
    stamp::{SECOND, Stamp},
};

fn at(text: &str) -> Stamp {
    Stamp::from(text.parse::<chrono::DateTime<chrono::Utc>>().unwrap())
}

fn arrival() -> Stamp {
    at("2027-06-01T04:00:00Z")
}

/// A unit of "" stands for none in the feed.
fn feed(fields: &[(&str, Quantity, &str)]) -> FeedSettings {
    let fields = fields.iter().map(|&(key, quantity, unit)| {
        let needs_unit = unit.is_empty();
        let unit = Unit::parse(if needs_unit { quantity.unit() } else { unit }).unwrap();
        Field { needs_unit, ..Field::new(key, quantity, unit) }
    });
    let template = TopicTemplate::parse("field/{site}/{sensor}").unwrap();
    FeedSettings { fields: fields.collect(), ..FeedSettings::new("packs", template, Format::Senml) }
}

fn decoded<'a>(feed: &'a FeedSettings, payload: &'a str) -> Result<Decoded<'a>, LossCause> {
    let captures = feed.template.capture("field/oak/mast").unwrap();
    let parsed = parse(feed, &captures, payload.as_bytes()).map_err(|loss| loss.cause)?;
    Ok(parsed.readings(arrival(), None, None))
}

/// One line per outcome: `quantity=value@time`, without time where it is arrival; then `key!cause(seen)`.
fn check(feed: &FeedSettings, payload: &str, expected: &str) {
    let text = match decoded(feed, payload) {
        Err(cause) => format!("!{}", cause.name()),
        Ok(decoded) => {
            let readings = decoded.readings.iter().map(|found| {
                let time = if found.observed_at == arrival() {
                    String::new()
                } else {
                    format!("@{}", found.observed_at.text())
                };
                // Sums of binary fractions: compared to nine digits.
                format!("{}={}{time}", found.quantity.name(), (found.value * 1e9).round() / 1e9)
            });
            let losses = decoded.losses.iter().map(|loss| format!("{}!{}({})", loss.key, loss.cause.name(), loss.seen));
            readings.chain(losses).collect::<Vec<_>>().join(" ")
        }
    };
    assert_eq!(text, expected, "{payload}");
}

#[test]
fn rfc_8428_5_1_1_a_single_data_point() {
    let feed = feed(&[("urn:dev:ow:10e2073a01080063", Quantity::AirTemperature, "")]);
    check(&feed, r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#, "air_temperature=23.1");
}

#[test]
fn rfc_8428_5_1_2_multiple_data_points() {
    let payload = r#"[
        {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
        {"n":"current","u":"A","v":1.2}
    ]"#;
    for key in ["voltage", "urn:dev:ow:10e2073a01080063:voltage"] {
        check(&feed(&[(key, Quantity::BatteryVoltage, "")]), payload, "battery_voltage=120.1");
    }
    let current = feed(&[("current", Quantity::BatteryVoltage, "V")]);
    check(&current, payload, "current!unit_mismatch(1.2)");
    let dated = r#"[
        {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
         "n":"voltage","u":"V","v":120.1},
        {"n":"current","t":-5,"v":1.2},
        {"n":"current","t":-4,"v":1.3},
        {"n":"current","v":1.7}
    ]"#;
    check(&feed(&[("voltage", Quantity::BatteryVoltage, "")]), dated, "battery_voltage=120.1@2010-06-08T18:01:16.001Z");
    let pack: Value = serde_json::from_str(dated).unwrap();
    let records = records(&pack).unwrap();
    let seen: Vec<_> = records.iter().map(|record| (record.own_name(), record.unit, record.time)).collect();
    let base = 1_276_020_076.001;
    assert_eq!(
        seen,
        [
            ("voltage", Some("V"), When::Absolute(base)),
            ("current", Some("A"), When::Absolute(base - 5.0)),
            ("current", Some("A"), When::Absolute(base - 4.0)),
            ("current", Some("A"), When::Absolute(base)),
        ]
    );
}

#[test]
fn rfc_8428_5_1_3_one_name_is_told_apart_by_its_units() {
    let payload = r#"[
        {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
        {"u":"lon","v":24.30621},{"u":"lat","v":60.07965},
        {"t":60,"v":20.3},
        {"u":"lon","t":60,"v":24.30622},{"u":"lat","t":60,"v":60.07965},
        {"t":120,"v":20.7},
        {"u":"lon","t":120,"v":24.30623},{"u":"lat","t":120,"v":60.07966},
        {"u":"%EL","t":150,"v":98},
        {"t":180,"v":21.2},
        {"u":"lon","t":180,"v":24.30628},{"u":"lat","t":180,"v":60.07967}
    ]"#;
    let name = "urn:dev:ow:10e2073a01080063";
    let feed = feed(&[(name, Quantity::RelativeHumidity, ""), (name, Quantity::BatteryLevel, "")]);
    check(
        &feed,
        payload,
        concat!(
            "relative_humidity=20@2011-10-31T13:24:24Z relative_humidity=20.3@2011-10-31T13:25:24Z ",
            "relative_humidity=20.7@2011-10-31T13:26:24Z battery_level=98@2011-10-31T13:26:54Z ",
            "relative_humidity=21.2@2011-10-31T13:27:24Z",
        ),
    );
    let found = decoded(&feed, payload).unwrap();
    assert_eq!(found.own_time, Some(at("2011-10-31T13:27:24Z")));
}

#[test]
fn rfc_8428_5_1_5_values_that_are_no_numbers() {
    let payload = r#"[
        {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
        {"n":"label","vs":"Machine Room"},
        {"n":"open","vb":false},
        {"n":"nfc-reader","vd":"aGkgCg"}
    ]"#;
    let feed = feed(&[
        ("temp", Quantity::AirTemperature, ""),
        ("label", Quantity::RelativeHumidity, "%"),
        ("open", Quantity::BatteryOk, "1"),
        ("nfc-reader", Quantity::SoilMoisture, "%"),
        ("missing", Quantity::AirPressure, "hPa"),
    ]);
    check(&feed, payload, "air_temperature=23.1 battery_ok=0 label!word(Machine Room) nfc-reader!word(aGkgCg)");
}

#[test]
fn rfc_8428_5_1_6_two_devices_in_a_pack_are_told_apart_by_whole_names() {
    let payload = r#"[
        {"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
        {"n":"humidity","u":"%RH","v":30},
        {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
        {"n":"humidity","u":"%RH","v":67}
    ]"#;
    let feed = feed(&[("2001:db8::1/temperature", Quantity::AirTemperature, "")]);
    check(&feed, payload, "air_temperature=12.3@2011-10-31T16:27:09Z");
}

#[test]
fn base_values_and_sums_are_added_and_what_is_missing_counts_as_nothing() {
    let temp = [("temp", Quantity::AirTemperature, "")];
    check(&feed(&temp), r#"[{"bn":"a:","bu":"Cel","bv":20,"n":"temp","v":0.5}]"#, "air_temperature=20.5");
    check(&feed(&temp), r#"[{"bn":"a:","bu":"Cel","bv":20},{"n":"temp"}]"#, "air_temperature=20");
    check(&feed(&temp), r#"[{"bu":"Cel","bv":20,"n":"x"},{"bv":0,"n":"temp","v":-1}]"#, "air_temperature=-1");
    check(&feed(&temp), r#"[{"bu":"Cel","bv":"x","n":"temp","v":1}]"#, "temp!word(x)");
    check(&feed(&temp), r#"[{"bu":"Cel","bv":20,"n":"temp","v":null}]"#, "temp!null(null)");
    check(&feed(&temp), r#"[{"bu":"Cel","bv":20,"n":"temp","s":5}]"#, "!field_missing(temp)");
    // A rate of 3.6 mm/h that was summed up over 1000 s is 1 mm.
    let rain = [("rain#sum", Quantity::RainCounter, "mm")];
    check(&feed(&rain), r#"[{"n":"rain","u":"mm/h","v":3.6,"s":3600,"bs":1800}]"#, "rain_counter=1.5");
    check(&feed(&rain), r#"[{"n":"rain","u":"m/s","s":0.0125}]"#, "rain_counter=12.5");
    check(&feed(&rain), r#"[{"n":"rain","s":12.5}]"#, "rain_counter=12.5");
    check(&feed(&rain), r#"[{"n":"rain","u":"mm","s":12.5}]"#, "rain#sum!unit_mismatch(12.5)");
}

#[test]
fn units_of_the_registry_become_ours() {
    let check = |quantity: Quantity, unit: &str, value: f64, expected: Option<f64>| {
        let found = measure(unit, quantity, false)
            .map(|found| found.unit.convert(value * found.factor + found.offset, quantity).unwrap_or(f64::NAN));
        let equal = found.zip(expected).map_or(found.is_none() && expected.is_none(), |(a, b)| (a - b).abs() < 1e-9);
        assert!(equal, "{value} {unit} as {}: {found:?}, not {expected:?}", quantity.name());
    };
    check(Quantity::AirTemperature, "Cel", 21.5, Some(21.5));
    check(Quantity::AirTemperature, "K", 294.65, Some(21.5));
    check(Quantity::AirTemperature, "C", 21.5, None);
    check(Quantity::AirTemperature, "F", 21.5, None);
    check(Quantity::RelativeHumidity, "%RH", 61.0, Some(61.0));
    check(Quantity::RelativeHumidity, "/", 0.61, Some(61.0));
    check(Quantity::SoilMoisture, "/100", 31.0, Some(31.0));
    check(Quantity::SoilMoisture, "/1000", 310.0, Some(31.0));
    check(Quantity::BatteryLevel, "%EL", 87.0, Some(87.0));
    check(Quantity::BatteryLevel, "%RH", 87.0, None);
    check(Quantity::RelativeHumidity, "%EL", 87.0, None);
    check(Quantity::BatteryVoltage, "V", 2.9, Some(2.9));
    check(Quantity::BatteryVoltage, "mV", 2900.0, Some(2.9));
    check(Quantity::AirPressure, "Pa", 101_325.0, Some(1013.25));
    check(Quantity::AirPressure, "hPa", 1013.25, Some(1013.25));
    check(Quantity::WindSpeed, "m/s", 4.0, Some(4.0));
    check(Quantity::WindSpeed, "km/h", 36.0, Some(10.0));
    check(Quantity::WindFromDirection, "rad", std::f64::consts::PI, Some(180.0));
    check(Quantity::WindFromDirection, "deg", 270.0, Some(270.0));
    check(Quantity::SurfaceDownwellingShortwaveFlux, "W/m2", 640.0, Some(640.0));
    check(Quantity::SurfaceDownwellingShortwaveFlux, "lx", 640.0, None);
    check(Quantity::RainfallAmount, "m", 0.0025, Some(2.5));
    check(Quantity::RainfallAmount, "mm", 2.5, Some(2.5));
    check(Quantity::RainCounter, "count", 17.0, Some(17.0));
    check(Quantity::RainfallRate, "mm/h", 3.6, Some(3.6));
    check(Quantity::RainfallRate, "m/h", 0.0036, Some(3.6));
    check(Quantity::RainfallRate, "m/s", 1e-6, Some(3.6));
    check(Quantity::Rssi, "dBW", -110.0, Some(-80.0));
    check(Quantity::Rssi, "dBm", -80.0, Some(-80.0));
    check(Quantity::Snr, "dB", 7.5, Some(7.5));
    check(Quantity::SequenceNumber, "count", 9.0, Some(9.0));
    check(Quantity::BatteryLevel, "A", 1.0, None);
}

#[test]
fn a_record_s_unit_goes_before_the_feed_s_and_a_counter_stays_what_it_counts() {
    let fahrenheit = [("temp", Quantity::AirTemperature, "degF")];
    check(&feed(&fahrenheit), r#"[{"n":"temp","v":50}]"#, "air_temperature=10");
    check(&feed(&fahrenheit), r#"[{"n":"temp","u":"Cel","v":50}]"#, "air_temperature=50");
    check(&feed(&[("temp", Quantity::AirTemperature, "")]), r#"[{"n":"temp","v":50}]"#, "temp!unit_missing(50)");
    let tips = [("rain", Quantity::RainCounter, "tips")];
    check(&feed(&tips), r#"[{"n":"rain","u":"count","v":50}]"#, "rain_counter=50");
    check(&feed(&tips), r#"[{"n":"rain","u":"mm","v":50}]"#, "rain!unit_mismatch(50)");
    let depth = [("rain", Quantity::RainCounter, "mm")];
    check(&feed(&depth), r#"[{"n":"rain","u":"count","v":50}]"#, "rain!unit_mismatch(50)");
    check(&feed(&depth), r#"[{"n":"rain","u":"m","v":0.05}]"#, "rain_counter=50");
    check(&feed(&[("t", Quantity::AirTemperature, "")]), r#"[{"n":"t","u":"Cel","v":85}]"#, "t!sentinel(85)");
    let mut scaled = feed(&[("t", Quantity::AirTemperature, "")]);
    (scaled.fields[0].scale, scaled.fields[0].offset) = (0.1, -0.5);
    check(&scaled, r#"[{"n":"t","u":"Cel","v":215}]"#, "air_temperature=21");
}

#[test]
fn times_count_from_now_below_2_to_the_28_and_from_1970_above() {
    let temp = feed(&[("t", Quantity::AirTemperature, "Cel")]);
    let check = |times: &str, expected: &str, source: TimeSource, own: bool| {
        let payload = format!(r#"[{{"n":"t","v":1,{times}}}]"#);
        let found = decoded(&temp, &payload).unwrap();
        let reading = found.readings[0];
        assert_eq!((reading.observed_at.text().as_str(), reading.time_source), (expected, source), "{times}");
        assert_eq!(found.own_time.is_some(), own, "{times}");
        assert_eq!(found.time_problem.is_some(), source == TimeSource::BadPayloadTime, "{times}");
    };
    use TimeSource::{Arrival, BadPayloadTime, Payload};
    check(r#""u":"Cel""#, "2027-06-01T04:00:00Z", Arrival, false);
    check(r#""t":0"#, "2027-06-01T04:00:00Z", Arrival, false);
    check(r#""t":-90.5"#, "2027-06-01T03:58:29.500Z", Payload, false);
    check(r#""bt":-60,"t":-30"#, "2027-06-01T03:58:30Z", Payload, false);
    check(r#""t":120"#, "2027-06-01T04:02:00Z", Payload, false);
    check(r#""t":600"#, "2027-06-01T04:00:00Z", BadPayloadTime, false);
    check(r#""t":268435455"#, "2027-06-01T04:00:00Z", BadPayloadTime, false);
    check(r#""t":268435456"#, "2027-06-01T04:00:00Z", BadPayloadTime, false);
    check(r#""bt":1811822340,"t":-30"#, "2027-06-01T03:58:30Z", Payload, true);
    check(r#""bt":1.8118224e9"#, "2027-06-01T04:00:00Z", Payload, true);
    check(r#""bt":"noon","t":1"#, "2027-06-01T04:00:00Z", BadPayloadTime, false);
    check(r#""t":-1e308,"bt":-1e308"#, "2027-06-01T04:00:00Z", BadPayloadTime, false);
}

#[test]
fn records_come_in_the_order_of_time() {
    let feed = feed(&[("t", Quantity::AirTemperature, "Cel"), ("rain", Quantity::RainCounter, "mm")]);
    let payload =
        r#"[{"bt":-1200,"n":"t","v":3,"t":1200},{"n":"t","v":1},{"n":"rain","v":7,"t":600},{"n":"t","v":2,"t":600}]"#;
    check(
        &feed,
        payload,
        concat!(
            "air_temperature=1@2027-06-01T03:40:00Z air_temperature=2@2027-06-01T03:50:00Z ",
            "rain_counter=7@2027-06-01T03:50:00Z air_temperature=3",
        ),
    );
}

#[test]
fn what_is_no_pack_or_of_a_newer_kind_is_lost_as_a_whole() {
    let feed = feed(&[("t", Quantity::AirTemperature, "Cel")]);
    for (payload, expected) in [
        (r#"{"n":"t","v":1}"#, "!not_senml"),
        (r#"[{"n":"t","v":1},7]"#, "!not_senml"),
        ("21.5", "!not_senml"),
        (r#"[{"n":"t","v":1}"#, "!not_json"),
        ("[]", "!field_missing()"),
        (r#"[{"n":"other","v":1},{"n":"more","v":2}]"#, "!field_missing(other more)"),
        (r#"[{"n":"t","v":1,"bver":10}]"#, "air_temperature=1"),
        (r#"[{"n":"t","v":1,"bver":26}]"#, "air_temperature=1"),
        (r#"[{"n":"t","v":1,"bver":11}]"#, "!newer_senml"),
        (r#"[{"n":"t","v":1},{"n":"x","v":1,"bver":42}]"#, "!newer_senml"),
        (r#"[{"n":"t","v":1,"scale_":3}]"#, "!newer_senml"),
        (r#"[{"n":"t","v":1,"scale":3}]"#, "air_temperature=1"),
        (r#"[{"n":"t","v":1e400}]"#, "t!not_finite(1e400)"),
        (r#"[{"n":"t","v":NaN}]"#, "t!not_finite(NaN)"),
        (r#"[{"n":5,"bn":null,"v":1}]"#, "!field_missing()"),
    ] {
        check(&feed, payload, expected);
    }
}

#[test]
fn a_sensor_can_be_named_by_the_pack() {
    let mut feed = feed(&[("t", Quantity::AirTemperature, "")]);
    feed.sensor = Part::Pointer("/0/bn".to_owned());
    let captures = feed.template.capture("field/oak/gateway").unwrap();
    let parsed =
        parse(&feed, &captures, br#"[{"bn":"urn:dev:mac:0024befffe804ff1:","n":"t","u":"Cel","v":1}]"#).unwrap();
    assert_eq!(parsed.sensor().as_deref(), Some("urn:dev:mac:0024befffe804ff1:"));
    assert_eq!(parsed.site().as_deref(), Some("oak"));
}

#[test]
fn the_explanation_names_each_record_s_time_where_they_differ() {
    let feed = feed(&[("t", Quantity::AirTemperature, ""), ("h", Quantity::RelativeHumidity, "")]);
    let payload = br#"[{"bn":"a:","bt":1811822400,"n":"t","u":"Cel","v":3.5},{"n":"t","u":"Cel","v":3.25,"t":-300}]"#;
    let text = explain(std::slice::from_ref(&feed), "field/oak/mast", payload, arrival()).to_string();
    let (_, told) = text.split_once("time ").unwrap();
    assert_eq!(
        told.trim_start(),
        "\
2027-06-01T04:00:00Z  (the latest of the records')

  t  3.5   air_temperature = 3.5 °C, at 2027-06-01T04:00:00Z
  t  3.25  air_temperature = 3.25 °C, at 2027-06-01T03:55:00Z
  h        relative_humidity: not in this message
"
    );
    let text = explain(std::slice::from_ref(&feed), "field/oak/mast", br#"[{"n":"t","v":3.5}]"#, arrival()).to_string();
    assert!(text.contains("(arrival; the records say no time)"), "{text}");
    assert!(
        text.contains("air_temperature: lost (unit_missing), neither the record nor the feed says its unit"),
        "{text}"
    );
}

#[test]
fn long_base_names_cost_no_memory_per_record() {
    let records = vec![r#"{"n":"t","v":1}"#; 3_000].join(",");
    let payload = format!(r#"[{{"bn":"{}"}},{records}]"#, "x".repeat(15_000));
    assert!(payload.len() < DEFAULT_MAX_PAYLOAD_BYTES);
    let pack: Value = serde_json::from_str(&payload).unwrap();
    assert_eq!(super::records(&pack).unwrap().len(), 3_000);
}

/// Records of made-up members, right and wrong.
fn packs() -> impl Strategy<Value = String> {
    let value = prop::sample::select(vec![
        json!(1),
        json!(-0.5),
        json!(1e308),
        json!(-1e308),
        json!(268_435_456),
        json!(1.8e9),
        json!("t"),
        json!("Cel"),
        json!("%RH"),
        json!(true),
        json!(null),
        json!([]),
        json!(""),
        json!(26),
        json!("count"),
        json!("12,5"),
    ]);
    let label = prop::sample::select(vec![
        "bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "x_",
    ]);
    let record = prop::collection::btree_map(label, value, 0..6);
    prop::collection::vec(record, 0..8).prop_map(|records| json!(records).to_string())
}

proptest! {
    #[test]
    fn no_pack_panics_and_every_reading_is_finite_and_in_order(payload in packs(), arrival in any::<i64>()) {
        let feed = feed(&[
            ("t", Quantity::AirTemperature, ""),
            ("t", Quantity::RelativeHumidity, "%"),
            ("t#sum", Quantity::RainCounter, "mm"),
            ("Cel", Quantity::BatteryOk, "1"),
        ]);
        let captures = feed.template.capture("field/oak/mast").unwrap();
        if let Ok(parsed) = parse(&feed, &captures, payload.as_bytes()) {
            let decoded = parsed.readings(Stamp(arrival), None, None);
            prop_assert!(decoded.readings.iter().all(|reading| reading.value.is_finite()));
            prop_assert!(decoded.readings.is_sorted_by_key(|reading| reading.observed_at));
            let latest = Stamp(arrival).plus(300 * SECOND);
            prop_assert!(decoded.readings.iter().all(|reading| reading.observed_at <= latest));
        }
        let text = explain(std::slice::from_ref(&feed), "field/oak/mast", payload.as_bytes(), Stamp(arrival)).to_string();
        prop_assert!(!text.is_empty());
    }
}
