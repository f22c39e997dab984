//! What goes into the diary of a site, and what does not.

use super::*;
use crate::engine::output::{DiaryKind, DiaryLine};

fn diary(outputs: &[Output], kind: DiaryKind) -> Vec<&DiaryLine> {
    let lines = outputs.iter().filter_map(|output| match output {
        Output::Diary(line) if line.kind == kind => Some(line),
        _ => None,
    });
    lines.collect()
}

fn json(line: &DiaryLine) -> serde_json::Value {
    serde_json::from_slice(&line.payload).unwrap()
}

#[test]
fn ten_days_leave_every_change_but_no_refresh_and_every_day_and_run_once() {
    let (mut driver, mut outputs) = (driver(vec![], START), Vec::new());
    ten_days(&mut driver, &mut outputs);
    let published = payloads(&outputs, "/decision/");
    let kept: Vec<_> = diary(&outputs, DiaryKind::Decision).into_iter().map(json).collect();
    assert!(kept.len() < published.len(), "{} of {}", kept.len(), published.len());
    assert!(kept.iter().all(|decision| published.contains(decision)), "as published");
    // What a follower of the published decisions sees change is in the diary.
    let said = |decision: &serde_json::Value| {
        let holds = decision["holds"].as_array().into_iter().flatten().map(|hold| hold["reason"].clone());
        let percent = if decision["action"] == "hold" { None } else { decision["scale_percent"].as_u64() };
        (holds.collect::<Vec<_>>(), percent, decision["confidence"].clone())
    };
    for pair in published.windows(2) {
        assert!(said(&pair[0]) == said(&pair[1]) || kept.contains(&pair[1]), "not kept: {}", pair[1]);
    }

    let closed: Vec<_> =
        diary(&outputs, DiaryKind::Day).into_iter().filter(|line| json(line)["final"] == false).collect();
    let dates: Vec<&str> = closed.iter().map(|line| line.subject.as_str()).collect();
    assert!(dates.len() >= 9 && dates.is_sorted_by(|before, after| before < after), "{dates:?}");
    let wet = closed.iter().find(|line| line.subject == "2027-06-04").unwrap();
    assert_eq!((&json(wet)["rain_mm"], &json(wet)["eto_method"]), (&14.4.into(), &"standardized_hourly".into()));

    let runs = diary(&outputs, DiaryKind::Delivery);
    assert!(runs.len() >= 5, "{}", runs.len());
    for run in runs.into_iter().map(json) {
        assert_eq!((&run["group"], &run["reported"]), (&"lawn".into(), &false.into()));
        assert!(run["depth_mm"].as_f64().unwrap() > 0.0 && run["start"].as_str() < run["end"].as_str(), "{run}");
    }
}
