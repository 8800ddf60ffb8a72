//! Whether a program of the watering timer can have begun a rise.

use jiff::Timestamp;

use crate::garden::plan::{Garden, Sensor};
use crate::model::add_seconds;
use crate::text::spoken;
use crate::watering::{TimerRun, probe_lag_s};

/// The clock of a timer is off by this much at most, seconds. Ours; a reading's
/// interval stands in where it is longer.
pub(crate) const TIMER_OFF_S: i64 = 900;

/// A run of a program that can have begun a rise.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct ProgramRun {
    /// Its number in [`Garden::programs`].
    pub(crate) program: u16,
    pub(crate) run: TimerRun,
}

impl ProgramRun {
    /// The run of which a rise of a bed's probe can be, that began at `onset`: its water
    /// ran at some moment from the probe's longest lag before it until then, give or
    /// take a reading's interval.
    pub(crate) fn of(garden: &Garden, bed: u16, probe: &Sensor, onset: Timestamp) -> Option<Self> {
        let off_s = i64::from(probe.every_s).max(TIMER_OFF_S);
        let from = add_seconds(onset, -probe_lag_s(probe.depth_m.unwrap_or(0.0)) - off_s);
        let to = add_seconds(onset, off_s);
        let zone = &garden.site.time_zone;
        (0u16..)
            .zip(&garden.programs)
            .filter(|(_, program)| program.beds.contains(&bed))
            .filter_map(|(program, plan)| {
                let run = plan.timetable.run_between(zone, from, to)?;
                Some(Self { program, run })
            })
            .max_by_key(|found| (!found.run.old_clock, found.run.start))
    }

    /// "the program "morning drip" of the timer runs at 6 am".
    pub(crate) fn words(&self, garden: &Garden) -> String {
        let name = garden.programs.get(usize::from(self.program)).map_or("", |program| &program.name);
        let zone = &garden.site.time_zone;
        let at = spoken::clock(crate::watering::minute_of_day(zone.to_datetime(self.run.start)));
        let by = if self.run.old_clock { " by the clock before its change" } else { "" };
        format!("the timer's program \"{name}\" runs at {at}{by}")
    }
}
