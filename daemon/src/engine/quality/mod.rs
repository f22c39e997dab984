//! Reading → flag: what each reading is worth.
//!
//! [`Track::judge`] runs the tests that need one quantity of one sensor only: range, step, spike, flat line, sun at night.
//! [`consistency`] compares two quantities of one message, [`duplicate`] whole messages. Tests that need the place, the
//! sun or the neighbors stand in `site`; their names are in [`Test`] all the same, so that each flag can be explained.

pub mod consistency;
pub mod curve;
pub mod drift;
pub mod duplicate;
mod explain;
mod flat_line;
mod limits;
mod range;
pub mod sky;
mod spike;
mod step;
#[cfg(test)]
mod tests;

use serde::{Deserialize, Serialize};

pub use self::{
    explain::explain,
    limits::{FlatLimits, Lasting, QuantityLimits, Settings, Span, SpikeLimits, StepLimit},
    sky::Sky,
    spike::Waiting,
};
use super::{
    reading::{Flag, Quantity},
    stamp::Stamp,
};

/// What a reading can fail, or be changed by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Test {
    /// Beyond what the quantity can be.
    Range,
    /// A little beyond: taken as the end of the range.
    Clip,
    /// Changed faster than the quantity can.
    Step,
    /// Rejected by its step before, but it stayed there and lives: the new reference.
    NewLevel,
    /// Stands out from the readings before and after it, or may do so: the next one tells.
    Spike,
    /// Has not changed for too long.
    FlatLine,
    /// Sun while the sun is down.
    NightSun,
    /// More sun than can be on that day.
    SunLimit,
    /// More sun than there hardly ever is at that height of the sun.
    ClearSky,
    /// A direction while there is no wind.
    Calm,
    /// A gust below the mean wind.
    GustBelowMean,
    /// A dew point above the air temperature.
    DewPointAboveAir,
    /// Far from what the neighbors read.
    Neighbors,
    /// More rain than can fall in that time.
    RainCap,
    /// Heard before.
    Duplicate,
}

impl Test {
    /// The name in JSON, history and counters.
    pub fn name(self) -> &'static str {
        match self {
            Self::Range => "range",
            Self::Clip => "clip",
            Self::Step => "step",
            Self::NewLevel => "new_level",
            Self::Spike => "spike",
            Self::FlatLine => "flat_line",
            Self::NightSun => "night_sun",
            Self::SunLimit => "sun_limit",
            Self::ClearSky => "clear_sky",
            Self::Calm => "calm",
            Self::GustBelowMean => "gust_below_mean",
            Self::DewPointAboveAir => "dew_point_above_air",
            Self::Neighbors => "neighbors",
            Self::RainCap => "rain_cap",
            Self::Duplicate => "duplicate",
        }
    }
}

/// What a reading is worth, and why.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Judgment {
    pub flag: Flag,
    /// The value to go on with: clipped where the limits clip.
    pub value: f64,
    /// The test that decided; `None`: nothing to say against it.
    pub test: Option<Test>,
    /// The limit of that test, in the unit of the quantity; a flat line in hours, a calm in m/s.
    pub limit: f64,
    /// What stood against the limit, in the same unit: the value, its change, how long it has lasted.
    pub seen: f64,
    pub clipped: bool,
}

impl Judgment {
    /// A value with nothing to say against it.
    pub fn good(value: f64) -> Self {
        Self { flag: Flag::Good, value, test: None, limit: 0.0, seen: value, clipped: false }
    }

    /// True while the reading waits for the next one: until then it counts for nothing, except in the safe direction.
    pub fn is_provisional(&self) -> bool {
        self.flag == Flag::NotEvaluated
    }

    /// The worse of what is known and a further test.
    fn with(self, finding: Option<Finding>) -> Self {
        match finding {
            Some(Finding { flag, test, limit, seen }) if self.flag < flag || self.test.is_none() => {
                Self { flag, test: Some(test), limit, seen, ..self }
            }
            _ => self,
        }
    }
}

/// State of one quantity of one sensor.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Track {
    #[serde(rename = "s")]
    step: step::State,
    #[serde(rename = "f")]
    flat: Option<flat_line::Run>,
    /// Boxed, because there is none nearly always.
    #[serde(rename = "p", skip_serializing_if = "Option::is_none")]
    waiting: Option<Box<Waiting>>,
}

