//! Why water is held, and what a controller can be told.

use serde::{Deserialize, Serialize};

/// Why a group is held. Several can stand at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reason {
    Rain,
    Freeze,
    Wind,
    Restriction,
    Operator,
    RootZoneFull,
    Season,
    Calendar,
    NoEvidence,
}

impl Reason {
    pub const ALL: [Self; 9] = [
        Self::Rain,
        Self::Freeze,
        Self::Wind,
        Self::Restriction,
        Self::Operator,
        Self::RootZoneFull,
        Self::Season,
        Self::Calendar,
        Self::NoEvidence,
    ];

    pub fn name(self) -> &'static str {
        match self {
            Self::Rain => "rain",
            Self::Freeze => "freeze",
            Self::Wind => "wind",
            Self::Restriction => "restriction",
            Self::Operator => "operator",
            Self::RootZoneFull => "root_zone_full",
            Self::Season => "season",
            Self::Calendar => "calendar",
            Self::NoEvidence => "no_evidence",
        }
    }

    /// True for holds that a release without named reasons ends. Freeze and restriction must be named: one is a hazard,
    /// the other is the law.
    pub fn released_by_default(self) -> bool {
        !matches!(self, Self::Freeze | Self::Restriction | Self::Season)
    }
}

/// What a controller can be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Capability {
    /// A contact: water or do not.
    Hold,
    /// One percentage for all its groups.
    Percent,
    PercentPerGroup,
    TwelveMonths,
    Minutes,
}

impl Capability {
    /// True where each group of the controller can be treated for itself.
    pub fn is_per_group(self) -> bool {
        matches!(self, Self::PercentPerGroup | Self::Minutes)
    }

    pub fn name(self) -> &'static str {
        match self {
            Self::Hold => "hold",
            Self::Percent => "percent",
            Self::PercentPerGroup => "percent_per_group",
            Self::TwelveMonths => "twelve_months",
            Self::Minutes => "minutes",
        }
    }
}
