//! Soil that stays wetter than it can hold: what drainage should have taken.
//!
//! Field capacity is what is left after about two days of drainage from
//! saturated soil (FAO Soils Bulletin 79, 2003: 48 hours; FAO-56: a well-drained
//! soil). Above it water goes down by itself, the faster the wetter the soil:
//! where it stays, either more water comes or it cannot leave.
//!
//! Both limits are parts of the way from field capacity to saturation. The parts
//! are this project's own: they leave room for a field capacity that was only
//! estimated.
//!
//! # Where it stops holding
//!
//! Packed and clayey soils drain for weeks and hardly have a field capacity (the
//! same bulletin). Soil over a shallow water table stays wet with no tap open.

use jiff::Timestamp;

use crate::model::{KeptTime, RecentContents};

use crate::why::{Check, Equation, Step};

/// Saturation, where nobody gave the soil's.
pub(super) const SATURATION_ESTIMATE: Equation = Equation {
    gives: "saturation, estimated",
    form: "SAT = 0.43 + 0.15 FC",
    source: "this project's own line through the textures of Saxton and Rawls 2006, Table 3",
    check: Check::None("an estimate, within about 0.04 m3/m3 of that table's textures"),
};

/// The water content above which soil that does not dry has water coming.
pub(super) const LEFT_ON_LIMIT: Equation = Equation {
    gives: "water content that only running water keeps up",
    form: "limit = FC + 0.3 (SAT - FC)",
    source: "this project's own; above field capacity soil drains by itself (FAO-56 ch. 8)",
    check: Check::None("no publication gives the part; it is tried in the simulator"),
};

/// The water content above which a root zone is waterlogged if it stays.
pub(super) const WATERLOGGED_LIMIT: Equation = Equation {
    gives: "water content of a waterlogged root zone",
    form: "limit = FC + 0.5 (SAT - FC)",
    source: "the half is this project's own; 48 hours of drainage: FAO Soils Bulletin 79",
    check: Check::None("no publication gives the part; it is tried in the simulator"),
};

/// The most water that a bed can use at once.
pub const MOST_A_BED_HOLDS: Equation = Equation {
    gives: "the most water that a bed can use at once",
    form: "V = TAW A / efficiency",
    source: "FAO-56 eq. 82; 1 mm on 1 m2 is 1 L",
    check: Check::Arithmetic,
};

/// The line of [`SATURATION_ESTIMATE`], m³/m³.
const ESTIMATE_AT_0: f64 = 0.43;
const ESTIMATE_SLOPE: f64 = 0.15;
const LEFT_ON_PART: f64 = 0.3;
const WATERLOGGED_PART: f64 = 0.5;

/// Saturation by field capacity alone, m³/m³.
pub fn estimated_saturation(field_capacity: f64) -> f64 {
    (ESTIMATE_AT_0 + ESTIMATE_SLOPE * field_capacity).max(field_capacity + 0.02)
}

/// The step to an estimated saturation.
pub fn estimated_saturation_step(field_capacity: f64) -> Step {
    let saturation = estimated_saturation(field_capacity);
    SATURATION_ESTIMATE
        .step(format!("{ESTIMATE_AT_0} + {ESTIMATE_SLOPE} x {field_capacity:.3} = {saturation:.3} m3/m3"))
}

/// What a soil holds when it has drained and when it is full, m³/m³.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pores {
    pub field_capacity: f64,
    /// Above field capacity.
    pub saturation: f64,
}

impl Pores {
    fn part(self, part: f64) -> f64 {
        self.field_capacity + part * (self.saturation - self.field_capacity)
    }

    /// Above this, soil that does not dry has water coming, m³/m³.
    pub fn left_on_limit(self) -> f64 {
        self.part(LEFT_ON_PART)
    }

    /// Above this for days, a root zone is waterlogged, m³/m³.
    pub fn waterlogged_limit(self) -> f64 {
        self.part(WATERLOGGED_PART)
    }

    /// The step to [`Self::left_on_limit`].
    pub fn left_on_step(self) -> Step {
        LEFT_ON_LIMIT.step(self.put(LEFT_ON_PART))
    }

