//! Service marks: what people did to a sensor, and what follows for its state.

use serde::{Deserialize, Serialize};

use super::Sensor;
use crate::engine::quality::Track;
use crate::engine::stamp::Stamp;

/// What was done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ServiceKind {
    Battery,
    Cleaned,
    /// Water was poured through the gauge.
    Calibration,
    Moved,
    Replaced,
    Added,
}

impl ServiceKind {
    pub fn name(self) -> &'static str {
        match self {
            Self::Battery => "battery",
            Self::Cleaned => "cleaned",
            Self::Calibration => "calibration",
            Self::Moved => "moved",
            Self::Replaced => "replaced",
            Self::Added => "added",
        }
    }
}

/// A service mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ServiceMark {
    #[serde(rename = "k")]
    pub kind: ServiceKind,
    #[serde(rename = "a")]
    pub at: Stamp,
}

impl Sensor {
    /// Notes a service mark and forgets what it makes void: a new battery starts a new trend once its readings show it, a sensor that was moved or
    /// replaced has no last values to be compared with.
    pub fn serviced(&mut self, mark: ServiceMark) {
        match mark.kind {
            ServiceKind::Battery => self.battery.changed(mark.at),
            ServiceKind::Moved | ServiceKind::Replaced => {
                for channel in &mut self.channels {
                    channel.track = Track::default();
                }
                if mark.kind == ServiceKind::Replaced {
                    self.battery = Default::default();
                    self.repeats = Default::default();
                }
            }
            ServiceKind::Cleaned | ServiceKind::Calibration | ServiceKind::Added => {}
        }
        self.faults = Default::default();
        self.services.push(mark);
        if self.services.len() > KEPT_MARKS {
            self.services.remove(0);
        }
        self.status_due = true;
    }
}

const KEPT_MARKS: usize = 8;
