//! Every form of a number that is taken, and every one that is refused.

use proptest::prelude::*;
use serde_json::{Value, json};

use super::*;
use crate::engine::decode::{payload::Body, settings::Format};

fn field(quantity: Quantity, unit: &str) -> Field {
    Field::new("", quantity, Unit::parse(unit).unwrap())
}

fn air() -> Field {
    field(Quantity::AirTemperature, "Cel")
}

/// `payload` is the whole payload of a `value` topic.
fn converted(field: &Field, payload: &str, decimal_comma: bool) -> Result<f64, LossCause> {
    let body = Body::parse(Format::Value, payload.as_bytes(), 65_536).map_err(|loss| loss.cause)?;
    convert(field, Measure::of(field), body.scalar().unwrap(), decimal_comma)
}

fn check(field: &Field, payload: &str, expected: Result<f64, LossCause>) {
    assert_eq!(converted(field, payload, false), expected, "{payload:?}");
}

fn check_json(field: &Field, value: Value, expected: Result<f64, LossCause>) {
    let text = value.to_string();
    let body = Body::parse(Format::Json, text.as_bytes(), 65_536).unwrap();
    assert_eq!(convert(field, Measure::of(field), body.at("").unwrap(), false), expected, "{text}");
}

#[test]
fn s01_what_is_not_a_number_is_refused_with_its_cause() {
    use LossCause::{Blank, Empty, NotANumber, NotFinite, Null, Word};
    for (payload, cause) in [
        ("nan", NotFinite),
        ("NaN", NotFinite),
        ("-nan", NotFinite),
        ("nan(ind)", NotFinite),
        ("inf", NotFinite),
        ("+inf", NotFinite),
        ("-infinity", NotFinite),
        ("1.#INF", NotFinite),
        ("1.#QNAN", NotFinite),
        ("1e400", NotFinite),
        ("-1e999999999999999999999", NotFinite),
        ("unavailable", Word),
        ("unknown", Word),
        ("not available", Word),
        ("online", Word),
        ("offline", Word),
        ("true", Word),
        ("low", Word),
        ("on", Word),
        ("None", Null),
        ("none", Null),
        ("null", Null),
        ("undefined", Null),
        ("", Empty),
        (" \r\n", Blank),
        ("\0", Blank),
        ("\"\"", Blank),
        ("--", NotANumber),
        ("+-5", NotANumber),
        ("- 5", NotANumber),
        (".", NotANumber),
        ("-", NotANumber),
        ("\"", NotANumber),
        ("12:30", NotANumber),
        ("1.2.3", NotANumber),
        ("2027-07-01", NotANumber),
        ("12abc", NotANumber),
        ("5e", NotANumber),
        ("1_000", NotANumber),
        ("[1]", NotANumber),
    ] {
        check(&air(), payload, Err(cause));
    }
    check(&air(), "18.4", Ok(18.4));
}

#[test]
fn s03_numbers_in_disguise_are_read() {
    for payload in [
        "12,5",
        " 12.5\r\n",
        "12.5\0",
        "\u{feff}12.5",
        "+12.5",
        "\"12.5\"",
        "\" 12.5\\n\"".replace("\\n", "\n").as_str(),
        "12.5 °C",
        "12.5°C",
        "12,5 °C",
        "1.25e1",
        "1.25E+01",
        "125e-1",
        "012.5",
        "12.50",
    ] {
        check(&air(), payload, Ok(12.5));
    }
    check(&air(), "-12,5", Ok(-12.5));
    check(&air(), ".5", Ok(0.5));
    check(&air(), ",5", Ok(0.5));
    check(&air(), "5.", Ok(5.0));
    check(&air(), "-0", Ok(0.0));
    assert!(converted(&air(), "-0", false).unwrap().is_sign_positive());
    check_json(&air(), json!("12.5"), Ok(12.5));
    check_json(&air(), json!(" 12,5\0"), Ok(12.5));
}

