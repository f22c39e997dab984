//! Numbers and lists in the words of a site's units.

use crate::engine::reading::Quantity;
use crate::engine::settings::{DisplayUnits, GroupKind};
use crate::engine::units::Unit;

/// Shows depths, temperatures, speeds and heights as the site's people know them.
pub(super) struct Units(pub DisplayUnits);

impl Units {
    pub(super) fn depth(&self, mm: f64) -> String {
        match self.0 {
            DisplayUnits::Metric => format!("{} mm", short(mm, 1)),
            DisplayUnits::Us => format!("{} in", short(mm / 25.4, 2)),
        }
    }

    /// A depth of many days.
    pub(super) fn sum(&self, mm: f64) -> String {
        match self.0 {
            DisplayUnits::Metric => format!("{} mm", short(mm, 0)),
            DisplayUnits::Us => format!("{} in", short(mm / 25.4, 1)),
        }
    }

    pub(super) fn temperature(&self, celsius: f64) -> String {
        match self.0 {
            DisplayUnits::Metric => format!("{} °C", short(celsius, 1)),
            DisplayUnits::Us => format!("{} °F", short(celsius * 1.8 + 32.0, 1)),
        }
    }

    pub(super) fn speed(&self, m_per_s: f64) -> String {
        match self.0 {
            DisplayUnits::Metric => format!("{} m/s", short(m_per_s, 1)),
            DisplayUnits::Us => format!("{} mph", short(m_per_s / 0.447_04, 1)),
        }
    }

    pub(super) fn height(&self, m: f64) -> String {
        match self.0 {
            DisplayUnits::Metric => format!("{} m", short(m, 0)),
            DisplayUnits::Us => format!("{} ft", short(m / 0.3048, 0)),
        }
    }
}

/// With at most so many decimals, none of them a trailing zero.
pub(super) fn short(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

pub(super) fn percent(value: f64) -> String {
    format!("{} %", short(value, 0))
}

pub(super) fn degrees(value: f64, positive: char, negative: char) -> String {
    format!("{}° {}", short(value.abs(), 3), if value < 0.0 { negative } else { positive })
}

pub(super) fn seconds(seconds: u32) -> String {
    if seconds > 0 && seconds.is_multiple_of(60) { minutes(seconds / 60) } else { format!("{seconds} s") }
}

pub(super) fn minutes(minutes: u32) -> String {
    if minutes > 0 && minutes.is_multiple_of(60) { hours(minutes / 60) } else { format!("{minutes} min") }
}

pub(super) fn hours(hours: u32) -> String {
    format!("{hours} h")
}

pub(super) fn days(days: f64) -> String {
    format!("{} {}", short(days, 2), if days == 1.0 { "day" } else { "days" })
}

/// `a, b and c`.
pub(super) fn listed<T: AsRef<str>>(items: &[T], last: &str) -> String {
    match items {
        [] => "nobody".to_owned(),
        [one] => one.as_ref().to_owned(),
        [first @ .., end] => {
            let first: Vec<&str> = first.iter().map(AsRef::as_ref).collect();
            format!("{} {last} {}", first.join(", "), end.as_ref())
        }
    }
}

pub(super) fn months(months: &[bool; 12]) -> String {
    let chosen: Vec<&str> = MONTHS.into_iter().zip(months).filter(|(_, on)| **on).map(|(name, _)| name).collect();
    if chosen.is_empty() { "none".to_owned() } else { chosen.join(" ") }
}

pub(super) fn weekdays(days: &[bool; 7]) -> String {
    let chosen: Vec<&str> = WEEKDAYS.into_iter().zip(days).filter(|(_, on)| **on).map(|(name, _)| name).collect();
    if chosen.len() == WEEKDAYS.len() { "every day".to_owned() } else { chosen.join(" ") }
}

/// One number where all months have the same, else least and most with their months.
pub(super) fn factors(factors: &[f64; 12]) -> String {
    let by_size = |a: &(usize, f64), b: &(usize, f64)| a.1.total_cmp(&b.1);
    let months = || factors.iter().copied().enumerate();
    match (months().min_by(by_size), months().max_by(by_size)) {
        (Some((low, least)), Some((high, most))) if least < most => {
            format!("{} ({}) to {} ({})", short(least, 2), month(low), short(most, 2), month(high))
        }
        _ => short(factors[0], 2),
    }
}

/// Empty for what has no unit.
pub(super) fn unit_name(unit: Unit, quantity: Quantity) -> &'static str {
    if matches!(quantity, Quantity::BatteryOk | Quantity::SequenceNumber) {
        return "";
    }
    // `°F` before `degF` before the code `[degF]`.
    let rank = |text: &&&str| (!text.starts_with('°'), text.starts_with('['));
    let spellings = Unit::spellings_for(quantity).iter().filter(|text| Unit::parse(text) == Some(unit));
    spellings.min_by_key(rank).copied().unwrap_or(quantity.unit())
}

pub(super) fn kind(kind: GroupKind) -> &'static str {
    match kind {
        GroupKind::Spray => "spray",
        GroupKind::Rotor => "rotor",
        GroupKind::Drip => "drip",
        GroupKind::Bubbler => "bubbler",
        GroupKind::Other => "other",
    }
}

fn month(index: usize) -> &'static str {
    MONTHS.get(index).copied().unwrap_or_default()
}

const MONTHS: [&str; 12] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
const WEEKDAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
