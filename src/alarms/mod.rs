//! The life of an alarm, by the state names of ANSI/ISA-18.2-2016 and IEC 62682.

mod answer;
pub mod figures;
mod key;
mod life;
pub mod targets;

pub use answer::{AlarmNote, Answer, Answered};
pub(crate) use key::OWN_NAME;
pub use key::{AlarmKey, AlarmSnapshot, OWN_PLACE, Values};
pub use life::{Beneath, Hiding, Input, Life, Step};

/// What an alarm is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Kind {
    DryBed,
    MulchOnDrySoil,
    WateringHours,
    WaterLeftOn,
    WaterRepellentSoil,
    Waterlogged,
    TankTemperatureShock,
    TankTooWarm,
    TankTooCold,
    LowOxygen,
    Ammonia,
    Ph,
    SensorSilent,
    SensorFault,
    GaugeSuspect,
    StoreFailing,
    ForwardingBehind,
    GatewaySilent,
    BatteryLow,
    DiskNearlyFull,
    ClockJumped,
    MessageNotSent,
}

impl Kind {
    /// Every kind, in the order of the contract.
    pub const ALL: [Self; 22] = [
        Self::DryBed,
        Self::MulchOnDrySoil,
        Self::WateringHours,
        Self::WaterLeftOn,
        Self::WaterRepellentSoil,
        Self::Waterlogged,
        Self::TankTemperatureShock,
        Self::TankTooWarm,
        Self::TankTooCold,
        Self::LowOxygen,
        Self::Ammonia,
        Self::Ph,
        Self::SensorSilent,
        Self::SensorFault,
        Self::GaugeSuspect,
        Self::StoreFailing,
        Self::ForwardingBehind,
        Self::GatewaySilent,
        Self::BatteryLow,
        Self::DiskNearlyFull,
        Self::ClockJumped,
        Self::MessageNotSent,
    ];

    /// The name in topics, files and commands.
    pub fn name(self) -> &'static str {
        match self {
            Self::DryBed => "dry-bed",
            Self::MulchOnDrySoil => "mulch-on-dry-soil",
            Self::WateringHours => "watering-hours",
            Self::WaterLeftOn => "water-left-on",
            Self::WaterRepellentSoil => "water-repellent-soil",
            Self::Waterlogged => "waterlogged",
            Self::TankTemperatureShock => "tank-temperature-shock",
            Self::TankTooWarm => "tank-too-warm",
            Self::TankTooCold => "tank-too-cold",
            Self::LowOxygen => "low-oxygen",
            Self::Ammonia => "ammonia",
            Self::Ph => "ph",
            Self::SensorSilent => "sensor-silent",
            Self::SensorFault => "sensor-fault",
            Self::GaugeSuspect => "gauge-suspect",
            Self::StoreFailing => "store-failing",
            Self::ForwardingBehind => "forwarding-behind",
            Self::GatewaySilent => "gateway-silent",
            Self::BatteryLow => "battery-low",
            Self::DiskNearlyFull => "disk-nearly-full",
            Self::ClockJumped => "clock-jumped",
            Self::MessageNotSent => "message-not-sent",
        }
    }

    /// How soon somebody must act on it, where the garden does not say otherwise.
    pub fn priority(self) -> Priority {
        match self {
            Self::TankTemperatureShock
            | Self::TankTooWarm
            | Self::TankTooCold
            | Self::LowOxygen
            | Self::Ammonia
            | Self::StoreFailing => Priority::High,
            Self::DryBed
            | Self::WaterLeftOn
            | Self::Ph
            | Self::GatewaySilent
            | Self::DiskNearlyFull
            | Self::MessageNotSent => Priority::Medium,
            // It is told days before the mulch is to go down.
            Self::MulchOnDrySoil
            | Self::WateringHours
            | Self::WaterRepellentSoil
            | Self::Waterlogged
            | Self::SensorSilent
            | Self::SensorFault
            | Self::GaugeSuspect
            | Self::ForwardingBehind
            | Self::BatteryLow
            | Self::ClockJumped => Priority::Low,
        }
    }

    /// The kind of a name, if there is one.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|k| k.name() == name)
    }
}

/// An alarm's state as it is published.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum State {
    Normal,
    Unacknowledged,
    Acknowledged,
    ReturnedUnacknowledged,
    LatchedUnacknowledged,
    LatchedAcknowledged,
    Shelved,
    Suppressed,
    OutOfService,
}

impl State {
    /// Every state.
    pub const ALL: [Self; 9] = [
        Self::Normal,
        Self::Unacknowledged,
        Self::Acknowledged,
        Self::ReturnedUnacknowledged,
        Self::LatchedUnacknowledged,
        Self::LatchedAcknowledged,
        Self::Shelved,
        Self::Suppressed,
        Self::OutOfService,
    ];

