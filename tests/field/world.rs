//! The engine in a small world: messages and events go in at their time, everything that comes out is kept and checked.

use std::collections::BTreeMap;
use std::sync::{Arc, OnceLock};

use jsonschema::Validator;
use serde_json::Value;
use thirstd::engine::driver::{Driver, Timekeeper};
use thirstd::engine::event::{Event, Now};
use thirstd::engine::output::{Level, Output, Record, Value as Field};
use thirstd::engine::settings::Settings;
use thirstd::engine::stamp::Stamp;
use thirstd::engine::view::{SensorView, SiteView};
use thirstd::engine::{Engine, SavedSite};

/// An engine with a clock, a store, and all that came out of it.
pub struct World {
    settings: Arc<Settings>,
    driver: Driver,
    keeper: Timekeeper,
    /// Monotonic less wall time.
    ahead: i64,
    /// Before this nothing is believed of the wall clock.
    floor: Stamp,
    store: BTreeMap<String, SavedSite>,
    outputs: Vec<(Stamp, Output)>,
    /// The type of every field of history, by measurement.
    kinds: BTreeMap<(&'static str, &'static str), std::mem::Discriminant<Field>>,
    topics: BTreeMap<String, Value>,
    /// Nothing is printed: for long histories.
    pub is_quiet: bool,
}

/// An alert as it was raised: kind, subject, text.
pub type Raised = (String, String, String);

impl World {
    /// A daemon that starts with an empty store at `start`, connected.
    pub fn new(settings: Arc<Settings>, start: Stamp) -> Self {
        Self::with_floor(settings, start, start)
    }

    /// A daemon that believes no wall clock before `floor`.
    pub fn with_floor(settings: Arc<Settings>, start: Stamp, floor: Stamp) -> Self {
        let (engine, unreadable) = Engine::restore(settings.clone(), 1, std::iter::empty());
        assert_eq!(unreadable, []);
        let mut keeper = Timekeeper::new(Now::default(), floor, 0);
        keeper.set_connected(true);
        let (now, _) = keeper.read(start, 0, true);
        Self {
            settings,
            driver: Driver::new(engine, now),
            keeper,
            ahead: -start.0,
            floor,
            store: BTreeMap::new(),
            outputs: Vec::new(),
            kinds: BTreeMap::new(),
            topics: BTreeMap::new(),
            is_quiet: false,
        }
    }

    /// A live message.
    pub fn heard(&mut self, at: Stamp, topic: &str, payload: &str) {
        self.heard_bytes(at, topic, payload.as_bytes().to_vec(), false);
    }

    pub fn heard_bytes(&mut self, at: Stamp, topic: &str, payload: Vec<u8>, retain: bool) {
        self.event(at, Event::Message { topic: topic.to_owned(), payload, retain, dup: false });
    }

    /// The same number on `topic` every `step`, from `from` to before `to`.
    pub fn goes_on(&mut self, from: Stamp, to: Stamp, step: i64, topic: &str, payload: impl Fn(i64) -> String) {
        let mut at = from;
        for number in 0.. {
            if to <= at {
                break;
            }
            self.heard(at, topic, &payload(number));
            at = at.plus(step);
        }
    }

    pub fn command(&mut self, at: Stamp, site: &str, payload: &str) {
        self.event(at, Event::Command { site: site.to_owned(), payload: payload.as_bytes().to_vec(), retain: false });
    }

    pub fn event(&mut self, at: Stamp, event: Event) {
        let now = self.read(at);
        match event {
            Event::BrokerUp { .. } => self.keeper.set_connected(true),
            Event::BrokerDown => self.keeper.set_connected(false),
            _ => {}
        }
        self.apply(now, event);
    }

    /// Lets time pass.
    pub fn until(&mut self, at: Stamp) {
        let now = self.read(at);
        let mut outputs = Vec::new();
        self.driver.advance(now, &mut outputs);
        self.take(outputs);
    }

    /// The wall clock is set from `from` to `to`; the monotonic clock goes on.
    pub fn clock_is_set(&mut self, from: Stamp, to: Stamp) {
        self.until(from);
        let monotonic = from.plus(self.ahead).0;
        let (now, step) = self.keeper.read(to, monotonic, false);
        self.ahead = monotonic - to.0;
        let by = step.unwrap_or_else(|| panic!("{} to {} is no step", from.text(), to.text()));
        self.apply(now, Event::ClockStep { by });
    }

