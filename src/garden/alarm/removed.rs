//! Alarms of what the garden's file no longer has.

use jiff::Timestamp;

use crate::alarms::{AlarmCourse, AlarmRecord, AlarmText, State};
use crate::garden::core::Core;
use crate::garden::plan::Garden;
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
            let said = AlarmText::new(text, &[], "the garden's file");
            let at = self.moment(&alarm.key.site, now);
            ends.push(AlarmChange::end_of(alarm, at, said, Some(garden)));
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
            AlarmChange::end_of(alarm, now, AlarmText::new(text, &[], "the gardens' files"), None)
        };
        stored.iter().filter(unknown).map(end).collect()
    }
}

impl AlarmChange {
    /// The end of a stored alarm that nothing watches for any more. `garden`: the one whose file
    /// says whom to tell, where there is one.
    pub(crate) fn end_of(
        alarm: &AlarmRecord,
        at: Timestamp,
        said: AlarmText,
        garden: Option<&Garden>,
    ) -> Self {
        Self {
            record: AlarmRecord {
                key: alarm.key.clone(),
                state: State::Normal,
                since: alarm.since,
                at: at.max(alarm.at),
                shelf: None,
                course: AlarmCourse::default(),
                said,
            },
            priority: garden.map_or(alarm.key.kind.priority(), |garden| garden.priority_of(alarm)),
            from: alarm.state,
            how: None,
            tell: garden.map_or_else(Vec::new, |it| it.told_of(alarm.key.kind, &alarm.key.place)),
        }
    }
}
