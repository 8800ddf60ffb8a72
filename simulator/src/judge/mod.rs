//! Decides from the true state, minute by minute, what a watchful daemon has to
//! tell and what it may tell.
//!
//! The limits are those that the daemon's alarms are described by; the margins
//! around them are the simulator's own. Between "has to" and "must not" lies a
//! band in which telling is neither right nor wrong: it covers the sensors'
//! noise and the difference between the soil at the probes and the whole root
//! zone.

mod air;
mod failed_runs;
mod gauges;
mod oxygen;
mod sensors;
mod shedding;
mod surplus;
mod timers;
mod too_much;
mod waterings;

use std::collections::VecDeque;

use crate::calendar::midnight_s;
use crate::plan::{Fault, Plan};
use crate::school::{Place, Quantity, School};
use crate::soil::Soil;
use crate::window::{Stretch, TrailingRange, Window};
use air::AirWatch;
use failed_runs::Awaited;
use gauges::Rise;
use shedding::Shedding;
use surplus::Surplus;
use too_much::TooMuch;
use waterings::Wetting;

const HOUR_S: i64 = 3600;
const DAY_S: i64 = 24 * HOUR_S;

/// A finding before it is put into words for the file.
#[derive(Clone, Debug)]
pub(crate) struct Finding {
    pub(crate) kind: &'static str,
    pub(crate) place: String,
    pub(crate) stretch: Stretch,
    pub(crate) note: String,
}

/// One bed's state at a minute, as parts of readily available water.
#[derive(Clone, Copy, Debug)]
struct Depletion {
    /// The larger and the smaller of what the whole root zone, its probes and
    /// its working probes show.
    most: f64,
    least: f64,
}

/// A bed as the judge watches it.
#[derive(Clone, Debug)]
struct BedWatch {
    /// Sensor numbers and depths of soil-moisture probes, from the surface down.
    probes: Vec<(usize, f64)>,
    /// What a frozen probe goes on showing.
    held: Vec<Option<f64>>,
    dry: Window,
    mulch: Window,
    /// `[from, to)` in which the mulch rule watches.
    mulch_days: Option<(i64, i64)>,
    last_watering_end_s: Option<i64>,
    too_much: TooMuch,
    shedding: Shedding,
    surplus: Surplus,
    rise: Rise,
}

/// A tank as the judge watches it.
#[derive(Clone, Debug)]
struct TankWatch {
    sensors: Vec<usize>,
    hour: TrailingRange,
    day: TrailingRange,
    shock: Window,
    warm: Window,
    cold: Window,
    /// `None`: its oxygen is measured.
    oxygen: Option<Window>,
    /// Where its power tells of the pump: the meter.
    pump: Option<(usize, Window)>,
}

/// The judge.
#[derive(Clone, Debug)]
pub(crate) struct Judge {
    beds: Vec<BedWatch>,
    tanks: Vec<TankWatch>,
    air: AirWatch,
    gauges: Vec<usize>,
    /// For each gauge, when it missed a rain that the beds felt, Unix seconds.
    missed_rains: Vec<Vec<i64>>,
    wettings: Vec<Wetting>,
    /// Waterings of the last day: when and which bed.
    watered: Vec<(i64, usize)>,
    /// Rain since the start at each minute of the last four days, mm.
    rain_totals: VecDeque<f64>,
    blind_rain: Window,
    /// Runs of timers that failed, soonest first, whose hours are not over.
    awaited_runs: Vec<Awaited>,
    /// Reference evapotranspiration of the last days, mm, the newest last.
    et0_mm: VecDeque<f64>,
    /// For each sensor, when it last sent, Unix seconds.
    sent_s: Vec<Option<i64>>,
    pub(crate) findings: Vec<Finding>,
}

/// A tank's water is never so warm: a thermometer that shows more is at fault, °C.
const BELIEVABLE_C: f64 = 40.0;
/// Seconds within which a watering must show at the shallowest probe.
const SHOWS_WITHIN_S: i64 = 4 * HOUR_S;
/// A sensor counts as faulty for two of its intervals after a fault.
const AFTER_FAULT_INTERVALS: i64 = 2;

