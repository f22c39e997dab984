//! Open alerts folded into visits: who goes where, by when, why, and with what.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use thirst_schemas as wire;

use crate::engine::alert::{AlertKind, OpenAlert, Urgency, Wording};
use crate::engine::civil;
use crate::engine::settings::SiteSettings;
use crate::engine::stamp::Stamp;

pub use wire::Visit;

/// What one open alert means for a visit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Need<'a> {
    pub kind: AlertKind,
    pub subject: &'a str,
    /// None: no day can be told.
    pub by: Option<NaiveDate>,
    pub urgency: Urgency,
    pub text: &'a str,
    pub bring: Option<&'a str>,
    /// Days from the earliest to the latest day of a forecast, and to the likely one; None: the cause is there already.
    pub forecast: Option<(f64, f64)>,
}

impl<'a> Need<'a> {
    /// None where nobody has to go, or it was put off.
    pub fn of(kind: AlertKind, subject: &'a str, alert: &'a OpenAlert, site: &SiteSettings) -> Option<Self> {
        if !kind.needs_visit() || alert.snoozed_until.is_some() {
            return None;
        }
        Some(Self {
            kind,
            subject,
            by: by(kind, alert, site),
            urgency: alert.urgency(kind),
            text: &alert.wording.text,
            bring: bring(kind, &alert.wording),
            forecast: forecast(|name| alert.wording.figures.get(name).copied()),
        })
    }

    /// Of an alert as it was published. None where nobody has to go; what was put off is for the caller to leave out.
    pub fn told(alert: &'a wire::Alert) -> Option<Self> {
        Some(Self {
            kind: AlertKind::from_name(alert.kind.name()).filter(|kind| kind.needs_visit())?,
            subject: &alert.subject,
            by: alert.by,
            urgency: match alert.urgency {
                wire::Urgency::Now => Urgency::Now,
                wire::Urgency::Today => Urgency::Today,
                wire::Urgency::NextVisit => Urgency::NextVisit,
            },
            text: &alert.text,
            bring: alert.bring.first().map(String::as_str),
            forecast: forecast(|name| alert.figures.get(name).copied()),
        })
    }
}

/// The spread of a forecast and the days to its likely end, out of an alert's figures.
fn forecast(figure: impl Fn(&str) -> Option<f64>) -> Option<(f64, f64)> {
    let spread = figure("days_left_latest")? - figure("days_left_earliest")?;
    Some((spread, figure("days_left_likely")?))
}

/// The day by which somebody should have acted: the alert's own, or that of its beginning where it cannot wait.
pub fn by(kind: AlertKind, alert: &OpenAlert, site: &SiteSettings) -> Option<NaiveDate> {
    match (alert.wording.by, alert.urgency(kind)) {
        (Some(day), _) => Some(civil::numbered_date(day)),
        (None, Urgency::Now | Urgency::Today) => Some(civil::date(site.zone, alert.since)),
        (None, Urgency::NextVisit) => None,
    }
}

/// What to bring for an alert.
pub fn bring(kind: AlertKind, wording: &Wording) -> Option<&str> {
    wording.bring.as_deref().or(kind.tools())
}

/// The visit that the open alerts of a site ask for; None: nobody has to go.
pub fn visit(site: &SiteSettings, mut needs: Vec<Need<'_>>) -> Option<wire::Visit> {
    needs.sort_by_key(|need| (need.by.is_none(), need.by, need.urgency as u8, need.kind, need.subject));
    let first = *needs.first()?;
    let mut sensors: Vec<String> = Vec::new();
    let mut reasons: Vec<String> = Vec::new();
    // In order of the first need for it; whose it is, where it is counted by sensor.
    let mut things: Vec<&str> = Vec::new();
    let mut owners: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for need in &needs {
        let sensor = sensor_of(site, need.subject);
        if let Some(id) = sensor.filter(|id| !sensors.iter().any(|known| known == id)) {
            sensors.push(id.to_owned());
        }
        if reasons.len() < MOST_REASONS && !reasons.iter().any(|known| known == need.text) {
            reasons.push(need.text.to_owned());
        }
        let Some(thing) = need.bring else { continue };
        if !things.contains(&thing) {
            things.push(thing);
        }
        if let Some(id) = sensor.filter(|_| need.kind.is_of_cells()) {
            let of = owners.entry(thing).or_default();
            if !of.iter().any(|known| known == id) {
                of.push(id.to_owned());
            }
        }
    }
    let bring = things.into_iter().map(|thing| match owners.get(thing).map(Vec::as_slice) {
        None | Some([]) => thing.to_owned(),
        Some([only]) => format!("{thing} for {only}"),
        Some(several) => format!("{thing} each for {}", several.join(", ")),
    });
    Some(wire::Visit {
        site: site.id.clone(),
        sensors,
        reasons,
        by: first.by,
        bring: bring.collect(),
        confidence: match first.forecast {
            None => wire::VisitConfidence::Certain,
            Some((spread, likely)) if spread <= NARROW_DAYS.max(likely) => wire::VisitConfidence::Likely,
            Some(_) => wire::VisitConfidence::Possible,
        },
    })
}

/// The order of the list: by date, what has none last; then the surer ones, then by id.
pub fn order(a: &wire::Visit, b: &wire::Visit) -> std::cmp::Ordering {
    let key = |visit: &wire::Visit| (visit.by.is_none(), visit.by, visit.confidence);
    key(a).cmp(&key(b)).then_with(|| a.site.cmp(&b.site))
}

