//! Soil that sheds water: the two tests that tell it, and their classes.
//!
//! *The water-drop test* counts the seconds that a drop of water stays on dry
//! soil (water drop penetration time, WDPT): Bisdom, Dekker and Schoute (1993),
//! Geoderma 56:105-118; Dekker and Jungerius (1990).
//!
//! *The ethanol-droplet test* looks for the weakest mixture of ethanol and water
//! that soaks in within ten seconds (molarity of an ethanol droplet, MED): King
//! (1981), Australian Journal of Soil Research 19:275-285.
//!
//! # Where it stops holding
//!
//! Both are made on dry soil between 15 and 25 °C. The seconds' limits were read
//! in a package that quotes the 1993 paper; the classes' names and all of the
//! ethanol bands are from memory, and so no proof.

use std::ops::RangeInclusive;

use crate::why::{Check, Equation};

/// Class of a water-drop time.
pub const WATER_DROP: Equation = Equation {
    gives: "water-repellency class by the water-drop test",
    form: "below 5 s wettable; from 5 s slightly, from 60 s strongly, from 600 s severely, from 3600 s extremely \
           water repellent",
    source: "Bisdom, Dekker and Schoute 1993 (limits); the names from memory",
    check: Check::Table("wdpt_checks.csv"),
};

/// What a drop of water said, from the best to the worst.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum WaterDrop {
    Wettable,
    Slightly,
    Strongly,
    Severely,
    Extremely,
}

/// A number that a test cannot give.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum NoClass {
    #[error("a water-drop time of {0} s is out of range: it is 0 s or more")]
    Seconds(f64),
    #[error(
        "an ethanol molarity of {0} mol/L is out of range: it is between 0 and {max} mol/L",
        max = ETHANOL_MAX_MOL_L
    )]
    Molarity(f64),
    #[error(
        "an ethanol molarity of {0} mol/L lies between two ratings: the mixtures of the test are 0.2 mol/L apart"
    )]
    BetweenRatings(f64),
}

impl WaterDrop {
    /// Each class with the seconds from which it holds; it ends where the next begins.
    pub const FROM_S: [(Self, f64); 5] = [
        (Self::Wettable, 0.0),
        (Self::Slightly, 5.0),
        (Self::Strongly, 60.0),
        (Self::Severely, 600.0),
        (Self::Extremely, 3600.0),
    ];

    /// The class of a time in seconds; a limit belongs to the worse class.
    ///
    /// # Errors
    /// When the time is below zero, endless or no number.
    pub fn of_seconds(seconds: f64) -> Result<Self, NoClass> {
        if !seconds.is_finite() {
            return Err(NoClass::Seconds(seconds));
        }
        Self::FROM_S
            .iter()
            .rev()
            .find(|(_, from_s)| seconds >= *from_s)
            .map(|(class, _)| *class)
            .ok_or(NoClass::Seconds(seconds))
    }

    /// The class's name.
    pub fn name(self) -> &'static str {
        match self {
            Self::Wettable => "wettable",
            Self::Slightly => "slightly water repellent",
            Self::Strongly => "strongly water repellent",
            Self::Severely => "severely water repellent",
            Self::Extremely => "extremely water repellent",
        }
    }

    /// Whether the soil wants a wetting agent before mulch or much water: from
    /// strongly repellent on, a minute and more. Which class asks for treatment is
    /// ours; the classes are the source's.
    pub fn wants_wetting_agent(self) -> bool {
        self >= Self::Strongly
    }
}

/// What the ethanol droplets said, from the best to the worst.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Ethanol {
    None,
    Low,
    Moderate,
    Severe,
    VerySevere,
}

/// Pure ethanol, mol/L: 789 g/L by 46.07 g/mol.
pub const ETHANOL_MAX_MOL_L: f64 = 17.1;

/// Half a millionth of a step: 0.6 is not three times 0.2 in binary numbers.
const ROUNDING_MOL_L: f64 = 1e-6;

impl Ethanol {
    /// Each rating with its molarities, mol/L, both ends included.
    pub const BANDS_MOL_L: [(Self, RangeInclusive<f64>); 5] = [
        (Self::None, 0.0..=0.0),
        (Self::Low, 0.2..=1.0),
        (Self::Moderate, 1.2..=2.2),
        (Self::Severe, 2.4..=3.0),
        (Self::VerySevere, 3.2..=ETHANOL_MAX_MOL_L),
    ];

    /// The rating of the weakest mixture, mol/L, that soaked in within ten
    /// seconds; 0 is water alone.
    ///
    /// # Errors
    /// When the molarity is below zero, beyond pure ethanol or no number, or
    /// lies between two ratings.
    pub fn of_molarity(mol_l: f64) -> Result<Self, NoClass> {
        if !(0.0..=ETHANOL_MAX_MOL_L).contains(&mol_l) {
            return Err(NoClass::Molarity(mol_l));
        }
        Self::BANDS_MOL_L
            .iter()
            .find(|(_, band)| (band.start() - ROUNDING_MOL_L..=band.end() + ROUNDING_MOL_L).contains(&mol_l))
            .map(|(rating, _)| *rating)
            .ok_or(NoClass::BetweenRatings(mol_l))
    }

