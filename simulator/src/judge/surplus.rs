//! A bed that its timer gives more than its plants can use: when somebody has to be told.
//!
//! It is judged once a day over the ten days before it, and only where the garden's file
//! says of the timer what the scenario makes it do; elsewhere a daemon knows too little to
//! be right or wrong. What the plants use lies between that of young and of grown ones.

use std::collections::VecDeque;

use jiff::civil::Date;

use super::{DAY_S, Judge, USE, USE_ERROR_MM};
use crate::calendar::date_at;
use crate::plan::Plan;
use crate::scenario::Schedule;
use crate::school::{Quantity, School, TimerProgram};
use crate::window::Window;

const DAYS: usize = 10;
/// What is given in times of what is used: it may be told, it must.
const NEAR_TIMES: f64 = 0.8 * 4.0 / 3.0;
const BEYOND_TIMES: f64 = 1.6;
/// Error of reference evapotranspiration over ten days where only temperature is measured.
const USE_MOST_TIMES: f64 = 1.15;
/// Part of readily available water used on the driest of the days: it may be told, it must.
const NEAR_DRY: f64 = 0.65;
const BEYOND_DRY: f64 = 0.35;

const SURPLUS: &str = "its timer gives more than its plants use, and its soil never dries";
const SCHEDULE: &str =
    "a schedule waters the bed of which the garden's file says something else, or nothing: not judged";

/// A day of one bed.
#[derive(Clone, Copy, Debug, Default)]
struct BedDay {
    given_mm: f64,
    et0_mm: f64,
    /// Part of readily available water that was used at most: by whatever shows least of
    /// it, and by whatever shows most.
    driest: (f64, f64),
    sound: bool,
}

/// A bed's last days.
#[derive(Clone, Debug)]
pub(super) struct Surplus {
    days: VecDeque<BedDay>,
    today: BedDay,
    window: Window,
}

impl Default for Surplus {
    fn default() -> Self {
        let today = BedDay { sound: true, ..BedDay::default() };
        Self { days: VecDeque::new(), today, window: Window::new(DAY_S, DAY_S) }
    }
}

impl Surplus {
    /// One minute: the least and the most of readily available water that is used.
    pub(super) fn step(&mut self, (least, most): (f64, f64), sound: bool) {
        let driest = &mut self.today.driest;
        *driest = (driest.0.max(least), driest.1.max(most));
        self.today.sound &= sound;
    }

    /// Whether what was given may be too much, and whether it is beyond doubt.
    fn judged(&self) -> (bool, bool) {
        // The daemon's first day need not be whole.
        if self.days.len() < DAYS - 2 {
            return (false, false);
        }
        let sum = |of: fn(&BedDay) -> f64| self.days.iter().map(of).sum::<f64>();
        let most = |of: fn(&BedDay) -> f64| self.days.iter().map(of).fold(0.0, f64::max);
        let given_mm = sum(|day| day.given_mm);
        let least_mm = USE.0 * sum(|day| (day.et0_mm - USE_ERROR_MM).max(0.0));
        let most_mm = USE.1 * USE_MOST_TIMES * sum(|day| day.et0_mm);
        let near = given_mm >= NEAR_TIMES * least_mm && most(|day| day.driest.0) <= NEAR_DRY;
        let sound = self.days.len() == DAYS && self.days.iter().all(|day| day.sound);
        let beyond = sound && given_mm >= BEYOND_TIMES * most_mm && most(|day| day.driest.1) <= BEYOND_DRY;
        (near, near && beyond)
    }
}

/// Whether a schedule is what a program of the garden's file says.
fn is_written_down(schedule: &Schedule, program: &TimerProgram, litres: f64) -> bool {
    let days = (schedule.first - program.from).get_days();
    schedule.every_days == program.every_days
        && days >= 0
        && days % i32::from(program.every_days.max(1)) == 0
        && schedule.at == program.start
        && (schedule.litres - litres).abs() <= 0.05 * litres
}

fn runs_on(schedule: &Schedule, date: Date) -> bool {
    let days = (date - schedule.first).get_days();
    let fails = schedule.fails.iter().any(|it| (it.from..=it.to).contains(&date));
    days >= 0 && days % i32::from(schedule.every_days.max(1)) == 0 && !fails
}