#[test]
fn s03_a_unit_in_the_payload_must_be_the_one_of_the_field() {
    check(&air(), "12.5 °F", Err(LossCause::UnitMismatch));
    check(&air(), "12.5 hPa", Err(LossCause::UnitMismatch));
    check(&air(), "12.5 parsecs", Err(LossCause::NotANumber));
    check(&field(Quantity::RelativeHumidity, "%"), "55%", Ok(55.0));
}

#[test]
fn s03_commas_that_can_be_read_in_two_ways_are_refused() {
    let press = field(Quantity::AirPressure, "hPa");
    for payload in ["1,013", "1.013,2", "1,013.2", "1,013,250", "0,125", "1 013", "1.5,"] {
        let cause = if payload == "1.5," { LossCause::NotANumber } else { LossCause::AmbiguousNumber };
        check(&press, payload, Err(cause));
    }
    check(&press, "1013,25", Ok(1013.25));
    check(&press, "12,", Err(LossCause::NotANumber));
}

#[test]
fn s03_with_a_decimal_comma_dots_separate_groups() {
    use LossCause::{AmbiguousNumber, NotANumber};
    for (payload, expected) in [
        ("1,013", Ok(1.013)),
        ("1.013,2", Ok(1013.2)),
        ("-1.013,25e0", Ok(-1013.25)),
        ("1.013.250", Ok(1_013_250.0)),
        ("12.5", Ok(12.5)),
        ("1.013", Err(AmbiguousNumber)),
        ("1.01,2", Err(AmbiguousNumber)),
        ("1234.567,2", Err(AmbiguousNumber)),
        ("1,013.2", Err(AmbiguousNumber)),
        ("1,2,3", Err(AmbiguousNumber)),
        ("1.2.3", Err(NotANumber)),
    ] {
        assert_eq!(converted(&field(Quantity::AirPressure, "hPa"), payload, true), expected, "{payload}");
    }
    // A JSON number has no comma, so the setting does not touch it.
    let body = Body::parse(Format::Json, b"1.013", 9).unwrap();
    assert_eq!(convert(&air(), Measure::of(&air()), body.at("").unwrap(), true), Ok(1.013));
}

#[test]
fn s03_hexadecimal_is_refused() {
    check(&air(), "0x0C", Err(LossCause::Hex));
    check(&air(), "-0X1F", Err(LossCause::Hex));
    check(&air(), "0C", Ok(0.0)); // 0 °C
}

#[test]
fn json_values_that_are_no_numbers_are_refused() {
    check_json(&air(), json!(null), Err(LossCause::Null));
    check_json(&air(), json!(true), Err(LossCause::NotANumber));
    check_json(&air(), json!([12.5]), Err(LossCause::NotANumber));
    check_json(&air(), json!({"value": 12.5}), Err(LossCause::NotANumber));
    check_json(&air(), json!(12), Ok(12.0));
    check_json(&field(Quantity::AirPressure, "hPa"), json!(u64::MAX), Ok(18_446_744_073_709_551_615.0));
}

#[test]
fn s04_s06_fault_codes_of_temperature_probes_are_no_readings() {
    for payload in [
        "85", "85.0", "-127", "-127.0", "327.67", "327.7", "655.34", "655.35", "6553.4", "6553.5", "65534", "65535",
        "32767", "-32768", "-327.68",
    ] {
        check(&air(), payload, Err(LossCause::Sentinel));
        check(&field(Quantity::SoilTemperature, "Cel"), payload, Err(LossCause::Sentinel));
        let number = payload.parse().unwrap();
        check(&Field { default_sentinels: false, ..air() }, payload, Ok(number));
        check(&field(Quantity::AirPressure, "hPa"), payload, Ok(number));
    }
    for payload in ["84.9", "85.0625", "-126.9", "-19.6", "327.6"] {
        check(&air(), payload, Ok(payload.parse().unwrap()));
    }
}