/// Keeps what has room in one payload, of a list in its order. How many are left out, where there are any.
pub fn cut<T>(list: &mut Vec<T>) -> Option<u32> {
    let left_out = u32::try_from(list.len().saturating_sub(MOST_VISITS)).ok().filter(|count| *count > 0);
    list.truncate(MOST_VISITS);
    left_out
}

/// The list's topic.
pub fn topic(prefix: &str) -> String {
    wire::topics::visits(prefix)
}

/// The list as it is published.
pub fn payload(visits: Vec<Visit>, left_out: Option<u32>, epoch: u64, sequence: u64, now: Stamp) -> Vec<u8> {
    let payload = wire::Visits { schema: Default::default(), epoch, sequence, issued_at: now.utc(), visits, left_out };
    // Plain data, which always serializes.
    serde_json::to_vec(&payload).unwrap_or_default()
}

/// The sensor of the site that a subject names, alone or with a quantity behind it.
fn sensor_of<'a>(site: &'a SiteSettings, subject: &str) -> Option<&'a str> {
    let named = |id: &str| subject.strip_prefix(id).is_some_and(|rest| rest.is_empty() || rest.starts_with('-'));
    let ids = site.sensors.iter().map(|sensor| sensor.id.as_str()).filter(|id| named(id));
    ids.max_by_key(|id| id.len())
}

/// Visits in one payload, about 400 kB. Our choice: nobody plans more at once.
const MOST_VISITS: usize = 1_000;

/// Reasons told of one site. Our choice: who needs more of them needs the page of the site.
const MOST_REASONS: usize = 12;

/// A forecast with at most this spread, or with no more than the days that are left, is narrow. Our choice.
const NARROW_DAYS: f64 = 14.0;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::settings::{SensorSettings, tests::site};

    fn ash() -> SiteSettings {
        let sensor = |id: &str| SensorSettings {
            id: id.into(),
            heard_as: id.into(),
            heard_under: "ash".into(),
            gauge: Default::default(),
            link: Default::default(),
            battery: Default::default(),
            rain_counts: true,
        };
        SiteSettings { id: "ash".into(), sensors: vec![sensor("mast"), sensor("mast-low"), sensor("gauge")], ..site() }
    }

    fn alert(wording: Wording) -> OpenAlert {
        // 2027-06-01T23:00:00Z is 2 June in Berlin.
        OpenAlert { since: Stamp(1_811_890_800_000), wording, acknowledged_by: None, snoozed_until: None }
    }

    fn date(day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2027, 6, day).unwrap()
    }

    fn folded(alerts: &[(AlertKind, &str, OpenAlert)]) -> Option<wire::Visit> {
        let site = ash();
        let needs = alerts.iter().filter_map(|(kind, subject, alert)| Need::of(*kind, subject, alert, &site));
        visit(&site, needs.collect())
    }

    #[test]
    fn the_most_pressing_alert_gives_the_date_and_cells_are_counted_by_sensor() {
        let cells = |text: &str| Wording::new(text, "").bringing("two AA alkaline cells");
        let mut later = cells("mast soon empty")
            .with("days_left_earliest", 20.0)
            .with("days_left_likely", 25.0)
            .with("days_left_latest", 60.0);
        (later.urgency, later.by) = (Some(Urgency::NextVisit), Some(civil::day_number(date(22))));
        let alerts = [
            (AlertKind::BatteryForecast, "mast", alert(later)),
            (AlertKind::BatteryLow, "gauge", alert(cells("gauge low"))),
            (AlertKind::GaugeSprayed, "gauge", alert(Wording::new("gauge sprayed", ""))),
            (AlertKind::FlatLine, "mast-low-air-temperature", alert(Wording::new("flat", ""))),
            (AlertKind::DryGuard, "lawn", alert(Wording::new("dry", ""))),
        ];
        let visit = folded(&alerts).unwrap();
        assert_eq!((visit.by, visit.confidence), (Some(date(2)), wire::VisitConfidence::Certain));
        assert_eq!(visit.sensors, ["gauge", "mast-low", "mast"]);
        assert_eq!(visit.reasons, ["gauge low", "flat", "mast soon empty", "gauge sprayed"]);
        assert_eq!(
            visit.bring,
            [
                "two AA alkaline cells each for gauge, mast",
                "a spare sensor",
                "tools to move the rain gauge or to turn the sprinkler"
            ]
        );
        let alone = folded(&alerts[..1]).unwrap();
        assert_eq!((alone.by, alone.confidence), (Some(date(22)), wire::VisitConfidence::Possible));
        assert_eq!(alone.bring, ["two AA alkaline cells for mast"]);
        let mut order_of = [alone.clone(), wire::Visit { by: None, ..alone.clone() }, visit.clone()];
        order_of.sort_by(order);
        assert_eq!(order_of.map(|visit| visit.by), [Some(date(2)), Some(date(22)), None]);
    }

    #[test]
    fn what_was_put_off_or_can_be_settled_from_afar_asks_for_no_visit() {
        let low = alert(Wording::new("low", ""));
        let put_off = OpenAlert { snoozed_until: Some(Stamp(1)), ..low.clone() };
        let taken_on = OpenAlert { acknowledged_by: Some("office".into()), ..low.clone() };
        assert_eq!(folded(&[(AlertKind::BatteryLow, "mast", put_off)]), None);
        assert_eq!(folded(&[(AlertKind::FeedRejecting, "mast", low)]), None);
        assert!(folded(&[(AlertKind::BatteryLow, "mast", taken_on)]).is_some());
    }
}
