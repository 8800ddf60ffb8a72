//! What differs between stored readings and the same readings replayed.

use jiff::Timestamp;

use super::steps::StepDifference;
use crate::alarms::AlarmKey;
use crate::garden::plan::{Garden, Sensor};
use crate::garden::record::Reading;
use crate::quality::Flag;

/// What a replay came to.
#[derive(Clone, Debug, Default)]
pub struct ReplayResult {
    /// The part of the asked span in which anything is known; `None`: there is none.
    pub from: Option<Timestamp>,
    pub to: Option<Timestamp>,
    /// Sensors with readings in the span, in the order of the gardens' files.
    pub sensors: Vec<SensorDifference>,
    /// Sensors whose readings were not replayed.
    pub left: Vec<LeftAlone>,
    /// Steps of alarms that differ, in order of time.
    pub steps: Vec<StepDifference>,
    /// Days on which something differs.
    pub days: usize,
    /// Alarms that stand otherwise at the end of the span than the record goes on with.
    pub standing: Vec<AlarmKey>,
    /// The number under which the store keeps what was there before; `None`: nothing was
    /// written.
    pub written: Option<i64>,
}

impl ReplayResult {
    /// Whether anything differs.
    pub fn differs(&self) -> bool {
        !self.steps.is_empty() || self.readings_differ() > 0
    }

    /// Readings that were replayed.
    pub fn readings(&self) -> u64 {
        self.sensors.iter().map(|sensor| sensor.readings).sum()
    }

    /// Readings of which anything differs.
    pub fn readings_differ(&self) -> u64 {
        self.sensors.iter().map(|sensor| sensor.differ).sum()
    }
}

/// Readings of a sensor that is no longer in its garden's file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LeftAlone {
    pub site: String,
    pub sensor: String,
    /// What it measured.
    pub quantity: String,
    pub readings: u64,
}

/// How many readings have each flag, in the order of [`Flag::ALL`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FlagCounts([u64; Flag::ALL.len()]);

impl FlagCounts {
    fn add(&mut self, flag: Flag) {
        for (count, of) in self.0.iter_mut().zip(Flag::ALL) {
            *count += u64::from(of == flag);
        }
    }

    /// Each flag and how many readings have it.
    pub fn iter(&self) -> impl Iterator<Item = (Flag, u64)> + '_ {
        Flag::ALL.into_iter().zip(self.0)
    }
}

/// What differs between the readings of one sensor.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorDifference {
    pub site: String,
    pub sensor: String,
    /// The unit of its values.
    pub unit: &'static str,
    /// Readings that were replayed.
    pub readings: u64,
    /// Of these, readings that had come late: calibrated, not judged.
    pub late: u64,
    /// Readings of which value, flag or a test's flag differs.
    pub differ: u64,
    /// Readings with another value than before.
    pub changed: u64,
    /// Readings without a value that had one: the calibration refuses their raw number.
    pub lost: u64,
    /// Readings with a value that had none.
    pub gained: u64,
    /// Readings without a value, before and now.
    pub without_value: (u64, u64),
    /// Readings with another flag than before.
    pub flags_changed: u64,
    /// How many readings have each flag, before and now.
    pub flags: (FlagCounts, FlagCounts),
    /// Mean and largest change of those with another value, in the unit; with its sign.
    pub mean_change: Option<f64>,
    pub largest_change: Option<f64>,
}

/// The readings of one sensor while they are counted.
#[derive(Clone, Debug)]
pub(super) struct ReadingTally {
    so_far: SensorDifference,
    sum: f64,
}

impl ReadingTally {
    pub(super) fn new(garden: &Garden, sensor: &Sensor) -> Self {
        let so_far = SensorDifference {
            site: garden.site.id.to_string(),
            sensor: sensor.id.to_string(),
            unit: sensor.measures.unit(),
            readings: 0,
            late: 0,
            differ: 0,
            changed: 0,
            lost: 0,
            gained: 0,
            without_value: (0, 0),
            flags_changed: 0,
            flags: (FlagCounts::default(), FlagCounts::default()),
            mean_change: None,
            largest_change: None,
        };
        Self { so_far, sum: 0.0 }
    }

    /// Counts a reading; returns whether it differs.
    pub(super) fn add(&mut self, stored: &Reading, replayed: &Reading) -> bool {
        let it = &mut self.so_far;
        it.readings += 1;
        it.late += u64::from(stored.late);
        it.without_value.0 += u64::from(stored.value.is_none());
        it.without_value.1 += u64::from(replayed.value.is_none());
        it.flags.0.add(stored.flag);
        it.flags.1.add(replayed.flag);
        let mut differs = stored.flag != replayed.flag || stored.tests != replayed.tests;
        it.flags_changed += u64::from(stored.flag != replayed.flag);
        match (stored.value, replayed.value) {
            (None, None) => {}
            (Some(_), None) => (it.lost, differs) = (it.lost + 1, true),
            (None, Some(_)) => (it.gained, differs) = (it.gained + 1, true),
            // Adding zero turns -0 into 0: SQLite keeps no sign of a zero.
            (Some(before), Some(now)) if (before + 0.0).to_bits() == (now + 0.0).to_bits() => {}
            (Some(before), Some(now)) => {
                let change = now - before;
                (it.changed, differs) = (it.changed + 1, true);
                self.sum += change;
                if it.largest_change.is_none_or(|largest| change.abs() > largest.abs()) {
                    it.largest_change = Some(change);
                }
            }
        }
        it.differ += u64::from(differs);
        differs
    }

    pub(super) fn finish(self) -> SensorDifference {
        let Self { mut so_far, sum } = self;
        so_far.mean_change = (so_far.changed > 0).then(|| sum / so_far.changed as f64);
        so_far
    }
}
