//! Soil that sheds water: when three good rains in a row have not reached the
//! top probe of a dry bed, a watchful daemon has to tell it.

use std::collections::VecDeque;

use super::{AFTER_FAULT_INTERVALS, DAY_S, HOUR_S, Judge};
use crate::plan::Plan;
use crate::school::School;
use crate::soil::Soil;
use crate::window::Stretch;

/// A bed's rains that did not reach its probe.
#[derive(Clone, Debug, Default)]
pub(super) struct Shedding {
    /// Water at the top probe of the last day, one a minute.
    probe: VecDeque<f64>,
    trial: Option<Trial>,
    /// In a row.
    shed: u32,
    /// No new trial before.
    quiet_until_s: i64,
    /// Since when the soil has been repellent.
    since_s: Option<i64>,
}

#[derive(Clone, Copy, Debug)]
struct Trial {
    from_s: i64,
    base: f64,
    most: f64,
}

/// Minutes over which rain is summed up.
const SUM_MIN: usize = 1440;
/// How long a rain may take to reach the probe.
const REACHES_WITHIN_S: i64 = 8 * HOUR_S;
/// A rain that must be felt: at least this much, and 1.8 times what the soil above
/// the probe lacks, mm.
const RAIN_MM: f64 = 20.0;
const LACKS: f64 = 1.8;
/// Part of available water at the probe below which the bed is dry.
const DRY: f64 = 0.40;
/// Below the first the rain has not reached the probe; from the second on
/// something plainly has.
const UNFELT: f64 = 0.004;
const FELT: f64 = 0.008;
/// Rains in a row.
const REPEATED: u32 = 3;

const SHEDS: &str = "dry, its soil sheds water";
const REPEATEDLY: &str = "three good rains in a row did not reach the top probe of a dry bed";

impl Judge {
    pub(super) fn shedding(&mut self, school: &School, plan: &Plan, number: usize, soil: &Soil, now_s: i64) {
        let Some((sensor, depth_m)) = self.shallowest(number) else { return };
        let bed = &school.beds[number];
        let rain_mm = self.rain_of_last(SUM_MIN);
        let after_s = AFTER_FAULT_INTERVALS * i64::from(school.sensors[sensor].every_s);
        let sound = self.gauge_works(school, plan, now_s - DAY_S, now_s)
            && !plan.faulty_within(sensor, now_s - DAY_S - after_s, now_s);
        let water = soil.water_at(depth_m);
        let watch = &mut self.beds[number].shedding;
        watch.probe.push_back(water);
        if watch.probe.len() > SUM_MIN {
            watch.probe.pop_front();
        }
        let before = watch.probe.front().copied().unwrap_or(water);
        let least = watch.probe.iter().copied().fold(water, f64::min);
        if water - least >= FELT {
            watch.shed = 0;
        }

        let sheds = plan.sheds(number, now_s);
        let mut over = None;
        match (sheds, watch.since_s) {
            (true, None) => watch.since_s = Some(now_s),
            (false, Some(since_s)) if !plan.sheds(number, now_s - 2 * DAY_S) => {
                over = Some(Stretch { from_s: since_s, to_s: now_s, must: false });
                watch.since_s = None;
            }
            _ => {}
        }

        let mut told = None;
        if let Some(trial) = &mut watch.trial {
            trial.most = trial.most.max(water);
            if now_s - trial.from_s >= REACHES_WITHIN_S {
                let Trial { from_s, base, most } = *trial;
                watch.trial = None;
                // Rain that has had its trial is not counted in the next one.
                watch.quiet_until_s = now_s + DAY_S;
                if most - base < UNFELT && sheds && sound {
                    watch.shed += 1;
                    if watch.shed == REPEATED {
                        told = Some(Stretch { from_s, to_s: now_s + DAY_S, must: true });
                    }
                }
            }
        } else {
            let lacks_mm = 1000.0 * (bed.field_capacity - before) * depth_m;
            let left = (before - bed.wilting_point) / (bed.field_capacity - bed.wilting_point);
            let enough = rain_mm >= RAIN_MM.max(LACKS * lacks_mm);
            if enough && left < DRY && now_s >= watch.quiet_until_s {
                watch.trial = Some(Trial { from_s: now_s, base: before, most: water });
            }
        }
        if let Some(stretch) = over {
            self.find("water-repellent-soil", &bed.id, stretch, SHEDS);
        }
        if let Some(stretch) = told {
            self.find("water-repellent-soil", &bed.id, stretch, REPEATEDLY);
        }
    }

    pub(super) fn finish_shedding(&mut self, school: &School, plan: &Plan, number: usize, now_s: i64) {
        if let Some(since_s) = self.beds[number].shedding.since_s.take()
            && plan.sheds(number, since_s)
        {
            let stretch = Stretch { from_s: since_s, to_s: now_s, must: false };
            self.find("water-repellent-soil", &school.beds[number].id, stretch, SHEDS);
        }
    }
}
