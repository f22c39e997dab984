//! The configuration to start from: what is sure is in force, what is not stands as a comment with its reason.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

use super::guess::{Guess, Meaning, Sense};
use super::page::{counted, duration, plain};
use super::parts::slug;
use super::topics::{Kind, PartGuess, Pattern};
use super::unit::spelled;
use super::{Report, Sure};
use crate::engine::decode::loss::excerpt;
use crate::engine::decode::{Part, TimeFormat, TopicTemplate};
use crate::engine::reading::Quantity;
use crate::engine::units::Unit;

/// What the survey cannot hear.
#[derive(Clone, Debug, Default)]
pub struct Place {
    /// Degrees, south negative; degrees, west negative.
    pub latitude: Option<f64>,
    pub longitude: Option<f64>,
    /// A name of the IANA time zone database.
    pub zone: Option<String>,
    pub broker_host: String,
    pub broker_port: u16,
    pub broker_user: Option<String>,
    pub broker_password_file: Option<String>,
}

/// A configuration, and what is in it.
#[derive(Clone, Debug, Default)]
pub struct Written {
    pub text: String,
    pub feeds: usize,
    pub sites: usize,
    pub sensors: usize,
    /// Fields in force, and fields that stand as comments to be decided on.
    pub fields: usize,
    pub remarks: usize,
    /// Things that must be filled in.
    pub to_fill_in: usize,
}

/// A feed on its way into the file.
struct Feed<'p> {
    template: String,
    pattern: &'p Pattern,
    /// One value a topic: the field that stands in the template itself.
    single: Option<&'p Guess>,
}

/// Writes the configuration. It loads, where anything at all is sure enough to be in force.
pub fn write(report: &Report, place: &Place) -> Written {
    let mut written = Written::default();
    let mut text = String::new();
    // Writing to a string cannot fail.
    let _ = head(&mut text, report, place);
    let (feeds, unfit) = feeds(&report.patterns);
    for (index, feed) in feeds.iter().enumerate() {
        let _ = feed_out(&mut text, index, feed, &mut written);
    }
    for pattern in &unfit {
        let _ = remark(&mut text, pattern, &mut written);
    }
    written.feeds = feeds.len();
    let _ = sites_out(&mut text, &feeds, place, &mut written);
    written.text = text;
    written
}

fn head(out: &mut String, report: &Report, place: &Place) -> std::fmt::Result {
    writeln!(out, "# thirstd, from a survey of {} in {}.", counted(report.messages, "message"), duration(report.span))?;
    writeln!(
        out,
        "# Go through all of it: {FILL} marks what no message can tell, and lines that begin with #fields or #reading"
    )?;
    writeln!(
        out,
        "# are guesses to decide on: take away the # of those that are right. Then: thirstd check --config FILE\n"
    )?;
    writeln!(out, "[broker]\nhost = {}", quoted(&place.broker_host))?;
    writeln!(out, "port = {}", place.broker_port)?;
    match (&place.broker_user, &place.broker_password_file) {
        (None, None) => {}
        (user, file) => {
            if let Some(user) = user {
                writeln!(out, "user = {}", quoted(user))?;
            }
            if let Some(file) = file {
                writeln!(out, "password_file = {}", quoted(file))?;
            }
        }
    }
    Ok(())
}

/// The feeds, none of which overlaps another, and the patterns that nothing in force is known of.
fn feeds(patterns: &[Pattern]) -> (Vec<Feed<'_>>, Vec<&Pattern>) {
    let (good, unfit): (Vec<&Pattern>, Vec<&Pattern>) = patterns.iter().partition(|pattern| {
        let is_template = TopicTemplate::parse(&pattern.template).is_ok();
        is_template && pattern.senders.iter().any(is_name) && pattern.fields.iter().any(is_in_force)
    });
    let overlap = |a: &str, b: &str| match (TopicTemplate::parse(a), TopicTemplate::parse(b)) {
        (Ok(a), Ok(b)) => a.overlaps(&b),
        _ => true,
    };
    let mut feeds: Vec<Feed<'_>> = Vec::new();
    let mut unfit = unfit;
    for (index, pattern) in good.iter().enumerate() {
        let others = good.iter().enumerate().filter(|(other, _)| *other != index);
        let is_field = pattern.template.contains("{field}");
        let clashes = overlap(&pattern.template, OWN)
            || others.clone().any(|(_, other)| overlap(&pattern.template, &other.template));
        if is_field && clashes {
            // The names of the values are written out, so that only they are heard.
            for guess in pattern.fields.iter().filter(|guess| is_in_force(guess)) {
                let template = pattern.template.replace("{field}", &guess.key);
                if !overlap(&template, OWN) && !feeds.iter().any(|feed| overlap(&feed.template, &template)) {
                    feeds.push(Feed { template, pattern, single: Some(guess) });
                }
            }
        } else if feeds.iter().any(|feed| overlap(&feed.template, &pattern.template)) {
            unfit.push(pattern);
        } else {
            feeds.push(Feed { template: pattern.template.clone(), pattern, single: None });
        }
    }
    (feeds, unfit)
}

