//! What a sensor runs on, and how its volts fall as it is used: depth of discharge against volts.

use serde::{Deserialize, Serialize};

use super::super::super::units::Volts;

/// What the sensor runs on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Chemistry {
    #[serde(rename = "alkaline_9v")]
    Alkaline9V,
    #[serde(rename = "lithium_9v")]
    Lithium9V,
    #[serde(rename = "nimh_9v")]
    Nimh9V,
    /// Two cells in series.
    #[serde(rename = "alkaline_aa_2")]
    AlkalineAa2,
    /// Two cells of lithium iron disulfide in series.
    #[serde(rename = "lithium_iron_aa_2")]
    LithiumIronAa2,
    Cr2032,
    Cr123a,
    /// One cell of lithium thionyl chloride.
    #[serde(rename = "li_socl2")]
    LiSocl2,
    /// Two NiMH cells in series, charged by the sun.
    NimhSun,
    /// Nothing is assumed; `low_volts` or `end_volts` must be given for volts to be judged.
    #[default]
    Custom,
}

/// What its volts can tell of the time left.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Course {
    /// They fall all along: a trend tells the day of the end.
    Sloping,
    /// They stand until shortly before the end: only age, and the knee, tell.
    Flat,
    /// They rise by day and fall by night; what counts is whether they come up again.
    Sun,
    /// Nothing is known but what the settings say.
    Unknown,
}

impl Chemistry {
    pub const ALL: [Self; 10] = [
        Self::Alkaline9V,
        Self::Lithium9V,
        Self::Nimh9V,
        Self::AlkalineAa2,
        Self::LithiumIronAa2,
        Self::Cr2032,
        Self::Cr123a,
        Self::LiSocl2,
        Self::NimhSun,
        Self::Custom,
    ];

    /// Its name in the configuration and on the wire.
    pub fn name(self) -> &'static str {
        match self {
            Self::Alkaline9V => "alkaline_9v",
            Self::Lithium9V => "lithium_9v",
            Self::Nimh9V => "nimh_9v",
            Self::AlkalineAa2 => "alkaline_aa_2",
            Self::LithiumIronAa2 => "lithium_iron_aa_2",
            Self::Cr2032 => "cr2032",
            Self::Cr123a => "cr123a",
            Self::LiSocl2 => "li_socl2",
            Self::NimhSun => "nimh_sun",
            Self::Custom => "custom",
        }
    }

    /// What to bring.
    pub fn cells_to_bring(self) -> &'static str {
        match self {
            Self::Alkaline9V => "one 9 V alkaline battery",
            Self::Lithium9V => "one 9 V lithium battery",
            Self::Nimh9V => "one charged 9 V NiMH battery",
            Self::AlkalineAa2 => "two AA alkaline cells",
            Self::LithiumIronAa2 => "two AA lithium iron disulfide cells (1.5 V)",
            Self::Cr2032 => "one CR2032 coin cell",
            Self::Cr123a => "one CR123A lithium cell",
            Self::LiSocl2 => "one lithium thionyl chloride cell (3.6 V) of the size fitted",
            Self::NimhSun => "two charged NiMH cells of the size fitted",
            Self::Custom => "the battery that this sensor takes",
        }
    }

    /// Cells in series; 0 where not known.
    pub fn cells(self) -> u8 {
        match self {
            Self::Alkaline9V => 6,
            Self::Lithium9V => 3,
            Self::Nimh9V => 7,
            Self::AlkalineAa2 | Self::LithiumIronAa2 | Self::NimhSun => 2,
            Self::Cr2032 | Self::Cr123a | Self::LiSocl2 => 1,
            Self::Custom => 0,
        }
    }

    pub fn course(self) -> Course {
        match self {
            Self::Alkaline9V | Self::AlkalineAa2 | Self::Nimh9V => Course::Sloping,
            Self::Lithium9V | Self::LithiumIronAa2 | Self::Cr2032 | Self::Cr123a | Self::LiSocl2 => Course::Flat,
            Self::NimhSun => Course::Sun,
            Self::Custom => Course::Unknown,
        }
    }

    /// Volts below which a visit is worth planning; None where nothing can be assumed.
    ///
    /// All are our choice, well above the end-point voltage at which devices stop (common practice for the cells:
    /// alkaline 0.8 V to 1.1 V, NiMH 1.0 V, lithium manganese dioxide 2.0 V, lithium iron disulfide 0.9 V).
    pub fn low_volts(self) -> Option<Volts> {
        let volts = match self {
            // 1.15 V a cell: about four fifths are used.
            Self::Alkaline9V => 6.9,
            Self::AlkalineAa2 => 2.3,
            // Three cells of 2.4 V, behind the knee of the flat curve.
            Self::Lithium9V => 7.2,
            // Seven cells of 1.1 V, two cells of 1.1 V.
            Self::Nimh9V => 7.7,
            Self::NimhSun => 2.2,
            // 1.3 V a cell, behind the knee; the plateau is at 1.5 V.
            Self::LithiumIronAa2 => 2.6,
            // The plateau is at 2.8 V to 3.0 V.
            Self::Cr2032 | Self::Cr123a => 2.5,
            // The plateau is at 3.6 V almost to the end.
            Self::LiSocl2 => 3.3,
            Self::Custom => return None,
        };
        Some(Volts(volts))
    }

    /// End-point voltage: where the device is taken to stop; None where nothing can be assumed.
    ///
    /// Our choice, at the upper side of common practice (see [`Chemistry::low_volts`]), because a sensor that stops
    /// earlier than announced is worse than cells changed some days early. A device that is known to stop elsewhere has
    /// its own setting.
    pub fn end_volts(self) -> Option<Volts> {
        let volts = match self {
            // 1.05 V a cell.
            Self::Alkaline9V => 6.3,
            Self::AlkalineAa2 | Self::NimhSun => 2.1,
            Self::Nimh9V => 7.35,
            // 2.2 V a cell.
            Self::Lithium9V => 6.6,
            Self::Cr2032 | Self::Cr123a => 2.2,
            Self::LithiumIronAa2 => 2.4,
            Self::LiSocl2 => 3.0,
            Self::Custom => return None,
        };
        Some(Volts(volts))
    }

    /// Depth of discharge at `volts` and 20 °C, 0 new to 1 empty; None where no curve is known.
    pub fn depth_of_discharge(self, volts: f64) -> Option<f64> {
        let cells = f64::from(self.cells());
        (cells > 0.0 && volts.is_finite()).then(|| depth(self.curve(), volts / cells))
    }

    /// The most a new battery shows, V; None where no curve is known.
    pub fn fresh_volts(self) -> Option<f64> {
        let (_, volts) = self.curve().first()?;
        Some(volts * f64::from(self.cells()))
    }

    /// Depth of discharge and volts per cell under a small load at 20 °C, falling.
    fn curve(self) -> &'static [(f64, f64)] {
        match self {
            Self::Alkaline9V | Self::AlkalineAa2 => &ALKALINE,
            Self::Nimh9V | Self::NimhSun => &NIMH,
            Self::Lithium9V | Self::Cr2032 | Self::Cr123a => &LITHIUM_MANGANESE,
            Self::LithiumIronAa2 => &LITHIUM_IRON,
            Self::LiSocl2 => &LITHIUM_THIONYL,
            Self::Custom => &[],
        }
    }
}

