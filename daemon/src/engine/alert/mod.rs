//! Alerts: conditions that a person must know of, raised once, closed once.
//!
//! `raise` and `clear` say what changed; hysteresis lies in the conditions themselves. Restarts raise nothing anew,
//! because open alerts are part of the saved state.

mod kind;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::stamp::Stamp;
pub use kind::{AlertKind, Audience, Urgency};

/// What an alert says to people.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Wording {
    /// What is wrong, in one or two sentences.
    #[serde(rename = "t")]
    pub text: String,
    /// What to do.
    #[serde(rename = "a")]
    pub action: String,
    /// Numbers behind the text, with their unit in the name.
    #[serde(rename = "f", default)]
    pub figures: BTreeMap<String, f64>,
    /// How soon, where that is not the kind's own: it may come nearer.
    #[serde(rename = "u", default, skip_serializing_if = "Option::is_none")]
    pub urgency: Option<Urgency>,
    /// By when somebody has to be there, a numbered day of the site's calendar, where that does not follow from the urgency.
    #[serde(rename = "b", default, skip_serializing_if = "Option::is_none")]
    pub by: Option<u16>,
    /// What to bring, where that is not the kind's own.
    #[serde(rename = "g", default, skip_serializing_if = "Option::is_none")]
    pub bring: Option<String>,
}

impl Wording {
    pub fn new(text: impl Into<String>, action: impl Into<String>) -> Self {
        Self {
            text: text.into(),
            action: action.into(),
            figures: BTreeMap::new(),
            urgency: None,
            by: None,
            bring: None,
        }
    }

    /// What to bring to the site.
    pub fn bringing(mut self, what: &str) -> Self {
        self.bring = Some(what.to_owned());
        self
    }

    pub fn with(mut self, name: &str, value: f64) -> Self {
        if value.is_finite() {
            self.figures.insert(name.to_owned(), value);
        }
        self
    }
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OpenAlert {
    #[serde(rename = "s")]
    pub since: Stamp,
    #[serde(rename = "w")]
    pub wording: Wording,
    #[serde(rename = "k", default)]
    pub acknowledged_by: Option<String>,
    /// Put off: on no visit list, and speaks again then.
    #[serde(rename = "z", default, skip_serializing_if = "Option::is_none")]
    pub snoozed_until: Option<Stamp>,
}

impl OpenAlert {
    /// How soon it has to be looked at.
    pub fn urgency(&self, kind: AlertKind) -> Urgency {
        self.wording.urgency.unwrap_or(kind.urgency())
    }
}

/// Kind and subject: the sensor, controller, group or topic it is about.
pub type AlertKey = (AlertKind, String);

/// The open alerts of a site, bounded.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Alerts {
    #[serde(with = "pairs")]
    open: BTreeMap<AlertKey, OpenAlert>,
}

/// What became of an alert.
#[derive(Clone, Debug, PartialEq)]
pub struct AlertChange {
    pub kind: AlertKind,
    pub subject: String,
    pub alert: OpenAlert,
    pub closed: bool,
}

impl Alerts {
    /// Opens an alert. None when it is open already: the first wording stays, nothing is sent again.
    pub fn raise(&mut self, kind: AlertKind, subject: &str, wording: Wording, now: Stamp) -> Option<AlertChange> {
        let key = (kind, subject.to_owned());
        if self.open.contains_key(&key) || self.open.len() >= MOST_OPEN {
            return None;
        }
        let alert = OpenAlert { since: now, wording, acknowledged_by: None, snoozed_until: None };
        self.open.insert(key, alert.clone());
        Some(AlertChange { kind, subject: subject.to_owned(), alert, closed: false })
    }

    /// Words an open alert anew: it stays the same alert, with its beginning and who took note of it. None where there is
    /// none, or nothing changes.
    pub fn revise(&mut self, kind: AlertKind, subject: &str, wording: Wording) -> Option<AlertChange> {
        let alert = self.open.get_mut(&(kind, subject.to_owned()))?;
        if alert.wording == wording {
            return None;
        }
        let before = alert.urgency(kind);
        alert.wording = wording;
        if (alert.urgency(kind) as u8) < before as u8 && alert.snoozed_until.is_some() {
            // What was put off was less urgent.
            (alert.snoozed_until, alert.acknowledged_by) = (None, None);
        }
        Some(AlertChange { kind, subject: subject.to_owned(), alert: alert.clone(), closed: false })
    }

    /// How soon an open alert has to be looked at, by its wording or its kind.
    pub fn urgency(&self, kind: AlertKind, subject: &str) -> Option<Urgency> {
        let alert = self.open.get(&(kind, subject.to_owned()))?;
        Some(alert.urgency(kind))
    }

    /// Closes an alert. None when there is none.
    pub fn clear(&mut self, kind: AlertKind, subject: &str) -> Option<AlertChange> {
        let alert = self.open.remove(&(kind, subject.to_owned()))?;
        Some(AlertChange { kind, subject: subject.to_owned(), alert, closed: true })
    }

