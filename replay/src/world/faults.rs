//! Everything that goes wrong, with a name each, so that each can be switched off.

use std::collections::BTreeSet;

/// A way for things to go wrong, or for somebody to act.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    /// Single messages get lost.
    Loss,
    /// Messages get lost in runs.
    Bursts,
    /// A sensor is silent for hours.
    Silence,
    /// Batteries run down.
    Battery,
    /// A rain counter starts anew.
    Reset,
    /// A rain counter shows a level that cannot be, for a while.
    Jump,
    /// A dry gauge is knocked and tips.
    Knock,
    /// Sprinklers water the gauge.
    Spray,
    /// A sensor's own clock is wrong.
    Clock,
    /// A technician comes and says so.
    Service,
    /// The operator acts.
    Operator,
    /// Controllers water and report; without it nothing follows the instructions.
    Sprinklers,
}

impl Fault {
    pub const ALL: [Self; 12] = [
        Self::Loss,
        Self::Bursts,
        Self::Silence,
        Self::Battery,
        Self::Reset,
        Self::Jump,
        Self::Knock,
        Self::Spray,
        Self::Clock,
        Self::Service,
        Self::Operator,
        Self::Sprinklers,
    ];

    pub fn name(self) -> &'static str {
        match self {
            Self::Loss => "loss",
            Self::Bursts => "bursts",
            Self::Silence => "silence",
            Self::Battery => "battery",
            Self::Reset => "reset",
            Self::Jump => "jump",
            Self::Knock => "knock",
            Self::Spray => "spray",
            Self::Clock => "clock",
            Self::Service => "service",
            Self::Operator => "operator",
            Self::Sprinklers => "sprinklers",
        }
    }

    /// The fault of this name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|fault| fault.name() == name)
    }
}

/// A fault of one sensor at its time, milliseconds after the start of the world.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Planned {
    pub fault: Fault,
    pub from: i64,
    /// Not included. What happens once happens in the slot that holds `from`.
    pub to: i64,
    /// Silence, battery, reset, spray, service: not used. Jump, knock: mm. Clock: seconds that it goes ahead.
    pub size: f64,
}

/// How messages of a sensor get lost on the way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loss {
    /// Share lost one by one.
    pub single: f64,
    /// Share lost in runs, and messages in a run on average.
    pub in_bursts: f64,
    pub burst_length: f64,
}

/// Whether the next message is lost (Gilbert and Elliott: a good and a bad state of the link).
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Link {
    is_bad: bool,
}

impl Link {
    /// `draws`: three numbers from 0 up to 1, always drawn, so that switching faults changes no others.
    pub fn loses(&mut self, loss: &Loss, without: &Switches, draws: [f64; 3]) -> bool {
        let ends = 1.0 / loss.burst_length.max(1.0);
        // In the long run a share `in_bursts` of all messages meets the bad state.
        let share = loss.in_bursts.clamp(0.0, 0.9);
        let begins = ends * share / (1.0 - share);
        self.is_bad = if self.is_bad { draws[0] >= ends } else { draws[1] < begins };
        (self.is_bad && without.has(Fault::Bursts)) || (draws[2] < loss.single && without.has(Fault::Loss))
    }
}

/// What is switched off.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Switches(BTreeSet<Fault>);

impl Switches {
    pub fn without(faults: impl IntoIterator<Item = Fault>) -> Self {
        Self(faults.into_iter().collect())
    }

    /// True where `fault` may happen.
    pub fn has(&self, fault: Fault) -> bool {
        !self.0.contains(&fault)
    }
}