    /// The step to [`Self::waterlogged_limit`].
    pub fn waterlogged_step(self) -> Step {
        WATERLOGGED_LIMIT.step(self.put(WATERLOGGED_PART))
    }

    fn put(self, part: f64) -> String {
        let Self { field_capacity, saturation } = self;
        format!(
            "{field_capacity:.3} + {part} x ({saturation:.3} - {field_capacity:.3}) = {:.3} m3/m3",
            self.part(part)
        )
    }
}

const HOUR_S: i64 = 3600;
/// Coarse soil that drains loses more than this part of what it has above field capacity
/// within an hour; ours: half of what a freely draining sandy soil loses.
const STANDING_PART: f64 = 0.02;
/// Readings of this long are compared, seconds.
const SPAN_S: i64 = 6 * 3600;
/// A sample is kept each half hour.
const SPACING_S: i64 = 1800;
/// A gap this long makes the record useless.
const GAP_S: i64 = 2 * 3600;
/// Draining soil loses more than this part of what it has above field capacity
/// within [`SPAN_S`]; ours. A freely draining sandy soil loses a quarter and more.
const DRAINING_PART: f64 = 0.06;

/// Whether a soil is drying or held up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Course {
    /// It has lost what draining soil loses.
    Falling,
    /// It has not: it stays or rises.
    Held,
    /// The record is too short or broken.
    Unknown,
}

/// Remembers one probe's last hours.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct DrainageWatch {
    samples: RecentContents,
    last: Option<KeptTime>,
}

impl DrainageWatch {
    /// Adds a good reading, later than all before it.
    pub fn push(&mut self, at: Timestamp, water_content: f64) {
        let since = |before: Timestamp| at.as_second() - before.as_second();
        if self.last.is_some_and(|last| since(last.at()) > GAP_S) {
            self.samples.clear();
        }
        self.last = Some(at.into());
        if self.samples.last().is_some_and(|before| since(before.at()) < SPACING_S) {
            return;
        }
        while self.samples.get(1).is_some_and(|second| since(second.at()) >= SPAN_S) {
            self.samples.pop_first();
        }
        self.samples.push(at, water_content as f32, RecentContents::LONGEST_S);
    }

    /// Forgets what is later than `limit`: the clock was wrong.
    pub fn forget_after(&mut self, limit: Timestamp) {
        if self.last.is_some_and(|last| last.at() > limit) {
            *self = Self::default();
        }
    }

    /// Whether soil above field capacity has stood or risen for the last hour: coarse soil
    /// that no more water reaches loses more than [`STANDING_PART`] of its excess.
    pub fn stands(&self, now: Timestamp, water_content: f64, field_capacity: f64) -> bool {
        let age = |at: Timestamp| now.as_second() - at.as_second();
        let recent = self.samples.iter().filter(|it| age(it.at()) <= HOUR_S + SPACING_S);
        let mut hour = recent.map(|it| it.pair()).peekable();
        if hour.peek().is_none_or(|(at, _)| age(*at) < HOUR_S) {
            return false;
        }
        let most = hour.map(|(_, value)| f64::from(value)).fold(water_content, f64::max);
        water_content > field_capacity && most - water_content <= STANDING_PART * (most - field_capacity)
    }

