//! The daemon's tests, which judge by time and one reading at a time, beside the QARTOD reference on shared series: where
//! the two mean the same they say the same. Where they differ, and why, stands in `DEVELOPERS.md`.

use thirstd::engine::quality::{FlatLimits, Lasting, QuantityLimits, SpikeLimits, StepLimit, Test, Track};
use thirstd::engine::reading::{Flag, Quantity};
use thirstd::engine::stamp::{MINUTE, Stamp};

use crate::qartod::{self, Span, SpikeMethod};

const EVERY: i64 = 5 * MINUTE;

/// Flags of a series of one value every five minutes as the daemon gives them, each as it stands in the end.
fn daemon(values: &[f64], limits: &QuantityLimits) -> Vec<(Flag, Option<Test>)> {
    let (mut track, mut flags) = (Track::default(), vec![(Flag::Missing, None); values.len()]);
    let place = |at: Stamp| (at.0 / EVERY) as usize;
    for (index, value) in values.iter().enumerate() {
        let at = Stamp(index as i64 * EVERY);
        let (settled, judged) = track.judge(Quantity::AirTemperature, *value, at, true, limits);
        if let Some(settled) = settled {
            flags[place(settled.at)] = (settled.judgment.flag, settled.judgment.test);
        }
        flags[index] = (judged.flag, judged.test);
    }
    if let Some(waited) = track.stop_waiting() {
        flags[place(waited.at)] = (waited.judgment.flag, waited.judgment.test);
    }
    flags
}

/// A series that anybody can make again: a linear congruential generator (Knuth, The Art of Computer Programming 2, 3.3.4).
fn series(seed: u64, length: usize, mut next: impl FnMut(f64, f64) -> f64) -> Vec<f64> {
    let mut state = seed;
    let mut uniform = move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    let mut value = 15.0;
    (0..length)
        .map(|_| {
            value = next(value, uniform());
            value
        })
        .collect()
}

#[test]
fn gross_range_is_the_reference_with_no_suspect_band() {
    let limits = QuantityLimits::within(-40.0, 55.0);
    for seed in 0..20 {
        let values = series(seed, 200, |_, random| 140.0 * random - 60.0);
        let expected = qartod::gross_range(&values, Span(-40.0, 55.0), None).unwrap();
        let flags: Vec<Flag> = daemon(&values, &limits).into_iter().map(|(flag, _)| flag).collect();
        assert_eq!(flags, expected, "seed {seed}");
    }
}

#[test]
fn a_spike_between_good_neighbors_is_the_differential_form_of_the_reference() {
    let spike = SpikeLimits { suspect: 3.0, fail: 6.0, within_ms: 4 * EVERY };
    let limits = QuantityLimits { spike: Some(spike), ..QuantityLimits::within(-100.0, 100.0) };
    let mut seen = [0; 3];
    for seed in 0..40 {
        let calm = series(seed, 200, |value, random| value + 0.6 * (random - 0.5));
        // Every eighth value stands out by up to ten degrees, up or down, from neighbors that do not.
        let heights = series(seed + 1_000, 200, |_, random| 20.0 * random - 10.0);
        let values: Vec<f64> =
            calm.iter().zip(&heights).enumerate().map(|(i, (v, h))| if i % 8 == 4 { v + h } else { *v }).collect();
        let expected = qartod::spike(&values, 3.0, 6.0, SpikeMethod::Differential);
        let flags = daemon(&values, &limits);
        for index in 1..values.len() - 1 {
            assert_eq!(flags[index].0, expected[index], "seed {seed}, {index}: {:?}", &values[index - 1..index + 2]);
            seen[match expected[index] {
                Flag::Good => 0,
                Flag::Suspect => 1,
                _ => 2,
            }] += 1;
        }
    }
    assert!(seen.iter().all(|count| *count > 100), "{seen:?}");
}

#[test]
fn after_a_spike_the_daemon_measures_from_before_it_and_the_reference_from_the_spike() {
    let spike = SpikeLimits { suspect: 3.0, fail: 6.0, within_ms: 4 * EVERY };
    let limits = QuantityLimits { spike: Some(spike), ..QuantityLimits::within(-100.0, 100.0) };
    let values = [15.0, 23.0, 15.2, 23.0, 15.1];
    let reference = qartod::spike(&values, 3.0, 6.0, SpikeMethod::Differential);
    // The good value between two spikes is itself a spike downward for the reference.
    assert_eq!(reference[1..4], [Flag::Bad, Flag::Bad, Flag::Bad]);
    let flags: Vec<Flag> = daemon(&values, &limits).into_iter().map(|(flag, _)| flag).collect();
    assert_eq!(flags[1..4], [Flag::Bad, Flag::Good, Flag::Bad]);
}

#[test]
fn a_step_without_faults_before_it_is_the_rate_of_change_of_the_reference() {
    // One limit for all times up to its anchor: at an even interval a step and a rate are one.
    let step = vec![StepLimit { minutes: 60.0, suspect: 2.0, fail: 1e9 }];
    let limits = QuantityLimits { step, ..QuantityLimits::within(-1e6, 1e6) };
    for seed in 0..20 {
        let values = series(seed, 200, |value, random| value + 6.0 * (random - 0.5));
        let times: Vec<i64> = (0..values.len() as i64).map(|index| index * EVERY / 1_000).collect();
        let expected = qartod::rate_of_change(&values, &times, 2.0 / (EVERY as f64 / 1_000.0), None);
        let flags: Vec<Flag> = daemon(&values, &limits).into_iter().map(|(flag, _)| flag).collect();
        assert_eq!(flags, expected, "seed {seed}");
        assert!(expected.contains(&Flag::Suspect) && expected.contains(&Flag::Good));
    }
}

#[test]
fn a_value_that_stays_exactly_is_a_flat_line_from_the_same_reading_on() {
    let lasting = Lasting { suspect_ms: 12 * EVERY, fail_ms: Some(24 * EVERY) };
    let flat =
        FlatLimits { tolerance: 0.05, lasting, lasting_at_zero: None, exempt_at_or_above: None, daylight_only: false };
    let limits = QuantityLimits { flat: Some(flat), ..QuantityLimits::within(-1e6, 1e6) };
    let mut values = series(7, 40, |value, random| value + 0.5 + random);
    let last = values[39];
    values.extend([last; 40]);
    values.extend(series(8, 40, |value, random| value + 0.5 + random));
    let times: Vec<i64> = (0..values.len() as i64).map(|index| index * EVERY / 1_000).collect();
    let seconds = EVERY / 1_000;
    let expected = qartod::flat_line(&values, &times, 12 * seconds, 24 * seconds, 0.05);
    let flags: Vec<Flag> = daemon(&values, &limits).into_iter().map(|(flag, _)| flag).collect();
    assert_eq!(flags, expected);
    assert!(expected.contains(&Flag::Suspect) && expected.contains(&Flag::Bad));
}
