//! S01–S03: words, broken JSON and numbers in disguise.

use thirstd::engine::stamp::{HOUR, MINUTE};

use crate::case::{at, play};
use crate::configuration::{STATES, Site, VALUES, settings};
use crate::world::{World, near};

const AIR: &str = "yard/oak/air/temp_c";

#[test]
fn s01_words_for_no_reading_are_never_numbers() {
    let start = at("2027-06-01T09:55:00Z");
    let mut world = World::new(settings(VALUES, &[Site::default()]), start);
    play("S01", &mut world);
    world.until(at("2027-06-01T10:30:00Z"));

    // Exactly two readings; none is 0.
    let readings: Vec<f64> = world.temperatures("air").into_iter().map(|(_, value)| value).collect();
    assert_eq!(readings, [18.4, 18.6]);
    let today = world.view("oak").today.unwrap();
    world.until(at("2027-06-02T00:01:00Z"));
    let day = *world.view("oak").day(today.date).unwrap();
    assert_eq!((day.figures.coldest_celsius, day.figures.warmest_celsius), (Some(18.4), Some(18.6)));
    assert!(day.figures.water.eto_mm > 0.0 && day.figures.water.rain_mm == 0.0);
    assert!(!world.decisions("oak").iter().any(|(_, said)| said.contains("hold")));

    // The twelve others are counted with a reason.
    let rejects = world.sensor("oak", "air").rejects;
    assert_eq!(rejects.values().sum::<u64>(), 12, "{rejects:?}");
    let counts = ["not_finite", "word", "null", "empty"].map(|cause| rejects[cause]);
    assert_eq!(counts, [5, 4, 2, 1]);
    let published = &world.payload("oak/sensor/air")["rejects"];
    assert_eq!(published["word"], 4);
    // Where numbers are published they are numbers: `World` refuses nulls and payloads that do not fit their schema.
}

#[test]
fn s01_a_reject_proves_a_living_radio_but_no_fresh_reading() {
    let start = at("2027-06-01T10:00:00Z");
    let sensors = [("air", "silence_limit = \"20 min\"")];
    let mut world = World::new(settings(VALUES, &[Site { sensors: &sensors, ..Site::default() }]), start);
    world.heard(start, AIR, "18.4");
    world.goes_on(start.plus(10 * MINUTE), start.plus(60 * MINUTE), 10 * MINUTE, AIR, |_| "unavailable".to_owned());
    world.until(start.plus(59 * MINUTE));
    assert_eq!(world.times_raised("oak", "sensor_silent"), 0, "the radio lives");
    assert_eq!(world.decision("oak")["confidence"], "unknown", "the reading is old");
    let status = world.payload("oak/sensor/air");
    assert_eq!(status["last_values"]["air_temperature"]["observed_at"], "2027-06-01T10:00:00Z");

    // Clearing a retained value proves nothing.
    let clearing = start.plus(60 * MINUTE);
    for step in 0..6 {
        world.heard_bytes(clearing.plus(step * 10 * MINUTE), AIR, Vec::new(), step % 2 == 0);
    }
    assert_eq!(world.times_raised("oak", "sensor_silent"), 1);
}

#[test]
fn s01_the_log_hears_of_each_reason_once_an_hour_with_a_count() {
    let start = at("2027-06-01T10:00:00Z");
    let mut world = World::new(settings(VALUES, &[Site::default()]), start);
    world.goes_on(start, start.plus(3 * HOUR - 1), MINUTE, AIR, |_| "unavailable".to_owned());
    let lines = world.warnings("rejected, word");
    assert_eq!(lines.len(), 3, "{lines:?}");
    assert!(lines[1].contains("60 since the last line"), "{}", lines[1]);
}