impl Track {
    /// Judges one value of `quantity`, in its unit, observed `at`; and the reading before it, if that had to wait.
    ///
    /// `sky`: where the sun stands, which only matters for its radiation; `true` is any day and `false` any night. Rain is
    /// only tested for its range here; `site::rain` knows gauges.
    pub fn judge(
        &mut self,
        quantity: Quantity,
        value: f64,
        at: Stamp,
        sky: impl Into<Sky>,
        limits: &QuantityLimits,
    ) -> (Option<Waiting>, Judgment) {
        let sky = sky.into();
        let (value, ranged) = range::judge(quantity, value, limits);
        let judged = Judgment::good(value).with(ranged).with(sky.impossible(value));
        if judged.flag == Flag::Bad {
            return (None, judged);
        }
        let settled = self.settle(value, at, limits);
        let clipped = judged.test == Some(Test::Clip);
        let step = self.step.judge(value, at, limits);
        let flat =
            limits.flat.as_ref().and_then(|flat| flat_line::judge(&mut self.flat, value, at, sky.daylight, flat));
        let judged = Judgment { clipped, ..judged }.with(step).with(flat).with(sky.doubtful(value, limits.night_max));
        if judged.flag == Flag::Bad {
            return (settled, judged);
        }
        if let Some(waiting) = self.wait(judged, at, limits) {
            return (settled, waiting);
        }
        self.step.accept(value, at);
        (settled, judged)
    }

    /// Judges the reading that waits, now that `value` has come after it. It goes on waiting when the value is no better.
    fn settle(&mut self, value: f64, at: Stamp, limits: &QuantityLimits) -> Option<Waiting> {
        let waiting = self.waiting.as_deref().copied().filter(|waiting| waiting.at < at)?;
        let middle = (waiting.judgment.value, waiting.at);
        let from_before = self.step.last().is_some_and(|_| !self.step.is_impossible(value, at, limits));
        let outcome = match (self.step.last(), &limits.spike) {
            (Some(before), Some(limits)) if from_before => spike::judge(before.0, middle, (value, at), limits),
            _ if step::is_impossible_between(middle, (value, at), limits) => return None,
            _ => spike::Outcome::Stands,
        };
        self.waiting = None;
        let judgment = match outcome {
            spike::Outcome::Stands => {
                self.step.accept(middle.0, middle.1);
                waiting.judgment
            }
            spike::Outcome::Spike(Finding { flag, test, limit, seen }) => {
                // It says more than the step that made the reading doubtful.
                Judgment { flag, test: Some(test), limit, seen, ..waiting.judgment }
            }
        };
        Some(Waiting { judgment, ..waiting })
    }

    /// The reading that waits for the next one, if any.
    pub fn waiting(&self) -> Option<&Waiting> {
        self.waiting.as_deref()
    }

    /// The same, for whoever knows when it came and what else speaks against it.
    pub fn waiting_mut(&mut self) -> Option<&mut Waiting> {
        self.waiting.as_deref_mut()
    }

    /// Nobody spoke in time to tell: the reading that waits stands.
    pub fn stop_waiting(&mut self) -> Option<Waiting> {
        let waiting = *self.waiting.take()?;
        self.step.accept(waiting.judgment.value, waiting.at);
        Some(waiting)
    }

    /// The provisional judgment of a reading that may be a spike, which is kept until the next one comes.
    fn wait(&mut self, judged: Judgment, at: Stamp, limits: &QuantityLimits) -> Option<Judgment> {
        let (before, spike) = (self.step.last()?, limits.spike.as_ref()?);
        if at <= before.1 || self.waiting.is_some() || !spike::may_be_one(before, judged.value, at, spike) {
            return None;
        }
        self.waiting = Some(Box::new(Waiting::new(at, judged)));
        let seen = (judged.value - before.0).abs();
        Some(Judgment { flag: Flag::NotEvaluated, test: Some(Test::Spike), limit: spike.suspect, seen, ..judged })
    }

    /// The clock went back: times later than `now` are taken as of `now`, so that readings timed by arrival are not late.
    pub fn clock_stepped_back(&mut self, now: Stamp) {
        self.step.clock_stepped_back(now);
        if let Some(waiting) = &mut self.waiting {
            (waiting.at, waiting.came) = (waiting.at.min(now), waiting.came.min(now));
        }
        if let Some(run) = &mut self.flat {
            run.clock_stepped_back(now);
        }
    }
}

/// What one test found.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Finding {
    flag: Flag,
    test: Test,
    limit: f64,
    seen: f64,
}