fn feed_out(out: &mut String, index: usize, feed: &Feed<'_>, written: &mut Written) -> std::fmt::Result {
    let pattern = feed.pattern;
    writeln!(out, "\n[[feeds]]")?;
    writeln!(out, "name = {}", quoted(&format!("feed {}", index + 1)))?;
    writeln!(out, "topic = {}", quoted(&feed.template))?;
    writeln!(out, "format = {}", quoted(pattern.kind.name()))?;
    part_out(out, "site", &pattern.site)?;
    part_out(out, "sensor", &pattern.sensor)?;
    if pattern.fields.iter().any(|guess| is_in_force(guess) && guess.decimal_comma) {
        writeln!(out, "decimal_comma = true                # numbers were written 12,5")?;
    }
    if let (Kind::Json, Some(time)) =
        (pattern.kind, pattern.fields.iter().find(|guess| matches!(guess.meaning, Meaning::Time { .. })))
    {
        let Meaning::Time { format, in_utc } = time.meaning else { return Ok(()) };
        let zone = if in_utc { ", zone = \"UTC\"" } else { "" };
        let line =
            format!("time = {{ pointer = {}, format = {}{zone} }}", quoted(&time.key), quoted(time_format(format)));
        writeln!(out, "{line}   # {}: {}", time.sure.name(), plain(&time.why))?;
    }
    if let Some(guess) = feed.single {
        written.fields += 1;
        return writeln!(out, "reading = {}   # {}", sense_text(guess), because(guess));
    }
    for guess in &pattern.fields {
        let Meaning::Reading(_) = guess.meaning else { continue };
        let key = if guess.key.is_empty() { "reading".to_owned() } else { format!("fields.{}", quoted(&guess.key)) };
        let mark = if is_in_force(guess) { "" } else { "#" };
        if mark.is_empty() {
            written.fields += 1;
        } else {
            written.remarks += 1;
        }
        writeln!(out, "{mark}{key} = {}   # {}", sense_text(guess), because(guess))?;
    }
    let unused: Vec<String> = pattern
        .fields
        .iter()
        .filter(|guess| guess.meaning == Meaning::Nothing)
        .map(|guess| excerpt(&guess.key))
        .collect();
    if !unused.is_empty() {
        let shown = unused.iter().take(12).cloned().collect::<Vec<_>>().join(" ");
        writeln!(out, "# not used: {shown}{}", if unused.len() > 12 { " …" } else { "" })?;
    }
    Ok(())
}

fn part_out(out: &mut String, key: &str, guess: &PartGuess) -> std::fmt::Result {
    let why = format!("{}: {}", guess.sure.name(), plain(&guess.why));
    match &guess.part {
        Part::Captured => writeln!(out, "# {{{key}}} is {why}"),
        Part::Fixed(name) => writeln!(out, "{key} = {}   # {why}", quoted(name)),
        Part::Pointer(pointer) => writeln!(out, "{key}_pointer = {}   # {why}", quoted(pointer)),
    }
}

/// A pattern that is not in force, in the form of a feed.
fn remark(out: &mut String, pattern: &Pattern, written: &mut Written) -> std::fmt::Result {
    writeln!(out, "\n# Perhaps also, once it is clear what its fields are:")?;
    writeln!(out, "#[[feeds]]\n#topic = {}\n#format = {}", quoted(&pattern.template), quoted(pattern.kind.name()))?;
    for guess in pattern.fields.iter().filter(|guess| guess.reading().is_some()) {
        written.remarks += 1;
        let key = if guess.key.is_empty() { "reading".to_owned() } else { format!("fields.{}", quoted(&guess.key)) };
        writeln!(out, "#{key} = {}   # {}", sense_text(guess), because(guess))?;
    }
    Ok(())
}

