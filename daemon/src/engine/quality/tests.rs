//! The judgment of single quantities: field cases by id, and what must always hold.

use proptest::prelude::*;

use super::*;
use crate::engine::stamp::{DAY, HOUR, MINUTE, SECOND};
use crate::engine::units::DisplayUnits;

use Flag::{Bad, Good, Suspect};
use Quantity::*;

/// Judges readings (minutes, value) in daylight under the default limits; each has its flag and deciding test.
fn check(quantity: Quantity, lines: &[(i64, f64, Flag, Option<Test>)]) -> Track {
    let limits = QuantityLimits::default_for(quantity);
    let mut track = Track::default();
    for &(minutes, value, flag, test) in lines {
        let judged = track.judge(quantity, value, Stamp(minutes * MINUTE), true, &limits).1;
        assert_eq!((judged.flag, judged.test), (flag, test), "{value} at {minutes} min: {judged:?}");
    }
    track
}

/// The same value every `every` minutes, and the first time in minutes at which it is suspect and bad, up to `until`.
fn flat_line(quantity: Quantity, value: f64, every: i64, until: i64, daylight: bool) -> (Option<i64>, Option<i64>) {
    let limits = QuantityLimits::default_for(quantity);
    let mut track = Track::default();
    let (mut suspect, mut bad) = (None, None);
    for minutes in (0..=until).step_by(every as usize) {
        let judged = track.judge(quantity, value, Stamp(minutes * MINUTE), daylight, &limits).1;
        match judged.flag {
            Suspect if suspect.is_none() => suspect = Some(minutes),
            Bad if bad.is_none() => bad = Some(minutes),
            _ => {}
        }
    }
    (suspect, bad)
}

const RANGE: Option<Test> = Some(Test::Range);
const STEP: Option<Test> = Some(Test::Step);
const NEW_LEVEL: Option<Test> = Some(Test::NewLevel);

#[test]
fn s01_what_is_no_finite_number_is_bad_for_every_quantity() {
    for quantity in Quantity::ALL {
        for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            let limits = QuantityLimits::default_for(quantity);
            let judged = Track::default().judge(quantity, value, Stamp(0), true, &limits).1;
            assert_eq!((judged.flag, judged.test), (Bad, RANGE), "{value} {}", quantity.name());
        }
    }
}

#[test]
fn s04_power_on_and_disconnect_codes_are_bad() {
    check(
        AirTemperature,
        &[
            (0, 21.3, Good, None),
            (5, 85.0, Bad, RANGE),
            (10, 21.4, Good, None),
            (15, -127.0, Bad, RANGE),
            (20, -127.0, Bad, RANGE),
            (25, 85.0, Bad, RANGE),
            (30, 21.4, Good, None),
            (35, 21.6, Good, None),
        ],
    );
}

#[test]
fn s05_a_lost_probe_is_no_frost_and_frost_in_small_steps_is() {
    check(
        AirTemperature,
        &[
            (0, 26.8, Good, None),
            (5, 26.9, Good, None),
            (10, 0.0, Bad, STEP),
            (15, 0.0, Bad, STEP),
            (20, -0.06, Bad, STEP),
            (25, -0.06, Bad, STEP),
            (30, -0.06, Bad, STEP),
        ],
    );
    let frost: Vec<_> =
        [3.1, 1.4, 0.6, 0.0, -0.1, -0.4].iter().zip(0..).map(|(t, i)| (i * 10, *t, Good, None)).collect();
    check(AirTemperature, &frost);
}

#[test]
fn s05_a_lost_probe_never_becomes_the_reference_while_its_step_is_tested() {
    let limits = QuantityLimits::default_for(AirTemperature);
    let mut track = Track::default();
    track.judge(AirTemperature, 26.9, Stamp(0), true, &limits);
    for five_minutes in 1..=12 * 12 {
        let value = if five_minutes % 7 < 3 { 0.0 } else { -0.06 };
        let judged = track.judge(AirTemperature, value, Stamp(five_minutes * 5 * MINUTE), true, &limits).1;
        assert_eq!(judged.flag, Bad, "after {} min", five_minutes * 5);
    }
}

