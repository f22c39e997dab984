//! A site's own full days teach what temperature alone is multiplied by, and what is usual there.

use super::*;
use crate::engine::formula::{radiation, reference_et};
use crate::engine::units::{Celsius, Degrees};

/// Ten-minute weather of some days; `whole`: with humidity, wind and sun.
fn days(driver: &mut Driver, days: std::ops::Range<i64>, whole: bool, outputs: &mut Vec<Output>) {
    for step in days.start * 144..days.end * 144 {
        let at = START.plus(step * 10 * MINUTE + 1);
        let event = match weather(at, 100.0) {
            Event::Message { topic, payload, retain, dup } if !whole => {
                let mut fields: serde_json::Value = serde_json::from_slice(&payload).unwrap();
                for gone in ["h", "w", "s"] {
                    fields.as_object_mut().unwrap().remove(gone);
                }
                Event::Message { topic, payload: fields.to_string().into(), retain, dup }
            }
            event => event,
        };
        driver.apply(now(at), event, outputs);
    }
}

/// Evapotranspiration and method of each day that closed, from the log.
fn closed(outputs: &[Output]) -> Vec<(f64, String)> {
    let lines = lines(outputs);
    let told = lines.iter().filter_map(|line| line.split_once("closes: ETo ")).map(|(_, told)| told);
    told.map(|told| {
        let (mm, rest) = told.split_once(" mm (").unwrap();
        (mm.parse().unwrap(), rest.split_once(')').unwrap().0.to_owned())
    })
    .collect()
}

#[test]
fn temperature_alone_follows_what_the_full_days_taught_and_the_way_back_makes_no_jump() {
    let mut driver = driver(vec![], START);
    let mut outputs = Vec::new();
    days(&mut driver, 0..16, true, &mut outputs);
    days(&mut driver, 16..20, false, &mut outputs);
    days(&mut driver, 20..24, true, &mut outputs);
    let closed = closed(&outputs);
    let of = |method: &str| -> Vec<f64> {
        // The day on which the sensors changed has both.
        closed[2..].iter().filter(|(_, own)| own == method).map(|(mm, _)| *mm).collect()
    };
    let (full, alone) = (of("asce hourly"), of("hargreaves samani"));
    assert!(full.len() >= 14 && (3..=4).contains(&alone.len()), "{closed:?}");
    let mean = |days: &[f64]| days.iter().sum::<f64>() / days.len() as f64;
    let latitude = Degrees(settings().sites[0].place.latitude_degrees).radians();
    // 18 June.
    let sun = radiation::extraterrestrial_daily(latitude, 169);
    let untaught = reference_et::hargreaves_samani(Celsius(24.0), Celsius(12.0), sun).0;
    let (jump, untaught_jump) = ((mean(&alone) - mean(&full)).abs(), (untaught - mean(&full)).abs());
    // What is said of this method in humid air: 0.511 mm.
    assert!(jump <= 0.511, "{jump}: {closed:?}");
    assert!(jump < 0.6 * untaught_jump, "{jump} for {untaught_jump} without own days");
}

#[test]
fn only_final_days_with_every_sensor_teach() {
    let learnt = |whole: bool| {
        let mut driver = driver(vec![], START);
        days(&mut driver, 0..8, whole, &mut Vec::new());
        driver.engine().view("oak").unwrap().learnt_days
    };
    assert_eq!(learnt(false), 0);
    // Of eight days one is the first, begun within it, and the last two are not final yet.
    assert!((4..=5).contains(&learnt(true)), "{}", learnt(true));
}
