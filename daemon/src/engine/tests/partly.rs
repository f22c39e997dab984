//! A sensor whose thermometer and hygrometer die while its gauge goes on.

use super::*;

/// Ten-minute messages of the hours `from..to`; without air where it is dead.
fn plays(driver: &mut Driver, outputs: &mut Vec<Output>, (from, to): (i64, i64), air: bool) {
    for step in from * 6..to * 6 {
        let at = START.plus(step * 10 * MINUTE + 1);
        let text = match air {
            true => {
                format!(r#"{{"t":{:.2},"h":{:.1},"r":100}}"#, 18.0 + (step % 7) as f64 * 0.1, 60.0 + (step % 5) as f64)
            }
            false => r#"{"r":100}"#.to_owned(),
        };
        driver.apply(now(at), message(&text), outputs);
    }
}

fn told(outputs: &[Output]) -> Vec<(String, String)> {
    let text = |alert: &serde_json::Value, key: &str| alert[key].as_str().unwrap().to_owned();
    payloads(outputs, "/alert/sensor_silent/").iter().map(|alert| (text(alert, "state"), text(alert, "text"))).collect()
}

#[test]
fn air_that_no_longer_comes_is_told_within_seven_hours_and_closes_when_it_comes_again() {
    let (engine, _) = Engine::restore(Arc::new(settings()), 1, std::iter::empty());
    let (mut driver, mut outputs) = (Driver::new(engine, now(START)), Vec::new());
    plays(&mut driver, &mut outputs, (0, 48), true);
    plays(&mut driver, &mut outputs, (48, 53), false);
    assert_eq!(told(&outputs), []);
    plays(&mut driver, &mut outputs, (53, 55), false);
    let said = told(&outputs);
    assert_eq!(said.len(), 1, "{said:?}");
    assert!(said[0].1.contains("nothing has come of air temperature and relative humidity since"), "{said:?}");
    let alert = payloads(&outputs, "/alert/sensor_silent/combo-parts").pop().unwrap();
    assert_eq!((&alert["subject"], &alert["urgency"]), (&"combo-parts".into(), &"today".into()));
    plays(&mut driver, &mut outputs, (55, 80), false);
    assert_eq!(told(&outputs).len(), 1, "said once");
    plays(&mut driver, &mut outputs, (80, 82), true);
    assert_eq!(told(&outputs).last().unwrap().0, "closed");
}

#[test]
fn a_sensor_that_falls_silent_as_a_whole_is_one_alert_and_a_night_without_sun_is_none() {
    let (engine, _) = Engine::restore(Arc::new(settings()), 1, std::iter::empty());
    let (mut driver, mut outputs) = (Driver::new(engine, now(START)), Vec::new());
    plays(&mut driver, &mut outputs, (0, 48), true);
    plays(&mut driver, &mut outputs, (48, 60), false);
    driver.advance(now(START.plus(90 * HOUR)), &mut outputs);
    let open: Vec<String> = driver
        .engine()
        .view("oak")
        .unwrap()
        .open_alerts
        .into_iter()
        .filter(|(kind, ..)| kind == "sensor_silent" || kind == "gateway_silent")
        .map(|(_, subject, _)| subject)
        .collect();
    assert_eq!(open.len(), 1, "{open:?}");
}