#[test]
fn s06_wrapped_and_invalid_codes_are_bad_and_the_cold_goes_on() {
    let codes = [327.67, 327.67, 327.7, 6_553.4, 655.34, 65_534.0];
    let mut lines = vec![(0, -17.5, Good, None), (30, -18.9, Good, None), (60, -19.8, Good, None)];
    lines.extend(codes.iter().zip(3..).map(|(code, i)| (i * 30, *code, Bad, RANGE)));
    lines.push((270, -19.6, Good, None));
    check(AirTemperature, &lines);
}

#[test]
fn s07_an_impossible_step_is_bad_even_if_three_agree() {
    // The limit as data: 55.9 °C is beyond the default range, so the range is opened to let the step decide.
    let limits = QuantityLimits { hard_max: 60.0, ..QuantityLimits::default_for(AirTemperature) };
    let mut track = Track::default();
    let lines = [(0, 0.6), (10, 0.3), (20, 0.1), (30, 55.9), (40, 55.8), (50, 55.9), (60, -0.3), (70, -0.4)];
    for (minutes, value) in lines {
        let judged = track.judge(AirTemperature, value, Stamp(minutes * MINUTE), false, &limits).1;
        let expected = if value < 50.0 { (Good, None) } else { (Bad, STEP) };
        assert_eq!((judged.flag, judged.test), expected, "{value}");
    }
}

#[test]
fn s12_a_value_that_is_only_repeated_becomes_a_flat_line() {
    assert_eq!(flat_line(AirTemperature, 20.95, 10, 30 * 60, true), (Some(180), Some(360)));
    assert_eq!(flat_line(RelativeHumidity, 48.3, 10, 30 * 60, true), (Some(8 * 60), Some(24 * 60)));
    assert_eq!(flat_line(RainCounter, 55.2, 10, 30 * 60, true), (None, None));
}

#[test]
fn s29_values_around_a_limit_of_decisions_are_all_good() {
    let values = [2.2, 2.0, 1.9, 2.1, 1.9, 2.0, 2.1, 1.8, 2.2, 1.9, 2.1, 2.0, 1.7, 1.6];
    let lines: Vec<_> = values.iter().zip(0..).map(|(value, i)| (i * 10, *value, Good, None)).collect();
    check(AirTemperature, &lines);
}

#[test]
fn s30_humidity_above_100_is_clipped_or_bad_and_a_sudden_zero_is_a_step() {
    check(
        RelativeHumidity,
        &[
            (0, 99.8, Good, None),
            (10, 101.7, Good, Some(Test::Clip)),
            (20, 100.0, Good, None),
            (30, 121_318.0, Bad, RANGE),
            (40, 0.0, Bad, STEP),
        ],
    );
    let clipped = Track::default()
        .judge(RelativeHumidity, 101.7, Stamp(0), true, &QuantityLimits::default_for(RelativeHumidity))
        .1;
    assert_eq!((clipped.value, clipped.clipped, clipped.limit, clipped.seen), (100.0, true, 100.0, 101.7));
}

#[test]
fn s30_a_full_circle_is_north_and_less_than_none_is_bad() {
    let limits = QuantityLimits::default_for(WindFromDirection);
    for (value, flag, taken) in
        [(350.0, Good, 350.0), (10.0, Good, 10.0), (360.0, Good, 0.0), (-1.0, Bad, -1.0), (360.1, Bad, 360.1)]
    {
        let judged = Track::default().judge(WindFromDirection, value, Stamp(0), true, &limits).1;
        assert_eq!((judged.flag, judged.value, judged.clipped), (flag, taken, false));
    }
}

