//! Settings change while the engine runs: what was counted stays.

use super::*;

/// Rain of today at the site.
fn rain_mm(driver: &Driver) -> f64 {
    driver.engine().view("oak").unwrap().today.unwrap().figures.water.rain_mm
}

#[test]
fn other_settings_lose_no_rain_and_a_changed_gauge_counts_from_its_next_reading() {
    let (mut driver, mut outputs) = (driver(vec![], START), Vec::new());
    let at = |minute: i64| now(START.plus(minute * MINUTE));
    driver.apply(at(1), message(r#"{"r":10.0}"#), &mut outputs);
    let mut other = settings();
    (other.version, other.sites[0].minimum_dwell_minutes) = (2, 20);
    driver.apply(at(2), Event::Settings(Arc::new(other.clone())), &mut outputs);
    driver.apply(at(3), message(r#"{"r":11.0}"#), &mut outputs);
    assert!((rain_mm(&driver) - 1.0).abs() < 1e-9);
    (other.version, other.sites[0].sensors[0].gauge.tip_mm) = (3, 0.25);
    driver.apply(at(4), Event::Settings(Arc::new(other)), &mut outputs);
    driver.apply(at(5), message(r#"{"r":13.0}"#), &mut outputs);
    assert!((rain_mm(&driver) - 1.0).abs() < 1e-9, "an anchor");
    driver.apply(at(6), message(r#"{"r":13.5}"#), &mut outputs);
    assert!((rain_mm(&driver) - 1.5).abs() < 1e-9);
}

#[test]
fn a_site_that_left_the_settings_goes_on_where_it_was_when_it_comes_back() {
    let (mut driver, mut outputs) = (driver(vec![], START), Vec::new());
    let at = |minute: i64| now(START.plus(minute * MINUTE));
    driver.apply(at(1), message(r#"{"r":10.0}"#), &mut outputs);
    driver.apply(at(2), message(r#"{"r":11.0}"#), &mut outputs);
    let without = Settings { version: 2, sites: vec![oak("elm")], ..settings() };
    driver.apply(at(3), Event::Settings(Arc::new(without.clone())), &mut outputs);
    assert_eq!(driver.engine().view("oak"), None);
    let saved = driver.take_dirty(usize::MAX);
    assert!(saved.iter().any(|saved| saved.id == "oak"), "its state is saved when it leaves");
    let with = Settings { version: 3, ..settings() };
    driver.apply(at(4), Event::Settings(Arc::new(with.clone())), &mut outputs);
    assert!((rain_mm(&driver) - 1.0).abs() < 1e-9);

    // The same over a restart without the site.
    let (engine, _) = Engine::restore(Arc::new(without), 1, saved.into_iter());
    let mut again = Driver::new(engine, at(3));
    again.apply(at(5), Event::Settings(Arc::new(with)), &mut outputs);
    assert!((rain_mm(&again) - 1.0).abs() < 1e-9);
}