    /// The rating's name.
    pub fn name(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Low => "low",
            Self::Moderate => "moderate",
            Self::Severe => "severe",
            Self::VerySevere => "very severe",
        }
    }
}

/// How a class makes the water-drop test. Conditions (dry soil, 15 to 25 °C) as
/// read; the rest is common practice.
pub const HOW_TO_WATER_DROP: &str = "Water-drop test: scrape off mulch and leaves, take a handful of the top few centimetres and let it dry in the \
     shade. Make it level in a dish, at 15 to 25 °C. Put on three drops of tap water from a dropper and count the \
     seconds until each has gone in. Take the middle one. Under 5 seconds, water soaks in. From 5 to 60 seconds it \
     soaks in slowly: water in small lots. A minute or more: it needs a wetting agent. Wash your hands afterwards.";

/// The same before water is given, in two sentences. The limits are the test's
/// ([`WaterDrop::FROM_S`]); what follows from them is common practice.
pub const DROP_CLASSES: &str =
    "Under 5: water as usual; 5 to 60: slowly, in small lots; over 60: a wetting agent comes first.";

/// The same with what to do.
pub const DROP_FIRST: &str = "First put a drop of water on bare, dry soil and count the seconds until it soaks in. Under 5: water as usual; \
     5 to 60: slowly, in small lots; over 60: a wetting agent comes first.";

/// Care with a wetting agent: common practice, and what labels say.
pub const AGENT_CARE: &str = "Use a wetting agent only where a water drop lay for a minute or more. An adult handles it, with gloves. Go by \
     its label: how much, and how soon people and animals may go there. Keep it out of fish tanks, ponds and drains, \
     since it harms fish, and off leaves that are eaten. Water it in slowly.";

/// How an adult makes the ethanol-droplet test with the one mixture that was
/// read (2 mol/L: 23.9 mL of methylated spirit in 200 mL of water); the ten
/// seconds and 15 to 25 °C too.
pub const HOW_TO_ETHANOL_DROPLET: &str = "Ethanol-droplet test, by an adult only: if a drop of water stays for more than 10 seconds on dry soil at 15 to \
     25 °C, put beside it a drop of 23.9 mL of methylated spirit in 200 mL of water (2 mol/L). If that goes in within \
     10 seconds the soil is repellent; if it stays too, strongly repellent. Methylated spirit burns and is poisonous: \
     no flame, spark or heater near it, open air, gloves and glasses, a labelled bottle locked away, never in the \
     hands of pupils. Your school's and your region's rules on flammable liquids come first; where they forbid it, \
     do the water-drop test alone.";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limit_belongs_to_the_worse_class() {
        for pair in WaterDrop::FROM_S.windows(2) {
            let (better, (worse, from_s)) = (pair[0].0, pair[1]);
            assert_eq!(WaterDrop::of_seconds(from_s), Ok(worse));
            assert_eq!(WaterDrop::of_seconds(from_s - 0.001), Ok(better));
        }
        assert_eq!(WaterDrop::of_seconds(1e9), Ok(WaterDrop::Extremely));
    }

    #[test]
    fn times_that_no_test_gives_are_out_of_range() {
        for seconds in [-0.1, f64::INFINITY, f64::NEG_INFINITY, f64::NAN] {
            let fault = WaterDrop::of_seconds(seconds).unwrap_err();
            assert!(fault.to_string().contains("out of range"), "{fault}");
        }
        assert_eq!(WaterDrop::of_seconds(-0.0), Ok(WaterDrop::Wettable));
    }

    #[test]
    fn every_step_of_the_ethanol_test_has_one_rating() {
        let mut before = Ethanol::None;
        for step in 0..=85 {
            let rating = Ethanol::of_molarity(f64::from(step) * 0.2).unwrap();
            assert!(rating >= before);
            before = rating;
        }
        for mol_l in [0.1, 1.1, 2.3, 3.1] {
            assert_eq!(Ethanol::of_molarity(mol_l), Err(NoClass::BetweenRatings(mol_l)));
        }
        for mol_l in [-0.2, 17.3, f64::INFINITY, f64::NAN] {
            assert!(matches!(Ethanol::of_molarity(mol_l), Err(NoClass::Molarity(_))));
        }
    }

    #[test]
    fn a_minute_asks_for_a_wetting_agent() {
        assert!(!WaterDrop::of_seconds(59.9).unwrap().wants_wetting_agent());
        assert!(WaterDrop::of_seconds(60.0).unwrap().wants_wetting_agent());
    }
}