    /// How the soil has gone over the last six hours, beside what it holds.
    pub fn course(&self, now: Timestamp, water_content: f64, field_capacity: f64) -> Course {
        let Some((first_at, first)) = self.samples.first().map(|it| it.pair()) else {
            return Course::Unknown;
        };
        if now.as_second() - first_at.as_second() < SPAN_S - SPACING_S {
            return Course::Unknown;
        }
        // By the whole span, and by its second half: what was filled within it and
        // drains since has not lost anything yet over the whole.
        let half = self.samples.iter().find(|it| now.as_second() - it.at().as_second() <= SPAN_S / 2);
        let drains = |before: f32, part: f64| {
            f64::from(before) - water_content > part * (f64::from(before) - field_capacity)
        };
        let falling = drains(first, DRAINING_PART)
            || half.map(|it| it.value()).is_some_and(|before| {
                f64::from(before) > field_capacity && drains(before, DRAINING_PART / 2.0)
            });
        if falling { Course::Falling } else { Course::Held }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn t(minute: i64) -> Timestamp {
        Timestamp::from_second(1_776_000_000 + minute * 60).expect("in range")
    }

    fn course(value: impl Fn(i64) -> f64) -> Course {
        let mut ebb = DrainageWatch::default();
        for minute in (0..=480).step_by(15) {
            ebb.push(t(minute), value(minute));
        }
        ebb.course(t(480), value(480), 0.15)
    }

    #[test]
    fn draining_soil_falls_and_a_running_tap_holds_it() {
        // Filled two hours after the beginning, and draining since.
        let filled = |m: i64| if m < 240 { 0.14 } else { 0.15 + 0.12 * (-((m - 240) as f64) / 1800.0).exp() };
        assert_eq!(course(filled), Course::Falling);
        assert_eq!(course(|m| 0.15 + 0.15 * (-(m as f64) / 1440.0).exp()), Course::Falling);
        assert_eq!(course(|m| 0.30 + 0.001 * (m as f64 / 60.0).sin()), Course::Held);
        assert_eq!(course(|m| 0.20 + 0.0001 * m as f64), Course::Held);
    }

    /// A sandy soil loses a quarter of its excess within six hours.
    #[test]
    fn an_hour_tells_coarse_soil_that_drains_from_one_that_water_reaches() {
        let stands = |value: fn(i64) -> f64, to: i64| {
            let mut ebb = DrainageWatch::default();
            for minute in (0..=to).step_by(15) {
                ebb.push(t(minute), value(minute));
            }
            ebb.stands(t(to), value(to), 0.15)
        };
        assert!(stands(|m| 0.20 + 0.0001 * m as f64, 120), "it rises");
        assert!(stands(|m| 0.30 + 0.0003 * (m % 2) as f64, 120), "it stays");
        assert!(!stands(|m| 0.15 + 0.15 * 0.75_f64.powf(m as f64 / 360.0), 120), "it drains");
        assert!(!stands(|_| 0.14, 120), "it holds no more than it can");
        assert!(!stands(|_| 0.30, 30), "half an hour says nothing");
    }

    #[test]
    fn a_short_or_broken_record_says_nothing() {
        let mut ebb = DrainageWatch::default();
        assert_eq!(ebb.course(t(0), 0.3, 0.15), Course::Unknown);
        for minute in (0..300).step_by(15) {
            ebb.push(t(minute), 0.30);
        }
        assert_eq!(ebb.course(t(300), 0.3, 0.15), Course::Unknown);
        for minute in (480..700).step_by(15) {
            ebb.push(t(minute), 0.30);
        }
        assert_eq!(ebb.course(t(700), 0.3, 0.15), Course::Unknown, "a gap of three hours");
        assert!(ebb.samples.iter().len() < 20);
    }

    #[test]
    fn limits_lie_between_field_capacity_and_saturation() {
        for field_capacity in [0.07, 0.15, 0.36, 0.42, 0.55] {
            let pores = Pores { field_capacity, saturation: estimated_saturation(field_capacity) };
            assert!(field_capacity < pores.left_on_limit());
            assert!(pores.left_on_limit() < pores.waterlogged_limit());
            assert!(pores.waterlogged_limit() < pores.saturation);
        }
    }

    /// Saxton and Rawls 2006, Table 3, as quoted in the documentation of a public
    /// hydrological model: field capacity and saturation of loamy sand, sandy loam,
    /// silt, sandy clay loam and silty clay loam, by volume.
    #[test]
    fn the_estimate_is_near_the_textures_of_saxton_and_rawls() {
        for (field_capacity, saturation) in
            [(0.12, 0.46), (0.18, 0.45), (0.30, 0.48), (0.27, 0.43), (0.38, 0.51)]
        {
            let got: f64 = estimated_saturation(field_capacity);
            // The textures themselves scatter by so much about any line.
            assert!((got - saturation).abs() <= 0.045, "{field_capacity}: {got}");
        }
    }
}
