//! Bringing new fish from their bag to the tank's water.
//!
//! Published advice differs. A supplier's tempering sheet allows 0.56 °C a
//! minute; LSU AgCenter floats the sealed bag for 30 minutes in the shade and
//! keeps to 2.8 °C (cooling) and 3.9 °C (warming) within half an hour; common
//! practice takes 10 to 20 minutes for each degree (from memory). About long
//! hauls LSU says to open the bag and release at once, not to mix slowly: carbon
//! dioxide leaves the water, its pH jumps, and ammonia turns toxic. Common
//! practice mixes slowly all the same. Both are told.

use crate::why::{Check, Equation};

/// Minutes for each degree between bag and tank: the middle of common practice's
/// 10 to 20 (from memory).
pub const FLOAT_MIN_PER_C: f64 = 15.0;
/// Bag and tank are near within this, °C (common practice).
pub const NEAR_C: f64 = 1.0;
/// Minutes more that even a near bag floats: 10 to 15 (common practice).
const FLOAT_LEAST_MIN: f64 = 15.0;
/// A sealed bag holds little oxygen: beyond this the answer is "not today", °C.
/// This project's own figure: three hours of floating by the rule above.
pub const FARTHEST_C: f64 = 10.0;
/// pH is near within this (common practice).
pub const PH_NEAR: f64 = 0.3;
/// From this difference on pH is brought together slowly: 0.5 to 1.0 (from
/// memory), the cautious end.
pub const PH_SLOW: f64 = 0.5;
/// From this many hours on a haul is long; this project's own figure.
pub const LONG_HAUL_H: f64 = 4.0;

/// How long a bag floats.
pub const FLOAT: Equation = Equation {
    gives: "minutes that the bag floats",
    form: "15 minutes for each degree between bag and tank, and 15 at least",
    source: "common practice of 10 to 20 minutes a degree, no published source; slower than LSU AgCenter's 2.8 °C \
             within 30 minutes",
    check: Check::Table("fish_published.csv"),
};

/// What is known about the fish's bag.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bag {
    pub temperature_c: f64,
    pub ph: Option<f64>,
    /// Hours that the fish were under way; `None`: not told.
    pub hauled_h: Option<f64>,
}

/// What is done about pH.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Handling {
    /// pH is near: a few scoops and out.
    Near,
    /// Tank water is scooped in bit by bit.
    MixSlowly,
    /// A long haul: release as soon as the temperatures are near.
    ReleaseAtOnce,
    /// One of the two pH values is not known: as if they were far apart.
    NotKnown,
}

/// Minutes that the bag floats for a difference of temperature, either sign.
pub fn float_minutes(difference_c: f64) -> f64 {
    (FLOAT_MIN_PER_C * difference_c.abs()).max(FLOAT_LEAST_MIN)
}

/// What is done after the floating.
pub fn handling(bag: &Bag, tank_ph: Option<f64>) -> Handling {
    if bag.hauled_h.is_some_and(|hours| hours >= LONG_HAUL_H) {
        return Handling::ReleaseAtOnce;
    }
    match (bag.ph, tank_ph) {
        (Some(bag), Some(tank)) if (bag - tank).abs() < PH_SLOW => Handling::Near,
        (Some(_), Some(_)) => Handling::MixSlowly,
        _ => Handling::NotKnown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// LSU AgCenter: 2.8 °C within 30 minutes at most when fish are cooled.
    #[test]
    fn floating_keeps_to_the_slower_published_rate() {
        for tenth in 0..=100 {
            let difference = f64::from(tenth) / 10.0;
            let minutes = float_minutes(difference);
            assert!(minutes >= 15.0 && difference / minutes * 30.0 <= 2.8, "{difference}");
        }
    }

    #[test]
    fn a_long_haul_is_not_mixed_and_unknown_is_not_near() {
        let bag = |ph, hauled_h| Bag { temperature_c: 20.0, ph, hauled_h };
        assert_eq!(handling(&bag(Some(7.0), None), Some(7.2)), Handling::Near);
        assert_eq!(handling(&bag(Some(6.8), Some(1.0)), Some(7.8)), Handling::MixSlowly);
        assert_eq!(handling(&bag(Some(6.8), Some(12.0)), Some(7.8)), Handling::ReleaseAtOnce);
        assert_eq!(handling(&bag(None, None), Some(7.8)), Handling::NotKnown);
        assert_eq!(handling(&bag(Some(7.0), None), None), Handling::NotKnown);
    }
}
