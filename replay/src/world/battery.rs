//! Batteries that run down as their chemistry does: a slope, a plateau with a knee, and less in the cold.

/// What a sensor runs on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Chemistry {
    /// Two alkaline cells in series.
    AlkalineAa2,
    /// Two cells of lithium iron disulfide in series.
    LithiumIronAa2,
    /// One cell of lithium manganese dioxide.
    Cr123a,
    /// One cell of lithium thionyl chloride.
    LiSocl2,
    /// Two NiMH cells in series, charged by the sun.
    NimhSun,
}

impl Chemistry {
    pub const ALL: [Self; 5] = [Self::AlkalineAa2, Self::LithiumIronAa2, Self::Cr123a, Self::LiSocl2, Self::NimhSun];

    /// Its name in a configuration.
    pub fn name(self) -> &'static str {
        match self {
            Self::AlkalineAa2 => "alkaline_aa_2",
            Self::LithiumIronAa2 => "lithium_iron_aa_2",
            Self::Cr123a => "cr123a",
            Self::LiSocl2 => "li_socl2",
            Self::NimhSun => "nimh_sun",
        }
    }

    /// Share used and volts under a small load at 20 °C. The shapes are those of the cells in general, rounded by us.
    fn curve(self) -> &'static [(f64, f64)] {
        match self {
            Self::AlkalineAa2 => {
                &[(0.0, 3.16), (0.05, 3.02), (0.2, 2.8), (0.4, 2.6), (0.6, 2.44), (0.8, 2.28), (0.9, 2.1), (1.0, 1.8)]
            }
            Self::LithiumIronAa2 => {
                &[(0.0, 3.5), (0.05, 3.1), (0.1, 3.0), (0.7, 2.94), (0.9, 2.8), (0.96, 2.5), (1.0, 1.8)]
            }
            Self::Cr123a => &[(0.0, 3.2), (0.05, 3.02), (0.6, 2.92), (0.85, 2.76), (0.93, 2.5), (1.0, 2.0)],
            Self::LiSocl2 => &[(0.0, 3.67), (0.02, 3.63), (0.85, 3.6), (0.93, 3.42), (0.97, 3.1), (1.0, 2.0)],
            Self::NimhSun => &[(0.0, 2.76), (0.1, 2.56), (0.5, 2.48), (0.8, 2.4), (0.92, 2.2), (1.0, 1.8)],
        }
    }

    /// Volts lost per degree below 20 °C.
    fn cold_volts(self) -> f64 {
        match self {
            Self::AlkalineAa2 => 0.006,
            Self::Cr123a => 0.005,
            Self::LithiumIronAa2 | Self::LiSocl2 | Self::NimhSun => 0.002,
        }
    }
}

/// One battery.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Battery {
    pub chemistry: Chemistry,
    /// 0 new, 1 empty.
    used: f64,
    /// How long a new one lasts.
    days: f64,
}

impl Battery {
    /// A battery of which a share is used; a new one lasts `days`.
    pub fn new(chemistry: Chemistry, used: f64, days: f64) -> Self {
        Self { chemistry, used: used.clamp(0.0, 1.0), days: days.max(0.1) }
    }

    /// Time passes, `drain` times faster than usual, under `sun` W/m².
    pub fn pass(&mut self, days: f64, drain: f64, sun: f64) {
        self.used += days * drain / self.days;
        if self.chemistry == Chemistry::NimhSun {
            // A day of sun gives back what ten days take.
            self.used -= days * 30.0 / self.days * (sun / 600.0).min(1.0);
        }
        self.used = self.used.clamp(0.0, 1.0);
    }

    /// A new one.
    pub fn replace(&mut self) {
        self.used = 0.0;
    }

    /// Too empty to send.
    pub fn is_dead(&self) -> bool {
        self.used >= 1.0
    }

    /// Volts at `celsius`.
    pub fn volts(&self, celsius: f64) -> f64 {
        let curve = self.chemistry.curve();
        let volts = curve.windows(2).find(|pair| self.used <= pair[1].0).map_or(curve[curve.len() - 1].1, |pair| {
            let ((from, high), (to, low)) = (pair[0], pair[1]);
            high + (low - high) * (self.used - from) / (to - from)
        });
        volts - self.chemistry.cold_volts() * (20.0 - celsius).max(0.0)
    }
}