/// Depth of discharge at `volts` on a falling curve, by straight lines between its points; 0 above it, 1 below it.
pub fn depth(curve: &[(f64, f64)], volts: f64) -> f64 {
    let Some(&(first, highest)) = curve.first() else { return 0.0 };
    if volts >= highest {
        return first;
    }
    let segment = curve.windows(2).find(|pair| matches!(pair, [_, (_, low)] if volts >= *low));
    match segment {
        Some(&[(from, high), (to, low)]) if high > low => from + (to - from) * (high - volts) / (high - low),
        _ => curve.last().map_or(0.0, |(last, _)| *last),
    }
}

// Shapes from memory, as makers' data sheets show them for loads of a radio sensor (common practice); the alkaline one is
// that of tests/vectors/battery_cases.json.
const ALKALINE: [(f64, f64); 17] = [
    (0.0, 1.6),
    (0.02, 1.56),
    (0.05, 1.52),
    (0.1, 1.47),
    (0.2, 1.4),
    (0.3, 1.345),
    (0.4, 1.3),
    (0.5, 1.265),
    (0.6, 1.235),
    (0.7, 1.2),
    (0.8, 1.155),
    (0.85, 1.13),
    (0.9, 1.09),
    (0.93, 1.05),
    (0.96, 0.98),
    (0.98, 0.91),
    (1.0, 0.8),
];
const NIMH: [(f64, f64); 11] = [
    (0.0, 1.4),
    (0.05, 1.33),
    (0.1, 1.3),
    (0.3, 1.265),
    (0.5, 1.245),
    (0.7, 1.22),
    (0.8, 1.2),
    (0.9, 1.16),
    (0.95, 1.1),
    (0.98, 1.03),
    (1.0, 0.95),
];
const LITHIUM_MANGANESE: [(f64, f64); 9] = [
    (0.0, 3.2),
    (0.03, 3.05),
    (0.1, 2.98),
    (0.5, 2.9),
    (0.75, 2.82),
    (0.85, 2.72),
    (0.92, 2.55),
    (0.97, 2.3),
    (1.0, 2.0),
];
const LITHIUM_IRON: [(f64, f64); 10] = [
    (0.0, 1.8),
    (0.02, 1.65),
    (0.05, 1.55),
    (0.1, 1.52),
    (0.5, 1.48),
    (0.75, 1.44),
    (0.85, 1.41),
    (0.92, 1.35),
    (0.96, 1.25),
    (1.0, 0.9),
];
const LITHIUM_THIONYL: [(f64, f64); 7] =
    [(0.0, 3.67), (0.02, 3.63), (0.5, 3.61), (0.85, 3.58), (0.92, 3.45), (0.96, 3.2), (1.0, 2.0)];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_curve_falls_from_new_to_empty_and_its_marks_are_in_order() {
        for chemistry in Chemistry::ALL {
            let curve = chemistry.curve();
            assert!(curve.is_sorted_by(|a, b| a.0 < b.0 && a.1 > b.1), "{chemistry:?}");
            let (Some(low), Some(end)) = (chemistry.low_volts(), chemistry.end_volts()) else {
                assert_eq!(chemistry, Chemistry::Custom);
                continue;
            };
            assert!(low.0 > end.0, "{chemistry:?}");
            let (at_low, at_end) =
                (chemistry.depth_of_discharge(low.0).unwrap(), chemistry.depth_of_discharge(end.0).unwrap());
            assert!(0.7 < at_low && at_low < at_end && at_end < 1.0, "{chemistry:?}: {at_low} {at_end}");
        }
    }

    #[test]
    fn volts_outside_a_curve_are_new_or_empty() {
        let check = |volts, expected| assert_eq!(Chemistry::AlkalineAa2.depth_of_discharge(volts), expected, "{volts}");
        check(3.4, Some(0.0));
        check(3.2, Some(0.0));
        check(2.6, Some(0.4));
        check(1.6, Some(1.0));
        check(0.2, Some(1.0));
        check(f64::NAN, None);
        assert_eq!(Chemistry::Custom.depth_of_discharge(3.0), None);
    }
}
