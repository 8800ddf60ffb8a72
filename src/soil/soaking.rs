//! Whether water that came to a dry bed reached its probe.
//!
//! A trial begins when enough water came within a day to reach the top probe of
//! a dry bed:
//!
//! ```text
//! enough = max(15 mm, 1.5 x 1000 (FC - theta) z)
//! ```
//!
//! where theta is the water content at the probe and z its depth: the water that
//! fills the soil above the probe to field capacity, and half of it more. Eight
//! hours later it has reached the probe (a rise of 0.010 m³/m³ and more), has
//! not (less than 0.006), or nothing can be said. Three times not, without once
//! reaching it, and the soil is taken to shed water.
//!
//! The depth of water follows FAO-56 eq. 87; the factor, the least rain, the
//! hours and the count are this project's own. On open records 12 to 20 mm of
//! rain were seen at 5 cm four times in five, so that one miss proves nothing.
//!
//! # Where it stops holding
//!
//! A bed under eaves or a tree gets less rain than the gauge, and a probe that
//! has lost touch with the soil feels nothing: the people who are told look there too.

use std::collections::VecDeque;

use jiff::Timestamp;

use crate::model::{KeptTime, PackedContent, push_tight};
use crate::why::{Check, Equation, Step};

/// The water that must reach a probe.
pub const ENOUGH: Equation = Equation {
    gives: "water that should reach the probe",
    form: "enough = max(15 mm, 1.5 x 1000 (FC - theta) z)",
    source: "the water by FAO-56 eq. 87 over the probe's depth; the half more and the 15 mm are this project's own",
    check: Check::None(
        "plain arithmetic but for the two numbers of our own, which are tried in the simulator",
    ),
};

/// Least water of a trial, mm.
const LEAST_MM: f64 = 15.0;
/// Times what the soil above the probe lacks.
const FACTOR: f64 = 1.5;
/// Part of available water at the probe below which a bed is dry enough for a trial.
const DRY: f64 = 0.5;
/// A rise that says that water came, and one that says that it did not, m³/m³.
const REACHED: f64 = 0.010;
const UNFELT: f64 = 0.006;
/// Misses in a row that make the soil water-repellent.
pub(super) const REPEATED: usize = 3;

const HOUR_S: i64 = 3600;
/// Water of this long counts together.
pub const TOGETHER_S: i64 = 24 * HOUR_S;
/// How long water may take to reach the probe after enough has come.
const REACHES_WITHIN_S: i64 = 8 * HOUR_S;
/// A miss is remembered for a season.
const REMEMBERED_S: i64 = 120 * 86_400;
/// Hourly values that are kept: a trial and the day before it.
const KEPT: usize = 34;
/// Hours of a trial that may be missing.
const MISSING_MAX: usize = 6;

/// Water that should reach a probe at `depth_m`, mm.
pub fn enough_mm(field_capacity: f64, water_content: f64, depth_m: f64) -> f64 {
    LEAST_MM.max(FACTOR * 1000.0 * (field_capacity - water_content) * depth_m)
}

/// The step to [`enough_mm`].
pub fn enough_step(field_capacity: f64, water_content: f64, depth_m: f64) -> Step {
    ENOUGH.step(format!(
        "max({LEAST_MM} mm, {FACTOR} x 1000 x ({field_capacity:.3} - {water_content:.3}) x {depth_m:.2} m) = {:.1} mm",
        enough_mm(field_capacity, water_content, depth_m)
    ))
}

/// The soil at the probe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AtProbe {
    pub field_capacity: f64,
    pub wilting_point: f64,
    pub depth_m: f64,
}

/// Water that came and was not felt.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Miss {
    /// When enough had come.
    pub at: Timestamp,
    pub mm: f64,
    pub enough_mm: f64,
    /// Water content at the probe before.
    pub before: f64,
    /// How far it rose all the same, m³/m³.
    pub rise: f64,
}

/// What the last trial or a person said.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
pub enum SoakingVerdict {
    /// Nothing yet, or not often enough.
    #[default]
    Open,
    /// Water repeatedly did not reach the probe.
    Sheds,
    /// Water has reached it.
    Soaks,
}

#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Trial {
    opened: Timestamp,
    mm: f64,
    enough_mm: f64,
    before: f64,
}

