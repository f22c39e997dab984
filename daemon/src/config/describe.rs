//! What `thirstd check` says of a good configuration: who is heard where, what is decided by which numbers, and who is
//! told.

mod normals;
mod words;

use std::fmt::Write;

use self::words::{Units, days, degrees, hours, listed, minutes, months, percent};
use super::group::{Source, Sources};
use super::tls::{TlsContents, TlsFiles};
use super::{History, Loaded};
use crate::engine::decision::reason::Capability;
use crate::engine::decode::{FeedSettings, Format, Part};
use crate::engine::settings::{
    ControllerSettings, DecideAt, GroupSettings, Parity, RainHoldLength, RestrictionRule, SensorSettings, Settings,
    SiteSettings, WhenUnknown, Window,
};
use crate::engine::stamp::Stamp;

/// Plain text for people: subscriptions, then each site with sensors, groups, holds, controllers and restrictions, then
/// cautions.
pub fn describe(loaded: &Loaded) -> String {
    let mut page = Page(String::new());
    let settings = &loaded.settings;
    let broker = &loaded.broker;
    let sites = settings.sites.len();
    page.line(0, format_args!("No faults. {sites} {}.", if sites == 1 { "site" } else { "sites" }));
    page.blank();
    page.line(0, format_args!("Broker     {}:{} as {}", broker.host, broker.port, broker.client_id));
    if let Some(tls) = &broker.tls {
        page.link(tls);
    }
    page.line(0, format_args!("Store      {}", loaded.store_path.display()));
    if let Some(history) = &loaded.history {
        page.history(history);
    }
    page.line(0, format_args!("Publishes  {}/…, as {}", settings.prefix, settings.instance));
    page.line(0, format_args!("Version    {:08x}", settings.version));
    page.blank();
    page.line(0, format_args!("Subscriptions"));
    for feed in &settings.feeds {
        page.feed(feed);
    }
    for (index, site) in settings.sites.iter().enumerate() {
        page.blank();
        page.site(settings, site, loaded.sources.get(index).map_or(&[], Vec::as_slice));
    }
    if !loaded.cautions.is_empty() {
        page.blank();
        page.line(0, format_args!("Perhaps not meant"));
        for caution in &loaded.cautions {
            page.line(1, format_args!("{caution}"));
        }
    }
    page.0
}

/// Text under way.
struct Page(String);

impl Page {
    fn line(&mut self, level: usize, text: std::fmt::Arguments<'_>) {
        // Writing to a string cannot fail.
        let _ = writeln!(self.0, "{:indent$}{text}", "", indent = 2 * level);
    }

    /// How the way to the broker is protected, and until when.
    fn link(&mut self, tls: &TlsFiles) {
        let contents = tls.read().ok();
        let until = |expires: Option<Stamp>| {
            expires.map_or(String::new(), |expires| format!(", valid until {}", expires.utc().date_naive()))
        };
        match &tls.ca_file {
            Some(path) => {
                let until = until(contents.as_ref().and_then(TlsContents::authorities_expire));
                self.line(0, format_args!("TLS        signed by the authority in {}{until}", path.display()));
            }
            None => self.line(0, format_args!("TLS        signed by an authority that this system trusts")),
        }
        if let Some(client) = &tls.client {
            let until = until(contents.as_ref().and_then(TlsContents::client_expires));
            self.line(0, format_args!("           our certificate is {}{until}", client.cert_file.display()));
        }
    }

    /// Where history goes.
    fn history(&mut self, history: &History) {
        let token = match (&history.token_file, &history.token) {
            (Some(path), _) => format!("with the token in {}", path.display()),
            (None, Some(_)) => "with the token of the environment".to_owned(),
            (None, None) => "without a token".to_owned(),
        };
        let buckets = if history.bucket == history.bucket_long {
            history.bucket.clone()
        } else {
            format!("{} and {}", history.bucket, history.bucket_long)
        };
        let (url, organization, fleet) = (&history.url, &history.organization, &history.fleet);
        self.line(0, format_args!("History    {url}, {organization}, into {buckets}; {token}"));
        self.line(0, format_args!("           fleet {fleet}; up to {} MiB wait in the store", history.limit_mib));
    }