    /// The daemon stops at `down` and comes back at `up` with what was stored; all of it was, because nothing goes out
    /// before it is.
    pub fn restart(&mut self, down: Stamp, up: Stamp) {
        self.until(down);
        let (last, sequence) = (self.driver.last(), self.driver.engine().sequence());
        for saved in self.driver.take_dirty(usize::MAX) {
            self.store.insert(saved.id.clone(), saved);
        }
        let (engine, unreadable) = Engine::restore(self.settings.clone(), 1, self.store.values().cloned());
        assert_eq!(unreadable, []);
        self.driver = Driver::new(engine, last);
        // The journal ends here: the next event is the one after the last that was stored.
        self.driver.replay(sequence, last, None);
        let monotonic = up.plus(self.ahead).0;
        self.keeper = Timekeeper::new(last, self.floor, monotonic);
        self.keeper.set_connected(true);
        let (now, _) = self.keeper.read(up, monotonic, true);
        let mut outputs = Vec::new();
        self.driver.advance(now, &mut outputs);
        self.take(outputs);
    }

    /// Bytes of the saved state of a site.
    pub fn saved_bytes(&mut self, site: &str) -> usize {
        for saved in self.driver.take_dirty(usize::MAX) {
            self.store.insert(saved.id.clone(), saved);
        }
        self.store[site].state.len()
    }

    pub fn view(&self, site: &str) -> SiteView {
        self.driver.engine().view(site).unwrap()
    }

    pub fn sensor(&self, site: &str, sensor: &str) -> SensorView {
        self.view(site).sensors.into_iter().find(|view| view.id == sensor).unwrap()
    }

    /// How often `cause` was counted at a sensor.
    pub fn rejects(&self, site: &str, sensor: &str, cause: &str) -> u64 {
        self.sensor(site, sensor).rejects.get(cause).copied().unwrap_or(0)
    }

    /// Rain of the running day and of the closed days that are kept, mm.
    pub fn rain_mm(&self, site: &str) -> f64 {
        let view = self.view(site);
        let closed: f64 = view.closed_days.iter().map(|day| day.figures.water.rain_mm).sum();
        closed + view.today.map_or(0.0, |today| today.figures.water.rain_mm)
    }

    /// The payload that stands on `topic` below `thirst/v1/site/`.
    pub fn payload(&self, topic: &str) -> &Value {
        let topic = format!("thirst/v1/site/{topic}");
        self.topics.get(&topic).unwrap_or_else(|| panic!("nothing stands on {topic}"))
    }

    pub fn decision(&self, site: &str) -> &Value {
        self.payload(&format!("{site}/decision/lawn"))
    }

    /// True while the decision in force is a hold for `reason`.
    pub fn is_held(&self, site: &str, reason: &str) -> bool {
        self.decision(site)["holds"].as_array().unwrap().iter().any(|hold| hold["reason"] == reason)
    }

    /// Every decision of a site in order: time, action and reasons.
    pub fn decisions(&self, site: &str) -> Vec<(Stamp, String)> {
        let topic = format!("thirst/v1/site/{site}/decision/lawn");
        let said = |(at, on, payload): (Stamp, &str, Value)| {
            let holds = payload["holds"].as_array().unwrap();
            let reasons: Vec<&str> = holds.iter().map(|hold| hold["reason"].as_str().unwrap()).collect();
            let action = payload["action"].as_str().unwrap();
            (on == topic).then(|| (at, [&[action], reasons.as_slice()].concat().join(" ")))
        };
        self.states().filter(|(_, on, _)| *on == topic).filter_map(said).collect()
    }

    /// The alerts of a site that were raised, in order. An acknowledged or closed one is not raised again.
    pub fn raised(&self, site: &str) -> Vec<Raised> {
        let prefix = format!("thirst/v1/site/{site}/alert/");
        let raised = |(_, topic, payload): (Stamp, &str, Value)| {
            let text = |key: &str| payload[key].as_str().unwrap().to_owned();
            (topic.starts_with(&prefix) && payload["state"] == "open")
                .then(|| (text("kind"), text("subject"), text("text")))
        };
        self.states().filter_map(raised).collect()
    }