#[test]
fn a_step_limit_grows_with_the_time_since_the_last_accepted_value() {
    // Air temperature, from 10 °C: 1 min 3 / 6, 5 min 6 / 10, 60 min 12 / 19.4, 12 h 25 °C, then any.
    let limits = QuantityLimits { spike: None, ..QuantityLimits::default_for(AirTemperature) };
    for (seconds, change, flag) in [
        (10, 3.0, Good),
        (10, 3.1, Suspect),
        (60, 6.0, Suspect),
        (60, 6.1, Bad),
        (300, 6.0, Good),
        (300, 10.0, Suspect),
        (300, 10.1, Bad),
        (600, 12.0, Suspect), // 10 × 2^(ln 1.94 / ln 12) = 12.03
        (600, 12.1, Bad),
        (3_600, 12.0, Good),
        (3_600, 19.5, Bad),
        (43_200, 25.0, Good),
        (43_200, 25.1, Bad),
        (43_201, 40.0, Good),
    ] {
        for sign in [-1.0, 1.0] {
            let mut track = Track::default();
            track.judge(AirTemperature, 10.0, Stamp(0), true, &limits);
            let judged = track.judge(AirTemperature, 10.0 + sign * change, Stamp(seconds * SECOND), true, &limits).1;
            assert_eq!(judged.flag, flag, "{change} in {seconds} s");
        }
    }
}

#[test]
fn a_bad_step_is_not_the_reference_and_a_suspect_one_is() {
    check(AirTemperature, &[(0, 20.0, Good, None), (5, 35.0, Bad, STEP), (10, 21.0, Good, None)]);
    check(AirTemperature, &[(0, 20.0, Good, None), (5, 28.0, WAITS.0, WAITS.1), (10, 30.5, Good, None)]);
}

#[test]
fn a_wrong_first_value_does_not_lock_out_the_truth() {
    let mut lines = vec![(0, 50.0, Good, None)];
    lines.extend((1..=12).map(|i| (i * 10, 5.0 + 0.1 * i as f64, Bad, STEP)));
    lines.extend([(130, 6.3, Suspect, NEW_LEVEL), (140, 6.4, Good, None), (150, 50.0, Bad, STEP)]);
    check(AirTemperature, &lines);
}

#[test]
fn saturated_air_after_a_wrong_first_value_is_believed_though_it_stays() {
    let mut lines = vec![(0, 2.0, Good, None)];
    lines.extend((1..=12).map(|i| (i * 10, 100.0, Bad, STEP)));
    lines.extend([(130, 100.0, Suspect, NEW_LEVEL), (140, 100.0, Good, None)]);
    check(RelativeHumidity, &lines);
}

#[test]
fn rejected_readings_that_disagree_or_alternate_with_good_ones_claim_nothing() {
    let limits = QuantityLimits::default_for(AirTemperature);
    for other in [-20.0, 20.0] {
        let mut track = Track::default();
        track.judge(AirTemperature, 20.0, Stamp(0), true, &limits);
        for i in 1..=60 {
            let value = if i % 2 == 0 { other + 0.02 * i as f64 } else { 50.0 - 0.05 * i as f64 };
            let judged = track.judge(AirTemperature, value, Stamp(i * 10 * MINUTE), true, &limits).1;
            assert_ne!(judged.test, NEW_LEVEL, "{value}");
        }
    }
}

const WAITS: (Flag, Option<Test>) = (Flag::NotEvaluated, Some(Test::Spike));

/// Air temperature every five minutes, and for each reading that had to wait what became of it: its value, flag, height.
fn check_spike(values: &[f64], expected: &[(f64, Flag, f64)]) {
    let limits = QuantityLimits::default_for(AirTemperature);
    let mut track = Track::default();
    let mut waiting = None;
    let mut seen = Vec::new();
    for (value, i) in values.iter().zip(0..) {
        let (settled, judged) = track.judge(AirTemperature, *value, Stamp(i * 5 * MINUTE), true, &limits);
        if let Some(settled) = settled {
            assert_eq!(waiting.take(), Some((settled.at, settled.judgment.value)));
            let Judgment { flag, test, value, seen: height, .. } = settled.judgment;
            seen.push((value, flag, if test == Some(Test::Spike) { height } else { 0.0 }));
        }
        if judged.is_provisional() {
            assert_eq!((judged.flag, judged.test), WAITS);
            waiting = Some((Stamp(i * 5 * MINUTE), *value));
        }
    }
    assert_eq!(seen, expected, "{values:?}");
}

