//! Each test in words.

use super::*;

#[test]
fn each_test_is_explained_with_value_limit_and_unit() {
    let check = |quantity, flag, test, seen, limit, expected: &str| {
        let judgment = Judgment { flag, test, limit, seen, ..Judgment::good(seen) };
        assert_eq!(explain(&judgment, quantity, DisplayUnits::Metric), expected);
    };
    use Flag::{Bad, Good, Missing, Suspect};
    use Quantity::*;
    let sun = SurfaceDownwellingShortwaveFlux;
    check(AirTemperature, Good, None, 21.4, 0.0, "air temperature: 21.4 °C, nothing to say against it");
    check(
        AirTemperature,
        Bad,
        Some(Test::Range),
        -127.0,
        -40.0,
        "air temperature: -127 °C cannot be, it is at least -40 °C",
    );
    check(
        RelativeHumidity,
        Bad,
        Some(Test::Range),
        121_318.0,
        105.0,
        "relative humidity: 121318 % cannot be, it is at most 105 %",
    );
    check(AirTemperature, Bad, Some(Test::Range), f64::NAN, 55.0, "air temperature: not a number");
    check(
        AirTemperature,
        Bad,
        Some(Test::Range),
        1e300,
        55.0,
        "air temperature: 1.00e300 °C cannot be, it is at most 55 °C",
    );
    check(RelativeHumidity, Good, Some(Test::Clip), 101.7, 100.0, "relative humidity: 101.7 % is taken as 100 %");
    check(
        AirTemperature,
        Bad,
        Some(Test::Step),
        55.8,
        12.028,
        "air temperature: changed by 55.8 °C; more than 12.03 °C in that time is not believed",
    );
    check(
        AirTemperature,
        Suspect,
        Some(Test::Step),
        8.0,
        6.0,
        "air temperature: changed by 8 °C; more than 6 °C in that time is doubtful",
    );
    check(
        AirTemperature,
        Flag::NotEvaluated,
        Some(Test::Spike),
        6.5,
        3.0,
        "air temperature: changed by 6.5 °C; after more than 3 °C the next reading decides whether it counts",
    );
    check(
        AirTemperature,
        Bad,
        Some(Test::Spike),
        6.5,
        6.0,
        "air temperature: 6.5 °C stood out by 6.5 °C from the readings before and after it; more than 6 °C is not believed",
    );
    check(
        AirTemperature,
        Suspect,
        Some(Test::NewLevel),
        30.0,
        21.5,
        "air temperature: changed by 30 °C, more than the 21.5 °C that is believed in that time, but it has stayed there",
    );
    check(
        AirTemperature,
        Bad,
        Some(Test::FlatLine),
        6.25,
        6.0,
        "air temperature: has not changed for 6.25 h; after 6 h that is not believed",
    );
    check(
        sun,
        Suspect,
        Some(Test::NightSun),
        50.0,
        10.0,
        "surface downwelling shortwave flux: 50 W/m² while the sun is down; more than 10 W/m² is doubtful",
    );
    check(
        sun,
        Suspect,
        Some(Test::ClearSky),
        1_200.0,
        1_000.0,
        "surface downwelling shortwave flux: 1200 W/m²; with the sun at this height there is hardly ever more than 1000 W/m²",
    );
    check(
        sun,
        Bad,
        Some(Test::SunLimit),
        1700.0,
        1590.4,
        "surface downwelling shortwave flux: 1700 W/m² cannot be, the sun of this day gives at most 1590.4 W/m²",
    );
    check(
        WindFromDirection,
        Missing,
        Some(Test::Calm),
        -0.001,
        0.3,
        "wind from direction: says nothing at a wind speed of 0 m/s, below 0.3 m/s is a calm",
    );
    check(
        WindFromDirection,
        Bad,
        Some(Test::Range),
        -1.0,
        0.0,
        "wind from direction: -1° cannot be, it is at least 0°",
    );
    check(
        WindSpeedOfGust,
        Suspect,
        Some(Test::GustBelowMean),
        2.0,
        3.0,
        "wind speed of gust: 2 m/s is below the mean wind speed of 3 m/s",
    );
    check(
        DewPointTemperature,
        Suspect,
        Some(Test::DewPointAboveAir),
        11.0,
        10.0,
        "dew point temperature: 11 °C is above the air temperature of 10 °C",
    );
    check(
        AirPressure,
        Suspect,
        Some(Test::Neighbors),
        12.0,
        4.5,
        "air pressure: differs from the neighbors by 12 hPa; more than 4.5 hPa is doubtful",
    );
    check(
        RainCounter,
        Suspect,
        Some(Test::RainCap),
        8.0,
        5.0,
        "rain counter: 8 mm fell; more than 5 mm in that time is doubtful",
    );
    check(BatteryOk, Bad, Some(Test::Range), 2.0, 1.0, "battery ok: 2 cannot be, it is at most 1");
    check(RainfallAmount, Bad, Some(Test::Duplicate), 0.2, 0.0, "rainfall amount: heard before, does not count again");
}

#[test]
fn a_site_in_us_units_reads_them_and_a_change_has_no_zero_point() {
    use Flag::{Bad, Missing, Suspect};
    use Quantity::*;
    let texts = [
        (
            AirTemperature,
            Bad,
            Test::Range,
            -127.0,
            -40.0,
            "air temperature: -196.6 °F cannot be, it is at least -40 °F",
        ),
        (
            AirTemperature,
            Bad,
            Test::Step,
            26.9,
            10.0,
            "air temperature: changed by 48.4 °F; more than 18 °F in that time is not believed",
        ),
        (
            AirTemperature,
            Bad,
            Test::FlatLine,
            6.5,
            6.0,
            "air temperature: has not changed for 6.5 h; after 6 h that is not believed",
        ),
        (
            WindFromDirection,
            Missing,
            Test::Calm,
            0.0,
            0.3,
            "wind from direction: says nothing at a wind speed of 0 mph, below 0.7 mph is a calm",
        ),
        (
            RainCounter,
            Suspect,
            Test::RainCap,
            8.0,
            5.0,
            "rain counter: 0.31 in fell; more than 0.2 in in that time is doubtful",
        ),
        (AirPressure, Bad, Test::Range, 470.0, 500.0, "air pressure: 13.88 inHg cannot be, it is at least 14.76 inHg"),
    ];
    for (quantity, flag, test, seen, limit, expected) in texts {
        let judgment = Judgment { flag, test: Some(test), limit, seen, ..Judgment::good(seen) };
        assert_eq!(explain(&judgment, quantity, DisplayUnits::Us), expected);
    }
}
