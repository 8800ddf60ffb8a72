//! Alarms of what the garden's file no longer has.

use std::borrow::Cow;

use jiff::Timestamp;

use crate::alarms::State;
use crate::garden::alarm::slot::StoredAlarm;
use crate::garden::core::Core;
use crate::garden::record::AlarmChange;

impl Core {
    /// The ends of stored alarms that nothing in their garden's file brings about any
    /// more (a bed, tank, sensor, gateway or battery was taken out): nothing will ever
    /// judge them again. Alarms of gardens that
    /// this core does not know are left alone, since another daemon may.
    pub fn ends_of_removed(&self, stored: &[StoredAlarm], now: Timestamp) -> Vec<AlarmChange> {
        let mut ends = Vec::new();
        for alarm in stored.iter().filter(|alarm| alarm.state != State::Normal) {
            let Some(garden) = self.sites().find(|garden| garden.site.id == alarm.key.site) else { continue };
            if self.has(&alarm.key) {
                continue;
            }
            ends.push(AlarmChange {
                key: alarm.key.clone(),
                priority: garden.priority(alarm.key.kind),
                from: alarm.state,
                to: State::Normal,
                since: alarm.since,
                at: self.moment(&alarm.key.site, now).max(alarm.at),
                shelf: None,
                text: format!(
                    "Nothing in the garden's file watches {} for this any more, so the alarm is over.",
                    alarm.key.place
                ),
                values: Vec::new(),
                source: Cow::Borrowed("the garden's file"),
                why: Vec::new(),
                how: None,
                tell: garden.told_of(alarm.key.kind, &alarm.key.place),
            });
        }
        ends
    }
}
