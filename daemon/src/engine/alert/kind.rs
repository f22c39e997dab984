//! Every kind of alert, with how soon and for whom.

use serde::{Deserialize, Serialize};

/// How soon somebody has to look.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Urgency {
    Now,
    Today,
    NextVisit,
}

/// Who has to look.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Audience {
    Owner,
    Technician,
    Office,
}

/// What is wrong. The subject says with what.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AlertKind {
    SensorSilent,
    GatewaySilent,
    BrokerSilent,
    SubscriptionRefused,
    LinkWeak,
    LinkUnstable,
    BatteryLow,
    BatteryForecast,
    BatteryUnchanged,
    ReadingImplausible,
    FlatLine,
    GaugeClogged,
    GaugeKnocked,
    GaugeSprayed,
    ClockWrong,
    SharedId,
    SuccessorProposed,
    SitingDoubtful,
    BasisWeak,
    NotObeyed,
    WaterWhileHeld,
    NothingWatered,
    DryGuard,
    RunTimesDoNotFit,
    DrainDue,
    StartDue,
    FeedRejecting,
    StoreFault,
    HistoryBehind,
    DiskLow,
    CertificateExpiring,
    ConfigRejected,
}

impl AlertKind {
    pub const ALL: [Self; 32] = [
        Self::SensorSilent,
        Self::GatewaySilent,
        Self::BrokerSilent,
        Self::SubscriptionRefused,
        Self::LinkWeak,
        Self::LinkUnstable,
        Self::BatteryLow,
        Self::BatteryForecast,
        Self::BatteryUnchanged,
        Self::ReadingImplausible,
        Self::FlatLine,
        Self::GaugeClogged,
        Self::GaugeKnocked,
        Self::GaugeSprayed,
        Self::ClockWrong,
        Self::SharedId,
        Self::SuccessorProposed,
        Self::SitingDoubtful,
        Self::BasisWeak,
        Self::NotObeyed,
        Self::WaterWhileHeld,
        Self::NothingWatered,
        Self::DryGuard,
        Self::RunTimesDoNotFit,
        Self::DrainDue,
        Self::StartDue,
        Self::FeedRejecting,
        Self::StoreFault,
        Self::HistoryBehind,
        Self::DiskLow,
        Self::CertificateExpiring,
        Self::ConfigRejected,
    ];

    /// The name on the wire.
    pub fn name(self) -> &'static str {
        match self {
            Self::SensorSilent => "sensor_silent",
            Self::GatewaySilent => "gateway_silent",
            Self::BrokerSilent => "broker_silent",
            Self::SubscriptionRefused => "subscription_refused",
            Self::LinkWeak => "link_weak",
            Self::LinkUnstable => "link_unstable",
            Self::BatteryLow => "battery_low",
            Self::BatteryForecast => "battery_forecast",
            Self::BatteryUnchanged => "battery_unchanged",
            Self::ReadingImplausible => "reading_implausible",
            Self::FlatLine => "flat_line",
            Self::GaugeClogged => "gauge_clogged",
            Self::GaugeKnocked => "gauge_knocked",
            Self::GaugeSprayed => "gauge_sprayed",
            Self::ClockWrong => "clock_wrong",
            Self::SharedId => "shared_id",
            Self::SuccessorProposed => "successor_proposed",
            Self::SitingDoubtful => "siting_doubtful",
            Self::BasisWeak => "basis_weak",
            Self::NotObeyed => "not_obeyed",
            Self::WaterWhileHeld => "water_while_held",
            Self::NothingWatered => "nothing_watered",
            Self::DryGuard => "dry_guard",
            Self::RunTimesDoNotFit => "run_times_do_not_fit",
            Self::DrainDue => "drain_due",
            Self::StartDue => "start_due",
            Self::FeedRejecting => "feed_rejecting",
            Self::StoreFault => "store_fault",
            Self::HistoryBehind => "history_behind",
            Self::DiskLow => "disk_low",
            Self::CertificateExpiring => "certificate_expiring",
            Self::ConfigRejected => "config_rejected",
        }
    }

    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }

    pub fn urgency(self) -> Urgency {
        match self {
            Self::BrokerSilent
            | Self::SubscriptionRefused
            | Self::NotObeyed
            | Self::WaterWhileHeld
            | Self::NothingWatered
            | Self::DryGuard
            | Self::StoreFault
            | Self::DiskLow
            | Self::ConfigRejected => Urgency::Now,
            Self::SensorSilent
            | Self::GatewaySilent
            | Self::BatteryLow
            | Self::ReadingImplausible
            | Self::FlatLine
            | Self::GaugeKnocked
            | Self::SharedId
            | Self::SuccessorProposed
            | Self::BasisWeak
            | Self::DrainDue
            | Self::StartDue
            | Self::FeedRejecting
            | Self::HistoryBehind
            | Self::CertificateExpiring => Urgency::Today,
            _ => Urgency::NextVisit,
        }
    }

    pub fn audience(self) -> Audience {
        match self {
            Self::BasisWeak | Self::WaterWhileHeld | Self::NothingWatered | Self::DryGuard => Audience::Owner,
            Self::HistoryBehind | Self::DiskLow | Self::CertificateExpiring | Self::ConfigRejected => Audience::Office,
            _ => Audience::Technician,
        }
    }

    /// Does its cause end only where somebody goes to the site?
    pub fn needs_visit(self) -> bool {
        match self {
            Self::SensorSilent
            | Self::GatewaySilent
            | Self::LinkWeak
            | Self::LinkUnstable
            | Self::BatteryLow
            | Self::BatteryForecast
            | Self::BatteryUnchanged
            | Self::ReadingImplausible
            | Self::FlatLine
            | Self::GaugeClogged
            | Self::GaugeKnocked
            | Self::GaugeSprayed
            | Self::ClockWrong
            | Self::SharedId
            | Self::SitingDoubtful
            | Self::NotObeyed
            | Self::WaterWhileHeld
            | Self::NothingWatered
            | Self::RunTimesDoNotFit
            | Self::DrainDue
            | Self::StartDue => true,
            Self::BrokerSilent
            | Self::SubscriptionRefused
            | Self::SuccessorProposed
            | Self::BasisWeak
            | Self::DryGuard
            | Self::FeedRejecting
            | Self::StoreFault
            | Self::HistoryBehind
            | Self::DiskLow
            | Self::CertificateExpiring
            | Self::ConfigRejected => false,
        }
    }

    /// What to bring for it, where the alert itself does not say. Common practice.
    pub fn tools(self) -> Option<&'static str> {
        match self {
            Self::GatewaySilent => Some("a spare power supply and network cable for the gateway"),
            Self::LinkWeak | Self::LinkUnstable => Some("what it takes to set the sensor nearer to the gateway"),
            Self::ReadingImplausible | Self::FlatLine => Some("a spare sensor"),
            Self::SitingDoubtful => Some("tools to move or clean the sensor"),
            Self::GaugeClogged => Some("a brush and clean water for the rain gauge"),
            Self::GaugeKnocked => Some("a spirit level and tools to fasten the rain gauge"),
            Self::GaugeSprayed => Some("tools to move the rain gauge or to turn the sprinkler"),
            Self::NotObeyed | Self::WaterWhileHeld | Self::NothingWatered => {
                Some("a meter for the controller's wiring")
            }
            _ => None,
        }
    }

    /// Is what to bring counted by sensor, as cells are?
    pub fn is_of_cells(self) -> bool {
        matches!(self, Self::SensorSilent | Self::BatteryLow | Self::BatteryForecast | Self::BatteryUnchanged)
    }
}
