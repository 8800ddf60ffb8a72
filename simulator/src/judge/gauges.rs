//! Gauges that see no rain: when the beds have felt enough of it to tell.

use std::collections::VecDeque;

use super::{DAY_S, HOUR_S, Judge};
use crate::plan::{Fault, Plan};
use crate::school::School;
use crate::window::Stretch;

/// Rain within six hours that a gauge has to see, mm.
const FELT_MM: f64 = 5.0;
/// What it may still have caught within the day, mm.
const CAUGHT_MM: f64 = 1.0;
/// A catch that is no sign of a clogged gauge, mm.
const WELL_MM: f64 = 2.5;
/// A bed felt it when the soil at its top probe rose by so much in six hours, m³/m³.
const FELT_RISE: f64 = 0.02;
const FELT_WITHIN_S: i64 = 6 * HOUR_S;
/// Beds that have to feel it (two may be two timers), and rains, until somebody
/// has to be told: three in hours when timers may run are enough, and one may
/// have begun while people were about.
const FELT_BEDS: usize = 3;
const FELT_RAINS: usize = 4;
/// In these hours of the local day people may have watered instead.
const PEOPLE_FROM_HOUR: i8 = 8;
const PEOPLE_TO_HOUR: i8 = 16;

/// The soil at a bed's top probe over six hours.
#[derive(Clone, Debug, Default)]
pub(super) struct Rise {
    recent: VecDeque<(i64, f64)>,
    rose_s: Option<i64>,
}

impl Rise {
    pub(super) fn step(&mut self, now_s: i64, water: f64) {
        if now_s % 600 >= 60 {
            return;
        }
        while self.recent.front().is_some_and(|(at, _)| now_s - at > FELT_WITHIN_S) {
            self.recent.pop_front();
        }
        if self.recent.iter().any(|(_, before)| water - before >= FELT_RISE) {
            self.rose_s = Some(now_s);
        }
        self.recent.push_back((now_s, water));
    }

    fn rose_lately(&self, now_s: i64) -> bool {
        self.rose_s.is_some_and(|at| now_s - at <= FELT_WITHIN_S)
    }
}

impl Judge {
    /// Notes the rains that the beds felt and a clogged gauge did not see.
    pub(super) fn gauges(&mut self, school: &School, plan: &Plan, now_s: i64) {
        let back = self.rain_totals.len().saturating_sub(361);
        let recent_mm = self.rain_totals.back().copied().unwrap_or(0.0) - self.rain_totals[back];
        if recent_mm < FELT_MM || self.beds.iter().filter(|b| b.rise.rose_lately(now_s)).count() < FELT_BEDS {
            return;
        }
        let hour = jiff::Timestamp::from_second(now_s)
            .map_or(12, |t| t.to_zoned_datetime(school.time_zone.clone()).hour());
        if (PEOPLE_FROM_HOUR..PEOPLE_TO_HOUR).contains(&hour) {
            return;
        }
        let day_mm = self.rain_of_last(1440);
        for (gauge, missed) in self.gauges.iter().zip(&mut self.missed_rains) {
            let clogged =
                plan.fault(*gauge, now_s).filter(|f| f.fault == Fault::Clogged && f.from_s <= now_s - DAY_S);
            let Some(fault) = clogged else { continue };
            let caught_mm = fault.passes * day_mm;
            if missed.last().is_some_and(|last| now_s - last <= DAY_S / 2) {
                continue;
            }
            if caught_mm < CAUGHT_MM {
                missed.push(now_s);
            } else if caught_mm >= WELL_MM {
                missed.pop();
            }
        }
    }

    /// Tells of every time that a gauge was clogged.
    pub(super) fn clogged_gauges(&mut self, school: &School, plan: &Plan, now_s: i64) {
        for (number, gauge) in self.gauges.clone().into_iter().enumerate() {
            let clogged = plan.faults[gauge].iter().filter(|f| f.fault == Fault::Clogged && f.from_s < now_s);
            for fault in clogged {
                // An alarm takes half a day to be sure.
                let end_s = fault.to_s.min(now_s);
                let told_by_s = end_s - DAY_S / 2;
                let count = self.missed_rains[number]
                    .iter()
                    .filter(|at| (fault.from_s..told_by_s).contains(*at))
                    .count();
                let stretch =
                    Stretch { from_s: fault.from_s, to_s: end_s + DAY_S / 2, must: count >= FELT_RAINS };
                let note =
                    format!("clogged; the beds felt {count} rains of 5 mm or more outside working hours");
                self.find("gauge-suspect", &school.sensors[gauge].id, stretch, note);
            }
        }
    }
}
