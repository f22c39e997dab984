//! Windows, runs and what is booked for them, through the whole engine.

use super::*;
use crate::engine::settings::GroupSettings;
use crate::engine::settings::{RainHoldLength, Window, tests::time};

/// A driver for a site with one controller of `capability`; changes to settings by `change`.
pub(super) fn yard(capability: Capability, change: impl FnOnce(&mut SiteSettings)) -> Driver {
    let mut settings = settings();
    settings.sites[0].zone = chrono_tz::Tz::UTC;
    settings.sites[0].controllers[0] = ControllerSettings {
        capability,
        step_percent: 1,
        least_percent: 0,
        ..settings.sites[0].controllers[0].clone()
    };
    change(&mut settings.sites[0]);
    let (engine, _) = Engine::restore(Arc::new(settings), 1, std::iter::empty());
    Driver::new(engine, now(START))
}

/// Dry, calm summer weather every ten minutes from `from` to `to` minutes after the start; rain counter at `rain`.
pub(super) fn dry(driver: &mut Driver, (from, to): (i64, i64), rain: f64, outputs: &mut Vec<Output>) {
    for minute in (from..to).step_by(10) {
        let at = START.plus(minute * MINUTE + 1);
        driver.apply(now(at), weather(at, rain), outputs);
    }
}