    fn blank(&mut self) {
        self.0.push('\n');
    }

    fn feed(&mut self, feed: &FeedSettings) {
        let format = match feed.format {
            Format::Json => "JSON",
            Format::Value => "one value a topic",
            Format::Senml => "SenML",
        };
        self.line(1, format_args!("{}   ({}, {format})", feed.template.filter(), feed.name));
        for field in &feed.fields {
            let from = if field.key.is_empty() { "the value" } else { &field.key };
            let (quantity, unit) = (field.quantity.name(), field.unit);
            let unit = words::unit_name(unit, field.quantity);
            let from_unit = match unit {
                _ if field.needs_unit => ", in the unit that comes with it".to_owned(),
                "" => String::new(),
                unit => format!(", in {unit}"),
            };
            self.line(2, format_args!("{from} is {quantity}{from_unit}"));
        }
        let by = |part: &Part, mark: &str, word: &str| match part {
            Part::Captured => format!("{word} by {mark} of the topic"),
            Part::Pointer(pointer) => format!("{word} by {pointer}"),
            Part::Fixed(name) => format!("{word} {name}"),
        };
        let (site, sensor) = (by(&feed.site, "{site}", "site"), by(&feed.sensor, "{sensor}", "sensor"));
        let time = feed.time.as_ref().map_or("arrival".to_owned(), |time| time.pointer.clone());
        self.line(2, format_args!("{site}, {sensor}, time by {time}"));
    }

    fn site(&mut self, settings: &Settings, site: &SiteSettings, sources: &[Sources]) {
        let units = Units(site.units);
        let place = &site.place;
        let label = if site.label == site.id { String::new() } else { format!(" ({})", site.label) };
        self.line(0, format_args!("Site {}{label}", site.id));
        self.line(
            1,
            format_args!(
                "at {}, {}, {}; clock of {}",
                degrees(place.latitude_degrees, 'N', 'S'),
                degrees(place.longitude_degrees, 'E', 'W'),
                units.height(place.elevation_m),
                site.zone.name()
            ),
        );
        self.rhythm(site, &units);
        self.line(1, format_args!("Sensors"));
        for sensor in &site.sensors {
            self.sensor(settings, sensor);
        }
        for (index, group) in site.groups.iter().enumerate() {
            self.group(group, sources.get(index).copied().unwrap_or_default(), &units);
        }
        self.holds(site, &units);
        self.line(1, format_args!("Controllers"));
        for controller in &site.controllers {
            self.controller(settings, site, controller);
        }
        if !site.restrictions.is_empty() {
            self.line(1, format_args!("Restrictions"));
        }
        for rule in &site.restrictions {
            self.line(2, format_args!("{}: {}", rule.name, restriction(rule)));
            self.line(3, format_args!("by {}", rule.source));
        }
    }

    fn rhythm(&mut self, site: &SiteSettings, units: &Units) {
        let at = match site.decide_at {
            DecideAt::Sunset => "at sunset".to_owned(),
            DecideAt::At(time) => format!("at {}", time.format("%H:%M")),
        };
        self.line(
            1,
            format_args!(
                "decides {at} and before each window; a decision is valid for {}; a day is final after {}",
                hours(site.valid_hours),
                hours(u32::from(site.lateness_hours))
            ),
        );
        let scale = site.default_scale_percent;
        let unknown = match (site.when_unknown, &site.normals) {
            (WhenUnknown::Hold, _) => "holds".to_owned(),
            (WhenUnknown::Scale, Some(_)) => "scales by the normals".to_owned(),
            (WhenUnknown::Scale, None) => format!("scales to {scale} %"),
        };
        self.line(1, format_args!("when nothing is known: {unknown}"));
        for line in normals::lines(site, units) {
            self.line(1, format_args!("{line}"));
        }
    }