/// The one schedule of a bed, where the garden's file has it as its one program.
fn written_schedule<'p>(school: &School, plan: &'p Plan, bed: usize) -> Option<&'p Schedule> {
    let mut own = plan.schedules.iter().filter(|(of, _)| *of == bed).map(|(_, schedule)| schedule);
    let (schedule, None) = (own.next()?, own.next()) else { return None };
    let mut programs = school.programs.iter().filter(|program| program.beds.contains(&bed));
    let (program, None) = (programs.next()?, programs.next()) else { return None };
    let litres = school.beds[bed].litres_per_hour * f64::from(program.minutes) / 60.0;
    (program.whole && is_written_down(schedule, program, litres)).then_some(schedule)
}

impl Judge {
    /// A day is over, with so much reference evapotranspiration.
    pub(super) fn surplus_day(&mut self, school: &School, plan: &Plan, et0_mm: f64, now_s: i64) {
        let air_works = (0..school.sensors.len())
            .filter(|i| school.sensors[*i].measures == Quantity::AirTemperature)
            .all(|i| !plan.faulty_within(i, now_s - DAY_S, now_s));
        let date = date_at(&school.time_zone, now_s - DAY_S / 2);
        for number in 0..self.beds.len() {
            let Some(schedule) = written_schedule(school, plan, number) else { continue };
            let bed = &school.beds[number];
            let surplus = &mut self.beds[number].surplus;
            let given_mm = schedule.litres * bed.efficiency / bed.area_m2;
            let today = std::mem::replace(&mut surplus.today, BedDay { sound: true, ..BedDay::default() });
            surplus.days.push_back(BedDay {
                given_mm: if runs_on(schedule, date) { given_mm } else { 0.0 },
                et0_mm,
                sound: today.sound && air_works,
                ..today
            });
            if surplus.days.len() > DAYS {
                surplus.days.pop_front();
            }
            let (near, beyond) = surplus.judged();
            if let Some(stretch) = surplus.window.step(now_s, near, beyond) {
                self.find("watered-too-much", &bed.id, stretch, SURPLUS);
            }
        }
    }

    pub(super) fn finish_surplus(&mut self, school: &School, plan: &Plan, now_s: i64) {
        for number in 0..self.beds.len() {
            let id = &school.beds[number].id;
            if written_schedule(school, plan, number).is_some() {
                if let Some(stretch) = self.beds[number].surplus.window.close() {
                    self.find("watered-too-much", id, stretch, SURPLUS);
                }
                continue;
            }
            for (_, schedule) in plan.schedules.iter().filter(|(bed, _)| *bed == number) {
                let from = school.time_zone.to_timestamp(schedule.first.at(0, 0, 0, 0));
                let from_s = from.map_or(now_s, |from| from.as_second()).min(now_s);
                let stretch = crate::window::Stretch { from_s, to_s: now_s, must: false };
                self.find("watered-too-much", id, stretch, SCHEDULE);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(given_mm: f64, et0_mm: f64, driest: f64) -> (bool, bool) {
        let mut surplus = Surplus::default();
        for _ in 0..DAYS {
            surplus.days.push_back(BedDay { given_mm, et0_mm, driest: (driest, driest), sound: true });
        }
        surplus.judged()
    }

    #[test]
    fn much_on_moist_soil_must_be_told_and_little_or_dry_soil_must_not() {
        // 1.6 x 1.15 x 1.15 x 1.5 mm are 3.2 mm a day.
        assert_eq!(after(3.5, 1.5, 0.2), (true, true));
        assert_eq!(after(2.5, 1.5, 0.2), (true, false));
        // 1.07 x 0.6 x (5.0 - 0.7) mm are 2.8 mm a day.
        assert_eq!(after(2.5, 5.0, 0.2), (false, false));
        assert_eq!(after(9.0, 1.5, 0.5), (true, false));
        assert_eq!(after(9.0, 1.5, 0.7), (false, false));
        assert_eq!(Surplus::default().judged(), (false, false));
    }
}
