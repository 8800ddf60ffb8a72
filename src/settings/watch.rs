//! `[watch]`: how the daemon watches itself.

use std::time::Duration;

use super::document::Want;
use super::table::SettingsTable;
use crate::garden::system::health::HealthLimits;

/// How often the daemon looks at itself, and from where on something is the matter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Watching {
    /// Between two looks, 1 s to an hour.
    pub every: Duration,
    pub limits: HealthLimits,
}

impl Default for Watching {
    fn default() -> Self {
        Self { every: Duration::from_secs(60), limits: HealthLimits::default() }
    }
}

/// Reads the section; `None` where a fault was noted.
pub(super) fn watching(table: Option<SettingsTable<'_>>) -> Option<Watching> {
    let Some(table) = table else { return Some(Watching::default()) };
    let usual = HealthLimits::default();
    let every = table.seconds_or("every_s", 1..=3600, 60);
    let disk_free_mb =
        table.read_if("disk_free_mb", Want::Value, |item| item.whole(1..=100_000_000, "megabytes"));
    let record_mb = table.read_if("record_mb", Want::Value, |item| item.whole(1..=100_000_000, "megabytes"));
    let rows = u32::try_from(usual.forward_rows).unwrap_or(u32::MAX);
    let forward_rows = table.whole_or("forward_rows", 1..=20_000_000, rows, "readings");
    let forward_age_min =
        table.whole_or("forward_age_min", 1..=525_600, usual.forward_age_s / 60, "minutes, at most a year");
    let clock_jump_s = table.whole_or("clock_jump_s", 5..=86_400, usual.clock_jump_s, "seconds");
    let broker_silent_min = table.whole_or(
        "broker_silent_min",
        1..=10_080,
        usual.broker_silent_s / 60,
        "minutes, at most a week",
    );
    table.finish();
    Some(Watching {
        every: every?,
        limits: HealthLimits {
            forward_rows: u64::from(forward_rows?),
            forward_age_s: forward_age_min? * 60,
            disk_free_bytes: disk_free_mb?.map(|mb| u64::from(mb) * 1_000_000),
            record_bytes: record_mb?.map(|mb| u64::from(mb) * 1_000_000),
            clock_jump_s: clock_jump_s?,
            broker_silent_s: broker_silent_min? * 60,
        },
    })
}
