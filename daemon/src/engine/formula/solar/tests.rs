//! Sun geometry against almanac values and at its edges.

use chrono::DateTime;
use proptest::prelude::*;

use super::*;

fn stamp(text: &str) -> Stamp {
    Stamp(DateTime::parse_from_rfc3339(text).unwrap().timestamp_millis())
}

fn check(near: &str, latitude: f64, longitude: f64, sunrise: &str, sunset: &str) {
    let times = sun_times(stamp(near), Degrees(latitude), Degrees(longitude));
    for (got, expected) in [(times.sunrise, sunrise), (times.sunset, sunset)] {
        let got = got.unwrap();
        let off = got.since(stamp(expected));
        assert!(off.abs() <= 2 * MINUTE, "{near} at {latitude}, {longitude}: {} for {expected}", got.text());
    }
}

#[test]
fn apparent_place_of_the_sun_is_that_of_the_almanac() {
    // Meeus, Astronomical Algorithms, Examples 25.a and 28.a: 1992 October 13, 0 h: declination -7.78507°, equation of
    // time 13 min 42.6 s = 3.4275° (by the longer theory of 25.b; ours is good to 0.01°).
    let sun = sun_at(stamp("1992-10-13T00:00:00Z"));
    assert!((sun.declination.to_degrees() + 7.785_07).abs() < 0.000_5);
    assert!((sun.equation_of_time - 3.427_5).abs() < 0.005);
}

#[test]
fn sunrise_and_sunset_follow_the_civil_day_whose_middle_is_asked() {
    // Greenwich: solstice times as in the almanacs (rise 03:43, set 20:21 UTC; winter 08:04 and 15:53).
    check("2024-06-20T12:00:00Z", 51.48, 0.0, "2024-06-20T03:43:00Z", "2024-06-20T20:21:00Z");
    check("2024-12-21T12:00:00Z", 51.48, 0.0, "2024-12-21T08:04:00Z", "2024-12-21T15:53:00Z");
    // Los Angeles, solstice: rise 05:42, set 20:08 Pacific daylight time; the sunset is on the next UTC date.
    check("2024-06-20T19:00:00Z", 34.05, -118.24, "2024-06-20T12:42:00Z", "2024-06-21T03:08:00Z");
    // Sydney, December solstice: rise 05:41, set 20:05 local (UTC+11); the sunrise is on the UTC date before.
    check("2024-12-21T01:00:00Z", -33.87, 151.21, "2024-12-20T18:41:00Z", "2024-12-21T09:05:00Z");
}

#[test]
fn a_zone_east_of_the_date_line_with_a_western_longitude_keeps_its_civil_day() {
    // Samoa, 171.8° W, keeps UTC+13: its civil 2024-06-20 runs from 2024-06-19T11:00Z, its middle is 23:00Z.
    let middle = stamp("2024-06-19T23:00:00Z");
    let times = sun_times(middle, Degrees(-13.8), Degrees(-171.8));
    let (start, end) = (middle.plus(-DAY / 2), middle.plus(DAY / 2));
    assert!(start < times.sunrise.unwrap() && times.sunset.unwrap() < end);
}

#[test]
fn polar_day_and_night_have_no_sunset() {
    let summer = sun_times(stamp("2024-06-20T12:00:00Z"), Degrees(70.0), Degrees(20.0));
    assert_eq!((summer.sunrise, summer.sunset, summer.always_up), (None, None, true));
    let winter = sun_times(stamp("2024-12-20T12:00:00Z"), Degrees(70.0), Degrees(20.0));
    assert_eq!((winter.sunrise, winter.sunset, winter.always_up), (None, None, false));
    assert_eq!(sunset_hour_angle(Degrees(70.0).radians(), declination(172)).0, PI);
    assert_eq!(sunset_hour_angle(Degrees(70.0).radians(), declination(355)).0, 0.0);
}

proptest! {
    #[test]
    fn the_sun_rises_before_noon_and_sets_after_it(
        day in -20_000..40_000_i64, latitude in -60.0..60.0_f64, longitude in -180.0..180.0_f64,
    ) {
        let near = Stamp(day * DAY);
        let times = sun_times(near, Degrees(latitude), Degrees(longitude));
        let (sunrise, sunset) = (times.sunrise.unwrap(), times.sunset.unwrap());
        prop_assert!(sunrise < times.noon && times.noon < sunset);
        prop_assert!(sunset.since(sunrise) < DAY);
        prop_assert!(times.noon.since(near).abs() < DAY / 2 + 20 * MINUTE);
    }

    #[test]
    fn the_hour_angle_at_true_noon_is_about_nothing(day in 0..20_000_i64, longitude in -179.0..179.0_f64) {
        // The two ways to solar time agree within 2 minutes: the standards' series knows no leap years.
        let noon = sun_times(Stamp(day * DAY), Degrees(40.0), Degrees(longitude)).noon;
        let utc = noon.0.rem_euclid(DAY) as f64 / 3_600_000.0;
        let day_of_year = chrono::Datelike::ordinal(&noon.utc());
        let angle = solar_time_angle(Degrees(longitude), day_of_year, Hours(utc)).0;
        prop_assert!(angle.abs() < 2.0 / 60.0 * PI / 12.0, "{angle}");
    }

    #[test]
    fn any_finite_input_gives_finite_geometry(
        a in proptest::num::f64::NORMAL | proptest::num::f64::ZERO,
        b in proptest::num::f64::NORMAL,
        c in proptest::num::f64::NORMAL,
        day in any::<u32>(),
        at in any::<i64>(),
    ) {
        let out = [
            inverse_relative_distance(day),
            declination(day).0,
            sunset_hour_angle(Radians(a), Radians(b)).0,
            daylight_hours(Radians(a)).0,
            solar_time_angle(Degrees(a), day, Hours(b)).0,
            sine_of_elevation(Radians(a), Radians(b), Radians(c)),
        ];
        prop_assert!(out.iter().all(|value| value.is_finite()), "{out:?}");
        sun_times(Stamp(at), Degrees(a), Degrees(b));
    }
}