#[test]
fn s04_fault_codes_are_found_behind_unit_scale_and_calibration() {
    let fahrenheit = field(Quantity::AirTemperature, "degF");
    check(&fahrenheit, "185", Err(LossCause::Sentinel));
    check(&fahrenheit, "-196.6", Err(LossCause::Sentinel));
    check(&fahrenheit, "85", Ok((85.0 - 32.0) / 1.8));
    let tenths = Field { scale: 0.1, ..air() };
    check(&tenths, "850", Err(LossCause::Sentinel));
    check(&tenths, "32767", Err(LossCause::Sentinel));
    check(&tenths, "85", Ok(8.5));
    let calibrated = Field { offset: 0.4, ..air() };
    check(&calibrated, "85", Err(LossCause::Sentinel));
    check(&calibrated, "84.6", Err(LossCause::Sentinel));
    let shifted = Field { offset: -40.0, ..air() };
    check(&shifted, "85", Ok(45.0));
    check(&shifted, "125", Err(LossCause::Sentinel));
}

#[test]
fn sentinels_of_a_field_are_compared_before_conversion() {
    let sentinels = vec![Sentinel::Number(-99.9), Sentinel::Number(999.0), Sentinel::Text("Err".into())];
    let counted = Field { sentinels, scale: 0.5, ..field(Quantity::RainCounter, "in") };
    for payload in ["-99.9", "-99.9000000001", "999", "999.0", "err", "\"ERR\""] {
        check(&counted, payload, Err(LossCause::Sentinel));
    }
    check(&counted, "99.9", Ok(99.9 * 0.5 * 25.4));
    check(&counted, "-99.8999", Ok(-99.8999 * 0.5 * 25.4));
    check_json(&counted, json!(999), Err(LossCause::Sentinel));
    check_json(&counted, json!("err"), Err(LossCause::Sentinel));
}

#[test]
fn s19_units_scale_and_offset_are_applied() {
    // 25.4 mm per inch: definition.
    check(&field(Quantity::RainCounter, "in"), "1.5", Ok(1.5 * 25.4));
    check(&field(Quantity::RainCounter, "tips"), "7", Ok(7.0));
    check(&Field { scale: 0.2, ..field(Quantity::RainfallAmount, "mm") }, "3", Ok(3.0 * 0.2));
    check(&Field { scale: 0.1, offset: -40.0, ..air() }, "615", Ok(615.0 * 0.1 - 40.0));
    // 32 °F is the freezing point of water: definition.
    check(&field(Quantity::AirTemperature, "degF"), "32", Ok(0.0));
    check(&field(Quantity::AirTemperature, "hPa"), "5", Err(LossCause::UnitUnfit));
    check(&Field { scale: 1e300, ..air() }, "1e300", Err(LossCause::NotFinite));
    check(&field(Quantity::RainCounter, "in"), "1e308", Err(LossCause::NotFinite));
}

#[test]
fn s30_odd_humidity_passes_for_the_range_test_to_judge() {
    let humidity = field(Quantity::RelativeHumidity, "%");
    for payload in ["101.7", "121318", "0", "100"] {
        check(&humidity, payload, Ok(payload.parse().unwrap()));
    }
    check(&field(Quantity::WindFromDirection, "deg"), "-1", Ok(-1.0));
}

#[test]
fn words_and_truths_are_states_of_a_battery_only() {
    let good = field(Quantity::BatteryOk, "1");
    let inverted = Field { inverted: true, ..good.clone() };
    for (payload, plain, flipped) in [
        ("ok", 1.0, 1.0),
        ("good", 1.0, 1.0),
        ("low", 0.0, 0.0),
        ("LOW", 0.0, 0.0),
        ("on", 1.0, 0.0),
        ("yes", 1.0, 0.0),
        ("true", 1.0, 0.0),
        ("1", 1.0, 0.0),
        ("off", 0.0, 1.0),
        ("no", 0.0, 1.0),
        ("False", 0.0, 1.0),
        ("0", 0.0, 1.0),
        ("0.0", 0.0, 1.0),
    ] {
        check(&good, payload, Ok(plain));
        check(&inverted, payload, Ok(flipped));
    }
    check_json(&good, json!(true), Ok(1.0));
    check_json(&inverted, json!(true), Ok(0.0));
    check_json(&good, json!(2), Err(LossCause::NotZeroOrOne));
    // A fraction is a level, and nobody knows which way an inverted one runs.
    check(&good, "0.5", Ok(0.5));
    check(&inverted, "0.5", Err(LossCause::NotZeroOrOne));
    check(&good, "-0.5", Err(LossCause::NotZeroOrOne));
    check(&good, "unknown", Err(LossCause::Word));
    check(&good, "null", Err(LossCause::Null));
}

