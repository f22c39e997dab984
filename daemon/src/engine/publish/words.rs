//! Decisions in plain words, in the site's units and local time.

use super::super::civil;
use super::super::decision::hold::Hold;
use super::super::decision::reason::Reason;
use super::super::decision::scale::RunTime;
use super::super::decision::{Confidence, Wanted, scale};
use super::super::evidence;
use super::super::probe;
use super::super::reading::Quantity;
use super::super::season;
use super::super::settings::{DisplayUnits, SiteSettings};
use super::super::spike;
use super::super::stamp::{MINUTE, Stamp};
use super::super::state::{Context, Establishing, Season, SiteState};

/// The whole decision of a group: what, why, until when, and what it rests on.
pub fn decision(state: &SiteState, index: usize, said: &Wanted, context: &Context<'_>) -> String {
    let mut sentences = vec![];
    if said.holds() {
        let label = format!("Hold: do not water {}.", context.site.groups[index].label);
        sentences.push(label);
        sentences.extend(said.holds.iter().map(|one| hold(state, index, one, context)));
    } else {
        sentences.push(scale_words(state, index, said, context));
    }
    if let Some(words) = confidence(state, said, context) {
        sentences.push(words);
    }
    if let Some(guarded) = state.groups[index].guarded_since {
        sentences.push(format!(
            "The plants have gone without water for so long that rain, wind and a full root zone hold nothing since {}.",
            clock(context, guarded)
        ));
    }
    if let Some(establishing) = &state.groups[index].establishing {
        sentences.push(establishment(establishing, context));
    }
    for release in &state.groups[index].operator.releases {
        let until = release.until.map_or_else(String::new, |until| format!(" until {}", clock(context, until)));
        sentences
            .push(format!("The {} hold was released by an operator{until}.", release.reason.name().replace('_', " ")));
    }
    if !context.now.trusted {
        sentences.push("The daemon's clock is not trusted yet, so days and times may be wrong.".to_owned());
    }
    sentences.join(" ")
}

/// One hold in a sentence.
pub fn hold(state: &SiteState, index: usize, hold: &Hold, context: &Context<'_>) -> String {
    let site = context.site;
    let group = &state.groups[index];
    let until = hold.until.map(|until| clock(context, until));
    let open = |text: &str| until.as_ref().map_or_else(|| text.to_owned(), |until| format!("until {until}"));
    match hold.reason {
        Reason::Rain => {
            let until = until.unwrap_or_else(|| "the ground has dried".to_owned());
            format!(
                "Rain: {} fell in the last rain; there is water enough until about {until}.",
                depth(site, group.rain.mm())
            )
        }
        Reason::Freeze if state.freeze.since().is_none() => match state.nights.expected_celsius() {
            _ if let Some((since, celsius)) = spike::provisional_cold(state, context) => format!(
                "Frost: a thermometer fell suddenly to {} at {}. Its next reading confirms this or ends the hold.",
                temperature(site, celsius),
                clock(context, since)
            ),
            Some(low) => format!(
                "Frost: after an evening like this the nights here fall to about {} by {}.",
                temperature(site, low),
                until.unwrap_or_else(|| "the morning".to_owned())
            ),
            None => "Frost was expected, and no thermometer has said since that it is over.".to_owned(),
        },
        Reason::Freeze => format!(
            "Frost: down to {} since {}. It ends after {} at {} or more.",
            temperature(site, state.freeze.coldest_celsius()),
            clock(context, hold.since),
            duration(site.freeze.release_after_minutes),
            temperature(site, site.freeze.release_at_celsius)
        ),
        Reason::Wind => format!(
            "Wind: the 10-minute mean reached {}. It ends after {} at {} or less.",
            speed(site, site.wind.hold_at_m_per_s),
            duration(site.wind.release_after_minutes),
            speed(site, site.wind.release_at_m_per_s)
        ),
        Reason::Restriction => {
            let (rule, source) =
                group.restriction.as_ref().map_or(("", ""), |rule| (rule.rule.as_str(), rule.source.as_str()));
            let source = if source.is_empty() { String::new() } else { format!(" ({source})") };
            format!("Watering restriction \"{rule}\"{source}: not allowed {}.", open("for as long as the rule stands"))
        }
        Reason::Operator => {
            let by = group.operator.hold.as_ref();
            let who = by.map_or("", |hold| hold.who.as_str());
            let note = by.map(|hold| hold.note.as_str()).filter(|note| !note.is_empty());
            let note = note.map_or_else(String::new, |note| format!(" ({note})"));
            format!("Held by {who}{note} {}.", open("until released"))
        }
        Reason::RootZoneFull => root_zone_full(state, index, context),
        Reason::Season if state.season == Season::StartDue => {
            "The system is drained; the frost is over, so it can be filled and started again.".to_owned()
        }
        Reason::Season => "The system is drained for the winter.".to_owned(),
        Reason::Calendar => format!("The calendar says no watering {}.", open("for now")),
        Reason::NoEvidence => {
            if evidence::known(state, context).thermometer {
                "Too little is known to let water run.".to_owned()
            } else {
                "No thermometer is heard, and frost cannot be ruled out at this time of the year.".to_owned()
            }
        }
    }
}

