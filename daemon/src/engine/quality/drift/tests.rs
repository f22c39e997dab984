//! Envelopes in tables: what is off, what is not, and when it is over.

use proptest::prelude::*;

use super::*;

fn after(days: impl IntoIterator<Item = DayExtent>) -> Drift {
    let mut drift = Drift::default();
    days.into_iter().for_each(|day| drift.closed(&day));
    drift
}

/// Days of shares of clear-sky radiation, and what they say.
fn check_sun(shares: impl IntoIterator<Item = f64>, expected: Option<Finding>) {
    let drift = after(shares.into_iter().map(|share| DayExtent { sun_share: Some(share), ..DayExtent::default() }));
    assert_eq!(drift.of_sun(&DriftSettings::default()), expected);
}

#[test]
fn the_envelope_of_radiation_tells_of_a_pyranometer_that_drifts() {
    let weather = |day: usize, factor: f64| factor * [1.0, 0.4, 0.95, 0.7, 0.2, 0.98][day % 6];
    check_sun((0..120).map(|day| weather(day, 1.0)), None);
    check_sun((0..30).map(|day| weather(day, 1.12)), None);
    check_sun((0..30).map(|day| weather(day, 1.15)), Some(Finding::SunHigh { envelope: 1.15 }));
    check_sun((0..9).map(|day| weather(day, 1.15)), None);
    check_sun((0..120).map(|day| weather(day, 0.7)), Some(Finding::SunLow { envelope: 0.7 }));
    check_sun((0..89).map(|day| weather(day, 0.7)), None);
    // A dark winter with three bright days is no drift.
    check_sun((0..120).map(|day| if day % 40 == 0 { 0.9 } else { 0.3 }), None);
    // One or two odd days are none either, unless they cannot be.
    check_sun((0..30).map(|day| if day % 15 == 0 { 1.2 } else { 0.8 }), None);
    check_sun([0.8, 1.3], Some(Finding::SunHigh { envelope: 1.3 }));
    // Three bright days end what was too low.
    let dark = (0..120).map(|day| weather(day, 0.7));
    check_sun(dark.chain([0.95, 0.97, 0.96]), None);
}

#[test]
fn humidity_comes_near_saturation_after_rain_and_leaves_it_in_the_sun() {
    let wet =
        |highest, rain| DayExtent { humidity: Some((highest, 40.0)), rain_mm: Some(rain), ..DayExtent::default() };
    let settings = DriftSettings::default();
    let low = after([80.0, 70.0, 84.0, 60.0, 75.0].map(|highest| wet(highest, 5.0)));
    assert_eq!(low.of_humidity(&settings), Some(Finding::HumidityLow { highest_percent: 84.0, days: 5 }));
    assert_eq!(after([80.0, 70.0, 92.0, 60.0, 75.0].map(|highest| wet(highest, 5.0))).of_humidity(&settings), None);
    assert_eq!(after([70.0; 4].map(|highest| wet(highest, 5.0))).of_humidity(&settings), None, "too few");
    assert_eq!(after([40.0; 50].map(|highest| wet(highest, 2.4))).of_humidity(&settings), None, "dry air");

    let warm = |lowest, range| DayExtent {
        humidity: Some((100.0, lowest)),
        temperature: Some((10.0, 10.0 + range)),
        ..DayExtent::default()
    };
    assert_eq!(after([warm(97.0, 9.0); 3]).of_humidity(&settings), Some(Finding::HumidityHigh { days: 3 }));
    assert_eq!(after([warm(97.0, 5.0); 9]).of_humidity(&settings), None, "fog");
    assert_eq!(after([warm(97.0, 9.0), warm(97.0, 9.0), warm(80.0, 9.0)]).of_humidity(&settings), None);
}

#[test]
fn a_dew_point_that_stays_above_the_coldest_of_the_day_is_no_dew_point() {
    let day = |above: f64| DayExtent {
        temperature: Some((10.0, 20.0)),
        dew_point: Some(10.0 + above),
        ..DayExtent::default()
    };
    for (above, days, expected) in [
        (6.0, 30, Some(Finding::DewPointHigh { above_celsius: 6.0, days: 30 })),
        (6.0, 29, None),
        (4.9, 30, None),
        (-15.0, 30, None),
    ] {
        assert_eq!(after(vec![day(above); days]).of_humidity(&DriftSettings::default()), expected, "{above}");
    }
}

#[test]
fn who_was_seen_to_is_judged_anew() {
    let day = DayExtent {
        sun_share: Some(1.3),
        humidity: Some((100.0, 99.0)),
        temperature: Some((5.0, 25.0)),
        dew_point: Some(15.0),
        rain_mm: Some(3.0),
    };
    let mut drift = after([day; 30]);
    let settings = DriftSettings::default();
    assert!(drift.of_sun(&settings).is_some() && drift.of_humidity(&settings).is_some());
    drift.forget_sun();
    assert!(drift.of_sun(&settings).is_none() && drift.of_humidity(&settings).is_some());
    drift.forget_humidity();
    assert!(drift.is_empty());
}

#[test]
fn the_state_is_small_and_survives_saving() {
    let day = DayExtent {
        sun_share: Some(1.0),
        humidity: Some((90.0, 50.0)),
        temperature: Some((5.0, 25.0)),
        dew_point: Some(9.0),
        rain_mm: Some(3.0),
    };
    let drift = after([day; 500]);
    let bytes = rmp_serde::to_vec_named(&drift).unwrap();
    assert!(bytes.len() < 256, "{}", bytes.len());
    assert_eq!(rmp_serde::from_slice::<Drift>(&bytes).unwrap(), drift);
}

proptest! {
    #[test]
    fn no_day_panics(days in prop::collection::vec(
        (any::<f64>(), any::<(f64, f64)>(), any::<(f64, f64)>(), any::<f64>(), any::<f64>()), 0..200,
    )) {
        let drift = after(days.into_iter().map(|(sun, humidity, temperature, dew_point, rain)| DayExtent {
            sun_share: Some(sun),
            humidity: Some(humidity),
            temperature: Some(temperature),
            dew_point: Some(dew_point),
            rain_mm: Some(rain),
        }));
        let _ = (drift.of_sun(&DriftSettings::default()), drift.of_humidity(&DriftSettings::default()));
        prop_assert!(drift.sun.len() <= LONG && drift.wet.len() <= WET_DAYS && drift.depression.len() <= DEW_DAYS);
    }
}