    /// A person took note, and put it off where there is an `until`. None when there is no such alert.
    pub fn acknowledge(
        &mut self,
        kind: AlertKind,
        subject: &str,
        who: &str,
        until: Option<Stamp>,
    ) -> Option<AlertChange> {
        let alert = self.open.get_mut(&(kind, subject.to_owned()))?;
        (alert.acknowledged_by, alert.snoozed_until) = (Some(who.to_owned()), until);
        Some(AlertChange { kind, subject: subject.to_owned(), alert: alert.clone(), closed: false })
    }

    /// When the first alert that was put off speaks again.
    pub fn next_wake(&self) -> Option<Stamp> {
        self.open.values().filter_map(|alert| alert.snoozed_until).min()
    }

    /// Wakes what was put off until `now`: nobody has taken it on any more.
    pub fn wake(&mut self, now: Stamp) -> Vec<AlertChange> {
        let due = |alert: &OpenAlert| alert.snoozed_until.is_some_and(|until| until <= now);
        let woken = self.open.iter_mut().filter(|(_, alert)| due(alert)).map(|((kind, subject), alert)| {
            (alert.snoozed_until, alert.acknowledged_by) = (None, None);
            AlertChange { kind: *kind, subject: subject.clone(), alert: alert.clone(), closed: false }
        });
        woken.collect()
    }

    pub fn is_open(&self, kind: AlertKind, subject: &str) -> bool {
        !self.open.is_empty() && self.open.contains_key(&(kind, subject.to_owned()))
    }

    pub fn iter(&self) -> impl Iterator<Item = (&AlertKey, &OpenAlert)> {
        self.open.iter()
    }

    pub fn len(&self) -> usize {
        self.open.len()
    }

    pub fn is_empty(&self) -> bool {
        self.open.is_empty()
    }
}

/// A site has a few sensors and groups; more open alerts than this are noise. Our choice.
const MOST_OPEN: usize = 64;

/// A map with pairs as keys, as a sequence: text formats have no other way.
mod pairs {
    use super::{AlertKey, BTreeMap, OpenAlert};
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(map: &BTreeMap<AlertKey, OpenAlert>, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(map.iter())
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<BTreeMap<AlertKey, OpenAlert>, D::Error> {
        Ok(Vec::<(AlertKey, OpenAlert)>::deserialize(deserializer)?.into_iter().collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_alert_is_raised_once_and_closed_once() {
        let mut alerts = Alerts::default();
        let wording = || Wording::new("nothing heard", "look at it").with("hours", 3.0).with("bad", f64::NAN);
        let raised = alerts.raise(AlertKind::SensorSilent, "combo", wording(), Stamp(5)).unwrap();
        assert_eq!((raised.alert.since, raised.closed), (Stamp(5), false));
        assert_eq!(raised.alert.wording.figures.len(), 1);
        assert_eq!(alerts.raise(AlertKind::SensorSilent, "combo", wording(), Stamp(6)), None);
        assert!(alerts.raise(AlertKind::SensorSilent, "air", wording(), Stamp(6)).is_some());
        assert_eq!(
            alerts
                .acknowledge(AlertKind::SensorSilent, "combo", "office", None)
                .unwrap()
                .alert
                .acknowledged_by
                .as_deref(),
            Some("office")
        );
        assert!(alerts.clear(AlertKind::SensorSilent, "combo").unwrap().closed);
        assert_eq!(alerts.clear(AlertKind::SensorSilent, "combo"), None);
        let bytes = rmp_serde::to_vec_named(&alerts).unwrap();
        assert_eq!(rmp_serde::from_slice::<Alerts>(&bytes).unwrap(), alerts);
    }

    #[test]
    fn an_alert_that_was_put_off_wakes_once_and_earlier_where_it_becomes_more_urgent() {
        let mut alerts = Alerts::default();
        let kind = AlertKind::BatteryForecast;
        let worded = |urgency| Wording { urgency: Some(urgency), ..Wording::new("empty soon", "bring cells") };
        for subject in ["combo", "mast"] {
            alerts.raise(kind, subject, worded(Urgency::NextVisit), Stamp(5));
            alerts.acknowledge(kind, subject, "office", Some(Stamp(100)));
        }
        assert_eq!((alerts.next_wake(), alerts.wake(Stamp(99))), (Some(Stamp(100)), vec![]));
        let nearer = alerts.revise(kind, "combo", worded(Urgency::Now)).unwrap().alert;
        assert_eq!((nearer.snoozed_until, nearer.acknowledged_by), (None, None));
        let woken = alerts.wake(Stamp(100));
        assert_eq!(woken.iter().map(|change| change.subject.as_str()).collect::<Vec<_>>(), ["mast"]);
        assert_eq!((woken[0].alert.acknowledged_by.as_deref(), woken[0].alert.since), (None, Stamp(5)));
        assert_eq!((alerts.next_wake(), alerts.wake(Stamp(200)), alerts.len()), (None, vec![], 2));
    }

    #[test]
    fn open_alerts_are_bounded() {
        let mut alerts = Alerts::default();
        for number in 0..1000 {
            alerts.raise(AlertKind::FeedRejecting, &number.to_string(), Wording::default(), Stamp(0));
        }
        assert_eq!(alerts.len(), MOST_OPEN);
    }
}
