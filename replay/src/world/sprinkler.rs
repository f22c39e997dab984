//! A controller with its valves and its bridge: it waters as it was told, and reports.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::Message;
use super::time::{DAY, MINUTE, rfc3339};

/// What a controller can be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Capability {
    /// A contact: water or not.
    Hold,
    Percent,
    PercentPerGroup,
}

/// Valves that are watered alike.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    pub id: String,
    pub label: String,
    /// As in a configuration: spray, rotor, drip.
    pub kind: &'static str,
    pub planting: &'static str,
    /// A 100 % run.
    pub run_minutes: f64,
    pub rate_mm_per_hour: f64,
    pub efficiency_percent: f64,
}

/// A controller as a scenario wants it.
#[derive(Clone, Debug, PartialEq)]
pub struct ControllerPlan {
    pub id: String,
    pub capability: Capability,
    pub groups: Vec<Group>,
    /// Local hours of the watering window, not across midnight.
    pub opens_hour: i64,
    pub closes_hour: i64,
}

/// What the daemon last told one controller.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Instruction {
    pub epoch: u64,
    pub sequence: u64,
    pub water_allowed: bool,
    pub percent: Option<f64>,
    pub percents: BTreeMap<String, f64>,
}

/// Instructions by site and controller.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Instructions(BTreeMap<(String, String), Instruction>);

impl Instructions {
    /// Takes a publication in, if it is an instruction; a lower pair of epoch and sequence is ignored.
    pub fn take(&mut self, prefix: &str, topic: &str, payload: &[u8]) -> bool {
        let levels: Vec<&str> = topic.strip_prefix(prefix).unwrap_or_default().split('/').collect();
        let ["", "site", site, "instruction", controller] = levels.as_slice() else { return false };
        let Some(new) = Instruction::read(payload) else { return false };
        let key = ((*site).to_owned(), (*controller).to_owned());
        let standing = self.0.get(&key).map_or((0, 0), |standing| (standing.epoch, standing.sequence));
        let is_new = standing < (new.epoch, new.sequence);
        if is_new {
            self.0.insert(key, new);
        }
        is_new
    }

    pub fn of(&self, site: &str, controller: &str) -> Option<&Instruction> {
        self.0.get(&(site.to_owned(), controller.to_owned()))
    }
}

impl Instruction {
    /// Reads the payload of an instruction.
    pub fn read(payload: &[u8]) -> Option<Self> {
        let value: Value = serde_json::from_slice(payload).ok()?;
        let percents = value.get("percents").and_then(Value::as_object).into_iter().flatten();
        Some(Self {
            epoch: value.get("epoch")?.as_u64()?,
            sequence: value.get("sequence")?.as_u64()?,
            water_allowed: value.get("water_allowed")?.as_bool()?,
            percent: value.get("percent").and_then(Value::as_f64),
            percents: percents.filter_map(|(group, percent)| Some((group.clone(), percent.as_f64()?))).collect(),
        })
    }

    fn percent_of(&self, group: &str) -> f64 {
        if !self.water_allowed {
            return 0.0;
        }
        self.percents.get(group).copied().or(self.percent).unwrap_or(100.0)
    }
}

/// A controller at work.
#[derive(Clone, Debug)]
pub struct Controller {
    site: String,
    plan: ControllerPlan,
    prefix: String,
    /// Local time less UTC.
    offset: i64,
    echoed: (u64, u64),
    /// Runs of today that have not begun: group and milliseconds.
    waiting: Vec<(usize, i64)>,
    running: Option<Run>,
    /// Runs that have ended and are not reported yet.
    finished: Vec<Value>,
}

#[derive(Clone, Copy, Debug)]
struct Run {
    group: usize,
    begun: i64,
    left: i64,
}

