//! Bringing new fish from their bag to the tank's water.
//!
//! Published advice differs, from the fastest: a supplier's tempering sheet allows 0.56 °C a
//! minute; LSU AgCenter keeps to 2.8 °C (cooling) and 3.9 °C (warming) within half an hour,
//! about 11 and 8 minutes a degree; the trade takes 10 to 15 minutes a degree (common
//! practice); the ANZECC/ARMCANZ 2000 guideline allows 2 °C an hour, 30 minutes a degree
//! (from memory). Up to two degrees the trade's slower end is taken; beyond, what the tank's
//! own limits allow within an hour.
//!
//! About long hauls LSU floats the sealed bag for 30 minutes in the shade, then opens it and
//! releases at once: carbon dioxide leaves opened water, its pH jumps, and ammonia turns
//! toxic. Where the haul was short it calls slow mixing desirable. Both are told.

use crate::why::{Check, Equation};

/// Minutes for each degree between bag and tank: the slower end of the trade's 10 to 15
/// (common practice).
pub const FLOAT_MIN_PER_C: f64 = 15.0;
/// Up to this difference the trade's rate holds; beyond it the tank's own limit, °C.
pub const TRADE_UP_TO_C: f64 = 2.0;
/// Bag and tank are near within this, °C (common practice).
pub const NEAR_C: f64 = 1.0;
/// Minutes that even a near bag floats: 10 to 15 (common practice).
const FLOAT_LEAST_MIN: f64 = 15.0;
/// After a long haul it floats for 30 minutes (LSU AgCenter).
const FLOAT_HAULED_MIN: f64 = 30.0;
/// A sealed bag holds little oxygen: longer than this it does not float closed, minutes;
/// this project's own figure.
pub const SEALED_MOST_MIN: f64 = 60.0;
/// Beyond this the answer is "not today", °C; this project's own figure.
pub const FARTHEST_C: f64 = 10.0;
/// pH is near within this (common practice).
pub const PH_NEAR: f64 = 0.3;
/// From this difference on pH is brought together slowly: 0.5 to 1.0 (from
/// memory), the cautious end.
pub const PH_SLOW: f64 = 0.5;
/// From this many hours on a haul is long; this project's own figure.
pub const LONG_HAUL_H: f64 = 4.0;

/// How long it takes.
pub const FLOAT: Equation = Equation {
    gives: "minutes until bag and tank are near",
    form: "up to 2 °C: 15 minutes for each degree; more: 60 minutes x difference / the tank's limit within an hour; 15 at \
           least, 30 after a long haul",
    source: "10 to 15 minutes a degree: common practice; 30 minutes: LSU AgCenter; the limit within an hour: \
             ANZECC/ARMCANZ 2000 (from memory) or the garden file's own",
    check: Check::Table("fish_published.csv"),
};

/// Part of a tub's water that is changed for the tank's at a time: a jug's (common practice).
const TUB_PART: f64 = 0.1;
/// Minutes between two of these changes at least (this project's own).
const TUB_EVERY_LEAST_MIN: f64 = 5.0;

/// How a tub comes near the tank.
pub const TUB: Equation = Equation {
    gives: "minutes between two changes of a tenth of the tub's water, and how many",
    form: "each takes away a tenth of the difference; minutes between = 60 x 0.1 x difference / the tank's limit within an \
           hour, 5 at least; changes until 1 °C is left = ln(difference) / -ln(0.9)",
    source: "plain arithmetic of mixing; the limit within an hour: ANZECC/ARMCANZ 2000 (from memory) or the garden file's own",
    check: Check::Arithmetic,
};

/// Changes of a tenth of a tub's water.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TubChanges {
    /// Minutes between two of them, above 0.
    pub every_min: u32,
    /// How many, at least one.
    pub times: u32,
}

/// The changes that bring a tub within [`NEAR_C`] of its tank no faster than `hourly_c` allows,
/// °C within an hour, above 0. `difference_c` is of either sign, at most [`FARTHEST_C`].
pub fn tub_changes(difference_c: f64, hourly_c: f64) -> TubChanges {
    let apart_c = difference_c.abs();
    let every = (60.0 * TUB_PART * apart_c / hourly_c).max(TUB_EVERY_LEAST_MIN).ceil();
    let times = ((apart_c / NEAR_C).ln() / -(1.0 - TUB_PART).ln()).max(1.0).ceil();
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "whole, above 0, and some hours"
    )]
    let whole = |number: f64| number as u32;
    TubChanges { every_min: whole(every), times: whole(times) }
}