    fn sensor(&mut self, settings: &Settings, sensor: &SensorSettings) {
        let heard: Vec<String> = settings.feeds.iter().filter_map(|feed| heard_on(feed, sensor)).collect();
        self.line(2, format_args!("{}: {}", sensor.id, heard.join(", ")));
        let mut notes = Vec::new();
        if let Some(volts) = sensor.battery.volts_threshold() {
            notes.push(format!("battery low below {} V", words::short(volts.0, 2)));
        }
        if let Some(volts) = sensor.battery.end() {
            let lead = sensor.battery.forecast_lead_days;
            notes.push(format!("asked for {lead} days before {} V", words::short(volts.0, 2)));
        }
        if let Some(seconds) = sensor.link.silence_limit_seconds {
            notes.push(format!("lost after {} of silence", words::seconds(seconds)));
        }
        if !sensor.rain_counts {
            notes.push("its rain does not count".to_owned());
        }
        if !notes.is_empty() {
            self.line(3, format_args!("{}", notes.join("; ")));
        }
    }

    fn group(&mut self, group: &GroupSettings, sources: Sources, units: &Units) {
        let label = if group.label == group.id { String::new() } else { format!(" ({})", group.label) };
        let kind = words::kind(group.kind);
        self.line(1, format_args!("Group {}{label}, {kind}", group.id));
        let mut row = |name: &str, value: String, source: Source| {
            let source = match source {
                Source::Default => "default",
                Source::Given => "given",
                Source::From(words) => words,
            };
            self.line(2, format_args!("{name:<16}{value:<28}{source}"));
        };
        row("plant factor", words::factors(&group.plant_factor), sources.plant_factor);
        row("100 % run", units.depth(group.run_depth_mm), sources.run_depth);
        row("watering days", words::weekdays(&group.watering_days), sources.watering_days);
        row("window", window(group.window), sources.window);
        row("rain exposure", percent(group.rain_exposure * 100.0), sources.rain_exposure);
        row("stored ahead", format!("up to {}", units.depth(group.credit_mm)), sources.credit);
        row("owed", format!("up to {}", units.depth(group.ceiling_mm)), sources.ceiling);
        if group.is_account() {
            let total = group.ground.total_mm.map_or(String::new(), |total| units.depth(total));
            row("root zone", format!("an account of {total}"), Source::Given);
        }
        if let Some(texture) = group.ground.texture {
            row("soil", format!("{texture:?}, slope {}", percent(group.ground.slope_percent)), Source::Given);
        }
        if let Some(probe) = &group.probe {
            let marks = format!("{} full, {} refill", percent(probe.full_percent), percent(probe.refill_percent));
            row("soil moisture", format!("{}: {marks}", probe.sensor), Source::Given);
        }
        row("smallest run", percent(f64::from(group.least_percent)), sources.least);
        row("largest run", percent(f64::from(group.most_percent)), sources.most);
    }

    fn holds(&mut self, site: &SiteSettings, units: &Units) {
        self.line(1, format_args!("Holds"));
        let rain = &site.rain;
        if rain.enabled {
            let length = match rain.length {
                RainHoldLength::Auto => format!("until a run is owed again, at most {}", days(rain.longest_days)),
                RainHoldLength::Days(length) => format!("for {}", days(length)),
            };
            self.line(
                2,
                format_args!(
                    "rain: from {} in one event (over after {} without rain), {length} after the last rain",
                    units.depth(rain.threshold_mm),
                    hours(u32::from(rain.event_gap_hours))
                ),
            );
            self.line(3, format_args!("extended by {} in 24 h", units.depth(rain.extends_at_mm)));
        } else {
            self.line(2, format_args!("rain: off"));
        }
        let freeze = &site.freeze;
        if freeze.enabled {
            self.line(
                2,
                format_args!(
                    "freeze: at {} and below, until {} at {} and above",
                    units.temperature(freeze.hold_at_celsius),
                    minutes(freeze.release_after_minutes),
                    units.temperature(freeze.release_at_celsius)
                ),
            );
        } else {
            self.line(2, format_args!("freeze: off"));
        }
        let wind = &site.wind;
        if wind.enabled {
            self.line(
                2,
                format_args!(
                    "wind: from {}, until {} at {} and below, never drip; {} after the anemometer falls silent",
                    units.speed(wind.hold_at_m_per_s),
                    minutes(wind.release_after_minutes),
                    units.speed(wind.release_at_m_per_s),
                    hours(wind.longest_hours)
                ),
            );
        } else {
            self.line(2, format_args!("wind: off"));
        }
    }

