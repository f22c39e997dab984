//! Draining, starting and establishing through the whole engine.

use super::watering::{D, dry, open, yard};
use super::*;
use crate::engine::settings::RestrictionRule;

/// Sends a command and returns the text of its answer.
fn command(driver: &mut Driver, minute: i64, body: &str, outputs: &mut Vec<Output>) -> String {
    let payload = format!(r#"{{"id":"m{minute}","who":"owner","verb":{body}}}"#);
    let event = Event::Command { site: "oak".into(), payload: payload.into(), retain: false };
    driver.apply(now(START.plus(minute * MINUTE)), event, outputs);
    let answer = outputs.iter().rev().find_map(|output| match output {
        Output::Answer { payload, .. } => serde_json::from_slice::<serde_json::Value>(payload).ok(),
        _ => None,
    });
    answer.unwrap()["text"].as_str().unwrap().to_owned()
}

fn last_decision(outputs: &[Output]) -> serde_json::Value {
    payloads(outputs, "/decision/").pop().unwrap()
}

/// Days without any event, one look a day.
fn pass(driver: &mut Driver, from: i64, to: i64, outputs: &mut Vec<Output>) {
    for day in from..to {
        outputs.clear();
        driver.advance(now(START.plus(day * DAY)), outputs);
    }
}

#[test]
fn draining_is_suggested_before_the_frost_and_starting_after_it_and_only_a_person_does_either() {
    let (mut driver, mut outputs) = (yard(Capability::Percent, |_| {}), Vec::new());
    // From 1 June: the frost months begin on 1 November, day 153, and end with March, day 304.
    pass(&mut driver, 1, 138, &mut outputs);
    assert!(!open(&driver, "drain_due"));
    pass(&mut driver, 138, 141, &mut outputs);
    assert!(open(&driver, "drain_due"));
    let by = |driver: &Driver| {
        let mut alerts = driver.engine().sites[0].alerts.iter();
        let wording = &alerts.find(|((_, subject), _)| subject == "system").unwrap().1.wording;
        (crate::engine::civil::numbered_date(wording.by.unwrap()).to_string(), wording.bring.clone().unwrap())
    };
    let (day, bring) = by(&driver);
    assert!(("2027-10-31"..="2027-11-02").contains(&day.as_str()), "{day}");
    assert!(bring.contains("compressor"), "{bring}");
    let text = command(&mut driver, 145 * D, r#""season","state":"drained""#, &mut outputs);
    assert!(text.contains("everything is held"), "{text}");
    assert!(!open(&driver, "drain_due"));
    let refused = command(&mut driver, 145 * D + 1, r#""release","reasons":["season"]"#, &mut outputs);
    assert!(refused.contains("send confirm true"), "{refused}");
    pass(&mut driver, 146, 300, &mut outputs);
    assert!(!open(&driver, "start_due"));
    let standing = driver.engine().view("oak").unwrap().groups[0].standing.clone().unwrap();
    let reasons: Vec<&str> = standing.said.holds.iter().map(|hold| hold.reason.name()).collect();
    assert_eq!(reasons, ["season"], "no frost noise in winter");
    pass(&mut driver, 300, 308, &mut outputs);
    assert!(open(&driver, "start_due"));
    let (day, bring) = by(&driver);
    assert!(("2028-04-14"..="2028-04-20").contains(&day.as_str()), "{day}");
    assert!(bring.contains("pressure gauge"), "{bring}");
    command(&mut driver, 309 * D, r#""season","state":"running""#, &mut outputs);
    assert!(!open(&driver, "start_due"));
    let view = driver.engine().view("oak").unwrap();
    assert!(view.groups[0].owed_mm < 5.0, "no debt of the winter: {}", view.groups[0].owed_mm);
}

#[test]
fn a_site_that_stays_filled_is_asked_once() {
    let (mut driver, mut outputs) = (yard(Capability::Percent, |_| {}), Vec::new());
    pass(&mut driver, 1, 141, &mut outputs);
    assert!(open(&driver, "drain_due"));
    command(&mut driver, 142 * D, r#""season","state":"running""#, &mut outputs);
    pass(&mut driver, 143, 200, &mut outputs);
    assert!(!open(&driver, "drain_due"));
    let mut never = yard(Capability::Percent, |site| site.drained_in_winter = false);
    pass(&mut never, 1, 200, &mut outputs);
    assert!(!open(&never, "drain_due"));
}

#[test]
fn new_plants_get_at_least_a_whole_run_until_their_last_day_with_a_reminder_before() {
    let (mut driver, mut outputs) = (yard(Capability::Percent, |_| {}), Vec::new());
    dry(&mut driver, (0, 60), 100.0, &mut outputs);
    let order = r#""season","state":"establishing","until":"2027-06-05","groups":["lawn"]"#;
    assert_eq!(command(&mut driver, 61, order, &mut outputs), "lawn establishing until 5 Jun 2027");
    dry(&mut driver, (70, D), 100.0, &mut outputs);
    let said = last_decision(&outputs);
    assert_eq!(said["scale_percent"], 100, "{said}");
    let words = said["text"].as_str().unwrap();
    assert!(words.contains("New plants establish until Sat 5 Jun: at least 100 %"), "{words}");
    assert!(!words.contains("set run times back"), "{words}");
    dry(&mut driver, (D, 4 * D), 100.0, &mut outputs);
    assert!(last_decision(&outputs)["text"].as_str().unwrap().contains("set run times back"));
    dry(&mut driver, (4 * D, 7 * D), 100.0, &mut outputs);
    let said = last_decision(&outputs);
    assert!(said["scale_percent"].as_u64().unwrap() < 100, "{said}");
}

#[test]
fn a_restriction_binds_new_plants_unless_a_permit_is_noted() {
    let change = |site: &mut SiteSettings| {
        site.restrictions = vec![RestrictionRule {
            name: "stage 3".into(),
            source: "invented district".into(),
            allowed_weekdays: Some([false; 7]),
            parity: None,
            days_a_week: None,
            most_minutes: None,
            barred: vec![],
            from: None,
            until: None,
            every_year: None,
            exempt_kinds: vec![],
            groups: vec![],
        }];
    };
    let (mut driver, mut outputs) = (yard(Capability::Percent, change), Vec::new());
    dry(&mut driver, (0, 60), 100.0, &mut outputs);
    let order = r#""season","state":"establishing","until":"2027-06-20""#;
    command(&mut driver, 61, order, &mut outputs);
    dry(&mut driver, (70, 100), 100.0, &mut outputs);
    assert_eq!(last_decision(&outputs)["action"], "hold");
    command(&mut driver, 101, &format!(r#"{order},"permit":"no. 17 of the district""#), &mut outputs);
    dry(&mut driver, (110, 140), 100.0, &mut outputs);
    let said = last_decision(&outputs);
    assert_eq!(said["action"], "scale", "{said}");
    let words = said["text"].as_str().unwrap();
    assert!(words.contains("by the permit that was noted: \"no. 17 of the district\""), "{words}");
}