    /// How often an alert of that kind was raised at a site.
    pub fn times_raised(&self, site: &str, kind: &str) -> usize {
        self.raised(site).iter().filter(|(raised, ..)| raised == kind).count()
    }

    /// Kind and subject of the alerts of a site that are open.
    pub fn open(&self, site: &str) -> Vec<(String, String)> {
        self.view(site).open_alerts.into_iter().map(|(kind, subject, _)| (kind, subject)).collect()
    }

    /// Lines of the log with `part` in them.
    pub fn log(&self, part: &str) -> Vec<String> {
        let line = |(_, output): &(Stamp, Output)| match output {
            Output::Log { text, .. } if text.contains(part) => Some(text.clone()),
            _ => None,
        };
        self.outputs.iter().filter_map(line).collect()
    }

    /// Warnings and errors in the log with `part` in them.
    pub fn warnings(&self, part: &str) -> Vec<String> {
        let line = |(_, output): &(Stamp, Output)| match output {
            Output::Log { level, text, .. } if *level > Level::Info && text.contains(part) => Some(text.clone()),
            _ => None,
        };
        self.outputs.iter().filter_map(line).collect()
    }

    /// Points of history of a measurement, in order.
    pub fn history(&self, measurement: &str) -> Vec<&Record> {
        let records = self.outputs.iter().filter_map(|(_, output)| match output {
            Output::Record(record) => Some(record),
            _ => None,
        });
        records.filter(|record| record.measurement == measurement).collect()
    }

    /// Points of days that are over, in order; what a day is while it lasts is left out.
    pub fn closed_days(&self) -> Vec<&Record> {
        let is_closed = |record: &&Record| record.fields.contains(&("closed", Field::Boolean(true)));
        self.history("daily").into_iter().filter(is_closed).collect()
    }

    /// Time, value and flag of what history has of `field` (without `_flag`) at a sensor.
    pub fn readings(&self, sensor: &str, field: &str, flag: &str) -> Vec<(Stamp, f64, i64)> {
        self.history("reading")
            .into_iter()
            .filter(|record| tag(record, "sensor") == Some(sensor))
            .filter_map(|record| Some((record.at, number(record, field)?, whole(record, flag)?)))
            .collect()
    }

    /// Readings of the air temperature that count: time and °C.
    pub fn temperatures(&self, sensor: &str) -> Vec<(Stamp, f64)> {
        let all = self.readings(sensor, "air_temperature_celsius", "air_temperature_flag");
        all.into_iter().filter(|(_, _, flag)| *flag < 4).map(|(at, value, _)| (at, value)).collect()
    }

    pub fn outputs(&self) -> &[(Stamp, Output)] {
        &self.outputs
    }

    fn states(&self) -> impl Iterator<Item = (Stamp, &str, Value)> {
        self.outputs.iter().filter_map(|(at, output)| match output {
            Output::State { topic, payload } if !payload.is_empty() => {
                Some((*at, topic.as_str(), serde_json::from_slice(payload).unwrap()))
            }
            _ => None,
        })
    }

    fn read(&mut self, at: Stamp) -> Now {
        let (now, step) = self.keeper.read(at, at.plus(self.ahead).0, false);
        assert_eq!(step, None, "{}", at.text());
        now
    }

    fn apply(&mut self, now: Now, event: Event) {
        let mut outputs = Vec::new();
        self.driver.apply(now, event, &mut outputs);
        self.take(outputs);
    }