/// Watches the top probe of one bed.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct Soaking {
    /// One value an hour, each the lower of two readings: a single high one is no rise.
    hours: VecDeque<PackedContent>,
    last: Option<(KeptTime, f32)>,
    trial: Option<Box<Trial>>,
    /// Water up to here has had its trial.
    counted_to: Option<KeptTime>,
    misses: VecDeque<Miss>,
    verdict: SoakingVerdict,
}

impl Soaking {
    /// Adds a good reading, later than all before it. `came_mm(from, to)` is the
    /// water that is known to have come in between; it is asked at most once an hour.
    pub fn push(
        &mut self,
        at: Timestamp,
        water_content: f64,
        probe: &AtProbe,
        came_mm: impl FnOnce(Timestamp, Timestamp) -> f64,
    ) {
        let value = water_content as f32;
        let lower = self.last.map_or(value, |(_, before)| before.min(value));
        self.last = Some((at.into(), value));
        if self.hours.back().is_some_and(|last| seconds(last.open().at(), at) < HOUR_S) {
            return;
        }
        if self.hours.len() == KEPT {
            self.hours.pop_front();
        }
        push_tight(&mut self.hours, PackedContent::new(at, lower));
        while self.misses.front().is_some_and(|miss| seconds(miss.at, at) > REMEMBERED_S) {
            self.misses.pop_front();
        }
        match self.trial.as_deref().copied() {
            Some(trial) if seconds(trial.opened, at) >= REACHES_WITHIN_S => self.settle(trial, at),
            Some(_) => {}
            None => self.open(at, probe, came_mm),
        }
    }

    fn open(&mut self, at: Timestamp, probe: &AtProbe, came_mm: impl FnOnce(Timestamp, Timestamp) -> f64) {
        let day_before = Timestamp::from_second(at.as_second() - TOGETHER_S).unwrap_or(Timestamp::MIN);
        let from = self.counted_to.map_or(day_before, |counted| counted.at().max(day_before));
        let before = self
            .hours
            .iter()
            .map(|it| it.open())
            .filter(|it| it.at() >= from)
            .map(|it| f64::from(it.value()))
            .fold(f64::INFINITY, f64::min);
        let left = (before - probe.wilting_point) / (probe.field_capacity - probe.wilting_point);
        if left >= DRY {
            return;
        }
        let enough_mm = enough_mm(probe.field_capacity, before, probe.depth_m);
        let mm = came_mm(from, at);
        if mm >= enough_mm {
            self.trial = Some(Box::new(Trial { opened: at, mm, enough_mm, before }));
        }
    }

    fn settle(&mut self, trial: Trial, at: Timestamp) {
        self.trial = None;
        self.counted_to = Some(at.into());
        let within: Vec<(Timestamp, f32)> = self
            .hours
            .iter()
            .map(|it| it.open().pair())
            .filter(|(when, _)| seconds(*when, trial.opened) <= TOGETHER_S)
            .collect();
        let after = within.iter().filter(|(when, _)| *when > trial.opened).count();
        let (mut least, mut most, mut rise) = (f32::INFINITY, f32::NEG_INFINITY, 0.0_f32);
        for (_, value) in &within {
            least = least.min(*value);
            most = most.max(*value);
            rise = rise.max(value - least);
        }
        let rise = f64::from(rise);
        // The day in which the water came counts as well: who was not there then
        // cannot say what was felt.
        let whole = ((TOGETHER_S + REACHES_WITHIN_S) / HOUR_S) as usize;
        let heard =
            after + MISSING_MAX > (REACHES_WITHIN_S / HOUR_S) as usize && within.len() + MISSING_MAX >= whole;
        if rise >= REACHED {
            self.reached();
        } else if rise < UNFELT && heard && most > least {
            // A probe that repeats one number feels nothing.
            self.misses.push_back(Miss {
                at: trial.opened,
                mm: trial.mm,
                enough_mm: trial.enough_mm,
                before: trial.before,
                rise,
            });
            if self.misses.len() > 2 * REPEATED {
                self.misses.pop_front();
            }
            self.verdict =
                if self.misses.len() >= REPEATED { SoakingVerdict::Sheds } else { SoakingVerdict::Open };
        }
    }

    /// Water has reached the probe, or a person has found that the soil takes it.
    pub fn reached(&mut self) {
        self.misses.clear();
        self.trial = None;
        self.verdict = SoakingVerdict::Soaks;
    }

    /// What is known.
    pub fn verdict(&self) -> SoakingVerdict {
        self.verdict
    }

    /// The misses since water last reached the probe, oldest first.
    pub fn misses(&self) -> impl ExactSizeIterator<Item = &Miss> {
        self.misses.iter()
    }