#[test]
fn a_value_that_stands_out_from_both_neighbors_is_a_spike_and_one_that_stays_is_none() {
    check_spike(&[20.0, 23.0, 20.0], &[]);
    check_spike(&[20.0, 23.5, 20.0], &[(23.5, Suspect, 3.5)]);
    check_spike(&[20.0, 28.0, 20.0], &[(28.0, Bad, 8.0)]);
    check_spike(&[20.0, 14.0, 20.0], &[(14.0, Suspect, 6.0)]);
    check_spike(&[20.0, 13.5, 20.0], &[(13.5, Bad, 6.5)]);
    // The smaller of both steps is the height.
    check_spike(&[20.0, 29.0, 24.0], &[(29.0, Suspect, 5.0)]);
    check_spike(&[20.0, 24.0, 24.0], &[(24.0, Good, 0.0)]);
    check_spike(&[20.0, 24.0, 22.0], &[(24.0, Good, 0.0)]);
    check_spike(&[20.0, 28.0, 28.2, 20.0], &[(28.0, Suspect, 0.0)]);
    // Steps that go the same way are weather.
    check_spike(&[20.0, 24.0, 28.0, 32.0], &[(24.0, Good, 0.0), (28.0, Good, 0.0)]);
    // After a spike the next is measured from before it, and can be one itself.
    check_spike(&[20.0, 28.0, 20.25, 28.0, 20.5], &[(28.0, Bad, 7.75), (28.0, Bad, 7.5)]);
    // A value that cannot follow either of them judges nothing.
    check_spike(&[20.0, 26.0, 1.0, 20.5], &[(26.0, Suspect, 5.5)]);
    // The wait is no reason to take a value that cannot be.
    check_spike(&[20.0, 26.0, -127.0, 26.5], &[(26.0, Good, 0.0)]);
}

#[test]
fn between_readings_further_apart_than_a_spike_lasts_the_weather_goes_up_and_comes_down() {
    let limits = QuantityLimits::default_for(AirTemperature);
    for (gap, waits) in [(19, true), (20, true), (21, false)] {
        let mut track = Track::default();
        track.judge(AirTemperature, 20.0, Stamp(0), true, &limits);
        let (_, judged) = track.judge(AirTemperature, 26.5, Stamp(gap * MINUTE), true, &limits);
        assert_eq!(judged.is_provisional(), waits, "{gap} min");
        // Nobody knows what it did in a longer silence after it.
        let (settled, _) = track.judge(AirTemperature, 20.0, Stamp((gap + 21) * MINUTE), true, &limits);
        assert_eq!(settled.map(|settled| settled.judgment.flag), waits.then_some(Good), "{gap} min");
    }
}

#[test]
fn sun_wind_and_what_is_set_to_none_never_wait() {
    let never = QuantityLimits { spike: None, ..QuantityLimits::default_for(AirTemperature) };
    for (quantity, limits) in [
        (SurfaceDownwellingShortwaveFlux, QuantityLimits::default_for(SurfaceDownwellingShortwaveFlux)),
        (WindSpeed, QuantityLimits::default_for(WindSpeed)),
        (AirTemperature, never),
    ] {
        let mut track = Track::default();
        for (value, i) in [10.0, 18.0, 10.0, 18.0].into_iter().zip(0..) {
            let (settled, judged) = track.judge(quantity, value, Stamp(i * 5 * MINUTE), true, &limits);
            assert!(settled.is_none() && !judged.is_provisional(), "{quantity:?}");
        }
    }
}