/// New plants, and in the last days of them a reminder.
fn establishment(establishing: &Establishing, context: &Context<'_>) -> String {
    let until = establishing.until.format("%a %-d %b");
    let mut text = format!("New plants establish until {until}: at least 100 % on each watering day.");
    let left = season::days_left(establishing, civil::date(context.site.zone, context.now.wall));
    if left < REMINDED_DAYS {
        text += " Then the ledger decides alone: set run times back if they were raised.";
    }
    if let Some(permit) = &establishing.permit {
        text += &format!(" Restrictions are set aside by the permit that was noted: \"{permit}\".");
    }
    text
}

fn root_zone_full(state: &SiteState, index: usize, context: &Context<'_>) -> String {
    let Some(probe) = &context.site.groups[index].probe else {
        return "The root zone is full: nothing is missing there yet.".to_owned();
    };
    match probe::moisture_percent(state, probe, context) {
        Some(percent) => format!(
            "The soil is full: sensor {} reads {percent:.0} % of water by volume, and from {:.0} % on the soil holds no more.",
            probe.sensor, probe.full_percent
        ),
        None => format!("The soil was full when sensor {} was last heard.", probe.sensor),
    }
}

fn scale_words(state: &SiteState, index: usize, said: &Wanted, context: &Context<'_>) -> String {
    let site = context.site;
    let (settings, group) = (&site.groups[index], &state.groups[index]);
    let label = &settings.label;
    let next = group.next_point.map_or_else(String::new, |at| format!(" Next look: {}.", clock(context, at)));
    if said.confidence == Confidence::Unknown && site.normals.is_none() {
        return format!("Water {label} {} % of the programmed run times: the configured default.{next}", said.percent);
    }
    let planned = group.planned;
    let owed = depth(site, planned.owed_mm.abs());
    let when = if context.now.wall.since(planned.at) < MINUTE {
        String::new()
    } else {
        format!(" at {}", clock(context, planned.at))
    };
    if said.percent == 0 {
        let least = depth(site, scale::least_run_mm(settings));
        let why = match planned.owed_mm {
            mm if mm >= 0.05 => {
                format!("{owed} owed{when}, less than the least run worth giving ({least}); it is carried on")
            }
            mm if mm <= -0.05 => format!("nothing is owed{when}; {owed} are stored ahead"),
            _ => format!("nothing is owed{when}"),
        };
        return format!("No water for {label} now: {why}.{next}");
    }
    let capped = if said.percent >= settings.most_percent { ", the most that is set" } else { "" };
    let run = depth(site, settings.run_depth_mm);
    format!(
        "Water {label} {} % of the programmed run times{capped}: {owed} owed{when}, and a full run gives {run}.{next}",
        said.percent
    )
}

fn confidence(state: &SiteState, said: &Wanted, context: &Context<'_>) -> Option<String> {
    let known = evidence::known(state, context);
    match said.confidence {
        Confidence::Measured => None,
        Confidence::Substituted => Some(match (known.thermometer, last_reading(state, &[Quantity::AirTemperature])) {
            (true, _) => "The rain gauge is silent: rain of this time is not known.".to_owned(),
            (false, Some(_)) => format!("The thermometer is silent: evaporation is taken from {}.", instead(context)),
            (false, None) => format!("There is no thermometer: evaporation is taken from {}.", instead(context)),
        }),
        Confidence::Unknown => {
            let silence = match last_reading(state, &EVIDENCE) {
                Some(last) => format!("The last reading that counts is of {}", clock(context, last)),
                None => "No reading has come from any sensor of the site yet".to_owned(),
            };
            Some(match (said.holds(), state.freeze.since()) {
                (true, Some(_)) => format!("{silence}: it was freezing then, and silence is not warmth."),
                (true, None) => format!("{silence}."),
                (false, _) => format!("{silence}, so this rests on {}.", instead(context)),
            })
        }
    }
}

