//! Limits for fish kept in school tanks.
//!
//! The warm and cold limits are published growth or husbandry ranges; where
//! sources disagree the narrower one stands, since an alarm is meant to come
//! before harm ([`super::PUBLISHED`] holds them side by side). A garden's file
//! may set each limit.

use super::{RiseFall, TankLimits};

/// A kind of fish and what its water may do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Species {
    /// The name used in configuration files.
    pub name: &'static str,
    /// What its water may do.
    pub limits: TankLimits,
    /// Below this it does not feed or grow, °C, where a source says so.
    pub no_feeding_below_c: Option<f64>,
    /// Where the warm and cold limits come from.
    pub source: &'static str,
}

/// The species of that name, if the table has it.
pub fn species(name: &str) -> Option<&'static Species> {
    SPECIES.iter().find(|s| s.name == name)
}

/// Largest change within an hour unless a garden says otherwise, °C: the
/// ANZECC/ARMCANZ 2000 guideline (from memory, not read). Others bear more: LSU
/// AgCenter's half hour below, and trout fingerlings 4 to 8 °C within an hour.
pub const CHANGE_HOUR_C: f64 = 2.0;

/// Largest rise and fall within half an hour when fish are hauled (LSU
/// AgCenter: 7 °F and 5 °F, read): more is beyond even that.
const HALF_HOUR: RiseFall = RiseFall { rise_c: 3.9, fall_c: 2.8 };

/// Below this there is too little oxygen: FAO Technical Paper 589 asks for 4 to
/// 5 mg/L (read); the cautious end.
const OXYGEN_MG_L: f64 = 5.0;
/// Fish of cold water want more; from memory.
const OXYGEN_COLD_WATER_MG_L: f64 = 6.0;
/// Un-ionised ammonia as nitrogen: ANZECC/ARMCANZ 2000 for warm and for cold
/// water (from memory).
const AMMONIA_MG_L: f64 = 0.03;
const AMMONIA_COLD_WATER_MG_L: f64 = 0.02;
/// Total ammonia and nitrite are toxic above 1 mg/L: FAO 589, chapter 7.3 (read).
const TOTAL_MG_L: f64 = 1.0;
/// pH 6.5 to 8.5: FAO 589, chapter 7.3 (the upper figure from memory).
const PH: (f64, f64) = (6.5, 8.5);

const fn same(c: f64) -> Option<RiseFall> {
    Some(RiseFall { rise_c: c, fall_c: c })
}

/// The limits of a fish that bears `cold_c` to `warm_c` and `change_day_c`
/// within a day; the day's has no published source and is this project's own.
const fn limits(cold_c: f64, warm_c: f64, change_day_c: f64) -> TankLimits {
    TankLimits {
        cold_c,
        warm_c,
        // 15 min, 30 min, an hour, six hours, a day.
        change: [None, Some(HALF_HOUR), same(CHANGE_HOUR_C), None, same(change_day_c)],
        oxygen_mg_l: OXYGEN_MG_L,
        oxygen_percent: None,
        ammonia_mg_l: AMMONIA_MG_L,
        total_ammonia_mg_l: TOTAL_MG_L,
        nitrite_mg_l: TOTAL_MG_L,
        ph: PH,
    }
}

impl TankLimits {
    /// Where neither a species nor the file says more than the two temperatures.
    pub const fn of_range(cold_c: f64, warm_c: f64) -> Self {
        // The narrowest day of the species' own.
        limits(cold_c, warm_c, 4.0)
    }
}

/// The table.
pub const SPECIES: &[Species] = &[
    Species {
        name: "silver perch",
        limits: limits(12.0, 30.0, 6.0),
        no_feeding_below_c: Some(12.0),
        source: "Queensland Government: growth negligible below 12 °C, best 20-30 °C",
    },
    Species {
        name: "barramundi",
        limits: limits(20.0, 30.0, 4.0),
        no_feeding_below_c: None,
        source: "Queensland Government and AgriFutures: needs 20-30 °C, stress and disease below 20 °C",
    },
    Species {
        name: "rainbow trout",
        limits: TankLimits {
            oxygen_mg_l: OXYGEN_COLD_WATER_MG_L,
            ammonia_mg_l: AMMONIA_COLD_WATER_MG_L,
            ..limits(5.0, 20.0, 5.0)
        },
        no_feeding_below_c: None,
        source: "Western Australia Department of Fisheries: thrives at 5-20 °C",
    },
    Species {
        name: "goldfish",
        limits: limits(10.0, 24.0, 6.0),
        no_feeding_below_c: None,
        source: "usual husbandry range, from memory; survival is far wider",
    },
    Species {
        name: "koi",
        limits: limits(3.0, 30.0, 6.0),
        no_feeding_below_c: None,
        source: "ICAR-NBFGR: tolerates from 3 °C; FAO: grows best up to 30 °C",
    },
    Species {
        name: "nile tilapia",
        limits: limits(17.0, 30.0, 5.0),
        no_feeding_below_c: Some(17.0),
        source: "FAO Fisheries Technical Paper 589: no feeding below 17 °C, ideal 27-30 °C",
    },
];