/// A report of a run of the lawn of `minutes` from `start`, in minutes after the start, with its depth.
pub(super) fn report(driver: &mut Driver, start: i64, minutes: i64, mm: f64, outputs: &mut Vec<Output>) {
    let (from, to) = (START.plus(start * MINUTE), START.plus((start + minutes) * MINUTE));
    let payload =
        format!(r#"{{"runs":[{{"group":"lawn","start":"{}","end":"{}","depth_mm":{mm}}}]}}"#, from.text(), to.text());
    let event =
        Event::Report { site: "oak".into(), controller: "relay".into(), payload: payload.into(), retain: false };
    driver.apply(now(to.plus(1)), event, outputs);
}

pub(super) fn owed(driver: &Driver) -> f64 {
    driver.engine().view("oak").unwrap().groups[0].owed_mm
}

/// Percentages of the lawn in the instructions, oldest first.
pub(super) fn percents(outputs: &[Output]) -> Vec<u64> {
    payloads(outputs, "/instruction/").iter().filter_map(|told| told["percents"]["lawn"].as_u64()).collect()
}

pub(super) fn open(driver: &Driver, kind: &str) -> bool {
    driver.engine().view("oak").unwrap().open_alerts.iter().any(|(open, ..)| open == kind)
}

pub(super) const H: i64 = 60;
pub(super) const D: i64 = 24 * H;

#[test]
fn decided_water_is_booked_when_the_window_opens_and_not_before_or_after() {
    let (mut driver, mut outputs) = (yard(Capability::PercentPerGroup, |_| {}), Vec::new());
    dry(&mut driver, (0, D + 2 * H), 100.0, &mut outputs);
    let before = owed(&driver);
    assert!((3.5..6.0).contains(&before), "{before}");
    dry(&mut driver, (D + 2 * H, D + 2 * H + 20), 100.0, &mut outputs);
    assert!(owed(&driver).abs() < 0.2, "{}", owed(&driver));
    outputs.clear();
    dry(&mut driver, (D + 2 * H + 20, D + 10 * H), 100.0, &mut outputs);
    // The water of the morning is owed, and waits for the next opening; what was decided stands until the close.
    assert!((0.3..2.5).contains(&owed(&driver)), "{}", owed(&driver));
    assert!(percents(&outputs).iter().all(|percent| *percent >= 35), "{:?}", percents(&outputs));
}

#[test]
fn a_hold_in_the_run_gives_the_rest_of_it_back() {
    let change = |site: &mut SiteSettings| site.groups[0].run_minutes = Some(100.0);
    let (mut driver, mut outputs) = (yard(Capability::PercentPerGroup, change), Vec::new());
    dry(&mut driver, (0, D + 2 * H), 100.0, &mut outputs);
    let before = owed(&driver);
    // The run is about 46 minutes; half way through it a person holds.
    dry(&mut driver, (D + 2 * H, D + 2 * H + 20), 100.0, &mut outputs);
    let payload = r#"{"id":"a","who":"owner","verb":"hold"}"#;
    let event = Event::Command { site: "oak".into(), payload: payload.into(), retain: false };
    driver.apply(now(START.plus((D + 2 * H + 23) * MINUTE)), event, &mut outputs);
    assert!((owed(&driver) / before - 0.5).abs() < 0.1, "{} of {before}", owed(&driver));
}

#[test]
fn cycles_reported_inside_the_window_do_not_shorten_the_ones_to_come() {
    let (mut driver, mut outputs) = (yard(Capability::PercentPerGroup, |_| {}), Vec::new());
    dry(&mut driver, (0, D + 2 * H), 100.0, &mut outputs);
    let told = *percents(&outputs).last().unwrap();
    report(&mut driver, D + 2 * H, 5, 1.5, &mut outputs);
    dry(&mut driver, (D + 2 * H + 10, D + 3 * H), 100.0, &mut outputs);
    report(&mut driver, D + 3 * H, 5, 1.5, &mut outputs);
    dry(&mut driver, (D + 3 * H + 10, D + 10 * H), 100.0, &mut outputs);
    let since: Vec<u64> = percents(&outputs).into_iter().skip_while(|percent| *percent != told).collect();
    assert!(since.is_sorted() && since.len() > 1, "{since:?}");
    // 3 mm of it were given: after the window less is owed than before.
    dry(&mut driver, (D + 10 * H, D + 10 * H + 30), 100.0, &mut outputs);
    assert!(*percents(&outputs).last().unwrap() < told, "{:?}", percents(&outputs));
}

#[test]
fn the_first_report_overrules_what_was_booked_as_decided() {
    let (mut driver, mut outputs) = (yard(Capability::PercentPerGroup, |_| {}), Vec::new());
    dry(&mut driver, (0, D + 2 * H), 100.0, &mut outputs);
    let before = owed(&driver);
    dry(&mut driver, (D + 2 * H, D + 2 * H + 20), 100.0, &mut outputs);
    report(&mut driver, D + 2 * H + 5, 20, 1.0, &mut outputs);
    assert!((owed(&driver) - (before - 1.0)).abs() < 0.1, "{} after {before}", owed(&driver));
}

#[test]
fn two_due_days_without_reported_water_are_an_alert_and_a_run_closes_it() {
    let (mut driver, mut outputs) = (yard(Capability::PercentPerGroup, |_| {}), Vec::new());
    dry(&mut driver, (0, D + 2 * H), 100.0, &mut outputs);
    report(&mut driver, D + 2 * H, 20, 4.0, &mut outputs);
    dry(&mut driver, (D + 3 * H, 3 * D), 100.0, &mut outputs);
    assert!(!open(&driver, "nothing_watered"), "one day is none");
    dry(&mut driver, (3 * D, 3 * D + 11 * H), 100.0, &mut outputs);
    assert!(open(&driver, "nothing_watered"));
    report(&mut driver, 3 * D + 11 * H, 20, 4.0, &mut outputs);
    assert!(!open(&driver, "nothing_watered"));
}

#[test]
fn five_runs_of_half_the_depth_say_that_run_times_do_not_fit() {
    let (mut driver, mut outputs) = (yard(Capability::PercentPerGroup, |_| {}), Vec::new());
    dry(&mut driver, (0, D + 2 * H), 100.0, &mut outputs);
    for day in 1..8 {
        assert_eq!(open(&driver, "run_times_do_not_fit"), day > 5, "day {day}");
        let told = *percents(&outputs).last().unwrap() as f64;
        dry(&mut driver, (day * D + 2 * H, day * D + 3 * H), 100.0, &mut outputs);
        report(&mut driver, day * D + 3 * H, 20, 0.5 * told / 10.0, &mut outputs);
        dry(&mut driver, (day * D + 3 * H + 30, (day + 1) * D + 2 * H), 100.0, &mut outputs);
    }
}

#[test]
fn plants_that_go_without_for_too_long_are_watered_in_spite_of_a_rain_hold() {
    let change = |site: &mut SiteSettings| {
        (site.rain.length, site.rain.longest_days) = (RainHoldLength::Days(7.0), 7.0);
        (site.groups[0].ceiling_mm, site.groups[0].run_depth_mm) = (12.0, 5.0);
    };
    let (mut driver, mut outputs) = (yard(Capability::Percent, change), Vec::new());
    dry(&mut driver, (0, H), 100.0, &mut outputs);
    let at = START.plus(H * MINUTE + 1);
    driver.apply(now(at), weather(at, 108.0), &mut outputs);
    dry(&mut driver, (H + 10, 4 * D), 108.0, &mut outputs);
    assert!(!open(&driver, "dry_guard"));
    let said = payloads(&outputs, "/decision/").pop().unwrap();
    assert_eq!(said["action"], "hold", "{said}");
    // 18 mm of need beyond 5 mm of credit, at 4.6 mm a day: on the fifth or sixth day.
    dry(&mut driver, (4 * D, 6 * D), 108.0, &mut outputs);
    let said = payloads(&outputs, "/decision/")
        .into_iter()
        .find(|said| said["action"] == "scale" && said["issued_at"].as_str().unwrap() > "2027-06-04");
    assert!(said.is_some());
    let alert = payloads(&outputs, "/alert/dry_guard/lawn").swap_remove(0);
    assert_eq!((alert["urgency"].as_str(), alert["kind"].as_str()), (Some("now"), Some("dry_guard")));
    assert!(alert["text"].as_str().unwrap().contains("The hold for rain no longer stops the water."), "{alert}");
    dry(&mut driver, (6 * D, 7 * D), 108.0, &mut outputs);
    assert!(!open(&driver, "dry_guard"), "watered");
}

#[test]
fn without_known_watering_days_only_the_published_percentage_is_averaged() {
    let run = |averaging_days| {
        let change = |site: &mut SiteSettings| {
            let lawn = &mut site.groups[0];
            (lawn.watering_days_known, lawn.averaging_days) = (false, averaging_days);
        };
        let (mut driver, mut outputs) = (yard(Capability::PercentPerGroup, change), Vec::new());
        for day in 0..6 {
            // Every second day is wet: 3 mm in the evening.
            let rain = 100.0 + 3.0 * f64::from((day / 2) as u8);
            dry(&mut driver, (day * D, (day + 1) * D), rain, &mut outputs);
        }
        let percents = percents(&outputs);
        percents.iter().skip(percents.len() / 2).copied().fold((200, 0), |(low, high), p| (p.min(low), p.max(high)))
    };
    let ((low, high), (mean_low, mean_high)) = (run(1), run(10));
    assert!(mean_high - mean_low < high - low, "{mean_low}–{mean_high} within {low}–{high}");
}

/// Runs of one reported history in any order and number of times book the same.
#[test]
fn reports_in_any_order_and_number_book_once() {
    let runs = [(D + 2 * H, 2.0), (D + 3 * H, 1.0), (D + 4 * H, 0.5)];
    let book = |order: &[usize]| {
        let change = |site: &mut SiteSettings| {
            site.groups[0] =
                GroupSettings { window: Window { opens: time(2), closes: time(10) }, ..site.groups[0].clone() };
        };
        let (mut driver, mut outputs) = (yard(Capability::PercentPerGroup, change), Vec::new());
        dry(&mut driver, (0, D + 5 * H), 100.0, &mut outputs);
        for &which in order {
            let (start, mm) = runs[which];
            let (from, to) = (START.plus(start * MINUTE), START.plus((start + 10) * MINUTE));
            let (from, to) = (from.text(), to.text());
            let payload = format!(r#"{{"runs":[{{"group":"lawn","start":"{from}","end":"{to}","depth_mm":{mm}}}]}}"#);
            let (site, controller) = ("oak".into(), "relay".into());
            let event = Event::Report { site, controller, payload: payload.into(), retain: false };
            driver.apply(now(START.plus((D + 5 * H + 1) * MINUTE)), event, &mut outputs);
        }
        (owed(&driver) * 1e6).round()
    };
    let once = book(&[0, 1, 2]);
    for order in [&[2, 1, 0][..], &[1, 1, 0, 2, 0, 2, 2], &[0, 0, 0, 2, 1]] {
        assert_eq!(book(order), once, "{order:?}");
    }
}
