//! Rain events, and how long they hold.

use super::*;

const AUTO: RainHoldSettings = RainHoldSettings {
    threshold_mm: 6.0,
    length: RainHoldLength::Auto,
    extends_at_mm: 2.5,
    event_gap_hours: 6,
    longest_days: 7.0,
    enabled: true,
};

fn hours(count: i64) -> Stamp {
    Stamp(count * HOUR)
}

fn evidence(event: &RainEvent, owed_mm: f64) -> RainEvidence<'_> {
    RainEvidence {
        event,
        exposure: 1.0,
        last_day_mm: event.mm,
        owed_mm,
        least_run_mm: 2.0,
        daily_need_mm: 4.0,
        need_left_mm: 1.0,
        day_end: hours(24),
        rain_known: true,
    }
}

#[test]
fn showers_with_short_gaps_are_one_event_and_after_six_dry_hours_a_new_one_begins() {
    let mut event = RainEvent::default();
    for hour in [1, 4, 9] {
        event.add(2.0, hours(hour), hours(hour), &AUTO);
    }
    assert_eq!(event.mm(hours(9), &AUTO), 6.0);
    assert_eq!(event.mm(hours(16), &AUTO), 0.0);
    event.add(1.0, hours(16), hours(16), &AUTO);
    assert_eq!(event.mm(hours(16), &AUTO), 1.0);
}

#[test]
fn an_automatic_hold_ends_when_the_ledger_owes_a_run_again_and_not_while_it_rains() {
    let (mut event, mut hold) = (RainEvent::default(), RainHold::default());
    event.add(5.9, hours(1), hours(1), &AUTO);
    assert!(!hold.rained(&evidence(&event, 9.0), hours(1), &AUTO));
    event.add(0.2, hours(2), hours(2), &AUTO);
    assert!(hold.rained(&evidence(&event, 9.0), hours(2), &AUTO));
    assert!(!hold.lapse(&evidence(&event, 9.0), hours(8), &AUTO), "still raining");
    assert!(!hold.lapse(&evidence(&event, 1.0), hours(9), &AUTO), "nothing owed");
    // 2 mm missing: 1 today, 1 of 4 tomorrow: a quarter of the way from 7 to 19 o'clock.
    assert_eq!(hold.until(&evidence(&event, 0.0), hours(9), &AUTO), Some(hours(34)));
    assert!(
        !hold.lapse(&RainEvidence { rain_known: false, ..evidence(&event, 3.0) }, hours(20), &AUTO),
        "nobody says dry"
    );
    assert!(hold.lapse(&evidence(&event, 2.0), hours(20), &AUTO));
}

#[test]
fn a_silent_gauge_keeps_an_automatic_hold_only_to_its_own_limit() {
    let (mut event, mut hold) = (RainEvent::default(), RainHold::default());
    event.add(8.0, hours(0), hours(0), &AUTO);
    assert!(hold.rained(&evidence(&event, 0.0), hours(0), &AUTO));
    let silent = RainEvidence { rain_known: false, ..evidence(&event, 20.0) };
    assert!(!hold.lapse(&silent, hours(7 * 24 - 1), &AUTO));
    assert!(hold.lapse(&silent, hours(7 * 24), &AUTO));
}

#[test]
fn a_fixed_hold_counts_from_the_last_rain_and_a_drizzle_does_not_extend_it() {
    let settings = RainHoldSettings { length: RainHoldLength::Days(2.0), ..AUTO };
    let (mut event, mut hold) = (RainEvent::default(), RainHold::default());
    event.add(8.0, hours(0), hours(0), &settings);
    assert!(hold.rained(&evidence(&event, 0.0), hours(0), &settings));
    event.add(1.0, hours(30), hours(30), &settings);
    let drizzle = RainEvidence { last_day_mm: 1.0, ..evidence(&event, 0.0) };
    hold.rained(&drizzle, hours(30), &settings);
    assert_eq!(hold.until(&drizzle, hours(30), &settings), Some(hours(48)));
    event.add(1.5, hours(30), hours(30), &settings);
    let rain = RainEvidence { last_day_mm: 2.5, ..evidence(&event, 0.0) };
    hold.rained(&rain, hours(30), &settings);
    assert_eq!(hold.until(&rain, hours(30), &settings), Some(hours(78)));
    assert!(hold.lapse(&rain, hours(78), &settings));
}

#[test]
fn late_rain_holds_only_for_the_drying_time_still_ahead() {
    let settings = RainHoldSettings { length: RainHoldLength::Days(0.2), ..AUTO };
    let (mut event, mut hold) = (RainEvent::default(), RainHold::default());
    event.add(8.0, hours(0), hours(0), &settings);
    assert!(!hold.rained(&evidence(&event, 0.0), hours(5), &settings), "its 4.8 hours are over");
}

#[test]
fn late_rain_belongs_to_its_own_event_and_not_to_the_tip_that_was_heard_before_it() {
    let settings = RainHoldSettings { length: RainHoldLength::Days(2.0), ..AUTO };
    let (mut event, mut hold) = (RainEvent::default(), RainHold::default());
    event.add(0.2, hours(20), hours(20), &settings);
    assert!(!hold.rained(&evidence(&event, 0.0), hours(20), &settings));
    // 8 mm that fell at 2 o'clock arrive at 21 o'clock.
    event.add(8.0, hours(2), hours(2), &settings);
    assert_eq!(event.mm(hours(21), &settings), 0.2);
    let late = RainEvidence { last_day_mm: 8.2, ..evidence(&event, 0.0) };
    assert!(hold.rained(&late, hours(21), &settings), "two days from 2 o'clock lie partly ahead");
    assert_eq!(hold.until(&late, hours(21), &settings), Some(hours(50)));
    // Another tip hours later is no reason to hold longer, and none to hold again when the time is over.
    event.add(0.2, hours(28), hours(28), &settings);
    let tip = RainEvidence { last_day_mm: 8.4, ..evidence(&event, 0.0) };
    hold.rained(&tip, hours(28), &settings);
    assert!(hold.lapse(&tip, hours(50), &settings));
    event.add(0.2, hours(51), hours(51), &settings);
    assert!(!hold.rained(&evidence(&event, 0.0), hours(51), &settings));
}

#[test]
fn late_rain_that_fills_the_gap_joins_two_events() {
    let mut event = RainEvent::default();
    event.add(2.0, hours(0), hours(0), &AUTO);
    event.add(3.0, hours(10), hours(10), &AUTO);
    assert_eq!(event.mm(hours(10), &AUTO), 3.0);
    event.add(1.5, hours(5), hours(5), &AUTO);
    assert_eq!(event.mm(hours(10), &AUTO), 6.5);
}

#[test]
fn an_event_that_has_held_once_begins_no_second_hold() {
    let (mut event, mut hold) = (RainEvent::default(), RainHold::default());
    event.add(8.0, hours(0), hours(0), &AUTO);
    assert!(hold.rained(&evidence(&event, 0.0), hours(0), &AUTO));
    assert!(hold.lapse(&evidence(&event, 2.5), hours(30), &AUTO));
    event.add(0.2, hours(31), hours(31), &AUTO);
    // Watered meanwhile, so nothing is owed: the tip is no new rain.
    assert!(!hold.rained(&evidence(&event, 0.0), hours(31), &AUTO));
}
