//! Links that report, fade, fall silent and return.

use proptest::prelude::*;

use super::*;
use crate::engine::stamp::{DAY, MINUTE};

const SETTINGS: fn() -> LinkSettings = LinkSettings::default;

/// Hears a message at each of these listening instants.
fn heard_at(instants: impl IntoIterator<Item = i64>) -> Link {
    let mut link = Link::started(0);
    for at in instants {
        link.heard(at, Stamp(at), &SETTINGS());
    }
    link
}

/// A fixed pseudo-random sequence of numbers below 1.
fn noise(seed: u64) -> impl Iterator<Item = f64> {
    let mut state = seed;
    std::iter::from_fn(move || {
        // Knuth's MMIX constants.
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        Some((state >> 11) as f64 / (1_u64 << 53) as f64)
    })
}

/// Messages every `interval`, each lost with the given odds and late by up to `jitter`.
fn lossy(interval: i64, loss: f64, jitter: f64, count: i64, seed: u64) -> Vec<i64> {
    let mut random = noise(seed);
    (0..count)
        .map(|index| (index, random.next().unwrap(), random.next().unwrap()))
        .filter(|(_, lost, _)| *lost >= loss)
        .map(|(index, _, late)| index * interval + (late * jitter * interval as f64) as i64)
        .collect()
}

#[test]
fn the_interval_is_learnt_through_loss_and_jitter() {
    for (interval, loss, jitter) in [
        (10 * SECOND, 0.0, 0.0),
        (48 * SECOND, 0.5, 0.02),
        (MINUTE, 0.0, 0.1),
        (5 * MINUTE, 0.3, 0.01),
        (HOUR, 0.2, 0.01),
        (DAY, 0.0, 0.02),
    ] {
        for seed in 1..20 {
            let learnt = heard_at(lossy(interval, loss, jitter, 60, seed)).interval().unwrap();
            let off = (learnt - interval).abs() as f64 / interval as f64;
            assert!(off < 0.06, "{interval} ms, loss {loss}, seed {seed}: {learnt}");
        }
    }
}

#[test]
fn three_messages_teach_no_interval_and_four_do() {
    assert_eq!(heard_at([0, MINUTE, 2 * MINUTE]).interval(), None);
    assert_eq!(heard_at([0, MINUTE, 2 * MINUTE, 3 * MINUTE]).interval(), Some(MINUTE));
}

#[test]
fn repeats_within_a_second_teach_nothing_and_deliver_nothing() {
    let bursts = (0..120).flat_map(|minute| [0, 300, 500].map(|part| minute * MINUTE + part));
    let link = heard_at(bursts);
    assert!((link.interval().unwrap() - MINUTE).abs() <= SECOND);
    let ratio = link.delivery_ratio(119 * MINUTE + 500).unwrap();
    assert!(ratio > 0.98, "{ratio}");
}

#[test]
fn a_changed_interval_is_learnt_anew() {
    let slow = (0..30).map(|index| index * 10 * MINUTE);
    let fast = (1..30).map(|index| 290 * MINUTE + index * MINUTE);
    assert_eq!(heard_at(slow.chain(fast)).interval(), Some(MINUTE));
    let fast = (0..30).map(|index| index * MINUTE);
    let slow = (1..30).map(|index| 29 * MINUTE + index * 2 * HOUR);
    assert_eq!(heard_at(fast.chain(slow)).interval(), Some(2 * HOUR));
}

#[test]
fn the_silence_limit_follows_the_interval_within_its_bounds() {
    let every = |interval: i64| heard_at((0..20).map(|index| index * interval));
    let limit = |link: Link| link.silence_limit(&SETTINGS());
    assert_eq!(limit(Link::started(0)), 2 * HOUR);
    assert_eq!(limit(every(10 * SECOND)), 15 * MINUTE);
    assert_eq!(limit(every(10 * MINUTE)), 50 * MINUTE);
    assert_eq!(limit(every(DAY)), 26 * HOUR);
    let fixed = LinkSettings { silence_limit_seconds: Some(90), ..SETTINGS() };
    assert_eq!(every(DAY).silence_limit(&fixed), 90 * SECOND);
    let odd = LinkSettings { silence_intervals: f64::NAN, longest_silence_seconds: 0, ..SETTINGS() };
    assert_eq!(every(DAY).silence_limit(&odd), 15 * MINUTE);
}

#[test]
fn silence_becomes_a_loss_at_its_limit_and_only_once() {
    let mut link = heard_at((0..20).map(|index| index * 10 * MINUTE));
    let due = link.due(&SETTINGS()).unwrap();
    // In its first two days it may lose anything.
    assert_eq!(due, 190 * MINUTE + 2 * HOUR);
    assert_eq!(link.judge(due - 1, &SETTINGS()), None);
    assert_eq!(link.judge(due, &SETTINGS()), Some(LinkChange::Lost));
    assert_eq!((link.state(), link.due(&SETTINGS())), (LinkState::Lost, None));
    assert_eq!(link.judge(due + DAY, &SETTINGS()), None);
}