#[test]
fn a_reading_that_waits_survives_saving() {
    let limits = QuantityLimits::default_for(AirTemperature);
    let mut track = Track::default();
    track.judge(AirTemperature, 20.0, Stamp(0), true, &limits);
    track.judge(AirTemperature, 28.0, Stamp(5 * MINUTE), true, &limits);
    let mut loaded: Track = rmp_serde::from_slice(&rmp_serde::to_vec_named(&track).unwrap()).unwrap();
    assert_eq!(loaded, track);
    let (settled, _) = loaded.judge(AirTemperature, 20.0, Stamp(10 * MINUTE), true, &limits);
    assert_eq!(settled.map(|settled| (settled.at, settled.judgment.flag)), Some((Stamp(5 * MINUTE), Bad)));
}

#[test]
fn a_late_reading_is_judged_by_the_way_to_the_known_one_and_changes_nothing() {
    let before = check(AirTemperature, &[(0, 6.0, Good, None), (530, 11.0, Good, None)]);
    let after = check(
        AirTemperature,
        &[
            (0, 6.0, Good, None),
            (530, 11.0, Good, None),
            (180, 4.1, Good, None),
            (529, -20.0, Bad, STEP),
            (360, 1.6, Good, None),
        ],
    );
    assert_eq!(before, after);
}

#[test]
fn a_clock_step_back_does_not_make_readings_late() {
    let limits = QuantityLimits { spike: None, ..QuantityLimits::default_for(AirTemperature) };
    let mut track = Track::default();
    track.judge(AirTemperature, 10.0, Stamp(DAY), true, &limits);
    track.clock_stepped_back(Stamp(DAY - HOUR));
    let at = Stamp(DAY - HOUR).plus(10 * MINUTE);
    assert_eq!(track.judge(AirTemperature, 15.0, at, true, &limits).1.flag, Good);
    assert_eq!(track.judge(AirTemperature, 20.0, at.plus(10 * MINUTE), true, &limits).1.flag, Good);
}

#[test]
fn humidity_may_stay_at_saturation() {
    assert_eq!(flat_line(RelativeHumidity, 95.0, 10, 40 * 60, false), (None, None));
    assert_eq!(flat_line(RelativeHumidity, 94.9, 10, 40 * 60, false), (Some(480), Some(1_440)));
}

#[test]
fn a_calm_may_last_a_day_and_the_same_wind_may_not() {
    assert_eq!(flat_line(WindSpeed, 0.0, 10, 80 * 60, true), (Some(24 * 60), Some(72 * 60)));
    assert_eq!(flat_line(WindSpeed, 2.4, 10, 80 * 60, true), (Some(180), Some(360)));
    assert_eq!(flat_line(WindSpeedOfGust, 0.0, 10, 80 * 60, true), (Some(24 * 60), Some(72 * 60)));
}

#[test]
fn the_sun_is_a_flat_line_in_daylight_only() {
    assert_eq!(flat_line(SurfaceDownwellingShortwaveFlux, 310.0, 10, 12 * 60, true), (Some(180), Some(360)));
    assert_eq!(flat_line(SurfaceDownwellingShortwaveFlux, 0.0, 10, 12 * 60, false), (None, None));
}

#[test]
fn sun_at_night_is_suspect_and_the_offset_of_the_instrument_is_no_sun() {
    let limits = QuantityLimits::default_for(SurfaceDownwellingShortwaveFlux);
    for (value, flag, test, taken) in [
        (10.0, Good, None, 10.0),
        (11.0, Suspect, Some(Test::NightSun), 11.0),
        (-3.0, Good, Some(Test::Clip), 0.0),
        (-4.1, Bad, RANGE, -4.1),
    ] {
        let judged = Track::default().judge(SurfaceDownwellingShortwaveFlux, value, Stamp(0), false, &limits).1;
        assert_eq!((judged.flag, judged.test, judged.value), (flag, test, taken));
    }
}

