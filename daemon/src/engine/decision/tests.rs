//! When a change of mind may be spoken.

use super::*;
use crate::engine::settings::tests::site;

fn hold(reason: Reason) -> Hold {
    Hold { reason, since: Stamp(0), until: None }
}

fn wanted(reasons: &[Reason], percent: u16) -> Wanted {
    Wanted { holds: reasons.iter().copied().map(hold).collect(), percent, confidence: Confidence::Measured }
}

/// Standing decision, changed at listening 0; wanted one; pending since and now in listening minutes; window open until.
fn check(
    from: &Wanted,
    to: &Wanted,
    pending: i64,
    now: i64,
    window: Option<i64>,
    change_expected: Change,
    expected: Speak,
) {
    let standing = Standing { said: from.clone(), issued: Stamp(0), changed: 0 };
    let change = change(Some(&standing), to);
    assert_eq!(change, change_expected);
    let now = Now { wall: Stamp(now * MINUTE), uptime: now * MINUTE, listening: now * MINUTE, trusted: true };
    let window = window.map(|minute| Stamp(minute * MINUTE));
    assert_eq!(speak(change, Some(&standing), to, pending * MINUTE, window, now, &site()), expected);
}

#[test]
fn a_hold_acts_at_once_even_in_a_run_and_right_after_another_change() {
    check(&wanted(&[], 80), &wanted(&[Reason::Freeze], 80), 0, 0, Some(99), Change::HoldBegins, Speak::Now);
    check(
        &wanted(&[Reason::Rain], 80),
        &wanted(&[Reason::Rain, Reason::Wind], 80),
        0,
        0,
        None,
        Change::HoldBegins,
        Speak::Now,
    );
}

#[test]
fn a_longer_operator_hold_is_said_at_once_and_a_forecast_that_moved_is_not() {
    let until = |reason, hours: i64| {
        let hold = Hold { until: Some(Stamp(hours * 60 * MINUTE)), ..hold(reason) };
        Wanted { holds: vec![hold], percent: 80, confidence: Confidence::Measured }
    };
    check(&until(Reason::Operator, 1), &until(Reason::Operator, 5), 0, 0, None, Change::HoldBegins, Speak::Now);
    let later = Speak::Later { listening: 10 * SECOND, not_before: Some(Stamp(60 * MINUTE)) };
    check(&until(Reason::Rain, 10), &until(Reason::Rain, 30), 0, 0, None, Change::Until, later);
    check(&until(Reason::Rain, 10), &until(Reason::Rain, 12), 0, 0, None, Change::Nothing, Speak::Never);
}

#[test]
fn the_end_of_a_hold_waits_for_settle_and_dwell() {
    let settled = 20 * MINUTE + 10 * SECOND;
    let later = Speak::Later { listening: settled, not_before: None };
    check(&wanted(&[Reason::Rain], 80), &wanted(&[], 80), 20, 20, None, Change::HoldEnds, later);
    check(&wanted(&[Reason::Rain], 80), &wanted(&[], 80), 20, 21, None, Change::HoldEnds, Speak::Now);
    let dwell = Speak::Later { listening: 10 * MINUTE, not_before: None };
    check(&wanted(&[Reason::Wind], 80), &wanted(&[], 80), 1, 5, None, Change::HoldEnds, dwell);
}

#[test]
fn inside_a_window_the_end_of_a_hold_waits_for_the_close_unless_a_rule_or_a_person_ended_it() {
    let later = Speak::Later { listening: 20 * MINUTE + 10 * SECOND, not_before: Some(Stamp(240 * MINUTE)) };
    check(&wanted(&[Reason::Rain], 80), &wanted(&[], 80), 20, 100, Some(240), Change::HoldEnds, later);
    check(&wanted(&[Reason::Operator], 80), &wanted(&[], 80), 20, 20, Some(240), Change::HoldEnds, Speak::Now);
    check(&wanted(&[Reason::Restriction], 80), &wanted(&[], 80), 20, 20, Some(240), Change::HoldEnds, Speak::Now);
}

#[test]
fn a_new_scale_waits_and_an_equal_decision_is_not_said_again() {
    let later = Speak::Later { listening: 20 * MINUTE + 10 * SECOND, not_before: None };
    check(&wanted(&[], 80), &wanted(&[], 65), 20, 20, Some(240), Change::Scale, later);
    check(&wanted(&[], 80), &wanted(&[], 80), 20, 20, None, Change::Nothing, Speak::Never);
    check(&wanted(&[Reason::Rain], 80), &wanted(&[Reason::Rain], 65), 20, 20, None, Change::Nothing, Speak::Never);
}

#[test]
fn what_rests_on_nothing_gives_way_to_the_first_reading_once_it_has_settled() {
    let unknown = |wanted: Wanted| Wanted { confidence: Confidence::Unknown, ..wanted };
    let settled = Speak::Later { listening: 10 * SECOND, not_before: None };
    check(&unknown(wanted(&[Reason::NoEvidence], 60)), &wanted(&[], 60), 0, 0, Some(240), Change::HoldEnds, settled);
    check(&unknown(wanted(&[], 60)), &wanted(&[], 0), 0, 0, None, Change::Scale, settled);
    check(&unknown(wanted(&[], 60)), &wanted(&[], 0), 0, 1, None, Change::Scale, Speak::Now);
}
