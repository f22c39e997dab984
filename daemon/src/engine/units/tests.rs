//! Units of text, and what is refused.

use super::*;

fn check(text: &str, quantity: Quantity, expected: Option<f64>) {
    let converted = parse_quantity_text(text, quantity).ok();
    match (converted, expected) {
        (Some(converted), Some(expected)) => {
            assert!((converted - expected).abs() <= 1e-9 * expected.abs().max(1.0), "{text}: {converted}");
        }
        (converted, expected) => assert_eq!(converted, expected, "{text} as {}", quantity.name()),
    }
}

#[test]
fn quantities_with_units_convert_to_the_engine_unit() {
    use Quantity::*;
    // Factors: NIST SP 811 Appendix B.8; UCUM.
    for (text, quantity, expected) in [
        ("35 degF", AirTemperature, 5.0 / 3.0),
        ("-40[degF]", AirTemperature, -40.0),
        ("273.15 K", SoilTemperature, 0.0),
        ("0.25 in", RainfallAmount, 6.35),
        ("6 mm", RainfallAmount, 6.0),
        ("6mm", RainCounter, 6.0),
        ("1.2 cm", RainCounter, 12.0),
        ("17 tips", RainCounter, 17.0),
        ("36 km/h", WindSpeed, 10.0),
        ("10 mph", WindSpeed, 4.4704),
        ("10 kt", WindSpeedOfGust, 5.144_444_444_444_444),
        ("29.92 inHg", AirPressure, 1_013.207_588_8),
        ("760 mmHg", AirPressure, 1_013.250_24),
        ("101.325 kPa", AirPressure, 1013.25),
        ("101325 Pa", AirPressure, 1013.25),
        ("3.6 MJ/m2/h", SurfaceDownwellingShortwaveFlux, 1000.0),
        ("0.45 1", RelativeHumidity, 45.0),
        ("45 %", RelativeHumidity, 45.0),
        ("0.31 m3/m3", SoilMoisture, 31.0),
        ("1 bool", LeafWetness, 100.0),
        ("0 bool", BatteryOk, 0.0),
        ("1 1", BatteryOk, 1.0),
        ("2950 mV", BatteryVoltage, 2.95),
        ("-97 dBm", Rssi, -97.0),
        ("7.5 dB", Snr, 7.5),
        ("350 °", WindFromDirection, 350.0),
        ("1 in/h", RainfallRate, 25.4),
        ("1e1 mm", RainfallAmount, 10.0),
        ("4294967297 1", SequenceNumber, 4_294_967_297.0),
    ] {
        check(text, quantity, Some(expected));
    }
}

#[test]
fn what_is_no_number_or_does_not_fit_is_refused() {
    use Quantity::*;
    for (text, quantity) in [
        ("", AirTemperature),
        ("degF", AirTemperature),
        ("35", AirTemperature),
        ("nan degF", AirTemperature),
        ("inf degF", AirTemperature),
        ("1e999 mm", RainfallAmount),
        ("1e308 cm", RainfallAmount),
        ("0,25 in", RainfallAmount),
        ("5 k", AirTemperature),
        ("5 MV", BatteryVoltage),
        ("5 mm", AirTemperature),
        ("5 tips", RainfallAmount),
        ("5 dB", Rssi),
        ("5 dBm", Snr),
        ("90 %", BatteryOk),
        ("2 bool", LeafWetness),
        ("20000 lx", SurfaceDownwellingShortwaveFlux),
        ("5 mm mm", RainfallAmount),
        ("--5 mm", RainfallAmount),
    ] {
        check(text, quantity, None);
    }
}

#[test]
fn error_texts_say_what_to_write() {
    assert_eq!(
        parse_quantity_text("5 furlongs", Quantity::RainfallAmount),
        Err("\"5 furlongs\" has no unit of rainfall_amount: use one of mm, cm, in, [in_i], inch, inches".into())
    );
    assert_eq!(
        parse_quantity_text("0,25 in", Quantity::RainfallAmount),
        Err("\"0,25 in\" must be written with a decimal point".into())
    );
}

#[test]
fn every_offered_spelling_is_accepted_and_the_engine_unit_changes_nothing() {
    for quantity in Quantity::ALL {
        let spellings = Unit::spellings_for(quantity);
        assert!(!spellings.is_empty(), "{}", quantity.name());
        for spelling in spellings {
            let converted = Unit::parse(spelling).and_then(|unit| unit.convert(1.0, quantity));
            assert!(converted.is_some(), "{spelling} for {}", quantity.name());
        }
        let own = Unit::parse(quantity.unit()).and_then(|unit| unit.convert(0.7, quantity));
        assert_eq!(own, Some(0.7), "{}", quantity.name());
    }
}

#[test]
fn no_spelling_names_two_units() {
    let mut all: Vec<&str> = SPELLINGS.iter().flat_map(|(_, spellings)| spellings.iter().copied()).collect();
    let count = all.len();
    all.sort_unstable();
    all.dedup();
    assert_eq!(all.len(), count);
}

#[test]
fn any_text_is_answered_without_a_panic() {
    for text in ["°", "5°", "é5 mm", "5é", "1.e", "+", "-", ".", "e5 mm", "𝟝 mm", &"9".repeat(500), &"°".repeat(99)]
    {
        for quantity in Quantity::ALL {
            if let Ok(value) = parse_quantity_text(text, quantity) {
                assert!(value.is_finite());
            }
        }
    }
}
