//! What time alone changes in an alarm: a shelf's end, a reminder of one that was
//! taken on and still holds, and what the garden's plan keeps quiet.

use jiff::Timestamp;

use crate::alarms::{AlarmText, Input, Kind, Life, State};
use crate::garden::alarm::place::{AlarmPlace, AlarmSubject};
use crate::garden::alarm::slots::possible_subjects;
use crate::garden::log::{LogEvent, SiteLog};
use crate::garden::plan::Garden;
use crate::garden::record::Batch;
use crate::garden::site::SiteState;
use crate::model::{Id, Place, add_seconds};

/// Between two looks at the timers, seconds. Shelves and holidays are counted in
/// hours.
const EVERY_S: i64 = 60;

impl SiteState {
    /// Looks at the timers, at most once a minute.
    pub(crate) fn run_timers(&mut self, now: Timestamp, batch: &mut Batch) {
        if self.timers_at.is_some_and(|at| (0..EVERY_S).contains(&(now.as_second() - at.as_second()))) {
            return;
        }
        self.timers_at = Some(now);
        self.judge_jobs(now, batch);
        let Self { garden, log, alarms, .. } = self;
        let quiet = quiet_in_holidays(garden, now);
        let any_quiet = !quiet.is_empty()
            || garden.beds.iter().any(|bed| bed.fallow)
            || garden.tanks.iter().any(|tank| being_cleaned(log, &tank.id, now));
        // What never stood has no timer, but may have to be kept quiet.
        let mut subjects = if any_quiet { possible_subjects(garden) } else { Vec::new() };
        let standing = alarms.iter().map(|slot| slot.subject);
        subjects.extend(standing.filter(|it| !any_quiet || it.place == AlarmPlace::System));
        for subject in subjects {
            let suppress =
                any_quiet && (quiet.contains(&subject.kind) || is_quiet_by_plan(garden, log, subject, now));
            let life = alarms.life(subject);
            let input = match (suppress, life.state()) {
                (true, state) if !state.is_hidden() => Input::Suppress,
                (false, State::Suppressed) => Input::Release,
                (_, state) if matches!(life, Life::Acknowledged { .. }) || state == State::Shelved => {
                    Input::Time
                }
                _ => continue,
            };
            alarms.step(garden, subject, (now, input), batch, |_| {
                AlarmText::new("The garden's plan keeps this alarm quiet for now.", &[], "")
            });
        }
    }
}

/// The kinds that are kept quiet by a holiday of the day.
fn quiet_in_holidays(garden: &Garden, now: Timestamp) -> Vec<Kind> {
    let holidays = &garden.site.holidays;
    if holidays.is_empty() {
        return Vec::new();
    }
    let today = garden.site.time_zone.to_datetime(now).date();
    let now = holidays.iter().filter(|h| h.from <= today && today <= h.to);
    now.flat_map(|h| h.quiet.iter().copied()).collect()
}

/// Whether the plan or the log keeps an alarm quiet: a fallow bed wants no water,
/// and a tank that is being cleaned is out of its limits for a while, as are the
/// probes that were taken out of it.
fn is_quiet_by_plan(garden: &Garden, log: &SiteLog, subject: AlarmSubject, now: Timestamp) -> bool {
    let is_cleaned = |tank: u16| being_cleaned(log, &garden.tank(tank).id, now);
    match subject.place {
        AlarmPlace::Bed(bed) => subject.kind.row().quiet_when_fallow && garden.bed(bed).fallow,
        AlarmPlace::Tank(tank) => is_cleaned(tank),
        AlarmPlace::Sensor(sensor) => match garden.sensor(sensor).place {
            Place::Tank(tank) => subject.kind == Kind::SensorFault && is_cleaned(tank),
            Place::Bed(_) | Place::Site => false,
        },
        AlarmPlace::Gateway(_) | AlarmPlace::Job(_) | AlarmPlace::System => false,
    }
}

fn being_cleaned(log: &SiteLog, tank: &Id, now: Timestamp) -> bool {
    log.newest(tank, now, |seen| match seen {
        LogEvent::TankCleaning { hours } => Some(*hours),
        _ => None,
    })
    .is_some_and(|(at, hours)| now < add_seconds(at, (hours * 3600.0) as i64))
}