/// Days back of which a daemon may take the crop's use.
const USE_DAYS: usize = 3;
/// Crop coefficients from the first leaves to mid-season (FAO-56 table 12:
/// vegetables 0.6 to 1.15).
const USE: (f64, f64) = (0.6, 1.15);
/// Error of reference evapotranspiration where only temperature is measured, mm
/// a day (usual size).
const USE_ERROR_MM: f64 = 0.7;

impl Judge {
    pub(crate) fn new(school: &School) -> Self {
        let beds = school.beds.iter().enumerate().map(|(number, bed)| {
            let mut probes: Vec<(usize, f64)> = school
                .sensors
                .iter()
                .enumerate()
                .filter(|(_, s)| s.place == Place::Bed(number) && s.measures == Quantity::SoilMoisture)
                .map(|(i, s)| (i, s.depth_m))
                .collect();
            probes.sort_by(|a, b| a.1.total_cmp(&b.1));
            let mulch_days = bed.mulch_planned.and_then(|day| {
                let first = day.checked_sub(jiff::Span::new().days(7)).ok()?;
                let after = day.tomorrow().ok()?;
                Some((midnight_s(&school.time_zone, first), midnight_s(&school.time_zone, after)))
            });
            BedWatch {
                held: vec![None; probes.len()],
                probes,
                dry: Window::new(6 * HOUR_S, 2 * HOUR_S),
                mulch: Window::new(6 * HOUR_S, 2 * HOUR_S),
                mulch_days,
                last_watering_end_s: None,
                too_much: TooMuch::default(),
                shedding: Shedding::default(),
                surplus: Surplus::default(),
                rise: Rise::default(),
            }
        });
        let tanks = school.tanks.iter().enumerate().map(|(number, _)| TankWatch {
            sensors: of_place(school, Place::Tank(number), Quantity::WaterTemperature),
            hour: TrailingRange::new(HOUR_S),
            day: TrailingRange::new(DAY_S),
            shock: Window::new(15 * 60, 30 * 60),
            warm: Window::new(45 * 60, HOUR_S),
            cold: Window::new(45 * 60, HOUR_S),
            oxygen: of_place(school, Place::Tank(number), Quantity::DissolvedOxygen)
                .is_empty()
                .then(|| Window::new(45 * 60, HOUR_S)),
            pump: of_place(school, Place::Tank(number), Quantity::Power)
                .first()
                .map(|meter| (*meter, Window::new(25 * 60, 30 * 60))),
        });
        let gauges: Vec<usize> =
            (0..school.sensors.len()).filter(|i| school.sensors[*i].measures == Quantity::Rain).collect();
        Self {
            beds: beds.collect(),
            tanks: tanks.collect(),
            air: AirWatch::new(school),
            missed_rains: vec![Vec::new(); gauges.len()],
            gauges,
            wettings: Vec::new(),
            watered: Vec::new(),
            rain_totals: VecDeque::from([0.0]),
            awaited_runs: Vec::new(),
            blind_rain: Window::new(0, 2 * SHOWS_WITHIN_S),
            et0_mm: VecDeque::new(),
            sent_s: vec![None; school.sensors.len()],
            findings: Vec::new(),
        }
    }

    fn find(&mut self, kind: &'static str, place: &str, stretch: Stretch, note: impl Into<String>) {
        self.findings.push(Finding { kind, place: place.to_owned(), stretch, note: note.into() });
    }

    /// A day is over, with so much reference evapotranspiration.
    pub(crate) fn day(&mut self, school: &School, plan: &Plan, et0_mm: f64, now_s: i64) {
        self.surplus_day(school, plan, et0_mm, now_s);
        self.et0_mm.push_back(et0_mm);
        if self.et0_mm.len() > USE_DAYS {
            self.et0_mm.pop_front();
        }
    }

    /// The least and the largest depletion fraction that may be judged by (FAO-56
    /// table 22, note 2): the table's, and what the last days make of it.
    fn fractions(&self, table: f64) -> (f64, f64) {
        let adjusted = |used_mm: f64| (table + 0.04 * (5.0 - used_mm)).clamp(0.1, 0.8);
        self.et0_mm.iter().fold((table, table), |(least, most), et0_mm| {
            let (low_mm, high_mm) = (USE.0 * et0_mm - USE_ERROR_MM, USE.1 * et0_mm + USE_ERROR_MM);
            (least.min(adjusted(high_mm)), most.max(adjusted(low_mm)))
        })
    }

