//! Envelopes of weeks through the whole engine.

use super::watering::{open, yard};
use super::*;
use crate::engine::formula::{radiation, solar};
use crate::engine::units::{Degrees, Hours, Meters};

/// `factor` times the sun of a clear sky over the site, every ten minutes for so many days.
fn sunny(driver: &mut Driver, days: std::ops::Range<i64>, factor: f64, outputs: &mut Vec<Output>) {
    let place = site().place;
    let latitude = Degrees(place.latitude_degrees).radians();
    for step in days.start * 144..days.end * 144 {
        let at = START.plus(step * 10 * MINUTE + 1);
        let utc = Hours((at.0 % DAY) as f64 / HOUR as f64);
        let middle = solar::solar_time_angle(Degrees(place.longitude_degrees), 160, utc);
        let ra = radiation::extraterrestrial_of_span(latitude, 160, middle, Hours(1.0 / 6.0));
        let sun = 6.0 * radiation::clear_sky_simple(Meters(60.0), ra).0 / 0.0036;
        let fields = format!(r#"{{"s":{:.1},"t":{:.2}}}"#, factor * sun, 20.0 + (step % 9) as f64 * 0.2);
        driver.apply(now(at), message(&fields), outputs);
    }
}

#[test]
fn a_pyranometer_that_reads_too_much_is_said_with_its_factor_until_somebody_sees_to_it() {
    let (mut driver, mut outputs) = (yard(Capability::Percent, |_| {}), Vec::new());
    sunny(&mut driver, 0..16, 1.2, &mut outputs);
    let alerts = payloads(&outputs, "/alert/siting_doubtful/combo-sun-drift");
    assert_eq!(alerts.len(), 1, "{alerts:#?}");
    let factor = alerts[0]["figures"]["correction_factor"].as_f64().unwrap();
    assert!((factor - 1.0 / 1.2).abs() < 0.02, "{factor}");
    assert!(alerts[0]["text"].as_str().unwrap().contains("reads too much"), "{}", alerts[0]);
    // It counts all the same: suspect is not bad.
    let sun = driver.engine().view("oak").unwrap().sensors[0].values["surface_downwelling_shortwave_flux"];
    assert!(sun >= 0.0);
    let service = r#"{"id":"s","who":"technician","verb":"service","sensor":"combo","kind":"cleaned"}"#;
    let event = Event::Command { site: "oak".into(), payload: service.into(), retain: false };
    driver.apply(now(START.plus(16 * DAY)), event, &mut outputs);
    assert!(!open(&driver, "siting_doubtful"));
}

#[test]
fn a_pyranometer_in_order_and_one_that_nobody_looks_at_are_quiet() {
    let (mut driver, mut outputs) = (yard(Capability::Percent, |_| {}), Vec::new());
    sunny(&mut driver, 0..16, 1.0, &mut outputs);
    assert!(!open(&driver, "siting_doubtful"));
    // Dawn and dusk are no night: not one reading of these days is doubtful.
    assert!(driver.engine().view("oak").unwrap().sensors[0].flags.is_empty());
    let off = |site: &mut SiteSettings| site.quality.drift = None;
    let (mut driver, mut outputs) = (yard(Capability::Percent, off), Vec::new());
    sunny(&mut driver, 0..16, 1.2, &mut outputs);
    assert!(!open(&driver, "siting_doubtful"));
}
