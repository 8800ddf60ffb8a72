//! Waterings outside the allowed hours: which of them have to be told.

use super::{AFTER_FAULT_INTERVALS, DAY_S, HOUR_S, Judge, SHOWS_WITHIN_S};
use crate::plan::Plan;
use crate::school::School;
use crate::soil::Soil;
use crate::window::Stretch;

/// So many beds that are watered within this of each other look like rain over a
/// gauge that has just died.
const LIKE_RAIN_BEDS: usize = 3;
const TOGETHER_S: i64 = 4 * HOUR_S;
/// Readings that wander by this spread rise and fall as with water, m³/m³.
const WANDERS_LIKE_WATER: f64 = 0.005;
const LIKE_RAIN: &str = "three beds or more are watered together, which looks like rain";

/// A watering whose effect is still awaited.
#[derive(Clone, Debug)]
pub(super) struct Wetting {
    pub(super) bed: usize,
    from_s: i64,
    to_s: i64,
    mm: f64,
    probe_before: f64,
    pub(super) probe_most: f64,
    rain_before_mm: f64,
    rain_total_mm: f64,
    hours_since_last: Option<f64>,
}

impl Judge {
    /// A watering begins.
    pub(crate) fn watering(&mut self, number: usize, soil: &Soil, from_s: i64, to_s: i64, mm: f64) {
        let shallowest_m = self.shallowest(number).map_or(0.15, |(_, depth)| depth);
        let water = soil.water_at(shallowest_m);
        let total = self.rain_totals.back().copied().unwrap_or(0.0);
        let day_ago = total - self.rain_of_last(1440);
        let last = self.beds[number].last_watering_end_s.replace(to_s);
        self.watered.retain(|(at, _)| from_s - at <= DAY_S);
        self.watered.push((from_s, number));
        self.wettings.push(Wetting {
            bed: number,
            from_s,
            to_s,
            mm,
            probe_before: water,
            probe_most: water,
            rain_before_mm: total - day_ago,
            rain_total_mm: total,
            hours_since_last: last.map(|l| (from_s - l) as f64 / HOUR_S as f64),
        });
    }

    /// Judges the waterings whose time to show is over; all of them at the end.
    pub(crate) fn settle_waterings(&mut self, school: &School, plan: &Plan, now_s: i64, all: bool) {
        let due = |w: &Wetting| all || now_s >= w.to_s + SHOWS_WITHIN_S;
        if !self.wettings.iter().any(due) {
            return;
        }
        let (over, awaited) = std::mem::take(&mut self.wettings).into_iter().partition(due);
        self.wettings = awaited;
        for wetting in over {
            self.settle(school, plan, now_s, &wetting);
        }
    }

