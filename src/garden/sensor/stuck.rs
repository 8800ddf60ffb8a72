//! Whether a sensor stands still for longer than it can.
//!
//! `quality` has the test; what it asks of a sensor that moves seldom comes from the
//! sensor's own past and from like sensors of the garden, which it does not know.

use jiff::Timestamp;

use crate::garden::plan::Sensor;
use crate::garden::site::SiteState;
use crate::model::Place;
use crate::quality::{Flag, Flat, Judged, LIKE_STEPS, LONGEST_STILL_S, Limits, Test};
use crate::text::spoken;
use crate::why::{Check, Equation, Step};

/// When a sensor that moves seldom counts as stuck.
pub(crate) const STUCK: Equation = Equation {
    gives: "how long a sensor may show the same value",
    form: "24 mean times between its moves of the last 12.5 days, at most 12.5 days (pH: 30); then the middle one of its \
           like sensors must have moved by 10 of its steps",
    source: "this project's own rule, chosen on an open record of grassland soil; half a day and the like for sensors \
             that move with nearly every reading",
    check: Check::None(
        "no publication gives the numbers; tests with sensors of several resolutions try them",
    ),
};

/// Depths this near to each other are alike, metres; or within a quarter of the depth.
const LIKE_DEPTH_M: f64 = 0.05;
const LIKE_DEPTH_PART: f64 = 0.25;

impl SiteState {
    /// Flags a sensor's next value, which is later than all before it.
    pub(crate) fn flag(&mut self, plan: &Sensor, index: u16, at: Timestamp, value: Option<f64>) -> Judged {
        let limits = Limits { flat: self.flat_now(index, at), ..*plan.quality };
        let state = &mut self.sensors[usize::from(index)];
        let judged = state.watch.judge(&limits, at, value);
        let possible =
            value.filter(|_| !matches!(judged.tests.get(Test::GrossRange), Flag::Fail | Flag::Missing));
        if let (Some(flat), Some(value)) = (&plan.quality.flat, possible) {
            let stuck = matches!(judged.tests.get(Test::FlatLine), Flag::Suspect | Flag::Fail);
            state.stillness.push(at, value, flat, plan.quality.gap_s, stuck);
        }
        judged
    }

    /// The flat line's limits for a sensor as it is at present.
    fn flat_now(&self, index: u16, at: Timestamp) -> Option<Flat> {
        let plan = self.garden.sensor(index);
        let flat = plan.quality.flat?;
        let stillness = &self.sensors[usize::from(index)].stillness;
        if flat.longest_s.is_none() || stillness.is_stuck() || stillness.still_s(at) < flat.suspect_s {
            return Some(flat);
        }
        let patience_s = stillness.patience_s(&flat, plan.every_s);
        if patience_s <= flat.suspect_s {
            return Some(flat);
        }
        if stillness.still_s(at) >= patience_s && self.like_moved(index) == Some(false) {
            return None;
        }
        let fail_s = (patience_s * flat.fail_s / flat.suspect_s).min(LONGEST_STILL_S).max(patience_s);
        Some(Flat { suspect_s: patience_s, fail_s, ..flat })
    }

    /// The mean time between a sensor's moves before it stood still, seconds, if it moved seldom.
    pub(crate) fn seldom_moved(&self, index: u16) -> Option<i64> {
        let plan = self.garden.sensor(index);
        let stillness = &self.sensors[usize::from(index)].stillness;
        let flat = plan.quality.flat?;
        let mean_s = stillness.mean_s()?;
        (stillness.patience_s(&flat, plan.every_s) > flat.suspect_s).then_some(mean_s.round() as i64)
    }

    /// Why a sensor that moves seldom counts as stuck.
    pub(crate) fn stuck_step(&self, index: u16, at: Timestamp) -> Option<Step> {
        let mean_s = self.seldom_moved(index)?;
        let still_s = self.sensors[usize::from(index)].stillness.still_s(at) as i64;
        let (mean, still) = (spoken::duration(mean_s), spoken::duration(still_s));
        Some(STUCK.step(format!("the same value for {still}; it moved about every {mean} before")))
    }

    /// Whether the middle one of a sensor's like sensors has moved far enough since it
    /// stands still; `None` where there is none.
    fn like_moved(&self, index: u16) -> Option<bool> {
        let own = &self.sensors[usize::from(index)].stillness;
        let since = own.since()?;
        let like: Vec<u16> = (0u16..)
            .zip(&self.garden.sensors)
            .filter(|(other, _)| *other != index && self.are_alike(index, *other))
            .map(|(other, _)| other)
            .collect();
        let of = |other: &u16| &self.sensors[usize::from(*other)].stillness;
        let mut ranges: Vec<f64> = like.iter().filter_map(|it| of(it).range_since(since)).collect();
        ranges.sort_by(f64::total_cmp);
        // Of two the one that moved farther: the other may be stuck as well.
        let middle = *ranges.get(ranges.len() / 2)?;
        // Where no step is known, none of them has moved.
        let step = own.step().or_else(|| like.iter().filter_map(|it| of(it).step()).reduce(f64::max));
        // A step is a difference of two decimal numbers.
        Some(step.is_some_and(|step| middle >= (LIKE_STEPS - 0.01) * step))
    }

    /// Of the same quantity, in the same water, or in soil at about the same depth.
    fn are_alike(&self, one: u16, other: u16) -> bool {
        let (one, other) = (self.garden.sensor(one), self.garden.sensor(other));
        let same_place = match (one.place, other.place) {
            (Place::Tank(a), Place::Tank(b)) => a == b,
            (Place::Bed(_), Place::Bed(_)) | (Place::Site, Place::Site) => true,
            _ => false,
        };
        let same_depth = match (one.depth_m, other.depth_m) {
            (Some(a), Some(b)) => (a - b).abs() <= LIKE_DEPTH_M.max(LIKE_DEPTH_PART * a),
            _ => true,
        };
        one.measures == other.measures && same_place && same_depth
    }
}