fn sites_out(out: &mut String, feeds: &[Feed<'_>], place: &Place, written: &mut Written) -> std::fmt::Result {
    let mut sites: BTreeMap<&str, BTreeMap<&str, bool>> = BTreeMap::new();
    let mut beyond = 0;
    for feed in feeds {
        let tips = feed
            .pattern
            .fields
            .iter()
            .any(|guess| is_in_force(guess) && guess.reading().is_some_and(|sense| sense.unit == Unit::Tips));
        for (site, sensor) in feed.pattern.senders.iter().filter(|names| is_name(names)) {
            let known = sites.contains_key(site.as_str());
            let room = sites.len() < MOST_SITES || known;
            match room {
                true if sites.get(site.as_str()).is_none_or(|sensors| sensors.len() < MOST_SENSORS) => {
                    *sites.entry(site).or_default().entry(sensor).or_default() |= tips;
                }
                _ => beyond += 1,
            }
        }
    }
    let mut ids = BTreeSet::new();
    for (site, sensors) in &sites {
        let id = unique(site, &mut ids);
        writeln!(out, "\n[[sites]]\nid = {}", quoted(&id))?;
        if id != *site {
            writeln!(out, "heard_as = {}", quoted(site))?;
        }
        place_out(out, place, written)?;
        let mut sensor_ids = BTreeSet::new();
        for (sensor, tips) in sensors {
            let id = unique(sensor, &mut sensor_ids);
            writeln!(out, "\n[[sites.sensors]]\nid = {}", quoted(&id))?;
            if id != *sensor {
                writeln!(out, "heard_as = {}", quoted(sensor))?;
            }
            if *tips {
                written.to_fill_in += 1;
                writeln!(
                    out,
                    "gauge = {{ tip = \"0.2 mm\" }}         # {FILL}: rain of one tip, from the gauge's label"
                )?;
            }
        }
        written.sensors += sensors.len();
        written.to_fill_in += 2;
        out.push_str(GROUP);
    }
    written.sites = sites.len();
    if beyond > 0 {
        writeln!(out, "\n# {beyond} more sensors were heard; they are not in this file.")?;
    }
    Ok(())
}

fn place_out(out: &mut String, place: &Place, written: &mut Written) -> std::fmt::Result {
    let mut line = |key: &str, given: Option<String>, invented: &str, what: &str| match given {
        Some(value) => writeln!(out, "{key} = {value}"),
        None => {
            written.to_fill_in += 1;
            writeln!(out, "{:35} # {FILL}, this one is invented: {what}", format!("{key} = {invented}"))
        }
    };
    line("latitude", place.latitude.map(|degrees| degrees.to_string()), "39.74", "degrees; south is negative")?;
    line("longitude", place.longitude.map(|degrees| degrees.to_string()), "-104.99", "degrees; west is negative")?;
    line(
        "zone",
        place.zone.as_deref().map(quoted),
        "\"America/Denver\"",
        "the nearest city of your time zone in the IANA list",
    )?;
    writeln!(out, "#elevation = \"1600 m\"               # above 500 m that matters")
}

fn is_in_force(guess: &Guess) -> bool {
    guess.sure > Sure::Guess && guess.reading().is_some()
}

/// A sender that a configuration can name.
fn is_name(names: &(String, String)) -> bool {
    let good = |name: &str| {
        !name.is_empty() && name.len() <= 128 && !name.contains(|c: char| "/+#".contains(c) || c.is_control())
    };
    good(&names.0) && good(&names.1)
}

fn sense_text(guess: &Guess) -> String {
    let Some(sense) = guess.reading() else { return String::new() };
    let mut text = format!("{{ quantity = {}", quoted(sense.quantity.name()));
    if !comes_without_unit(sense) {
        let _ = write!(text, ", unit = {}", quoted(spelled(sense.unit)));
    }
    if sense.scale != 1.0 {
        let _ = write!(text, ", scale = {}", sense.scale);
    }
    if sense.inverted {
        text.push_str(", inverted = true");
    }
    if !guess.sentinels.is_empty() {
        let codes: Vec<String> = guess.sentinels.iter().map(f64::to_string).collect();
        let _ = write!(text, ", sentinels = [{}]", codes.join(", "));
    }
    text.push_str(" }");
    text
}

/// The unit is that of the record, or there is none to write.
fn comes_without_unit(sense: &Sense) -> bool {
    let comes = sense.unit_comes && sense.quantity != Quantity::RainCounter;
    comes || matches!(sense.quantity, Quantity::BatteryOk | Quantity::SequenceNumber)
}

fn because(guess: &Guess) -> String {
    let seen = if guess.example.is_empty() { String::new() } else { format!("; last {}", excerpt(&guess.example)) };
    format!("{}: {}{seen}", guess.sure.name(), plain(&guess.why))
}

pub fn time_format(format: TimeFormat) -> &'static str {
    match format {
        TimeFormat::UnixAuto => "unix_auto",
        TimeFormat::UnixSeconds => "unix_s",
        TimeFormat::UnixMillis => "unix_ms",
        TimeFormat::Rfc3339 => "rfc3339",
        TimeFormat::Local => "local",
    }
}

/// An id of that name which no other has yet.
fn unique(name: &str, taken: &mut BTreeSet<String>) -> String {
    let plain = slug(name);
    let mut id = plain.clone();
    let mut count = 1;
    while !taken.insert(id.clone()) {
        count += 1;
        id = format!("{plain}-{count}");
    }
    id
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => quoted.push_str("\\\""),
            '\\' => quoted.push_str("\\\\"),
            c if c.is_control() => {
                let _ = write!(quoted, "\\u{:04X}", u32::from(c));
            }
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}

/// What thirstd itself publishes, with the prefix that the file leaves as it is.
const OWN: &str = "thirst/v1/#";

/// What stands where something must be filled in.
const FILL: &str = "TO FILL IN";

const GROUP: &str = "
[[sites.groups]]                    # valves that are watered alike
id = \"lawn\"
kind = \"spray\"                      # TO FILL IN: spray, rotor, drip, bubbler or other
#run_depth = \"10 mm\"                # what a full run brings: put a cup on the lawn and measure

[[sites.controllers]]
id = \"relay\"
capability = \"hold\"                 # TO FILL IN: a contact; or percent, percent_per_group, twelve_months, minutes
";

/// Our choice: a file that a person can still go through.
const MOST_SITES: usize = 50;
const MOST_SENSORS: usize = 50;
