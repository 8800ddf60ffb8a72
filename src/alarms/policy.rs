//! How a garden's alarms behave: delays, priority, latch and reminder.

use std::ops::{Index, IndexMut};
use std::sync::{Arc, LazyLock};

use super::{Kind, Priority};

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

impl Delays {
    /// Nothing is waited for.
    pub(crate) const NONE: Self = Self { deadband: 0.0, on_s: 0, off_s: 0 };
}

/// How one alarm behaves at a step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AlarmPolicy {
    pub delays: Delays,
    /// Once raised it stays until somebody has looked, since a fish may already be hurt.
    pub latching: bool,
    /// Seconds after which one that was taken on and still holds is told again.
    pub again_s: Option<u32>,
}

/// One kind's settings: the usual ones with the garden's own changes applied.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RuleSetting {
    pub delays: Delays,
    pub priority: Priority,
    pub latching: bool,
    /// Seconds; 0: it is never told again; `None`: by its priority.
    pub again_s: Option<u32>,
    /// How far beyond its limit a further step is, in the unit of its kind; above 0.
    pub worse_by: f64,
    /// Seconds after its end within which one that comes back is counted as the same
    /// alarm; 0: each time is an alarm of its own.
    pub count_s: u32,
}

impl RuleSetting {
    fn usual(kind: Kind) -> Self {
        let row = kind.row();
        let deadband = row.deadband.map_or(0.0, |it| it.usual);
        let delays = Delays { deadband, on_s: row.on_s, off_s: row.off_s };
        // What comes each night with a mild one between is one thing (ours).
        const COUNT_S: u32 = 72 * 3600;
        let worse_by = row.worse.map_or(1.0, |it| it.usual);
        Self {
            delays,
            priority: row.priority,
            latching: row.latching,
            again_s: None,
            worse_by,
            count_s: COUNT_S,
        }
    }

    /// The policy with these delays. An alarm that was taken on is told again by its
    /// priority: after six hours, two days or a week (ours).
    pub fn policy(&self, delays: Delays) -> AlarmPolicy {
        const DAY_S: u32 = 86_400;
        let again_s = self.again_s.unwrap_or(match self.priority {
            Priority::High => DAY_S / 4,
            Priority::Medium => 2 * DAY_S,
            Priority::Low => 7 * DAY_S,
        });
        AlarmPolicy { delays, latching: self.latching, again_s: (again_s > 0).then_some(again_s) }
    }
}

/// A garden's settings of every kind. Gardens that change nothing share one.
#[derive(Clone, Debug, PartialEq)]
pub struct RuleSettings(Arc<[RuleSetting; Kind::ALL.len()]>);

impl Default for RuleSettings {
    fn default() -> Self {
        static USUAL: LazyLock<RuleSettings> =
            LazyLock::new(|| RuleSettings(Arc::new(Kind::ALL.map(RuleSetting::usual))));
        USUAL.clone()
    }
}

impl Index<Kind> for RuleSettings {
    type Output = RuleSetting;

    fn index(&self, kind: Kind) -> &RuleSetting {
        &self.0[kind as usize]
    }
}

impl IndexMut<Kind> for RuleSettings {
    fn index_mut(&mut self, kind: Kind) -> &mut RuleSetting {
        &mut Arc::make_mut(&mut self.0)[kind as usize]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn again_s(rules: &RuleSettings, kind: Kind) -> Option<u32> {
        rules[kind].policy(Delays::NONE).again_s
    }

    #[test]
    fn a_kind_finds_its_own_setting() {
        for kind in Kind::ALL {
            let mut rules = RuleSettings::default();
            rules[kind].latching = true;
            rules[kind].again_s = Some(60);
            for other in Kind::ALL {
                assert_eq!(again_s(&rules, other) == Some(60), other == kind);
            }
            assert!(rules[kind].policy(Delays::NONE).latching);
        }
    }

    #[test]
    fn what_is_not_changed_stays_usual() {
        let mut rules = RuleSettings::default();
        assert_eq!(again_s(&rules, Kind::DryBed), Some(2 * 86_400));
        rules[Kind::DryBed].priority = Priority::High;
        // How soon it is told again follows its priority.
        assert_eq!(again_s(&rules, Kind::DryBed), Some(6 * 3600));
        assert!(rules[Kind::Ammonia].latching);
        rules[Kind::Ammonia].latching = false;
        rules[Kind::Ammonia].again_s = Some(0);
        let ammonia = rules[Kind::Ammonia].policy(Delays::NONE);
        assert_eq!((ammonia.latching, ammonia.again_s), (false, None));
    }
}
