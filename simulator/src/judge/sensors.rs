//! Sensors that say nothing, nothing true, or that their battery is low.

use super::{DAY_S, HOUR_S, Judge};
use crate::battery::{EMPTY, FULL};
use crate::plan::{Fault, Outage, Plan};
use crate::school::School;
use crate::window::Stretch;

/// A battery this near above its limit may be told of, and one this far below has
/// to be, as parts of the limit: noise and the last digit of the reports.
const NEAR: f64 = 1.012;
const BEYOND: f64 = 0.985;

/// How long a gateway must be silent until somebody has to be told, seconds.
fn outage_told_s(school: &School, outage: &Outage) -> i64 {
    let slowest = outage.sensors.iter().map(|i| i64::from(school.sensors[*i].every_s)).max().unwrap_or(0);
    3 * slowest + 600
}

impl Judge {
    /// A sensor's message goes out.
    pub(crate) fn sent(&mut self, school: &School, plan: &Plan, sensor: usize, at_s: i64) {
        if let Some(last_s) = self.sent_s[sensor].replace(at_s) {
            self.silence(school, plan, sensor, last_s, at_s);
        }
    }

    /// Nothing of a sensor was sent between two moments.
    pub(super) fn silence(&mut self, school: &School, plan: &Plan, sensor: usize, last_s: i64, next_s: i64) {
        let every_s = i64::from(school.sensors[sensor].every_s);
        let allowed_s = 3 * every_s + 300;
        // What its gateway kept from coming is the gateway's. It has its own time
        // once that is back.
        let outage =
            plan.outages.iter().find(|o| o.sensors.contains(&sensor) && o.from_s < next_s && last_s < o.to_s);
        let told = outage.is_none_or(|o| o.to_s - o.from_s > outage_told_s(school, o));
        let from_s = outage.filter(|_| told).map_or(last_s, |o| o.to_s.max(last_s));
        let gap_s = next_s - from_s;
        if gap_s > allowed_s - 60 {
            let must = told && gap_s > allowed_s + 2 * every_s;
            let stretch = Stretch { from_s: from_s + allowed_s - 60, to_s: next_s + 60, must };
            self.find("sensor-silent", &school.sensors[sensor].id, stretch, "nothing sent");
        }
    }

    /// What the plan alone decides, at the end.
    pub(super) fn finish_sensors(&mut self, school: &School, plan: &Plan, now_s: i64) {
        for outage in plan.outages.iter().filter(|o| o.from_s < now_s) {
            let every_s = |i: &usize| i64::from(school.sensors[*i].every_s);
            let fastest_s = outage.sensors.iter().map(every_s).min().unwrap_or(0);
            let slowest_s = outage.sensors.iter().map(every_s).max().unwrap_or(0);
            let to_s = outage.to_s.min(now_s);
            let from_s = outage.from_s + 2 * fastest_s;
            let must = to_s - outage.from_s > outage_told_s(school, outage);
            if from_s < to_s {
                let stretch = Stretch { from_s, to_s: to_s + slowest_s + 120, must };
                self.find("gateway-silent", &outage.gateway, stretch, "nothing came by it");
            }
        }
        for (number, sensor) in school.sensors.iter().enumerate() {
            let every_s = i64::from(sensor.every_s);
            for faulty in &plan.faults[number] {
                let lasts_s = faulty.to_s.min(now_s) - faulty.from_s;
                // From when it may be told, after how long it must, what remains after.
                let (near_s, beyond_s, after_s, note) = match faulty.fault {
                    Fault::Broken => {
                        let run_s = HOUR_S.max(7 * every_s);
                        (run_s - every_s, run_s + 4 * every_s, 4 * every_s, "cable cut")
                    }
                    Fault::Hot => {
                        let run_s = HOUR_S.max(7 * every_s);
                        (
                            0,
                            plan.beyond_belief_s(number, faulty.from_s) + run_s + 4 * every_s,
                            DAY_S,
                            "fails hot",
                        )
                    }
                    Fault::Loose => (HOUR_S, 8 * HOUR_S, 6 * HOUR_S, "plug loose"),
                    Fault::Frozen => {
                        let Some(hours) = sensor.measures.row().still_h else { continue };
                        let still_s = (hours * HOUR_S).max(8 * every_s);
                        (still_s, still_s + 11 * every_s + HOUR_S, 4 * every_s, "one number repeated")
                    }
                    Fault::Silent | Fault::Clogged | Fault::Late => continue,
                };
                if lasts_s > near_s {
                    let stretch = Stretch {
                        from_s: faulty.from_s + near_s,
                        to_s: faulty.to_s.min(now_s) + after_s,
                        must: lasts_s > beyond_s,
                    };
                    self.find("sensor-fault", &sensor.id, stretch, note);
                }
            }
        }
        for swap in plan.swaps.iter().filter(|s| s.in_s < now_s) {
            let stretch = Stretch { from_s: swap.out_s, to_s: swap.in_s + 2 * DAY_S, must: false };
            self.find("sensor-fault", &school.sensors[swap.sensor].id, stretch, "another sensor was put in");
        }
        for (number, from_s, to_s) in &plan.batteries {
            let sensor = &school.sensors[*number];
            if sensor.battery_low.is_none() || !sensor.payload.has_battery() {
                continue;
            }
            let reaches_s =
                |part: f64| from_s + ((FULL - part) / (FULL - EMPTY) * (to_s - from_s) as f64) as i64;
            let end_s = (*to_s).min(now_s);
            if reaches_s(NEAR) < end_s {
                let must = end_s - reaches_s(BEYOND) > 6 * i64::from(sensor.every_s);
                let stretch = Stretch { from_s: reaches_s(NEAR), to_s: end_s, must };
                self.find("battery-low", &sensor.id, stretch, "the battery runs down");
            }
        }
    }
}
