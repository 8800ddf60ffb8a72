//! How many fish a tank holds and what they eat in a day.
//!
//! Common practice, without a published source: 500 L hold 10 to 15 fish grown
//! to about 500 g, which is 10 to 15 kg in a cubic metre. FAO Fisheries and
//! Aquaculture Technical Paper 589 asks small units to keep below 20 kg in a
//! cubic metre (from memory) and feeds growing fish 1 to 2 % of their mass a day
//! (chapter 7.3, read).

use crate::why::{Check, Equation};

/// What a fish weighs when it is grown, g (common practice for table fish).
pub const GROWN_G: f64 = 500.0;
/// kg of grown fish in a cubic metre by common practice.
pub const PRACTICE_KG_M3: (f64, f64) = (10.0, 15.0);
/// kg of fish in a cubic metre that a small unit should not pass.
pub const STOCKING_MOST_KG_M3: f64 = 20.0;
/// Part of its mass that a growing fish is fed in a day.
pub const FEED_PART: (f64, f64) = (0.01, 0.02);

/// Mass of fish in the water.
pub const DENSITY: Equation = Equation {
    gives: "fish in a cubic metre of water",
    form: "fish x mass of one / volume",
    source: "plain arithmetic; at most 20 kg/m3 in a small unit: FAO Technical Paper 589 (from memory)",
    check: Check::Table("fish_stocking.csv"),
};
/// The same when they are grown.
pub const GROWN: Equation = Equation {
    gives: "fish in a cubic metre of water when they are grown",
    form: "fish x 0.5 kg / volume",
    source: "common practice, no published source: 500 L hold 10 to 15 fish grown to about 500 g",
    check: Check::None("a rule of practice, held against nothing outside the project"),
};
/// Feed.
pub const FEED: Equation = Equation {
    gives: "feed a day",
    form: "1 to 2 % of the fish's mass",
    source: "FAO Fisheries and Aquaculture Technical Paper 589, chapter 7.3",
    check: Check::Table("fish_stocking.csv"),
};

/// What the stocking of a tank says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stocking {
    /// At most what common practice holds.
    Fits,
    /// More than common practice holds, within the published most.
    Dense,
    /// More than the published most.
    TooMany,
}

/// kg of fish in a cubic metre of water. The volume is above 0.
pub fn density_kg_m3(fish: u32, mean_mass_g: f64, volume_l: f64) -> f64 {
    // g/L is kg/m3.
    f64::from(fish) * mean_mass_g / volume_l
}

/// Judges a density.
pub fn stocking(kg_m3: f64) -> Stocking {
    if kg_m3 > STOCKING_MOST_KG_M3 {
        Stocking::TooMany
    } else if kg_m3 > PRACTICE_KG_M3.1 {
        Stocking::Dense
    } else {
        Stocking::Fits
    }
}

/// Feed for growing fish, least and most, g a day.
pub fn feed_g_day(fish: u32, mean_mass_g: f64) -> (f64, f64) {
    let mass_g = f64::from(fish) * mean_mass_g;
    (FEED_PART.0 * mass_g, FEED_PART.1 * mass_g)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn common_practice_fits_and_more_is_said() {
        for (fish, expected) in
            [(0, Stocking::Fits), (10, Stocking::Fits), (15, Stocking::Fits), (16, Stocking::Dense)]
        {
            assert_eq!(stocking(density_kg_m3(fish, GROWN_G, 500.0)), expected, "{fish} fish");
        }
        assert_eq!(stocking(density_kg_m3(21, GROWN_G, 500.0)), Stocking::TooMany);
    }
}