/// What is known about the fish's bag.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bag {
    pub temperature_c: f64,
    pub ph: Option<f64>,
    /// Hours that the fish were under way.
    pub hauled_h: f64,
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

impl Bag {
    /// Whether its water has had time to gather carbon dioxide and ammonia.
    pub fn is_long_hauled(&self) -> bool {
        self.hauled_h >= LONG_HAUL_H
    }
}

/// Minutes until bag and tank are near, for a difference of either sign; `hourly_c` is what
/// the tank's limits allow within an hour in that direction, above 0.
pub fn float_minutes(difference_c: f64, hourly_c: f64, long_haul: bool) -> f64 {
    let apart_c = difference_c.abs();
    let by_rate = if apart_c > TRADE_UP_TO_C { 60.0 * apart_c / hourly_c } else { FLOAT_MIN_PER_C * apart_c };
    by_rate.max(if long_haul { FLOAT_HAULED_MIN } else { FLOAT_LEAST_MIN })
}

/// What is done after the floating.
pub fn handling(bag: &Bag, tank_ph: Option<f64>) -> Handling {
    if bag.is_long_hauled() {
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

    /// LSU AgCenter: 2.8 °C within 30 minutes at most when fish are cooled; ANZECC/ARMCANZ
    /// 2000: 2 °C an hour.
    #[test]
    fn no_rate_is_faster_than_the_published_ones_or_the_tanks_own() {
        for tenth in 0..=100 {
            let difference = f64::from(tenth) / 10.0;
            for hourly in [0.5, 1.0, 2.0] {
                let minutes = float_minutes(-difference, hourly, false);
                assert!(minutes >= 15.0 && difference / minutes * 30.0 <= 2.8, "{difference}");
                assert!(
                    difference <= TRADE_UP_TO_C || difference / minutes * 60.0 <= hourly + 1e-9,
                    "{difference}"
                );
                assert!(float_minutes(difference, hourly, true) >= 30.0);
            }
        }
        assert!((float_minutes(4.0, 2.0, false) - 120.0).abs() < 1e-9);
    }

    /// Played: a tenth out, a tenth in.
    #[test]
    fn a_tub_comes_near_no_faster_than_the_limit() {
        for tenth in 21..=100 {
            for hourly_c in [0.5, 1.0, 2.0, 4.0] {
                let difference = f64::from(tenth) / 10.0;
                let TubChanges { every_min, times } = tub_changes(-difference, hourly_c);
                let mut left_c = difference;
                for _ in 0..times {
                    let before_c = left_c;
                    left_c *= 0.9;
                    assert!(
                        (before_c - left_c) * 60.0 / f64::from(every_min) <= hourly_c + 1e-9,
                        "{difference}"
                    );
                }
                assert!(left_c <= NEAR_C && left_c / 0.9 > NEAR_C, "{difference}: {left_c}");
            }
        }
        // 60 x 0.1 x 4 / 2 = 12 minutes; ln 4 / -ln 0.9 = 13.2.
        assert_eq!(tub_changes(4.0, 2.0), TubChanges { every_min: 12, times: 14 });
    }

    #[test]
    fn a_long_haul_is_not_mixed_and_unknown_is_not_near() {
        let bag = |ph, hauled_h| Bag { temperature_c: 20.0, ph, hauled_h };
        assert_eq!(handling(&bag(Some(7.0), 1.0), Some(7.2)), Handling::Near);
        assert_eq!(handling(&bag(Some(6.8), 1.0), Some(7.8)), Handling::MixSlowly);
        assert_eq!(handling(&bag(Some(6.8), 12.0), Some(7.8)), Handling::ReleaseAtOnce);
        assert_eq!(handling(&bag(None, 1.0), Some(7.8)), Handling::NotKnown);
        assert_eq!(handling(&bag(Some(7.0), 1.0), None), Handling::NotKnown);
    }
}
