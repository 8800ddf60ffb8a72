//! Beds with too much water: a tap that was left on, and soil that does not drain.

use super::{DAY_S, HOUR_S, Judge, by_depth};
use crate::plan::Plan;
use crate::school::{Place, Quantity, School};
use crate::soil::Soil;
use crate::window::{Stretch, Window};

/// A bed's two stretches.
#[derive(Clone, Debug)]
pub(super) struct TooMuch {
    left_on: Window,
    waterlogged: Window,
}

impl Default for TooMuch {
    fn default() -> Self {
        Self {
            left_on: Window::new(18 * HOUR_S, 6 * HOUR_S),
            waterlogged: Window::new(DAY_S + 12 * HOUR_S, 6 * HOUR_S),
        }
    }
}

/// From field capacity (0) to saturation (1): the soil at the top probe is wet
/// enough for a tap left on to be seen.
const LEFT_ON_FILLED: f64 = 0.40;
/// The same where it is held up by a blocked drain and may be told.
const HELD_FILLED: f64 = 0.20;
/// And the root zone wet enough to be waterlogged: it may be told, it must.
const LOGGED_NEAR: f64 = 0.35;
const LOGGED_BEYOND: f64 = 0.65;
/// Rain of a day that spoils the judgement, mm: by water left on, by waterlogging.
const RAIN_LEFT_ON_MM: f64 = 1.0;
const RAIN_LOGGED_MM: f64 = 2.0;
/// Rain of four days after which a tap left on looks like soil that does not drain, mm.
const RAIN_FILLED_MM: f64 = 5.0;

const LEFT_ON: &str = "water runs onto the bed all the time, or cannot leave it";
const LOGGED: &str = "the root zone stays far above field capacity";

impl Judge {
    pub(super) fn too_much(&mut self, school: &School, plan: &Plan, number: usize, soil: &Soil, now_s: i64) {
        let probes = self.beds[number].probes.clone();
        let all_work = !probes.is_empty() && probes.iter().all(|(s, _)| Self::works(school, plan, *s, now_s));
        let gauge = self.gauge_works(school, plan, now_s - 2 * DAY_S, now_s);
        let dry_day = |mm| gauge && self.rain_of_last(1440) < mm;
        let water: Vec<(f64, f64)> = probes.iter().map(|(_, m)| (*m, soil.water_at(*m))).collect();
        let first = water.first().map_or(0.0, |(_, water)| soil.filled(*water));
        let roots_m = school.beds[number].roots_m(now_s);
        let whole = soil.filled(soil.root_zone(roots_m));
        let seen = by_depth(&water, roots_m).map_or(whole, |w| soil.filled(w));

        let runs = plan.left_on_within(number, now_s, now_s);
        let dry_days = self.rain_of_last(4 * 1440) < RAIN_FILLED_MM;
        let seen_in_soil = all_work && dry_day(RAIN_LEFT_ON_MM) && dry_days && first > LEFT_ON_FILLED;
        let metered = school.sensors.iter().enumerate().any(|(i, s)| {
            s.measures == Quantity::WaterFlow
                && s.place == Place::Bed(number)
                && Self::works(school, plan, i, now_s)
        });
        let ran_lately = plan.left_on_within(number, now_s - DAY_S, now_s);
        let near = whole.max(seen) > LOGGED_NEAR;
        let beyond =
            all_work && dry_day(RAIN_LOGGED_MM) && !ran_lately && seen > LOGGED_BEYOND && whole > LOGGED_NEAR;

        let watch = &mut self.beds[number].too_much;
        // Where nothing drains, any water stays: that is told as well as not.
        let held = plan.drain_blocked(number, now_s) && first > HELD_FILLED;
        let left_on = watch.left_on.step(now_s, runs || held, runs && (seen_in_soil || metered));
        let logged = watch.waterlogged.step(now_s, near, beyond);
        self.find_too_much(school, number, left_on, logged);
    }

    pub(super) fn finish_too_much(&mut self, school: &School, number: usize) {
        let watch = &mut self.beds[number].too_much;
        let (left_on, logged) = (watch.left_on.close(), watch.waterlogged.close());
        self.find_too_much(school, number, left_on, logged);
    }

    fn find_too_much(
        &mut self,
        school: &School,
        number: usize,
        left_on: Option<Stretch>,
        logged: Option<Stretch>,
    ) {
        let id = &school.beds[number].id;
        if let Some(stretch) = left_on {
            self.find("water-left-on", id, stretch, LEFT_ON);
        }
        if let Some(stretch) = logged {
            self.find("waterlogged", id, stretch, LOGGED);
        }
    }
}
