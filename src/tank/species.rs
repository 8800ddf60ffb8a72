//! Temperature limits of fish kept in school tanks.
//!
//! The warm and cold limits are published growth or husbandry ranges; where
//! sources disagree the narrower one stands, since an alarm is meant to come
//! before harm. Limits of change: 2 °C within an hour follows the
//! ANZECC/ARMCANZ 2000 guideline (from memory, not read); the limit within a
//! day has no published source and is this project's own cautious figure.
//! A garden's file may set all four.

use super::TankLimits;

/// A kind of fish and what its water may do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Species {
    /// The name used in configuration files.
    pub name: &'static str,
    /// Limits of temperature and of its change.
    pub limits: TankLimits,
    /// Where the warm and cold limits come from.
    pub source: &'static str,
}

/// The species of that name, if the table has it.
pub fn species(name: &str) -> Option<&'static Species> {
    SPECIES.iter().find(|s| s.name == name)
}

/// Largest change within an hour unless a garden says otherwise, °C.
pub const CHANGE_HOUR_C: f64 = 2.0;

const fn limits(cold_c: f64, warm_c: f64, change_day_c: f64) -> TankLimits {
    TankLimits { cold_c, warm_c, change_hour_c: CHANGE_HOUR_C, change_day_c }
}

/// The table.
pub const SPECIES: &[Species] = &[
    Species {
        name: "silver perch",
        limits: limits(12.0, 30.0, 6.0),
        source: "Queensland Government: growth negligible below 12 °C, best 20-30 °C",
    },
    Species {
        name: "barramundi",
        limits: limits(20.0, 30.0, 4.0),
        source: "Queensland Government and AgriFutures: needs 20-30 °C, stress and disease below 20 °C",
    },
    Species {
        name: "rainbow trout",
        limits: limits(5.0, 20.0, 5.0),
        source: "Western Australia Department of Fisheries: thrives at 5-20 °C",
    },
    Species {
        name: "goldfish",
        limits: limits(10.0, 24.0, 6.0),
        source: "usual husbandry range, from memory; survival is far wider",
    },
    Species {
        name: "koi",
        limits: limits(3.0, 30.0, 6.0),
        source: "ICAR-NBFGR: tolerates from 3 °C; FAO: grows best up to 30 °C",
    },
    Species {
        name: "nile tilapia",
        limits: limits(17.0, 30.0, 5.0),
        source: "FAO Fisheries Technical Paper 589: no feeding below 17 °C, ideal 27-30 °C",
    },
];
