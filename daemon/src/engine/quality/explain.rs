//! A judgment in plain words, for people.

#[cfg(test)]
mod tests;

use super::{Judgment, Test};
use crate::engine::reading::{Flag, Quantity};
use crate::engine::units::DisplayUnits;

/// Why the reading has its flag, as one sentence without a full stop, in the units of the site.
pub fn explain(judgment: &Judgment, quantity: Quantity, units: DisplayUnits) -> String {
    let name = quantity.name().replace('_', " ");
    let amount = |value: f64| with_unit(units.value(quantity, value));
    let change = |value: f64| with_unit(units.change(quantity, value));
    let hours = |value: f64| with_unit((value, "h"));
    let speed = |value: f64| with_unit(units.value(Quantity::WindSpeed, value));
    let (limit, seen) = (judgment.limit, judgment.seen);
    let worth = if judgment.flag == Flag::Bad { "not believed" } else { "doubtful" };
    match judgment.test {
        None => format!("{name}: {}, nothing to say against it", amount(judgment.value)),
        Some(Test::Range) if seen < limit => {
            format!("{name}: {} cannot be, it is at least {}", amount(seen), amount(limit))
        }
        Some(Test::Range) if limit < seen => {
            format!("{name}: {} cannot be, it is at most {}", amount(seen), amount(limit))
        }
        Some(Test::Range) => format!("{name}: not a number"),
        Some(Test::Clip) => format!("{name}: {} is taken as {}", amount(seen), amount(limit)),
        Some(Test::Step) => {
            format!("{name}: changed by {}; more than {} in that time is {worth}", change(seen), change(limit))
        }
        Some(Test::NewLevel) => format!(
            "{name}: changed by {}, more than the {} that is believed in that time, but it has stayed there",
            change(seen),
            change(limit)
        ),
        Some(Test::Spike) if judgment.is_provisional() => format!(
            "{name}: changed by {}; after more than {} the next reading decides whether it counts",
            change(seen),
            change(limit)
        ),
        Some(Test::Spike) => format!(
            "{name}: {} stood out by {} from the readings before and after it; more than {} is {worth}",
            amount(judgment.value),
            change(seen),
            change(limit)
        ),
        Some(Test::FlatLine) => {
            format!("{name}: has not changed for {}; after {} that is {worth}", hours(seen), hours(limit))
        }
        Some(Test::NightSun) => {
            format!("{name}: {} while the sun is down; more than {} is {worth}", amount(seen), amount(limit))
        }
        Some(Test::SunLimit) => {
            format!("{name}: {} cannot be, the sun of this day gives at most {}", amount(seen), amount(limit))
        }
        Some(Test::ClearSky) => format!(
            "{name}: {}; with the sun at this height there is hardly ever more than {}",
            amount(seen),
            amount(limit)
        ),
        Some(Test::Calm) => {
            format!("{name}: says nothing at a wind speed of {}, below {} is a calm", speed(seen), speed(limit))
        }
        Some(Test::GustBelowMean) => {
            format!("{name}: {} is below the mean wind speed of {}", amount(seen), amount(limit))
        }
        Some(Test::DewPointAboveAir) => {
            format!("{name}: {} is above the air temperature of {}", amount(seen), amount(limit))
        }
        Some(Test::Neighbors) => {
            format!("{name}: differs from the neighbors by {}; more than {} is {worth}", change(seen), change(limit))
        }
        Some(Test::RainCap) => {
            format!("{name}: {} fell; more than {} in that time is {worth}", amount(seen), amount(limit))
        }
        Some(Test::Duplicate) => format!("{name}: heard before, does not count again"),
    }
}

fn with_unit((value, unit): (f64, &str)) -> String {
    let number = match unit {
        // A converted limit has no more digits than its metric one.
        "°F" | "mph" if value.abs() < 1e9 => number((value * 10.0).round() / 10.0),
        _ => number(value),
    };
    match unit {
        "" => number,
        "°" => number + unit,
        _ => format!("{number} {unit}"),
    }
}

/// At most two decimals, and no endless digits.
fn number(value: f64) -> String {
    if 1e9 <= value.abs() {
        return format!("{value:.2e}");
    }
    let rounded = (value * 100.0).round() / 100.0;
    // -0.001 is 0, not -0.
    format!("{}", if rounded == 0.0 { 0.0 } else { rounded })
}
