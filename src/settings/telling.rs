//! `[telling]`: how long it is tried to tell people.

use std::time::Duration;

use super::table::SettingsTable;

/// How long it is tried to tell people.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TellingSettings {
    /// From when a message was made until it is given up, 1 minute to 30 days.
    pub give_up: Duration,
    /// The same where it is of high priority; not longer.
    pub give_up_high: Duration,
}

/// A day: a message about a dry bed that comes later is of another day.
const GIVE_UP_MIN: u32 = 24 * 60;
/// Fish do not wait longer for the next address.
const GIVE_UP_HIGH_MIN: u32 = 30;
/// 30 days.
const MOST_MIN: u32 = 30 * 24 * 60;

impl Default for TellingSettings {
    fn default() -> Self {
        Self { give_up: minutes(GIVE_UP_MIN), give_up_high: minutes(GIVE_UP_HIGH_MIN) }
    }
}

fn minutes(count: u32) -> Duration {
    Duration::from_secs(u64::from(count) * 60)
}

/// Reads the section; `None` where a fault was noted.
pub(super) fn telling(table: Option<SettingsTable<'_>>) -> Option<TellingSettings> {
    let Some(table) = table else { return Some(TellingSettings::default()) };
    let give_up = table.whole_or("give_up_min", 1..=MOST_MIN, GIVE_UP_MIN, "minutes, at most 30 days");
    let high = table.whole_or("give_up_high_min", 1..=MOST_MIN, GIVE_UP_HIGH_MIN, "minutes, at most 30 days");
    if let (Some(give_up), Some(high)) = (give_up, high)
        && high > give_up
    {
        table.fault(
            "give_up_high_min",
            format!("{high} with give_up_min = {give_up}"),
            "not more than give_up_min: what is urgent goes another way the sooner",
        );
    }
    table.finish();
    Some(TellingSettings { give_up: minutes(give_up?), give_up_high: minutes(high?) })
}