/// What stands in for measurements.
fn instead(context: &Context<'_>) -> &'static str {
    if context.site.normals.is_some() { "climate normals" } else { "configured defaults" }
}

/// When any sensor of the site gave the last reading of `quantities` that counts.
fn last_reading(state: &SiteState, quantities: &[Quantity]) -> Option<Stamp> {
    let channels = state.sensors.iter().flat_map(|entry| &entry.sensor.channels);
    let counted =
        channels.filter(|channel| quantities.contains(&channel.quantity)).filter_map(|channel| channel.counted);
    counted.map(|counted| counted.observed_at).max()
}

/// What a decision rests on.
const EVIDENCE: [Quantity; 4] =
    [Quantity::AirTemperature, Quantity::RainCounter, Quantity::RainfallAmount, Quantity::RainfallRate];

/// What a controller is told, in one sentence.
pub fn instruction(water_allowed: bool, what: &str, held: &[String]) -> String {
    match (water_allowed, held.is_empty()) {
        (true, _) => format!("Water may run: {what}."),
        (false, true) => format!("No water: {what}."),
        (false, false) => format!("No water. Held: {}.", held.join("; ")),
    }
}

/// A run: "24 minutes in 2 cycles with 43 minutes of soaking between", or "off".
pub fn run_time(run: &RunTime) -> String {
    let minutes = match run.minutes {
        minutes if minutes <= 0.0 => return "off".to_owned(),
        1.0 => "1 minute".to_owned(),
        minutes => format!("{minutes} minutes"),
    };
    match run.cycles.count {
        0 | 1 => minutes,
        count => {
            format!("{minutes} in {count} cycles with {} minutes of soaking between", run.cycles.soak_minutes)
        }
    }
}

/// Depth of water: "6.5 mm", or inches to two decimals.
pub fn depth(site: &SiteSettings, mm: f64) -> String {
    match site.units {
        DisplayUnits::Metric => format!("{:.1} mm", zero(mm, 0.05)),
        DisplayUnits::Us => format!("{:.2} in", zero(mm / MM_PER_INCH, 0.005)),
    }
}

/// Depth of water one digit finer, where it is the difference that matters.
pub fn exact_depth(site: &SiteSettings, mm: f64) -> String {
    match site.units {
        DisplayUnits::Metric => format!("{:.2} mm", zero(mm, 0.005)),
        DisplayUnits::Us => format!("{:.3} in", zero(mm / MM_PER_INCH, 0.0005)),
    }
}

pub fn temperature(site: &SiteSettings, celsius: f64) -> String {
    match site.units {
        DisplayUnits::Metric => format!("{:.1} °C", zero(celsius, 0.05)),
        DisplayUnits::Us => format!("{:.0} °F", zero(celsius * 1.8 + 32.0, 0.5)),
    }
}

/// A difference of temperatures: 5 °C are 9 °F.
pub fn temperature_change(site: &SiteSettings, celsius: f64) -> String {
    let (number, unit) = site.units.change(Quantity::AirTemperature, celsius);
    format!("{:.1} {unit}", zero(number, 0.05))
}

pub fn speed(site: &SiteSettings, m_per_s: f64) -> String {
    match site.units {
        DisplayUnits::Metric => format!("{m_per_s:.1} m/s"),
        DisplayUnits::Us => format!("{:.0} mph", m_per_s / MPS_PER_MPH),
    }
}

/// A span of time: "45 minutes", "2 hours", "2.5 hours".
pub fn duration(minutes: u32) -> String {
    match minutes {
        1 => "1 minute".to_owned(),
        60 => "1 hour".to_owned(),
        _ if minutes > 0 && minutes.is_multiple_of(60) => format!("{} hours", minutes / 60),
        0..=90 => format!("{minutes} minutes"),
        _ => format!("{:.1} hours", f64::from(minutes) / 60.0),
    }
}

/// Day and time with the date, for what stands for long: "Sat 10 Jul 2027 13:30".
pub fn moment(context: &Context<'_>, at: Stamp) -> String {
    civil::local(context.site.zone, at).format("%a %-d %b %Y %H:%M").to_string()
}

fn clock(context: &Context<'_>, at: Stamp) -> String {
    civil::clock_text(context.site.zone, at, context.now.wall)
}

/// No "-0.0".
fn zero(value: f64, half_step: f64) -> f64 {
    if value.abs() < half_step { 0.0 } else { value }
}

/// The end of an establishment period is announced so many days before. Our choice.
const REMINDED_DAYS: i64 = 3;

/// By definition.
const MM_PER_INCH: f64 = 25.4;
const MPS_PER_MPH: f64 = 0.44704;