    /// A minute's rain over the garden.
    pub(crate) fn rain(&mut self, school: &School, plan: &Plan, now_s: i64, mm: f64) {
        let total = self.rain_totals.back().copied().unwrap_or(0.0) + mm;
        self.rain_totals.push_back(total);
        if self.rain_totals.len() > 4 * 1440 + 1 {
            self.rain_totals.pop_front();
        }
        let back = self.rain_totals.len().saturating_sub(241);
        let recent_mm = total - self.rain_totals[back];
        let blind = recent_mm >= 1.0 && !self.gauge_works(school, plan, now_s - DAY_S, now_s);
        if let Some(stretch) = self.blind_rain.step(now_s, blind, false) {
            self.rain_unseen(school, stretch);
        }
        self.gauges(school, plan, now_s);
    }

    /// Rain of the last `minutes` (four days at most), mm.
    fn rain_of_last(&self, minutes: usize) -> f64 {
        let back = self.rain_totals.len().saturating_sub(minutes + 1);
        self.rain_totals.back().copied().unwrap_or(0.0) - self.rain_totals.get(back).copied().unwrap_or(0.0)
    }

    fn rain_unseen(&mut self, school: &School, stretch: Stretch) {
        for bed in &school.beds {
            self.find("watering-hours", &bed.id, stretch, "rain that no working gauge saw: unknown expected");
        }
    }

    /// Whether there is a gauge and none was faulty.
    fn gauge_works(&self, school: &School, plan: &Plan, from_s: i64, to_s: i64) -> bool {
        !self.gauges.is_empty()
            && self.gauges.iter().all(|g| {
                let after_s = AFTER_FAULT_INTERVALS * i64::from(school.sensors[*g].every_s);
                !plan.blind_within(*g, from_s - after_s, to_s)
            })
    }

    fn works(school: &School, plan: &Plan, sensor: usize, now_s: i64) -> bool {
        let after_s = AFTER_FAULT_INTERVALS * i64::from(school.sensors[sensor].every_s);
        !plan.faulty_within(sensor, now_s - after_s, now_s)
    }

    /// A bed's soil after a minute.
    pub(crate) fn bed(&mut self, school: &School, plan: &Plan, number: usize, soil: &Soil, now_s: i64) {
        let bed = &school.beds[number];
        let table = bed.depletion_fraction;
        let (small, large) = if bed.planted { self.fractions(table) } else { (table, table) };
        let watch = &mut self.beds[number];
        let mut shown = Vec::with_capacity(watch.probes.len());
        let mut working = Vec::with_capacity(watch.probes.len());
        let mut bands = Vec::new();
        for ((sensor, depth_m), held) in watch.probes.iter().zip(&mut watch.held) {
            let water = soil.water_at(*depth_m);
            if Self::works(school, plan, *sensor, now_s) {
                *held = None;
                working.push((*depth_m, water));
            } else {
                held.get_or_insert(water);
            }
            shown.push((*depth_m, held.unwrap_or(water)));
            bands.push(plan.error_band(*sensor, now_s));
        }
        let readily_mm = bed.readily_available_mm();
        let parts = |water: f64| 1000.0 * (bed.field_capacity - water) * bed.root_depth_m / readily_mm;
        let roots_m = bed.roots_m(now_s);
        let whole = parts(soil.root_zone(roots_m));
        let mut depletion = Depletion { most: whole, least: whole };
        for seen in [&shown, &working] {
            if let Some(water) = by_depth(seen, roots_m) {
                depletion.most = depletion.most.max(parts(water));
                depletion.least = depletion.least.min(parts(water));
            }
        }
        // What instruments may add and take away.
        if bands.iter().any(|band| *band != (0.0, 0.0)) {
            let moved = |by: fn(&(f64, f64)) -> f64| -> Vec<(f64, f64)> {
                shown
                    .iter()
                    .zip(&bands)
                    .map(|((depth_m, water), band)| (*depth_m, water + by(band)))
                    .collect()
            };
            for seen in [moved(|band| band.0), moved(|band| band.1)] {
                if let Some(water) = by_depth(&seen, roots_m) {
                    depletion.most = depletion.most.max(parts(water));
                    depletion.least = depletion.least.min(parts(water));
                }
            }
        }
        let all_work = !working.is_empty() && working.len() == watch.probes.len();
        let in_mulch_days = watch.mulch_days.is_some_and(|(from, to)| (from..to).contains(&now_s));

        let of_readily = (depletion.least * table / large, depletion.most * table / small);
        watch.surplus.step(of_readily, all_work);
        let near = depletion.most > 0.88 * small / table;
        let beyond = depletion.least > 1.08 * large / table;
        let dry = watch.dry.step(now_s, near, all_work && beyond);
        let mulch = watch.mulch.step(
            now_s,
            in_mulch_days && depletion.most > 0.38,
            all_work && depletion.least > 0.58,
        );
        if let Some(stretch) = dry {
            self.find("dry-bed", &bed.id, stretch, DRY);
        }
        if let Some(stretch) = mulch {
            self.find("mulch-on-dry-soil", &bed.id, stretch, MULCH);
        }

        self.too_much(school, plan, number, soil, now_s);
        self.shedding(school, plan, number, soil, now_s);
        let shallowest_m = self.shallowest(number).map_or(0.15, |(_, depth)| depth);
        let water = soil.water_at(shallowest_m);
        self.beds[number].rise.step(now_s, water);
        for wetting in self.wettings.iter_mut().filter(|w| w.bed == number) {
            wetting.probe_most = wetting.probe_most.max(water);
        }
    }

