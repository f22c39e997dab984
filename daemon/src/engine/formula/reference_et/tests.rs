//! Reference evapotranspiration at its edges; the published examples are in the docs and in tests/reference.

use proptest::prelude::*;

use super::*;

fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![proptest::num::f64::NORMAL, -1000.0..1000.0_f64, Just(0.0)]
}

proptest! {
    #[test]
    fn any_finite_weather_gives_a_finite_amount(
        numbers in proptest::array::uniform9(any_number()),
        day in any::<u32>(),
        full in any::<bool>(),
        tall in any::<bool>(),
    ) {
        let [a, b, c, d, e, f, g, h, i] = numbers;
        let clear_sky = if full { ClearSky::Full } else { ClearSky::Simple };
        let surface = if tall { Surface::Tall } else { Surface::Short };
        let whole_day = DailyWeather {
            day_of_year: day,
            latitude: Radians(a),
            elevation: Meters(b),
            highest: Celsius(c),
            lowest: Celsius(d),
            actual_vapor: Kilopascals(e),
            shortwave: MegajoulesPerM2(f),
            wind: MetersPerSecond(g),
            clear_sky,
        };
        let hour = HourlyWeather {
            day_of_year: day,
            latitude: Radians(a),
            middle: Radians(h),
            length: Hours(i),
            elevation: Meters(b),
            air: Celsius(c),
            actual_vapor: Kilopascals(e),
            shortwave: MegajoulesPerM2(f),
            wind: MetersPerSecond(g),
            clear_sky,
        };
        let out = [
            daily(&whole_day, surface).0,
            hourly(&hour, surface, hour.own_cloudiness().unwrap_or(d)).0,
            hargreaves_samani(Celsius(c), Celsius(d), MegajoulesPerM2(f)).0,
            wind_at_2_m(MetersPerSecond(g), Meters(h)).0,
            vapor_pressure_of_lowest(Celsius(c), Climate::Dry).0,
            usual_wind(Some(MetersPerSecond(g))).0,
        ];
        prop_assert!(out.iter().all(|value| value.is_finite()), "{out:?}");
    }
}

#[test]
fn wind_close_to_the_ground_stays_a_wind() {
    for height in [-1.0, 0.0, 0.08, 0.1, 0.5] {
        let wind = wind_at_2_m(MetersPerSecond(2.0), Meters(height)).0;
        assert!(wind > 2.0 && wind < 3.0, "{height} m: {wind}");
    }
    assert_eq!(wind_at_2_m(MetersPerSecond(-3.0), Meters(2.0)).0, 0.0);
}

#[test]
fn an_upside_down_temperature_range_counts_as_none() {
    let r_a = MegajoulesPerM2(40.0);
    assert_eq!(hargreaves_samani(Celsius(10.0), Celsius(20.0), r_a).0, 0.0);
    assert_eq!(hargreaves_samani(Celsius(-30.0), Celsius(-40.0), r_a).0, 0.0);
}

#[test]
fn half_an_hour_evaporates_half_of_an_hour_around_noon() {
    let hour = HourlyWeather {
        day_of_year: 182,
        latitude: Radians(0.7),
        middle: Radians(0.0),
        length: Hours(1.0),
        elevation: Meters(100.0),
        air: Celsius(25.0),
        actual_vapor: Kilopascals(1.5),
        shortwave: MegajoulesPerM2(3.0),
        wind: MetersPerSecond(2.0),
        clear_sky: ClearSky::Simple,
    };
    let half = HourlyWeather { length: Hours(0.5), shortwave: MegajoulesPerM2(1.5), ..hour };
    let whole = hourly(&hour, Surface::Short, 0.8).0;
    assert!((2.0 * hourly(&half, Surface::Short, 0.8).0 - whole).abs() < 1e-12);
}

#[test]
fn a_sun_of_0_3_rad_is_low_to_the_last_bit() {
    assert_eq!(SINE_OF_LOW_SUN.to_bits(), 0.3_f64.sin().to_bits());
}