#[test]
fn s02_one_bad_field_loses_only_itself() {
    let start = at("2027-06-01T03:55:00Z");
    let sensors = [("combo", "")];
    let mut world = World::new(settings(STATES, &[Site { sensors: &sensors, ..Site::default() }]), start);
    play("S02", &mut world);

    assert!(near(world.rain_mm("oak"), 6.4), "{}", world.rain_mm("oak"));
    assert!(world.is_held("oak", "rain"));
    let values = &world.sensor("oak", "combo").values;
    assert_eq!(values["battery_voltage"], 2.9);

    // Temperature and humidity age from 04:00.
    world.until(at("2027-06-01T05:00:00Z"));
    let last = &world.payload("oak/sensor/combo")["last_values"];
    for quantity in ["air_temperature", "relative_humidity"] {
        assert_eq!(last[quantity]["observed_at"], "2027-06-01T04:00:00Z", "{quantity}");
    }
    assert_eq!(world.temperatures("combo").len(), 1);

    // One line for four fields that are not finite; the null is a cause of its own.
    assert_eq!(world.warnings("not_finite").len(), 1);
    assert_eq!((world.rejects("oak", "combo", "not_finite"), world.rejects("oak", "combo", "null")), (3, 1));
}

#[test]
fn s03_numbers_in_disguise_are_read_or_refused_but_never_cut() {
    let sensors = [("air", ""), ("combo", "")];
    let feeds = [VALUES, STATES].concat();
    let start = at("2027-06-01T09:55:00Z");
    let mut world = World::new(settings(&feeds, &[Site { sensors: &sensors, ..Site::default() }]), start);
    play("S03", &mut world);

    let of = |sensor: &str| world.temperatures(sensor).into_iter().map(|(_, value)| value).collect::<Vec<_>>();
    // Six of the first seven come from `air`, the seventh from `combo`; `12.5 °C` carries the unit of the feed.
    assert_eq!(of("air"), [12.5; 7]);
    assert_eq!(of("combo"), [12.5]);
    let rejects = world.sensor("oak", "air").rejects;
    assert_eq!(["ambiguous_number", "hex", "not_text"].map(|cause| rejects[cause]), [2, 1, 1], "{rejects:?}");
    assert_eq!(world.readings("air", "air_pressure_hpa", "air_pressure_flag"), []);
    assert_eq!(world.warnings("decimal_comma").len(), 1, "the log says what would help");

    // Later messages still work.
    world.heard(at("2027-06-01T10:12:00Z"), AIR, "12.6");
    assert_eq!(world.temperatures("air").last().map(|(_, value)| *value), Some(12.6));
}

#[test]
fn s03_a_unit_in_the_payload_must_be_the_one_of_the_feed() {
    let start = at("2027-06-01T09:55:00Z");
    let feeds = VALUES.replace("unit = \"Cel\"", "unit = \"degF\"");
    let mut world = World::new(settings(&feeds, &[Site::default()]), start);
    world.heard(at("2027-06-01T10:00:00Z"), AIR, "54.5");
    world.heard(at("2027-06-01T10:07:00Z"), AIR, "12.5 °C");
    assert_eq!(world.rejects("oak", "air", "unit_mismatch"), 1);
    assert_eq!(world.temperatures("air").len(), 1);
}

#[test]
fn s03_with_a_decimal_comma_the_comma_is_no_riddle() {
    let start = at("2027-06-01T09:55:00Z");
    let feeds = VALUES.replace("format = \"value\"", "format = \"value\"\ndecimal_comma = true");
    let mut world = World::new(settings(&feeds, &[Site::default()]), start);
    world.heard(at("2027-06-01T10:09:00Z"), "yard/oak/air/press_hpa", "1.013,2");
    world.heard(at("2027-06-01T10:10:00Z"), "yard/oak/air/press_hpa", "1,013");
    let read = world.readings("air", "air_pressure_hpa", "air_pressure_flag");
    let read: Vec<(f64, i64)> = read.into_iter().map(|(_, value, flag)| (value, flag)).collect();
    // One hectopascal is read as it is written, and then not believed.
    assert_eq!(read, [(1013.2, 1), (1.013, 4)]);
}
