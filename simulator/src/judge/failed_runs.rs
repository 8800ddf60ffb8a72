//! Runs of a timer that did not happen: when somebody has to be told.

use super::{DAY_S, HOUR_S, Judge};
use crate::plan::Plan;
use crate::school::School;
use crate::soil::Soil;

/// A run shows where the soil at the top probe would have risen by so much within six
/// hours, m³/m³ ...
const RISE: f64 = 0.02;
/// ... and is so warm, °C.
const WARM_C: f64 = 4.0;
/// So many of a timer's beds have to show it, and half of them.
const BEDS: usize = 2;
/// Rain of the day before and of the hours after that hides it, mm.
const RAIN_MM: f64 = 0.5;
const AFTER_S: i64 = 6 * HOUR_S;

/// A failed run whose hours are not over.
#[derive(Clone, Copy, Debug)]
pub(super) struct Awaited {
    run: usize,
    shows: bool,
}

impl Judge {
    /// A minute of the garden's timers; `soils` are the beds' own.
    pub(crate) fn failed_runs<'a>(
        &mut self,
        school: &School,
        plan: &Plan,
        now_s: i64,
        soil_of: impl Fn(usize) -> &'a Soil,
    ) {
        for (number, run) in plan.failed_runs.iter().enumerate() {
            if run.at_s == now_s {
                let shows = |(bed, mm): &&(usize, f64)| {
                    let Some((sensor, depth_m)) = self.shallowest(*bed) else { return false };
                    let soil = soil_of(*bed);
                    let wanders = plan.error_band(sensor, now_s) != (0.0, 0.0);
                    let works = !plan.faulty_within(sensor, now_s - DAY_S, now_s + AFTER_S);
                    let warm = soil.warmth_at(depth_m) > WARM_C;
                    works && warm && !wanders && would_rise(soil, depth_m, *mm, run.minutes) >= RISE
                };
                let count = run.beds.iter().filter(shows).count();
                let shows = count >= BEDS && 2 * count >= run.beds.len();
                self.awaited_runs.push(Awaited { run: number, shows });
            }
        }
        while let Some(first) = self.awaited_runs.first().copied()
            && now_s >= plan.failed_runs[first.run].at_s + AFTER_S
        {
            self.awaited_runs.remove(0);
            let run = &plan.failed_runs[first.run];
            let rain_mm = self.rain_of_last(((DAY_S + AFTER_S) / 60) as usize);
            let gauge = self.gauge_works(school, plan, run.at_s - DAY_S, now_s);
            let must = first.shows && gauge && rain_mm < RAIN_MM;
            let stretch = crate::window::Stretch { from_s: run.at_s, to_s: run.over_s + AFTER_S, must };
            let note = if must { MISSED } else { "a timer's run fails, which need not show" };
            let Some((bed, _)) = run.beds.first() else { continue };
            self.find("watering-missed", &school.beds[*bed].id, stretch, note);
        }
    }
}

/// The largest rise at a depth if so much water had come over so many minutes.
fn would_rise(soil: &Soil, depth_m: f64, mm: f64, minutes: u16) -> f64 {
    let mut watered = soil.clone();
    let before = soil.water_at(depth_m);
    let rise = |minute: i64| {
        let comes = if minute < i64::from(minutes) { mm / f64::from(minutes) } else { 0.0 };
        watered.minute(0.0, comes, 0.0);
        watered.water_at(depth_m) - before
    };
    (0..AFTER_S / 60).map(rise).fold(0.0, f64::max)
}

const MISSED: &str = "a timer's run fails at beds that should have shown it";
