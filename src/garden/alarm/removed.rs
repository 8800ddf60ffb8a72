//! Alarms of what the garden's file no longer has.

use jiff::Timestamp;

use crate::alarms::{AlarmRecord, AlarmText, State};
use crate::garden::core::Core;
use crate::garden::record::AlarmChange;

impl Core {
    /// The ends of stored alarms that nothing in their garden's file brings about any
    /// more (a bed, tank, sensor, gateway or battery was taken out): nothing will ever
    /// judge them again. For alarms of gardens that this core does not know:
    /// [`Self::ends_of_unknown`].
    pub fn ends_of_removed(&self, stored: &[AlarmRecord], now: Timestamp) -> Vec<AlarmChange> {
        let mut ends = Vec::new();
        for alarm in stored.iter().filter(|alarm| alarm.state != State::Normal) {
            let Some(garden) = self.sites().find(|garden| garden.site.id == alarm.key.site) else { continue };
            if self.has(&alarm.key) {
                continue;
            }
            let text = format!(
                "Nothing in the garden's file watches {} for this any more, so the alarm is over.",
                alarm.key.place
            );
            ends.push(AlarmChange {
                record: AlarmRecord {
                    key: alarm.key.clone(),
                    state: State::Normal,
                    since: alarm.since,
                    at: self.moment(&alarm.key.site, now).max(alarm.at),
                    shelf: None,
                    course: crate::alarms::AlarmCourse::default(),
                    said: AlarmText::new(text, &[], "the garden's file"),
                },
                priority: garden.priority_of(alarm),
                from: alarm.state,
                how: None,
                tell: garden.told_of(alarm.key.kind, &alarm.key.place),
            });
        }
        ends
    }

    /// The ends of stored alarms of gardens that have no file any more. A record is of one
    /// daemon, so nobody else judges them; whom to tell stood in the file.
    pub fn ends_of_unknown(&self, stored: &[AlarmRecord], now: Timestamp) -> Vec<AlarmChange> {
        let unknown = |alarm: &&AlarmRecord| {
            alarm.state != State::Normal && !self.sites().any(|garden| garden.site.id == alarm.key.site)
        };
        let end = |alarm: &AlarmRecord| {
            let text = format!(
                "{} is in no garden's file any more, so Trug does not watch it, and the alarm is over.",
                alarm.key.site
            );
            AlarmChange {
                record: AlarmRecord {
                    key: alarm.key.clone(),
                    state: State::Normal,
                    since: alarm.since,
                    at: now.max(alarm.at),
                    shelf: None,
                    course: crate::alarms::AlarmCourse::default(),
                    said: AlarmText::new(text, &[], "the gardens' files"),
                },
                priority: alarm.key.kind.priority(),
                from: alarm.state,
                how: None,
                tell: Vec::new(),
            }
        };
        stored.iter().filter(unknown).map(end).collect()
    }
}