    /// Forgets everything where it is later than `limit`: the clock was wrong.
    pub fn forget_after(&mut self, limit: Timestamp) {
        if self.last.is_some_and(|(last, _)| last.at() > limit) {
            let verdict = self.verdict;
            let misses = self.misses.iter().copied().filter(|miss| miss.at <= limit).collect();
            *self = Self { misses, verdict, ..Self::default() };
        }
    }
}

fn seconds(from: Timestamp, to: Timestamp) -> i64 {
    to.as_second() - from.as_second()
}

#[cfg(test)]
mod tests {
    use super::*;

    const PROBE: AtProbe = AtProbe { field_capacity: 0.15, wilting_point: 0.065, depth_m: 0.15 };

    fn t(minute: i64) -> Timestamp {
        Timestamp::from_second(1_776_000_000 + minute * 60).expect("in range")
    }

    /// Days of readings each quarter of an hour; 20 mm at the noon of each day
    /// of `rains`, on which the probe then stands `rise` higher for the rest of the day.
    fn watch(days: i64, base: f64, rains: &[i64], rise: f64) -> Soaking {
        let mut soaking = Soaking::default();
        for minute in (0..days * 1440).step_by(15) {
            let (day, of_day) = (minute / 1440, minute % 1440);
            let wet = rains.contains(&day) && of_day > 780;
            let wobble = 0.0004 * ((minute / 15) % 3) as f64;
            let value = base + wobble + if wet { rise } else { 0.0 };
            soaking.push(t(minute), value, &PROBE, |from, to| {
                rains.iter().filter(|day| from < t(*day * 1440 + 720) && t(*day * 1440 + 720) <= to).count()
                    as f64
                    * 20.0
            });
        }
        soaking
    }

    #[test]
    fn three_rains_that_are_not_felt_make_the_soil_repellent() {
        assert_eq!(watch(9, 0.085, &[2, 4], 0.0).verdict(), SoakingVerdict::Open);
        let soaking = watch(9, 0.085, &[2, 4, 6], 0.0);
        assert_eq!(soaking.verdict(), SoakingVerdict::Sheds);
        assert_eq!(soaking.misses().len(), 3, "each rain counts once");
        let miss = soaking.misses().next().expect("there are three");
        // 1.5 x 1000 x 0.065 x 0.15 = 14.6 mm is less than 15.
        assert!((miss.mm - 20.0).abs() < 1e-9 && (miss.enough_mm - 15.0).abs() < 1e-9);
    }

    #[test]
    fn water_that_reaches_the_probe_clears_the_count() {
        assert_eq!(watch(12, 0.085, &[2, 4, 6, 9], 0.02).verdict(), SoakingVerdict::Soaks);
        let mut soaking = watch(9, 0.085, &[2, 4, 6], 0.0);
        soaking.reached();
        assert_eq!((soaking.verdict(), soaking.misses().len()), (SoakingVerdict::Soaks, 0));
    }

    #[test]
    fn a_small_rise_proves_nothing_either_way() {
        let soaking = watch(9, 0.085, &[2, 4, 6], 0.008);
        assert_eq!((soaking.verdict(), soaking.misses().len()), (SoakingVerdict::Open, 0));
    }

    #[test]
    fn moist_soil_and_light_rain_are_no_trial() {
        assert_eq!(watch(9, 0.12, &[2, 4, 6], 0.0).misses().len(), 0, "moist");
        // 1.5 x 1000 x (0.15 - 0.055) x 0.15 = 21.4 mm.
        assert_eq!(watch(9, 0.055, &[2, 4, 6], 0.0).misses().len(), 0, "too little");
    }

    #[test]
    fn a_probe_that_repeats_one_number_or_is_not_heard_is_no_witness() {
        let mut frozen = Soaking::default();
        let mut silent = Soaking::default();
        for hour in 0..24 * 12 {
            let rain = |from: Timestamp, to: Timestamp| {
                (0..12).filter(|d| from < t(d * 1440 + 720) && t(d * 1440 + 720) <= to).count() as f64 * 20.0
            };
            frozen.push(t(hour * 60), 0.085, &PROBE, rain);
            if !(12..23).contains(&(hour % 24)) {
                silent.push(t(hour * 60), 0.085 + 0.0001 * (hour % 5) as f64, &PROBE, rain);
            }
        }
        assert_eq!(frozen.misses().len(), 0);
        assert_eq!(silent.misses().len(), 0);
    }
}
