//! The six zones of the yard: what is planted, what the root zone holds, how it is watered.
//!
//! Modelled on the published protocol for controllers that follow the weather; the table is from memory and its values are to
//! be confirmed, so that nothing here is a statement of conformity. Monthly factors of turf: UC ANR, "Turfgrass crop
//! coefficients" (Meyer et al., 1985).

/// How many zones there are.
pub const ZONES: usize = 6;

/// A value for each zone.
pub type PerZone = [f64; ZONES];

/// One zone. Each is a group of its own.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Zone {
    /// Id of its group.
    pub id: &'static str,
    pub what: &'static str,
    /// As in a configuration.
    pub kind: &'static str,
    /// Water that the root zone holds for the plants' use, mm.
    pub storage_mm: f64,
    /// Share of reference evapotranspiration, January first.
    pub factor: [f64; 12],
    /// Application rate, mm/h, and the share of it that reaches the roots.
    pub rate_mm_per_hour: f64,
    pub efficiency: f64,
}

impl Zone {
    /// Net depth of an hour's run, mm.
    pub fn net_rate_mm_per_hour(&self) -> f64 {
        self.rate_mm_per_hour * self.efficiency
    }
}

/// The table.
pub const TABLE: [Zone; ZONES] = [
    zone("zone-1", "tall fescue on loam, spray", "spray", 21.6, FESCUE, 1.60, 0.55),
    zone("zone-2", "bermuda on silty clay, spray", "spray", 14.0, BERMUDA, 1.60, 0.60),
    zone("zone-3", "ground cover on loamy sand, spray", "spray", 22.9, [0.55; 12], 1.40, 0.70),
    zone("zone-4", "shrubs on sandy loam, spray", "spray", 50.8, [0.40; 12], 1.40, 0.75),
    zone("zone-5", "trees and ground cover on clay loam, drip", "drip", 57.2, [0.61; 12], 0.20, 0.80),
    zone("zone-6", "bermuda on clay, rotor", "rotor", 14.0, BERMUDA, 0.35, 0.65),
];

const fn zone(
    id: &'static str,
    what: &'static str,
    kind: &'static str,
    storage_mm: f64,
    factor: [f64; 12],
    rate_inches_per_hour: f64,
    efficiency: f64,
) -> Zone {
    Zone { id, what, kind, storage_mm, factor, rate_mm_per_hour: rate_inches_per_hour * 25.4, efficiency }
}

const FESCUE: [f64; 12] = [0.61, 0.64, 0.75, 1.04, 0.95, 0.88, 0.94, 0.86, 0.74, 0.75, 0.69, 0.60];
const BERMUDA: [f64; 12] = [0.61, 0.54, 0.76, 0.72, 0.79, 0.68, 0.71, 0.71, 0.62, 0.54, 0.58, 0.55];