impl Controller {
    pub fn new(site: &str, plan: ControllerPlan, prefix: &str, offset: i64) -> Self {
        Self {
            site: site.to_owned(),
            plan,
            prefix: prefix.to_owned(),
            offset,
            echoed: (0, 0),
            waiting: Vec::new(),
            running: None,
            finished: Vec::new(),
        }
    }

    /// The bridge confirms a new instruction at once.
    pub fn confirm(&mut self, at: i64, instructions: &Instructions) -> Option<Message> {
        let instruction = instructions.of(&self.site, &self.plan.id)?;
        let pair = (instruction.epoch, instruction.sequence);
        if self.echoed == pair {
            return None;
        }
        self.echoed = pair;
        let allowed = instruction.water_allowed;
        Some(self.report(at, json!({ "water_allowed": allowed })))
    }

    /// One slot: waters as told. Gives a report of the runs that ended before it, and for how many minutes sprinklers (not
    /// drip) ran.
    pub fn step(&mut self, from: i64, to: i64, instructions: &Instructions) -> (Option<Message>, f64) {
        let runs = std::mem::take(&mut self.finished);
        let report = (!runs.is_empty()).then(|| self.report(from, json!({ "runs": runs })));
        let instruction = instructions.of(&self.site, &self.plan.id);
        let opens = (from + self.offset).div_euclid(DAY) * DAY + self.plan.opens_hour * 60 * MINUTE - self.offset;
        if (from..to).contains(&opens)
            && let Some(told) = instruction
        {
            let planned = self.plan.groups.iter().enumerate().map(|(index, group)| {
                (index, (group.run_minutes * told.percent_of(&group.id) / 100.0 * MINUTE as f64) as i64)
            });
            self.waiting = planned.filter(|(_, length)| *length >= MINUTE).collect();
        }
        let closes = opens + (self.plan.closes_hour - self.plan.opens_hour) * 60 * MINUTE;
        let stopped =
            instruction.is_none_or(|told| !told.water_allowed) || (closes > opens && closes < to && from >= closes);
        if stopped {
            self.waiting.clear();
        }
        let (mut at, mut sprayed) = (from, 0.0);
        while let Some(mut run) = self.running.take().or_else(|| self.next_run(at)) {
            let length = if stopped { 0 } else { run.left.min(to - at) };
            (at, run.left) = (at + length, run.left - length);
            if self.plan.groups[run.group].kind != "drip" {
                sprayed += length as f64 / MINUTE as f64;
            }
            if run.left > 0 && !stopped {
                self.running = Some(run);
                break;
            }
            self.finished.push(self.ended(run, at));
        }
        (report, sprayed)
    }

    fn next_run(&mut self, at: i64) -> Option<Run> {
        if self.waiting.is_empty() {
            return None;
        }
        let (group, left) = self.waiting.remove(0);
        Some(Run { group, begun: at, left })
    }

    fn ended(&self, run: Run, at: i64) -> Value {
        let group = &self.plan.groups[run.group];
        let minutes = (at - run.begun) as f64 / MINUTE as f64;
        let depth = minutes / 60.0 * group.rate_mm_per_hour * group.efficiency_percent / 100.0;
        json!({
            "group": group.id,
            "start": rfc3339(run.begun),
            "end": rfc3339(at),
            "minutes": (minutes * 10.0).round() / 10.0,
            "depth_mm": (depth * 100.0).round() / 100.0,
        })
    }

    fn report(&self, at: i64, mut body: Value) -> Message {
        if let Some(body) = body.as_object_mut() {
            body.insert("controller".to_owned(), json!(self.plan.id));
            body.insert("at".to_owned(), json!(rfc3339(at)));
            let (epoch, sequence) = self.echoed;
            if epoch > 0 {
                body.insert("in_force".to_owned(), json!({ "epoch": epoch, "sequence": sequence }));
            }
        }
        let topic = format!("{}/site/{}/report/{}", self.prefix, self.site, self.plan.id);
        Message { at, topic, payload: body.to_string() }
    }
}
