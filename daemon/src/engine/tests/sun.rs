//! A clock that is an hour off, seen by the sun, through the whole engine.

use super::*;
use crate::engine::formula::{radiation, solar};
use crate::engine::units::{Degrees, Hours, Meters};

/// Clear-sky sun over the site at `at`, W/m².
fn sun(at: Stamp) -> f64 {
    let place = site().place;
    let utc = Hours((at.0 % DAY) as f64 / HOUR as f64);
    let middle = solar::solar_time_angle(Degrees(place.longitude_degrees), 160, utc);
    let latitude = Degrees(place.latitude_degrees).radians();
    let ra = radiation::extraterrestrial_of_span(latitude, 160, middle, Hours(1.0 / 6.0));
    6.0 * radiation::clear_sky_simple(Meters(60.0), ra).0 / 0.0036
}

#[test]
fn an_hour_that_the_sun_does_not_keep_is_an_alert_after_five_clear_days_and_over_five_after_it_is_right() {
    let (mut driver, mut outputs) = (driver(vec![], START), Vec::new());
    for step in 0..(13 * 144) {
        let at = START.plus(step * 10 * MINUTE + 1);
        // For seven days the readings are dated an hour late.
        let late = if step < 7 * 144 { HOUR } else { 0 };
        let w_per_m2 = sun(at.plus(-late)) + (step % 3) as f64;
        driver.apply(now(at), message(&format!("{{\"s\":{w_per_m2:.1}}}")), &mut outputs);
    }
    let alerts = payloads(&outputs, "/alert/clock_wrong/combo-sun");
    let states: Vec<_> = alerts.iter().map(|alert| alert["state"].as_str().unwrap()).collect();
    assert_eq!(states, ["open", "closed"], "{alerts:#?}");
    let raised = &alerts[0];
    assert!(raised["text"].as_str().unwrap().contains("min too late"), "{raised}");
    let minutes = raised["figures"]["shift_minutes"].as_f64().unwrap();
    assert!((minutes - 60.0).abs() < 12.0, "{minutes}");
    assert!(["2027-06-05", "2027-06-06"].contains(&&raised["since"].as_str().unwrap()[..10]), "{raised}");
}