    fn shallowest(&self, bed: usize) -> Option<(usize, f64)> {
        self.beds[bed].probes.first().copied()
    }

    /// A tank's water after a minute.
    pub(crate) fn tank(&mut self, school: &School, plan: &Plan, number: usize, water_c: f64, now_s: i64) {
        let tank = &school.tanks[number];
        let watch = &mut self.tanks[number];
        let works =
            !watch.sensors.is_empty() && watch.sensors.iter().all(|s| Self::works(school, plan, *s, now_s));
        // What its thermometers show where one was changed, or drifts hot and is not
        // yet beyond belief.
        let mut seen_c = (water_c, water_c);
        let mut drifts = false;
        for sensor in &watch.sensors {
            let (below, above) = plan.error_band(*sensor, now_s);
            seen_c = (seen_c.0 + below, seen_c.1 + above);
            let shown_c = plan.shown(*sensor, now_s, water_c);
            if plan.fault(*sensor, now_s).is_some_and(|f| f.fault == Fault::Hot) && shown_c < BELIEVABLE_C {
                drifts = true;
                seen_c.1 = seen_c.1.max(shown_c);
            }
        }
        let hour_c = watch.hour.step(now_s, water_c);
        let day_c = watch.day.step(now_s, water_c);
        let near = hour_c > tank.change_hour_c - 0.15 || day_c > tank.change_day_c - 0.25 || drifts;
        let beyond = hour_c > tank.change_hour_c + 0.3 || day_c > tank.change_day_c + 0.4;
        let shock = watch.shock.step(now_s, near, works && beyond);
        let warm = watch.warm.step(
            now_s,
            seen_c.1 > tank.warm_c - 0.15,
            works && seen_c.0.min(water_c) > tank.warm_c + 0.2,
        );
        let cold = watch.cold.step(
            now_s,
            seen_c.0 < tank.cold_c + 0.15,
            works && seen_c.1.max(water_c) < tank.cold_c - 0.2,
        );
        let oxygen = watch.oxygen.as_mut().and_then(|window| {
            let night = oxygen::is_night(&school.time_zone, now_s);
            let near = oxygen::before_dawn_mg_l(seen_c.1) < oxygen::NEAR_MG_L;
            let beyond = oxygen::before_dawn_mg_l(seen_c.0.min(water_c)) < oxygen::BEYOND_MG_L;
            window.step(now_s, near, works && night && beyond)
        });
        let pump = watch.pump.as_mut().and_then(|(meter, window)| {
            let stands = plan.pump_stands(number, now_s);
            window.step(now_s, stands, stands && Self::works(school, plan, *meter, now_s))
        });
        for (kind, stretch, note) in [
            ("pump-stopped", pump, PUMP),
            ("tank-temperature-shock", shock, SHOCK),
            ("tank-too-warm", warm, WARM),
            ("tank-too-cold", cold, COLD),
            ("low-oxygen", oxygen, OXYGEN),
        ] {
            if let Some(stretch) = stretch {
                self.find(kind, &tank.id, stretch, note);
            }
        }
    }

