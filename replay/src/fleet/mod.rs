//! A fleet of invented sites over years, through the real engine: seeded faults go in as messages, and what is said of them
//! comes out as figures.
//!
//! Weather and luck are invented (`world`), the engine is the daemon's. Everything follows from the seed.

mod plan;
mod play;
mod tally;

use clap::Args;
use serde_json::{Value, json};

use crate::clock;

/// Arguments of `thirst-replay fleet`.
#[derive(Args, Clone, Copy, Debug)]
pub struct Arguments {
    /// How many sites.
    #[arg(long, value_name = "N", default_value_t = 100, value_parser = clap::value_parser!(u16).range(1..=10_000))]
    pub sites: u16,
    #[arg(long, value_name = "N", default_value_t = 730, value_parser = clap::value_parser!(u16).range(30..=3_660))]
    pub days: u16,
    /// Other seeds give other sites, weather and faults.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Minutes between two messages of a sensor.
    #[arg(long, value_name = "MINUTES", default_value_t = 60, value_parser = clap::value_parser!(u16).range(10..=60))]
    pub every: u16,
    /// Print one JSON object as the only and last line.
    #[arg(long)]
    pub json: bool,
}

/// Plays the fleet. The text to print; its last line is one JSON object.
///
/// # Errors
/// The configuration of the fleet is refused, which would be a fault of this program.
pub fn carry_out(arguments: &Arguments) -> Result<String, String> {
    let started = clock::monotonic();
    let (report, messages) = figures(arguments)?;
    let seconds = (clock::monotonic() - started) as f64 / 1000.0;
    let mut report = report;
    report["seconds"] = json!((seconds * 10.0).round() / 10.0);
    report["messages_per_second"] = json!((messages as f64 / seconds.max(0.001)).round());
    if arguments.json {
        return Ok(report.to_string());
    }
    let mut text = String::new();
    for (name, value) in report.as_object().into_iter().flatten() {
        text += &format!("{name}: {value}\n");
    }
    Ok(text + &report.to_string())
}

/// The figures of a fleet, which depend on nothing but the arguments; and how many messages it took.
///
/// # Errors
/// As [`carry_out`].
pub fn figures(arguments: &Arguments) -> Result<(Value, u64), String> {
    let played = play::play(arguments)?;
    let mut report = played.tally.report();
    report["sites"] = json!(arguments.sites);
    report["days"] = json!(arguments.days);
    report["seed"] = json!(arguments.seed);
    report["every_minutes"] = json!(arguments.every);
    report["messages"] = json!(played.messages);
    Ok((report, played.messages))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_small_fleet_gives_the_same_figures_twice_and_keeps_the_bars_that_allow_no_exception() {
        let arguments = Arguments { sites: 9, days: 120, seed: 3, every: 60, json: true };
        let (report, messages) = figures(&arguments).unwrap();
        assert_eq!(figures(&arguments).unwrap().0, report);
        assert!(messages > 20_000, "{messages}");
        println!("{report:#}");
        assert_eq!(report["freeze"]["released_by_bad_readings"], 0);
        assert!(report["broker"]["outages"].as_u64().unwrap() >= 1);
        assert!(report["broker"]["most_alerts_in_one"].as_u64().unwrap() <= 1, "{report}");
        assert!(report["knocks"]["count"].as_u64().unwrap() >= 3, "{report}");
    }
}