#[test]
fn a_sensor_that_was_never_heard_is_lost_two_hours_after_its_start() {
    let mut link = Link::started(5 * HOUR);
    assert_eq!(link.judge(7 * HOUR - 1, &SETTINGS()), None);
    assert_eq!(link.judge(7 * HOUR, &SETTINGS()), Some(LinkChange::Lost));
    assert_eq!(link.last_heard_listening(), None);
    // It then comes back like any other.
    assert_eq!(link.heard(8 * HOUR, Stamp(0), &SETTINGS()), None);
    assert_eq!(link.heard(8 * HOUR + MINUTE, Stamp(0), &SETTINGS()), Some(LinkChange::Returned));
}

#[test]
fn a_lost_link_needs_two_messages_close_together_to_be_back() {
    let lost = || {
        let mut link = heard_at((0..20).map(|index| index * 10 * MINUTE));
        assert_eq!(link.judge(310 * MINUTE, &SETTINGS()), Some(LinkChange::Lost));
        link
    };
    let mut link = lost();
    assert_eq!(link.heard(6 * HOUR, Stamp(0), &SETTINGS()), None);
    assert_eq!(link.heard(6 * HOUR + 500, Stamp(0), &SETTINGS()), None, "a repeat is no second message");
    assert_eq!(link.heard(6 * HOUR + 20 * MINUTE, Stamp(0), &SETTINGS()), Some(LinkChange::Returned));
    let mut link = lost();
    for hour in 6..10 {
        assert_eq!(link.heard(hour * HOUR, Stamp(0), &SETTINGS()), None, "one an hour is not back");
    }
    let at_once = LinkSettings { messages_to_return: 1, ..SETTINGS() };
    assert_eq!(lost().heard(6 * HOUR, Stamp(0), &at_once), Some(LinkChange::Returned));
}

#[test]
fn delivery_is_the_received_share_of_a_day() {
    for loss in [0.0, 0.1, 0.3, 0.5] {
        let sent = 2 * 24 * 60;
        let link = heard_at(lossy(MINUTE, loss, 0.01, sent, 7));
        let ratio = link.delivery_ratio(sent * MINUTE).unwrap();
        assert!((ratio - (1.0 - loss)).abs() < 0.04, "loss {loss}: {ratio}");
    }
    let link = heard_at((0..24 * 60).map(|minute| minute * MINUTE));
    assert!((link.delivery_ratio(36 * HOUR).unwrap() - 0.5).abs() < 0.03, "half a day of silence");
    assert_eq!(link.delivery_ratio(80 * HOUR), Some(0.0));
    assert_eq!(Link::started(0).delivery_ratio(DAY), None);
}

#[test]
fn a_slow_sensor_is_not_blamed_between_two_reports() {
    let link = heard_at((0..10).map(|index| index * HOUR));
    for minute in 0..60 {
        assert_eq!(link.delivery_ratio(9 * HOUR + minute * MINUTE), Some(1.0), "{minute}");
    }
}

#[test]
fn the_state_survives_the_store_and_is_small() {
    let link = heard_at(lossy(MINUTE, 0.2, 0.02, 3000, 3));
    let saved = postcard::to_allocvec(&link).unwrap();
    assert!(saved.len() < 160, "{}", saved.len());
    assert_eq!(postcard::from_bytes::<Link>(&saved).unwrap(), link);
    let json = serde_json::to_string(&link).unwrap();
    assert_eq!(serde_json::from_str::<Link>(&json).unwrap(), link);
    assert!(size_of::<Link>() <= 208, "{}", size_of::<Link>());
}

proptest! {
    #[test]
    fn no_instants_break_a_link(
        start in any::<i64>(),
        instants in proptest::collection::vec((any::<i64>(), any::<bool>()), 0..60),
        limit in proptest::option::of(any::<u32>()),
        factor in proptest::num::f64::ANY,
    ) {
        let settings = LinkSettings { silence_limit_seconds: limit, silence_intervals: factor, ..SETTINGS() };
        let mut link = Link::started(start);
        for (at, judge) in instants {
            if judge { link.judge(at, &settings) } else { link.heard(at, Stamp(at), &settings) };
            prop_assert!(link.silence_limit(&settings) > 0);
            if let Some(ratio) = link.delivery_ratio(at) {
                prop_assert!((0.0..=1.0).contains(&ratio));
            }
        }
    }
}