    fn controller(&mut self, settings: &Settings, site: &SiteSettings, controller: &ControllerSettings) {
        let gets = match controller.capability {
            Capability::Hold => "hold or water",
            Capability::Percent => "one percentage",
            Capability::PercentPerGroup => "a percentage for each group",
            Capability::TwelveMonths => "twelve monthly percentages",
            Capability::Minutes => "minutes for each group",
        };
        let (id, groups) = (&controller.id, listed(&controller.groups, "and"));
        self.line(2, format_args!("{id}, for {groups}: {gets}, on"));
        self.line(3, format_args!("{}/site/{}/instruction/{id}", settings.prefix, site.id));
        if controller.capability != Capability::Hold {
            let ControllerSettings { least_percent, most_percent, step_percent, .. } = controller;
            self.line(3, format_args!("{least_percent} % to {most_percent} %, in steps of {step_percent} %"));
        }
    }
}

/// The topic on which the feed hears the sensor; `None` where it does not.
fn heard_on(feed: &FeedSettings, sensor: &SensorSettings) -> Option<String> {
    let by = |part: &Part, name: &str| match part {
        Part::Captured => Some(None),
        Part::Pointer(pointer) => Some(Some(format!("{pointer} is {name}"))),
        Part::Fixed(fixed) => (fixed == name).then_some(None),
    };
    let conditions = [by(&feed.site, &sensor.heard_under)?, by(&feed.sensor, &sensor.heard_as)?];
    let level = |part: &str| match part {
        "{site}" => sensor.heard_under.clone(),
        "{sensor}" => sensor.heard_as.clone(),
        "{field}" => "+".to_owned(),
        other => other.to_owned(),
    };
    let topic = feed.template.text().split('/').map(level).collect::<Vec<_>>().join("/");
    let conditions: Vec<String> = conditions.into_iter().flatten().collect();
    Some(if conditions.is_empty() { topic } else { format!("{topic} where {}", listed(&conditions, "and")) })
}

/// A rule in words.
fn restriction(rule: &RestrictionRule) -> String {
    let mut parts = Vec::new();
    if let Some(allowed) = &rule.allowed_weekdays {
        parts.push(format!("only on {}", words::weekdays(allowed)));
    }
    match rule.parity {
        Some(Parity::Odd) => parts.push("only on odd dates, not the 31st and 29 February".to_owned()),
        Some(Parity::Even) => parts.push("only on even dates".to_owned()),
        None => {}
    }
    if !rule.barred.is_empty() {
        let barred: Vec<String> = rule.barred.iter().copied().map(window).collect();
        parts.push(format!("never {}", listed(&barred, "or")));
    }
    if let Some(days) = rule.days_a_week {
        parts.push(format!("at most {days} days a week"));
    }
    if let Some(minutes) = rule.most_minutes {
        parts.push(format!("at most {minutes} minutes a zone"));
    }
    if let Some(((month, day), (last_month, last_day))) = rule.every_year {
        parts.push(format!("every year from {month:02}-{day:02} to {last_month:02}-{last_day:02}"));
    }
    if let Some(from) = rule.from {
        parts.push(format!("from {from}"));
    }
    if let Some(until) = rule.until {
        parts.push(format!("until {until}"));
    }
    if !rule.groups.is_empty() {
        parts.push(format!("for {}", listed(&rule.groups, "and")));
    }
    if !rule.exempt_kinds.is_empty() {
        let kinds: Vec<&str> = rule.exempt_kinds.iter().copied().map(words::kind).collect();
        parts.push(format!("not for {}", listed(&kinds, "and")));
    }
    parts.join(", ")
}

fn window(window: Window) -> String {
    let closes = if window.closes == chrono::NaiveTime::MIN { "24:00".to_owned() } else { clock(window.closes) };
    let next = if window.closes <= window.opens && closes != "24:00" { " the next day" } else { "" };
    format!("{}–{closes}{next}", clock(window.opens))
}

fn clock(time: chrono::NaiveTime) -> String {
    time.format("%H:%M").to_string()
}

#[cfg(test)]
mod tests;
