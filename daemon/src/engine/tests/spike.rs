//! Readings that wait for the next one, through the whole engine; and what no bad reading may ever do.

use super::watering::yard;
use super::*;
use crate::engine::decision::reason::Reason;
use crate::engine::reading::Flag;
use crate::engine::spike;
use crate::engine::state::Context;

/// A site with so many thermometers that speak every five minutes, in any order.
fn thermometers(count: usize) -> Driver {
    yard(Capability::Percent, |site| {
        let like = site.sensors[0].clone();
        site.sensors = (0..count)
            .map(|number| SensorSettings { id: format!("t{number}"), heard_as: format!("t{number}"), ..like.clone() })
            .collect();
        site.wind.enabled = true;
    })
}

fn read_as(driver: &mut Driver, sensor: usize, at: Stamp, fields: &str) -> Vec<Output> {
    let mut outputs = Vec::new();
    let topic = format!("yard/oak/t{sensor}/state");
    let payload = format!("{{{fields}}}").into();
    driver.apply(now(at), Event::Message { topic, payload, retain: false, dup: false }, &mut outputs);
    outputs
}

/// Minute, sensor, temperature; then what is held after each of them: `.` nothing, `F` frost.
fn check(count: usize, readings: &[(i64, usize, f64)], expected: &str) -> (Driver, Vec<String>) {
    let (mut driver, mut log) = (thermometers(count), Vec::new());
    let mut held = String::new();
    for &(minute, sensor, celsius) in readings {
        let outputs = read_as(&mut driver, sensor, START.plus(minute * MINUTE), &format!(r#""t":{celsius}"#));
        log.extend(logged(&outputs));
        held.push(if freezes(&driver) { 'F' } else { '.' });
    }
    assert_eq!(held, expected, "{readings:?}\n{log:#?}");
    (driver, log)
}

fn logged(outputs: &[Output]) -> Vec<String> {
    let text = |output: &Output| match output {
        Output::Log { text, .. } => Some(text.clone()),
        _ => None,
    };
    outputs.iter().filter_map(text).collect()
}

fn freezes(driver: &Driver) -> bool {
    of_site(driver, |state, context| spike::freezing_since(state, context).is_some())
}

fn of_site<T>(driver: &Driver, ask: impl Fn(&crate::engine::state::SiteState, &Context<'_>) -> T) -> T {
    let engine = driver.engine();
    let (settings, mut outputs) = (engine.settings.clone(), Vec::new());
    let context = Context {
        now: engine.last,
        settings: &settings,
        site: &settings.sites[0],
        epoch: 1,
        fleet: &crate::engine::sensor::battery::fleet::NONE,
        outputs: &mut outputs,
    };
    ask(&engine.sites[0], &context)
}

fn is_held(driver: &Driver) -> bool {
    let standing = driver.engine().view("oak").unwrap().groups[0].standing.clone();
    standing.is_some_and(|standing| standing.said.hold(Reason::Freeze).is_some())
}

#[test]
fn provisional_cold_holds_at_once_and_a_spike_ends_it() {
    // From 8 °C: a fall of 6.5 °C that is gone with the next reading was never there.
    let (mut driver, log) = check(1, &[(0, 0, 8.0), (5, 0, 1.5), (10, 0, 8.1)], ".F.");
    assert!(log.iter().any(|line| line.starts_with("freeze hold begins at 1.5 °C, a sudden fall")), "{log:?}");
    assert!(log.iter().any(|line| line.contains("was a single reading that stood out")), "{log:?}");
    // The decision waits for the settle time only.
    driver.advance(now(START.plus(22 * MINUTE)), &mut Vec::new());
    assert!(!is_held(&driver));
    let (driver, _) = check(1, &[(0, 0, 8.0), (5, 0, 1.5)], ".F");
    assert!(is_held(&driver), "at once");
}

#[test]
fn cold_that_stays_hands_its_hold_over_without_a_break() {
    let (driver, log) = check(1, &[(0, 0, 8.0), (5, 0, 1.5), (10, 0, 1.4), (15, 0, 6.0), (20, 0, 6.1)], ".FFFF");
    assert!(log.iter().any(|line| line == "freeze hold is confirmed at 1.5 °C"), "{log:?}");
    let since = of_site(&driver, |state, _| state.freeze.since());
    assert_eq!(since, Some(START.plus(5 * MINUTE)), "since the reading came, not since it was judged");
}

#[test]
fn a_doubtful_spike_counts_like_any_doubtful_reading_and_holds_for_its_two_hours() {
    check(1, &[(0, 0, 6.0), (5, 0, 2.5), (10, 0, 6.0), (15, 0, 6.0)], ".FFF");
}

#[test]
fn the_judgment_ends_what_its_own_reading_began_and_nothing_else() {
    // The other thermometer is warm and speaks in between: it neither ends nor keeps the provisional hold.
    check(2, &[(0, 0, 8.0), (0, 1, 8.0), (5, 0, 1.5), (6, 1, 8.1), (7, 1, 8.2), (10, 0, 8.1)], "..FFF.");
    // The other thermometer is cold on its own account, before or after: its hold stays.
    check(2, &[(0, 1, 2.0), (0, 0, 8.0), (5, 0, 1.5), (10, 0, 8.1), (15, 1, 2.1)], "FFFFF");
    check(2, &[(0, 0, 8.0), (0, 1, 4.0), (5, 0, 1.5), (6, 1, 2.9), (10, 0, 8.1)], "..FFF");
    // Two spikes at once: each is judged by its own thermometer.
    check(2, &[(0, 0, 8.0), (0, 1, 8.0), (5, 0, 1.5), (6, 1, 1.4), (10, 0, 8.1), (11, 1, 8.2)], "..FFF.");
}

#[test]
fn provisional_warmth_releases_nothing() {
    let mut readings: Vec<(i64, usize, f64)> = (0..4).map(|step| (step * 10, 0, 2.0 + 0.01 * step as f64)).collect();
    // A jump to warmth waits; the cold that follows shows that it was a spike.
    readings.extend([(40, 0, 8.5), (50, 0, 2.1), (60, 0, 8.6), (70, 0, 2.2)]);
    check(1, &readings, &"F".repeat(8));
}

#[test]
fn a_reading_that_none_follows_in_time_stands() {
    let (mut driver, mut outputs) = (thermometers(1), Vec::new());
    read_as(&mut driver, 0, START, r#""t":8.0"#);
    read_as(&mut driver, 0, START.plus(5 * MINUTE), r#""t":1.5"#);
    let counted =
        |driver: &Driver| of_site(driver, |state, _| state.sensors[0].sensor.channels[0].counted.unwrap().value);
    driver.advance(now(START.plus(25 * MINUTE - 1)), &mut outputs);
    assert_eq!(counted(&driver), 8.0, "it waits for 20 minutes");
    driver.advance(now(START.plus(25 * MINUTE)), &mut outputs);
    assert_eq!(counted(&driver), 1.5);
    assert!(freezes(&driver) && of_site(&driver, |state, _| state.freeze.since().is_some()));
    let day = driver.engine().view("oak").unwrap().today.unwrap();
    assert!(day.start < START.plus(DAY));
    driver.advance(now(START.plus(3 * DAY)), &mut outputs);
    assert!(freezes(&driver), "silence is not warmth");
}

#[test]
fn while_we_are_away_from_the_broker_nobody_is_late() {
    let mut driver = thermometers(1);
    let mut outputs = Vec::new();
    read_as(&mut driver, 0, START, r#""t":8.0"#);
    read_as(&mut driver, 0, START.plus(5 * MINUTE), r#""t":1.5"#);
    driver.apply(now(START.plus(6 * MINUTE)), Event::BrokerDown, &mut outputs);
    let away = |minutes: i64| Now { listening: 6 * MINUTE, ..now(START.plus(minutes * MINUTE)) };
    driver.advance(away(60), &mut outputs);
    assert!(of_site(&driver, |state, _| state.settle_at.is_some() && state.freeze.since().is_none()));
    assert!(freezes(&driver));
}

#[test]
fn a_spike_leaves_no_trace_in_the_figures_of_its_day() {
    let day = |spike: Option<f64>| {
        let (mut driver, mut outputs) = (thermometers(1), Vec::new());
        for step in 0..(24 * 12 + 6) {
            let at = START.plus(step * 5 * MINUTE + 1);
            let celsius = match spike {
                Some(spike) if step == 100 => spike,
                _ => 15.0 + (step % 7) as f64 * 0.1,
            };
            outputs.extend(read_as(&mut driver, 0, at, &format!(r#""t":{celsius}"#)));
        }
        let figures = driver.engine().view("oak").unwrap().closed_days.last().unwrap().figures;
        (figures, outputs)
    };
    let (clean, _) = day(None);
    for spike in [24.0, 8.0] {
        let (figures, outputs) = day(Some(spike));
        assert_eq!(figures.warmest_celsius, clean.warmest_celsius);
        assert_eq!(figures.coldest_celsius, clean.coldest_celsius);
        assert!((figures.water.eto_mm - clean.water.eto_mm).abs() < 0.01, "{spike}");
        // Its line in the history says first that it waits, then that it is bad; at the same instant.
        let at = START.plus(100 * 5 * MINUTE + 1);
        let flags: Vec<i64> = outputs
            .iter()
            .filter_map(|output| match output {
                Output::Record(record) if record.measurement == "reading" && record.at == at => Some(record),
                _ => None,
            })
            .flat_map(|record| record.fields.iter())
            .filter_map(|(name, value)| match value {
                crate::engine::output::Value::Integer(flag) if name.ends_with("flag") => Some(*flag),
                _ => None,
            })
            .collect();
        assert_eq!(flags, [Flag::NotEvaluated as i64, Flag::Bad as i64], "{spike}");
    }
}

#[test]
fn a_restart_between_a_reading_and_its_judgment_changes_nothing() {
    for next in [Some(8.1), Some(1.4), None] {
        let run = |cut: bool| {
            let mut driver = thermometers(1);
            let mut outputs = read_as(&mut driver, 0, START, r#""t":8.0"#);
            outputs.extend(read_as(&mut driver, 0, START.plus(5 * MINUTE), r#""t":1.5"#));
            if cut {
                let (sequence, last) = (driver.engine().sequence(), driver.last());
                let settings = driver.engine().settings().clone();
                let saved = saved_all(&mut driver);
                let bytes: usize = saved.iter().map(|site| site.state.len()).sum();
                assert!(bytes < 4_000, "{bytes}");
                let (mut engine, unreadable) = Engine::restore(settings, 1, saved.into_iter());
                assert!(unreadable.is_empty());
                engine.set_sequence(sequence);
                driver = Driver::new(engine, last);
            }
            if let Some(next) = next {
                outputs.extend(read_as(&mut driver, 0, START.plus(10 * MINUTE), &format!(r#""t":{next}"#)));
            }
            driver.advance(now(START.plus(DAY)), &mut outputs);
            outputs
        };
        assert_eq!(first_difference(&run(true), &run(false)), None, "{next:?}");
    }
}

/// What a made-up thermometer says next.
#[derive(Clone, Copy, Debug)]
enum Said {
    /// A little more or less than before, in tenths of a degree.
    Drift(i8),
    /// Away by so many tenths, this once.
    Jump(i16),
    /// Out of range, a word, nothing.
    Junk(u8),
    /// Any wind, to have another hold that something can go wrong with.
    Wind(u8),
}

fn said() -> impl Strategy<Value = Said> {
    prop_oneof![
        6 => (-9i8..10).prop_map(Said::Drift),
        3 => (-150i16..150).prop_map(Said::Jump),
        2 => (0u8..6).prop_map(Said::Junk),
        1 => (0u8..90).prop_map(Said::Wind),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    /// Good, doubtful, provisional and bad readings of three thermometers in any order: what a reading that is bad, or that
    /// waits, leaves behind holds at least what was held before it.
    #[test]
    fn no_hold_is_ever_released_by_a_bad_or_provisional_reading(
        start in 20i16..60,
        script in proptest::collection::vec((0usize..3, 1i64..25, said()), 10..120),
    ) {
        let mut driver = thermometers(3);
        let mut levels = [f64::from(start) / 10.0; 3];
        let mut at = START;
        let held = |driver: &Driver| of_site(driver, |state, context| {
            (spike::freezing_since(state, context).is_some(), state.freeze.since(), state.wind.since().is_some())
        });
        for (sensor, minutes, said) in script {
            at = at.plus(minutes * MINUTE);
            driver.advance(now(at), &mut Vec::new());
            let before = held(&driver);
            let fields = match said {
                Said::Drift(tenths) => {
                    levels[sensor] = (levels[sensor] + f64::from(tenths) / 10.0).clamp(-5.0, 15.0);
                    format!(r#""t":{:.1}"#, levels[sensor])
                }
                Said::Jump(tenths) => format!(r#""t":{:.1}"#, levels[sensor] + f64::from(tenths) / 10.0),
                Said::Junk(which) => {
                    [r#""t":85"#, r#""t":-127"#, r#""t":null"#, r#""t":"unavailable""#, r#""t":60.5"#, r#""w":-3"#]
                        [usize::from(which)].to_owned()
                }
                Said::Wind(tenths) => format!(r#""w":{:.1}"#, f64::from(tenths) / 10.0),
            };
            read_as(&mut driver, sensor, at, &fields);
            let after = held(&driver);
            let quantity = if fields.starts_with("\"w") { Quantity::WindSpeed } else { Quantity::AirTemperature };
            let flag = of_site(&driver, |state, _| {
                let channel = state.sensors[sensor].sensor.channel(quantity);
                channel.filter(|channel| channel.observed_at == at).map(|channel| channel.flag)
            });
            if matches!(flag, None | Some(Flag::Bad | Flag::Missing)) {
                prop_assert!(after.0 >= before.0, "frost, {said:?} of sensor {sensor}");
                prop_assert!(after.1.is_some() >= before.1.is_some(), "frost, {said:?} of sensor {sensor}");
                prop_assert!(after.2 >= before.2, "wind, {said:?} of sensor {sensor}");
            }
            // What waits judges the one before it only where that waited too, and ends what that began, no more.
            if flag == Some(Flag::NotEvaluated) {
                prop_assert!(after.1.is_some() >= before.1.is_some(), "frost, {said:?} of sensor {sensor}");
            }
        }
    }
}
