//! How many notes a garden keeps of its alarms. A note can come from whatever may publish
//! a message, so a flood of them must neither fill the record nor bury what people wrote.

use std::collections::BTreeMap;

use jiff::Timestamp;

use crate::alarms::AlarmKey;

/// Notes of one occurrence of an alarm, and of one garden within a minute. Our own choice:
/// far more than people write.
const EACH_MAX: u32 = 100;
const MINUTE_MAX: u32 = 30;

/// Counts the notes of one garden.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct NoteLimit {
    /// The minute of the last note, and how many it has had.
    minute: (i64, u32),
    /// The occurrence of each alarm that had a note last, and how many it has had. Never
    /// more than the garden has alarms.
    each: BTreeMap<AlarmKey, (i64, u32)>,
}

impl NoteLimit {
    /// Counts one more note; says why it is too many.
    ///
    /// # Errors
    /// In words for whoever looks at what was refused.
    pub(crate) fn take(&mut self, key: &AlarmKey, since: Timestamp, at: Timestamp) -> Result<(), String> {
        let minute = at.as_second().div_euclid(60);
        if self.minute.0 != minute {
            self.minute = (minute, 0);
        }
        let since = since.as_millisecond();
        let of_alarm = self.each.entry(key.clone()).or_insert((since, 0));
        if of_alarm.0 != since {
            *of_alarm = (since, 0);
        }
        if of_alarm.1 >= EACH_MAX {
            return Err(format!(
                "{}/{} has {EACH_MAX} notes already, which is all that are kept of one alarm",
                key.kind.name(),
                key.place
            ));
        }
        if self.minute.1 >= MINUTE_MAX {
            return Err(format!(
                "this garden has had {MINUTE_MAX} notes within this minute; try again in the next"
            ));
        }
        of_alarm.1 += 1;
        self.minute.1 += 1;
        Ok(())
    }

    /// Counts notes of an occurrence that are stored already.
    pub(crate) fn restore(&mut self, key: AlarmKey, since: Timestamp, count: u32) {
        self.each.insert(key, (since.as_millisecond(), count));
    }
}
