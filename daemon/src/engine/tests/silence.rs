//! A whole site that falls silent is one alert about what its sensors share.

use super::*;

/// `oak` with `count` sensors.
fn started(count: usize) -> Driver {
    let mut settings = settings();
    let one = settings.sites[0].sensors[0].clone();
    settings.sites[0].sensors =
        (0..count).map(|number| SensorSettings { id: name(number), heard_as: name(number), ..one.clone() }).collect();
    let (engine, _) = Engine::restore(Arc::new(settings), 1, std::iter::empty());
    Driver::new(engine, now(START))
}

fn name(number: usize) -> String {
    format!("s{number}")
}

fn speak(driver: &mut Driver, outputs: &mut Vec<Output>, number: usize, at: Stamp) {
    let topic = format!("yard/oak/s{number}/state");
    let payload = format!(r#"{{"t":{:.2}}}"#, 15.0 + (at.0 / MINUTE % 17) as f64 * 0.1);
    driver.apply(now(at), Event::Message { topic, payload: payload.into(), retain: false, dup: false }, outputs);
}

/// Sensor `number` speaks every ten minutes, shifted by its number, while `speaks` says so.
fn play(
    driver: &mut Driver,
    outputs: &mut Vec<Output>,
    count: usize,
    (from, to): (i64, i64),
    speaks: impl Fn(usize, i64) -> bool,
) {
    for minute in from..to {
        for number in 0..count {
            if minute % 10 == (number as i64 * 3) % 10 && speaks(number, minute) {
                speak(driver, outputs, number, START.plus(minute * MINUTE + 500));
            }
        }
    }
    driver.advance(now(START.plus(to * MINUTE)), outputs);
}

/// Kind, subject and state of the alerts about silence, in order.
fn told(outputs: &[Output]) -> Vec<String> {
    let alerts = payloads(outputs, "/alert/");
    let about = alerts.iter().filter(|alert| alert["kind"].as_str().unwrap().ends_with("_silent"));
    about
        .map(|alert| {
            let text = |key: &str| alert[key].as_str().unwrap();
            format!("{} {} {}", text("kind"), text("subject"), text("state"))
        })
        .collect()
}

#[test]
fn a_whole_site_that_falls_silent_is_one_alert_that_ends_with_the_first_return() {
    let (mut driver, mut outputs) = (started(4), Vec::new());
    play(&mut driver, &mut outputs, 4, (0, 300), |_, _| true);
    play(&mut driver, &mut outputs, 4, (300, 600), |_, _| false);
    assert_eq!(told(&outputs), ["gateway_silent oak open"]);
    let text = payloads(&outputs, "/alert/gateway_silent/").pop().unwrap()["text"].as_str().unwrap().to_owned();
    assert!(text.contains("4 sensors") && text.contains("s0, s1, s2, s3"), "{text}");
    // One of them died with it: it alone is told of, after its own time.
    outputs.clear();
    play(&mut driver, &mut outputs, 4, (600, 630), |number, _| number != 2);
    assert_eq!(told(&outputs), ["gateway_silent oak closed"]);
    play(&mut driver, &mut outputs, 4, (630, 900), |number, _| number != 2);
    assert_eq!(told(&outputs), ["gateway_silent oak closed", "sensor_silent s2 open"]);
    outputs.clear();
    play(&mut driver, &mut outputs, 4, (900, 960), |_, _| true);
    assert_eq!(told(&outputs), ["sensor_silent s2 closed"]);
}

#[test]
fn sensors_that_fall_silent_apart_or_beside_others_keep_their_own_alerts() {
    // One alone shares nothing; two share a gateway.
    for (count, expected) in [(1, "sensor_silent s0 open"), (2, "gateway_silent oak open")] {
        let (mut driver, mut outputs) = (started(count), Vec::new());
        play(&mut driver, &mut outputs, count, (0, 300), |_, _| true);
        play(&mut driver, &mut outputs, count, (300, 500), |_, _| false);
        assert_eq!(told(&outputs), [expected]);
    }
    // Two, one after the other.
    let (mut driver, mut outputs) = (started(2), Vec::new());
    play(&mut driver, &mut outputs, 2, (0, 300), |_, _| true);
    play(&mut driver, &mut outputs, 2, (300, 600), |number, minute| minute < 300 + 60 * number as i64);
    assert_eq!(told(&outputs), ["sensor_silent s0 open", "sensor_silent s1 open"]);
    // A fourth goes on: what they share is heard.
    let (mut driver, mut outputs) = (started(4), Vec::new());
    play(&mut driver, &mut outputs, 4, (0, 300), |_, _| true);
    play(&mut driver, &mut outputs, 4, (300, 500), |number, _| number == 3);
    assert_eq!(told(&outputs).len(), 3, "{:?}", told(&outputs));
    assert!(told(&outputs).iter().all(|line| line.starts_with("sensor_silent")), "{:?}", told(&outputs));
    // One after the other, hours apart.
    let (mut driver, mut outputs) = (started(3), Vec::new());
    play(&mut driver, &mut outputs, 3, (0, 300), |_, _| true);
    play(&mut driver, &mut outputs, 3, (300, 900), |number, minute| minute < 300 + 150 * number as i64);
    assert_eq!(told(&outputs), ["sensor_silent s0 open", "sensor_silent s1 open", "sensor_silent s2 open"]);
}

#[test]
fn one_that_was_silent_before_keeps_its_alert_beside_that_of_the_gateway() {
    let (mut driver, mut outputs) = (started(4), Vec::new());
    play(&mut driver, &mut outputs, 4, (0, 300), |_, _| true);
    play(&mut driver, &mut outputs, 4, (300, 600), |number, _| number != 1);
    play(&mut driver, &mut outputs, 4, (600, 900), |_, _| false);
    assert_eq!(told(&outputs), ["sensor_silent s1 open", "gateway_silent oak open"]);
}

#[test]
fn nobody_is_silent_while_we_are_away() {
    let (mut driver, mut outputs) = (started(4), Vec::new());
    play(&mut driver, &mut outputs, 4, (0, 300), |_, _| true);
    let gone = now(START.plus(300 * MINUTE));
    driver.apply(gone, Event::BrokerDown, &mut outputs);
    let away =
        |minutes: i64| Now { wall: gone.wall.plus(minutes * MINUTE), uptime: gone.uptime + minutes * MINUTE, ..gone };
    driver.advance(away(6_000), &mut outputs);
    assert_eq!(told(&outputs), Vec::<String>::new());
}