#[test]
fn a_silence_or_a_small_move_breaks_a_flat_line() {
    // Every 100 min: more than half of the 3 h after which air temperature is suspect.
    assert_eq!(flat_line(AirTemperature, 20.0, 100, 24 * 60, true), (None, None));
    let mut lines: Vec<_> = (0..18).map(|i| (i * 10, 20.0, Good, None)).collect();
    lines.push((180, 20.06, Good, None));
    lines.extend((19..36).map(|i| (i * 10, 20.06, Good, None)));
    lines.push((360, 20.06, Suspect, Some(Test::FlatLine)));
    check(AirTemperature, &lines);
}

#[test]
fn a_slow_drift_is_measured_from_the_value_at_which_it_became_flat() {
    let lines: Vec<_> = (0..60).map(|i| (i * 10, 20.0 + 0.01 * i as f64, Good, None)).collect();
    check(AirTemperature, &lines);
}

#[test]
fn a_bad_flat_line_says_so_in_hours() {
    let limits = QuantityLimits::default_for(AirTemperature);
    let mut track = Track::default();
    let judged = (0..=39).map(|i| track.judge(AirTemperature, 20.0, Stamp(i * 10 * MINUTE), true, &limits).1).last();
    let judged = judged.unwrap();
    assert_eq!((judged.flag, judged.test, judged.limit, judged.seen), (Bad, Some(Test::FlatLine), 6.0, 6.5));
}

#[test]
fn the_state_is_small_and_survives_saving() {
    assert!(size_of::<Track>() <= 72, "{}", size_of::<Track>());
    let track = check(
        AirTemperature,
        &[(0, 20.0, Good, None), (5, 40.0, Bad, STEP), (10, 40.1, Bad, STEP), (15, 40.1, Bad, STEP)],
    );
    let bytes = rmp_serde::to_vec_named(&track).unwrap();
    assert!(bytes.len() < 128, "{}", bytes.len());
    assert_eq!(rmp_serde::from_slice::<Track>(&bytes).unwrap(), track);
    assert_eq!(serde_json::from_str::<Track>("{}").unwrap(), Track::default());
}

proptest! {
    #[test]
    fn no_reading_panics_and_what_counts_is_within_its_limits(
        quantity in prop::sample::select(Quantity::ALL.to_vec()),
        readings in prop::collection::vec(
            (prop_oneof![proptest::num::f64::ANY, -50.0..150.0], any::<i64>(), any::<bool>(), any::<bool>()),
            0..40,
        ),
    ) {
        let limits = QuantityLimits::default_for(quantity);
        let mut track = Track::default();
        for (value, at, daylight, step_back) in readings {
            let judged = track.judge(quantity, value, Stamp(at), daylight, &limits).1;
            if judged.flag.counts() {
                prop_assert!(limits.hard_min <= judged.value && judged.value <= limits.hard_max);
                prop_assert!(limits.clip_to.is_none_or(|clip| clip.min <= judged.value && judged.value <= clip.max));
            } else {
                prop_assert!(judged.test.is_some());
            }
            for units in [DisplayUnits::Metric, DisplayUnits::Us] {
                prop_assert!(explain(&judged, quantity, units).len() > quantity.name().len());
            }
            if step_back {
                track.clock_stepped_back(Stamp(at).plus(-HOUR));
            }
        }
    }

    #[test]
    fn whatever_came_before_a_live_thermometer_is_believed_again_within_half_a_day(
        before in prop::collection::vec((-40.0..55.0, 1i64..600), 0..20),
    ) {
        let limits = QuantityLimits::default_for(AirTemperature);
        let mut track = Track::default();
        let mut at = Stamp(0);
        for (value, minutes) in before {
            at = at.plus(minutes * MINUTE);
            track.judge(AirTemperature, value, at, true, &limits);
        }
        // An ordinary day from here on: 8 to 22 °C.
        for minutes in (5..=24 * 60).step_by(5) {
            let value = 15.0 - 7.0 * (minutes as f64 * std::f64::consts::TAU / 1_440.0).cos();
            let judged = track.judge(AirTemperature, value, at.plus(minutes * MINUTE), true, &limits).1;
            prop_assert!(minutes <= 12 * 60 || judged.flag.counts(), "{} after {} min: {:?}", value, minutes, judged);
        }
    }
}
