//! Repeats by number, time and content.

use proptest::prelude::*;

use super::*;
use crate::engine::stamp::DAY;

const SEQUENCE: Repeat = Repeat::Repeat { by: RepeatBy::Sequence };
const OWN_TIME: Repeat = Repeat::Repeat { by: RepeatBy::OwnTime };
const CONTENT: Repeat = Repeat::Repeat { by: RepeatBy::Content };

/// Arrival in ms, sequence, own time in ms, content, and what the message is.
type Message = (i64, Option<i64>, Option<i64>, u64, Repeat);

fn check(messages: &[Message]) {
    let mut memory = RepeatMemory::default();
    for (arrival, sequence, own_time, content, expected) in messages {
        let repeat =
            memory.judge(*sequence, own_time.map(Stamp), *content, Stamp(*arrival), &RepeatSettings::default());
        assert_eq!(repeat, *expected, "at {arrival}");
    }
}

#[test]
fn s10_one_transmission_heard_several_times_is_one_message() {
    check(&[
        (100, Some(77), None, 1, Repeat::New),
        (420, Some(77), None, 1, SEQUENCE),
        (900, Some(77), None, 1, SEQUENCE),
        (4_900, Some(77), None, 1, SEQUENCE),
        (190_000, Some(78), None, 1, Repeat::New),
    ]);
    check(&[(1_000, None, None, 9, Repeat::New), (1_300, None, None, 9, CONTENT)]);
}

#[test]
fn another_number_is_new_even_within_the_window() {
    check(&[(0, Some(1), None, 5, Repeat::New), (1, Some(2), None, 5, Repeat::New), (2, Some(1), None, 5, SEQUENCE)]);
}

#[test]
fn a_number_that_comes_again_with_other_content_is_a_restarted_sensor() {
    check(&[
        (0, Some(0), None, 5, Repeat::New),
        (3 * SECOND, Some(0), None, 6, SEQUENCE),
        (6 * SECOND, Some(0), None, 6, Repeat::New),
        (HOUR, Some(0), None, 5, SEQUENCE),
        (HOUR + 1, Some(0), None, 5, Repeat::New),
    ]);
}

#[test]
fn own_time_decides_without_a_number_however_late() {
    check(&[
        (0, None, Some(-60), 5, Repeat::New),
        (1, None, Some(-59), 5, Repeat::New),
        (2, None, Some(-60), 6, Repeat::New),
        (DAY, None, Some(-60), 5, OWN_TIME),
    ]);
}

#[test]
fn equal_content_after_the_window_is_new() {
    check(&[
        (0, None, None, 5, Repeat::New),
        (5_000, None, None, 5, CONTENT),
        (5_001, None, None, 5, Repeat::New),
        (5_002, None, None, 6, Repeat::New),
    ]);
}

#[test]
fn the_memory_is_bounded_and_forgets_the_oldest_first() {
    let settings = RepeatSettings { depth: 2, ..RepeatSettings::default() };
    let mut memory = RepeatMemory::default();
    for number in 0..3 {
        assert_eq!(memory.judge(Some(number), None, 0, Stamp(number), &settings), Repeat::New);
    }
    assert_eq!(memory.heard.len(), 2);
    assert_eq!(memory.judge(Some(1), None, 0, Stamp(4), &settings), SEQUENCE);
    assert_eq!(memory.judge(Some(0), None, 0, Stamp(5), &settings), Repeat::New);
}

#[test]
fn the_memory_survives_saving() {
    let mut memory = RepeatMemory::default();
    memory.judge(Some(1), None, 7, Stamp(0), &RepeatSettings::default());
    memory.judge(None, Some(Stamp(3)), 7, Stamp(0), &RepeatSettings::default());
    memory.judge(None, None, 7, Stamp(0), &RepeatSettings::default());
    let bytes = rmp_serde::to_vec_named(&memory).unwrap();
    assert_eq!(rmp_serde::from_slice::<RepeatMemory>(&bytes).unwrap(), memory);
}

proptest! {
    #[test]
    fn the_same_message_at_once_is_always_a_repeat(
        sequence: Option<i64>, own_time: Option<i64>, content: u64, arrival: i64, window: i64, depth in 0usize..4,
    ) {
        let settings = RepeatSettings { window_ms: window, sequence_window_ms: window, depth };
        let mut memory = RepeatMemory::default();
        let own_time = own_time.map(Stamp);
        prop_assert_eq!(memory.judge(sequence, own_time, content, Stamp(arrival), &settings), Repeat::New);
        prop_assert!(memory.judge(sequence, own_time, content, Stamp(arrival), &settings) != Repeat::New);
    }
}