    fn settle(&mut self, school: &School, plan: &Plan, now_s: i64, wetting: &Wetting) {
        let bed = &school.beds[wetting.bed];
        let margin = |s: i64| minutes_to_edge(school, wetting.bed, s);
        let Some((outside, margin_min)) = margin(wetting.from_s) else { return };
        if !outside && margin_min >= 90 {
            // Inside the hours all the way to its end, by a good margin.
            let ends_well = margin(wetting.to_s).is_some_and(|(out, m)| !out && m >= 90);
            if ends_well {
                return;
            }
        }
        let shallowest = self.shallowest(wetting.bed);
        let until_s = now_s.min(wetting.to_s + SHOWS_WITHIN_S);
        let rain_after_mm = self.rain_totals.back().copied().unwrap_or(0.0) - wetting.rain_total_mm;
        let gauge = self.gauge_works(school, plan, wetting.from_s - DAY_S, until_s);
        let probe = shallowest.is_some_and(|(sensor, _)| {
            let after_s = AFTER_FAULT_INTERVALS * i64::from(school.sensors[sensor].every_s);
            !plan.faulty_within(sensor, wetting.from_s - after_s - DAY_S, until_s)
        });
        let wanders =
            shallowest.is_some_and(|(sensor, _)| plan.instruments[sensor].wanders >= WANDERS_LIKE_WATER);
        let mut together: Vec<usize> = self
            .watered
            .iter()
            .filter(|(at, _)| (at - wetting.from_s).abs() <= TOGETHER_S)
            .map(|(_, bed)| *bed)
            .collect();
        together.sort_unstable();
        together.dedup();
        let reasons = [
            (together.len() >= LIKE_RAIN_BEDS, LIKE_RAIN),
            (!gauge, "the rain gauge is not working: unknown expected"),
            (!outside || margin_min < 90, "within 90 minutes of the allowed hours"),
            (wetting.mm < 8.0, "less than 8 mm"),
            (shallowest.is_none_or(|(_, depth)| depth > 0.20), "no probe at 20 cm or less"),
            (!probe, "the probe is not working"),
            (wanders, "the probe's readings wander"),
            (wetting.rain_before_mm >= 1.0, "rain in the day before"),
            (rain_after_mm >= 1.0, "rain while it soaks in"),
            (wetting.probe_before > bed.field_capacity + 0.02, "the soil is still draining"),
            (wetting.probe_most - wetting.probe_before < 0.02, "little of it reaches the probe"),
            (wetting.hours_since_last.is_some_and(|h| h < 4.0), "the bed was watered just before"),
            (until_s < wetting.to_s + SHOWS_WITHIN_S, "the end comes before it has soaked in"),
        ];
        let doubts: Vec<&str> = reasons.iter().filter(|(holds, _)| *holds).map(|(_, why)| *why).collect();
        let must = doubts.is_empty();
        let stretch = Stretch { from_s: wetting.from_s, to_s: wetting.to_s + SHOWS_WITHIN_S, must };
        let note = if must {
            format!("{:.0} mm outside the allowed hours", wetting.mm)
        } else {
            format!("{:.0} mm; {}", wetting.mm, doubts.join("; "))
        };
        self.find("watering-hours", &bed.id, stretch, note);
    }
}

/// Whether a moment lies outside a bed's allowed hours, and how many minutes of
/// the wall clock lie between it and the nearest edge of those hours.
fn minutes_to_edge(school: &School, bed: usize, at_s: i64) -> Option<(bool, i64)> {
    let local = jiff::Timestamp::from_second(at_s).ok()?.to_zoned_datetime(school.time_zone.clone());
    let minute = i64::from(local.hour()) * 60 + i64::from(local.minute());
    let intervals = school.allowed(bed);
    let inside = intervals.iter().any(|(from, to)| (i64::from(*from)..i64::from(*to)).contains(&minute));
    let nearest = intervals
        .iter()
        .flat_map(|(from, to)| [i64::from(*from), i64::from(*to)])
        // Midnight is no edge where water may run on both sides of it.
        .filter(|edge| !(edge % 1440 == 0 && touches_midnight(intervals)))
        .map(|edge| {
            let apart = (minute - edge).rem_euclid(1440);
            apart.min(1440 - apart)
        })
        .min()
        .unwrap_or(1440);
    Some((!inside, nearest))
}

fn touches_midnight(intervals: &[(u16, u16)]) -> bool {
    intervals.iter().any(|(from, _)| *from == 0) && intervals.iter().any(|(_, to)| *to == 1440)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Allowed until 9:00 and from 18:00; midnight between them is no edge.
    #[test]
    fn minutes_are_counted_to_the_nearest_edge_of_the_allowed_hours() {
        let school = School::parse(include_str!("../../tests/garden.toml")).unwrap();
        for (local, expected) in [
            ("2026-04-02T12:40:00", (true, 220)),
            ("2026-04-02T09:00:00", (true, 0)),
            ("2026-04-02T08:59:00", (false, 1)),
            ("2026-04-02T16:31:00", (true, 89)),
            ("2026-04-02T00:00:00", (false, 360)),
            ("2026-04-02T23:59:00", (false, 359)),
            // After daylight saving has ended.
            ("2026-04-07T05:30:00", (false, 210)),
        ] {
            let at_s = crate::calendar::instant_s(&school.time_zone, local.parse().unwrap());
            assert_eq!(minutes_to_edge(&school, 0, at_s), Some(expected), "{local}");
        }
    }
}