    /// The name in topics, files and commands.
    pub fn name(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned-unacknowledged",
            Self::LatchedUnacknowledged => "latched-unacknowledged",
            Self::LatchedAcknowledged => "latched-acknowledged",
            Self::Shelved => "shelved",
            Self::Suppressed => "suppressed",
            Self::OutOfService => "out-of-service",
        }
    }

    /// The state of a name, if there is one.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.name() == name)
    }

    /// Whether its condition holds and people are to see it.
    pub fn is_active(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::Acknowledged)
    }

    /// Whether it waits for somebody to say that it was seen.
    pub fn waits(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::ReturnedUnacknowledged | Self::LatchedUnacknowledged)
    }

    /// Whether it is out of people's sight.
    pub fn is_hidden(self) -> bool {
        matches!(self, Self::Shelved | Self::Suppressed | Self::OutOfService)
    }
}

/// How soon somebody must act.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Priority {
    Low,
    Medium,
    High,
}

impl Priority {
    /// Every priority.
    pub const ALL: [Self; 3] = [Self::Low, Self::Medium, Self::High];

    /// The priority of a name, if there is one.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|p| p.name() == name)
    }

    /// The name in topics and files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Medium => "medium",
            Self::High => "high",
        }
    }
}

/// Deadband and delays of one rule.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Delays {
    /// How far back inside the limit a value must come, in the rule's own unit.
    pub deadband: f64,
    /// Seconds that a breach must hold before the alarm is raised.
    pub on_s: u32,
    /// Seconds that the recovery must hold before the alarm returns.
    pub off_s: u32,
}

/// How one rule's alarm behaves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conduct {
    pub delays: Delays,
    /// Once raised it stays until somebody has looked, since a fish may already be hurt.
    pub latching: bool,
    /// Seconds after which one that was taken on and still holds is told again.
    pub again_s: Option<u32>,
}

/// What a garden's file changes in the conduct of one kind. What is `None` stays as
/// it usually is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Own {
    pub priority: Option<Priority>,
    pub latching: Option<bool>,
    /// Seconds; 0: it is never told again.
    pub again_s: Option<u32>,
}

/// A garden's own changes, kind by kind.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Conducts([Own; Kind::ALL.len()]);

impl Conducts {
    /// Changes the conduct of a kind.
    pub fn set(&mut self, kind: Kind, own: Own) {
        self.0[kind as usize] = own;
    }

    /// How soon somebody must act on an alarm of a kind.
    pub fn priority(&self, kind: Kind) -> Priority {
        self.0[kind as usize].priority.unwrap_or(kind.priority())
    }

    /// The conduct of a kind, with the rule's own delays. One that was taken on is
    /// told again by its priority: after six hours, two days or a week (ours).
    pub fn of(&self, kind: Kind, delays: Delays) -> Conduct {
        const DAY_S: u32 = 86_400;
        let own = self.0[kind as usize];
        let usually = matches!(kind, Kind::TankTemperatureShock | Kind::LowOxygen | Kind::Ammonia);
        let again_s = own.again_s.unwrap_or(match self.priority(kind) {
            Priority::High => DAY_S / 4,
            Priority::Medium => 2 * DAY_S,
            Priority::Low => 7 * DAY_S,
        });
        Conduct {
            delays,
            latching: own.latching.unwrap_or(usually),
            again_s: (again_s > 0).then_some(again_s),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DELAYS: Delays = Delays { deadband: 0.0, on_s: 0, off_s: 0 };

    #[test]
    fn a_kind_finds_its_own_conduct() {
        for (at, kind) in Kind::ALL.into_iter().enumerate() {
            assert_eq!(kind as usize, at);
            let mut conducts = Conducts::default();
            conducts.set(kind, Own { latching: Some(true), again_s: Some(60), ..Own::default() });
            for other in Kind::ALL {
                assert_eq!(conducts.of(other, DELAYS).again_s == Some(60), other == kind);
            }
            assert!(conducts.of(kind, DELAYS).latching);
        }
    }

    #[test]
    fn what_is_not_changed_stays_usual() {
        let mut conducts = Conducts::default();
        assert_eq!(conducts.of(Kind::DryBed, DELAYS).again_s, Some(2 * 86_400));
        conducts.set(Kind::DryBed, Own { priority: Some(Priority::High), ..Own::default() });
        assert_eq!(conducts.priority(Kind::DryBed), Priority::High);
        // How soon it is told again follows its priority.
        assert_eq!(conducts.of(Kind::DryBed, DELAYS).again_s, Some(6 * 3600));
        conducts.set(Kind::Ammonia, Own { latching: Some(false), again_s: Some(0), ..Own::default() });
        let ammonia = conducts.of(Kind::Ammonia, DELAYS);
        assert_eq!((ammonia.latching, ammonia.again_s), (false, None));
    }
}