#[test]
fn s22_a_battery_field_means_what_it_says() {
    let of = |field: &Field, payload: &str| {
        let body = Body::parse(Format::Json, payload.as_bytes(), 65_536).unwrap();
        meaning(field, Measure::of(field), body.at("").unwrap(), false)
    };
    let (level, ok) = (field(Quantity::BatteryLevel, "%"), field(Quantity::BatteryOk, "1"));
    let halves = Field { scale: 0.5, ..level.clone() };
    for (field, payload, expected) in [
        (&level, "40", Ok((Quantity::BatteryLevel, 40.0))),
        (&level, "\"LOW\"", Ok((Quantity::BatteryOk, 0.0))),
        (&level, "\"good\"", Ok((Quantity::BatteryOk, 1.0))),
        (&level, "true", Err(LossCause::NotANumber)),
        (&level, "200", Err(LossCause::NotPercent)),
        (&level, "-1", Err(LossCause::NotPercent)),
        (&level, "255", Err(LossCause::Sentinel)),
        (&halves, "200", Ok((Quantity::BatteryLevel, 100.0))),
        (&halves, "255", Err(LossCause::Sentinel)),
        (&ok, "0.4", Ok((Quantity::BatteryLevel, 40.0))),
        (&ok, "1", Ok((Quantity::BatteryOk, 1.0))),
        (&ok, "0", Ok((Quantity::BatteryOk, 0.0))),
    ] {
        assert_eq!(of(field, payload), expected, "{payload}");
    }
}

#[test]
fn a_sequence_number_is_whole() {
    let sequence = field(Quantity::SequenceNumber, "1");
    check(&sequence, "77", Ok(77.0));
    check(&sequence, "77.5", Err(LossCause::NotWhole));
    check(&sequence, "9007199254740993000", Err(LossCause::NotWhole));
}

proptest! {
    #[test]
    fn no_text_panics_and_every_value_is_finite(
        payload in prop_oneof![".*", r"[-+0-9.,eE#xX °CF%\x00]{0,20}", "[a-zA-Z()]{0,10}"],
        quantity in prop::sample::select(Quantity::ALL.to_vec()),
        scale in any::<f64>(),
        offset in any::<f64>(),
        decimal_comma in any::<bool>(),
    ) {
        let unit = Unit::parse(quantity.unit()).unwrap_or_else(|| Unit::parse("mm").unwrap());
        let field = Field { scale, offset, ..Field::new("", quantity, unit) };
        if let Ok(value) = converted(&field, &payload, decimal_comma) {
            prop_assert!(value.is_finite());
        }
    }

    /// Rust's own reading of a float is the reference; text that it refuses must be one of the disguises.
    #[test]
    fn plain_floats_are_read_exactly(number in any::<f64>().prop_filter("finite", |number| number.is_finite())) {
        let field = field(Quantity::AirPressure, "hPa");
        prop_assert_eq!(converted(&field, &format!("{number}"), false), Ok(number + 0.0));
        prop_assert_eq!(converted(&field, &format!("{number:e}"), false), Ok(number + 0.0));
    }

    #[test]
    fn text_without_a_digit_is_never_a_number(payload in "[^0-9]{0,20}") {
        prop_assert!(converted(&air(), &payload, false).is_err());
        prop_assert!(converted(&air(), &payload, true).is_err());
    }
}
