//! What time alone changes in an alarm: a shelf's end, a reminder of one that was
//! taken on and still holds, and what the garden's plan keeps quiet.

use jiff::Timestamp;

use crate::alarms::{Delays, Input, Kind, Life, State};
use crate::garden::alarm_slot::{Of, Said};
use crate::garden::log::{Seen, SiteLog};
use crate::garden::plan::Garden;
use crate::garden::record::Batch;
use crate::garden::site::{SiteState, plus};
use crate::model::{Id, Place};

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
        let garden = std::sync::Arc::clone(&self.garden);
        let today = garden.site.time_zone.to_datetime(now).date();
        let quiet: Vec<Kind> = garden
            .site
            .holidays
            .iter()
            .filter(|h| h.from <= today && today <= h.to)
            .flat_map(|h| h.quiet.iter().copied())
            .collect();
        let log = std::mem::take(&mut self.log);
        self.each_standing(|kind, place, standing| {
            let suppress = quiet.contains(&kind) || by_design(&garden, &log, kind, place, now);
            let state = standing.life.state();
            let input = match (suppress, state) {
                (true, state) if !state.is_hidden() => Input::Suppress,
                (false, State::Suppressed) => Input::Release,
                _ if matches!(standing.life, Life::Acknowledged { .. }) || state == State::Shelved => {
                    Input::Time
                }
                _ => return,
            };
            let of = Of { garden: &garden, kind, place };
            let none = Delays { deadband: 0.0, on_s: 0, off_s: 0 };
            standing.step(&of, now, input, none, batch, |_| {
                Said::new("The garden's plan keeps this alarm quiet for now.".to_owned(), &[], "")
            });
        });
        self.log = log;
    }
}

/// Whether the plan or the log keeps an alarm quiet: a fallow bed wants no water,
/// and a tank that is being cleaned is out of its limits for a while, as are the
/// probes that were taken out of it.
fn by_design(garden: &Garden, log: &SiteLog, kind: Kind, place: &Id, now: Timestamp) -> bool {
    match kind {
        Kind::DryBed | Kind::WaterRepellentSoil | Kind::MulchOnDrySoil => {
            garden.beds.iter().any(|bed| bed.fallow && bed.id == *place)
        }
        Kind::TankTemperatureShock
        | Kind::TankTooWarm
        | Kind::TankTooCold
        | Kind::LowOxygen
        | Kind::Ammonia
        | Kind::Ph => being_cleaned(log, place, now),
        Kind::SensorFault => garden.sensors.iter().any(|sensor| match sensor.place {
            Place::Tank(tank) => {
                sensor.id == *place && being_cleaned(log, &garden.tanks[usize::from(tank)].id, now)
            }
            Place::Bed(_) | Place::Site => false,
        }),
        _ => false,
    }
}

fn being_cleaned(log: &SiteLog, tank: &Id, now: Timestamp) -> bool {
    log.newest(tank, now, |seen| match seen {
        Seen::TankCleaning { hours } => Some(*hours),
        _ => None,
    })
    .is_some_and(|(at, hours)| now < plus(at, (hours * 3600.0) as i64))
}