    fn take(&mut self, outputs: Vec<Output>) {
        for output in outputs {
            let mut at = self.driver.last().wall;
            match &output {
                Output::State { topic, payload } if payload.is_empty() => {
                    self.topics.remove(topic);
                }
                Output::State { topic, payload } => {
                    let value: Value = serde_json::from_slice(payload).unwrap();
                    check(topic, &value);
                    // Deadlines that came before the event are told with it; what they say has their own time.
                    at = crate::case::at(value["issued_at"].as_str().unwrap());
                    self.tell(at, topic, value["text"].as_str().unwrap_or_default());
                    self.topics.insert(topic.clone(), value);
                }
                Output::Answer { topic, payload } => {
                    let value: Value = serde_json::from_slice(payload).unwrap();
                    check(topic, &value);
                    self.tell(at, topic, value["text"].as_str().unwrap_or_default());
                }
                Output::Log { level, site, text } => self.tell(at, &format!("{level:?} {site}"), text),
                Output::Record(record) => {
                    let finite = |(_, field): &(_, Field)| !matches!(field, Field::Float(value) if !value.is_finite());
                    assert!(record.fields.iter().all(finite), "{record:?}");
                    for (name, field) in &record.fields {
                        let kind = std::mem::discriminant(field);
                        let known = *self.kinds.entry((record.measurement, *name)).or_insert(kind);
                        assert_eq!(known, kind, "a field has one type for ever: {name} of {record:?}");
                    }
                }
                Output::Audit { .. } | Output::Diary(_) | Output::Digest(_) => {}
            }
            self.outputs.push((at, output));
        }
    }

    /// The story of the case, for whoever reads a failed one.
    fn tell(&self, at: Stamp, from: &str, text: &str) {
        if !self.is_quiet && !text.is_empty() {
            println!("{} {from}: {text}", at.text());
        }
    }
}

/// A tag of a point of history.
pub fn tag<'a>(record: &'a Record, name: &str) -> Option<&'a str> {
    record.tags.iter().find(|(key, _)| *key == name).map(|(_, value)| value.as_str())
}

/// A number of a point of history.
pub fn number(record: &Record, name: &str) -> Option<f64> {
    record.fields.iter().find_map(|(key, field)| match field {
        Field::Float(value) if *key == name => Some(*value),
        _ => None,
    })
}

fn whole(record: &Record, name: &str) -> Option<i64> {
    record.fields.iter().find_map(|(key, field)| match field {
        Field::Integer(value) if *key == name => Some(*value),
        _ => None,
    })
}

/// Sums in mm and °C are equal when they are to a thousandth.
pub fn near(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-3
}

/// Holds a payload against its schema.
fn check(topic: &str, value: &Value) {
    static VALIDATORS: OnceLock<Vec<(&str, Validator)>> = OnceLock::new();
    let validators = VALIDATORS.get_or_init(|| {
        SCHEMAS
            .iter()
            .map(|(kind, text)| {
                let schema = serde_json::from_str(text).unwrap();
                (*kind, jsonschema::options().should_validate_formats(true).build(&schema).unwrap())
            })
            .collect()
    });
    let below = topic.strip_prefix("thirst/v1/").unwrap_or_default();
    let kind = below.strip_prefix("site/").map_or(Some(below), |rest| rest.split('/').nth(1)).unwrap_or_default();
    let (_, validator) =
        validators.iter().find(|(name, _)| *name == kind).unwrap_or_else(|| panic!("{topic} has no schema"));
    let errors: Vec<String> = validator.iter_errors(value).map(|error| error.to_string()).collect();
    assert!(errors.is_empty(), "{topic}: {errors:?}\n{value:#}");
    assert!(!has_null(value), "{topic} has a null: {value:#}");
    if let Some(text) = value["text"].as_str() {
        assert_reads_well(text);
    }
}

/// Texts are for people.
fn assert_reads_well(text: &str) {
    for slip in ["-0.0 ", "-0 ", " 1 minutes", " 1 hours", " 1 days", "  ", "NaN", " inf", ".."] {
        assert!(!text.contains(slip), "{slip:?} in {text:?}");
    }
}

fn has_null(value: &Value) -> bool {
    match value {
        Value::Null => true,
        Value::Array(list) => list.iter().any(has_null),
        Value::Object(map) => map.values().any(has_null),
        _ => false,
    }
}

const SCHEMAS: [(&str, &str); 8] = [
    ("alert", include_str!("../../schemas/json/alert.schema.json")),
    ("decision", include_str!("../../schemas/json/decision.schema.json")),
    ("fallback", include_str!("../../schemas/json/fallback.schema.json")),
    ("instruction", include_str!("../../schemas/json/instruction.schema.json")),
    ("result", include_str!("../../schemas/json/result.schema.json")),
    ("sensor", include_str!("../../schemas/json/sensor.schema.json")),
    ("totals", include_str!("../../schemas/json/totals.schema.json")),
    ("visits", include_str!("../../schemas/json/visits.schema.json")),
];