    /// Closes whatever is open, at the end.
    pub(crate) fn finish(&mut self, school: &School, plan: &Plan, now_s: i64) {
        self.settle_waterings(school, plan, now_s, true);
        self.schedules_that_fail(school, plan, now_s);
        self.clogged_gauges(school, plan, now_s);
        if let Some(stretch) = self.blind_rain.close() {
            self.rain_unseen(school, stretch);
        }
        for number in 0..self.beds.len() {
            let id = &school.beds[number].id;
            self.finish_too_much(school, number);
            self.finish_shedding(school, plan, number, now_s);
            if let Some(stretch) = self.beds[number].dry.close() {
                self.find("dry-bed", id, stretch, DRY);
            }
            if let Some(stretch) = self.beds[number].mulch.close() {
                self.find("mulch-on-dry-soil", id, stretch, MULCH);
            }
        }
        self.finish_surplus(school, plan, now_s);
        for number in 0..self.tanks.len() {
            let id = &school.tanks[number].id;
            let watch = &mut self.tanks[number];
            let open = [
                ("tank-temperature-shock", watch.shock.close(), SHOCK),
                ("tank-too-warm", watch.warm.close(), WARM),
                ("tank-too-cold", watch.cold.close(), COLD),
                ("low-oxygen", watch.oxygen.as_mut().and_then(Window::close), OXYGEN),
                ("pump-stopped", watch.pump.as_mut().and_then(|(_, window)| window.close()), PUMP),
            ];
            for (kind, stretch, note) in open {
                if let Some(stretch) = stretch {
                    self.find(kind, id, stretch, note);
                }
            }
        }
        for sensor in 0..self.sent_s.len() {
            if let Some(last_s) = self.sent_s[sensor] {
                self.silence(school, plan, sensor, last_s, now_s);
            }
        }
        self.finish_sensors(school, plan, now_s);
        self.finish_air(school);
    }
}

const DRY: &str = "root zone near or beyond readily available water (FAO-56 eq. 82 and 83)";
const MULCH: &str = "a mulch day within seven days and more than half of readily available water is gone";
const SHOCK: &str = "water temperature changes near or beyond the limit within an hour or a day";
const WARM: &str = "water near or above the species' warm limit";
const PUMP: &str = "the tank's pump stands";
const OXYGEN: &str = "a night so warm that 70 % of saturation is near or below 5 mg/L (FAO 589, chapter 7.3)";
const COLD: &str = "water near or below the species' cold limit";

fn of_place(school: &School, place: Place, measures: Quantity) -> Vec<usize> {
    (0..school.sensors.len())
        .filter(|i| school.sensors[*i].place == place && school.sensors[*i].measures == measures)
        .collect()
}

/// Mean water content of the root zone from probes at depths, each standing for
/// the soil to half way to its neighbours, the top one up to the surface and
/// the bottom one down to the end of the roots.
fn by_depth(probes: &[(f64, f64)], root_depth_m: f64) -> Option<f64> {
    let mut sum = 0.0;
    let mut weights = 0.0;
    for (i, (depth_m, water)) in probes.iter().enumerate() {
        let top = if i == 0 { 0.0 } else { f64::midpoint(probes[i - 1].0, *depth_m) };
        let bottom = probes.get(i + 1).map_or(root_depth_m, |next| f64::midpoint(*depth_m, next.0));
        let weight = (bottom.min(root_depth_m) - top.min(root_depth_m)).max(0.0);
        sum += weight * water;
        weights += weight;
    }
    (weights > 0.0).then(|| sum / weights)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn probes_stand_for_the_soil_half_way_to_their_neighbours() {
        // 0 to 22.5 cm and 22.5 to 50 cm.
        let got = by_depth(&[(0.15, 0.10), (0.30, 0.20)], 0.50).unwrap();
        assert!((got - (0.225 * 0.10 + 0.275 * 0.20) / 0.50).abs() < 1e-12);
        // A probe below the roots counts for nothing.
        let got = by_depth(&[(0.10, 0.10), (0.90, 0.30)], 0.40).unwrap();
        assert!((got - 0.10).abs() < 1e-12);
        assert!(by_depth(&[], 0.4).is_none());
    }
}
