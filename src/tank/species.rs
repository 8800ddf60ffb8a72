//! Limits for fish kept in school tanks, each with the published row that it comes from.
//!
//! Danger and comfort are kept apart. `cold_c` and `warm_c` raise an alarm: they lie a
//! margin inside what a publication gives as the end of tolerance, or as the beginning of
//! deaths, so that somebody can still act. `thrives` is where a species grows and stays
//! healthy: outside it the page says what to watch, and nobody is woken. Where sources
//! disagree the cautious row is taken; [`super::PUBLISHED`] holds them side by side. A
//! garden's file may set each limit.

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
    /// Which published row stands behind which limit.
    pub sources: &'static [LimitSource],
    /// Where the cold and warm limits come from, in words.
    pub source: &'static str,
}

/// The published row behind one limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LimitSource {
    pub limit: LimitOf,
    /// The row of [`super::PUBLISHED`].
    pub of: &'static str,
    pub says: &'static str,
}

/// What a limit is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LimitOf {
    /// 2 °C above the lower end of the row: the margin is this project's own.
    Cold,
    /// 3 °C below the upper end of the row, this project's own: heat comes faster than cold,
    /// and takes the oxygen with it.
    Warm,
    ThrivesFrom,
    ThrivesTo,
    Oxygen,
    TotalAmmonia,
    /// The row as the nitrite ion, turned to nitrogen.
    Nitrite,
}

/// The species of that name, if the table has it.
pub fn species(name: &str) -> Option<&'static Species> {
    SPECIES.iter().find(|s| s.name == name)
}

/// A trout has no published cold harm among the rows: near ice (this project's own), °C.
const NEAR_ICE_C: f64 = 1.0;

/// Largest change within an hour unless a garden says otherwise, °C: the
/// ANZECC/ARMCANZ 2000 guideline (from memory, not read). Others bear more: LSU
/// AgCenter's half hour below, and trout fingerlings 4 to 8 °C within an hour.
pub const CHANGE_HOUR_C: f64 = 2.0;

/// mg of nitrogen in a mg of nitrite, and of nitrate: 14.007/46.005 and 14.007/62.004 by the
/// atomic masses.
pub const NITROGEN_IN_NITRITE: f64 = 14.007 / 46.005;
pub const NITROGEN_IN_NITRATE: f64 = 14.007 / 62.004;

/// Largest rise and fall within half an hour when fish are hauled (LSU
/// AgCenter: 7 °F and 5 °F, read): more is beyond even that.
const HALF_HOUR: RiseFall = RiseFall { rise_c: 3.9, fall_c: 2.8 };

/// Below this there is too little oxygen: FAO Technical Paper 589 asks for 4 to
/// 5 mg/L (chapter 7.3, read); the cautious end.
const OXYGEN_MG_L: f64 = 5.0;
/// Fish of cold water want 6 to 8 (FAO 589, table 3.1, read in a copy); the lower end.
const OXYGEN_COLD_WATER_MG_L: f64 = 6.0;
/// Un-ionised ammonia as nitrogen: ANZECC/ARMCANZ 2000 for warm and for cold
/// water (from memory); below the 0.05 that may harm fish (UF/IFAS FA-16, read in a copy).
const AMMONIA_MG_L: f64 = 0.03;
const AMMONIA_COLD_WATER_MG_L: f64 = 0.02;
/// Total ammonia is toxic above 1 mg/L: FAO 589, chapter 7.3 (read).
const TOTAL_MG_L: f64 = 1.0;
/// Nitrite below 1 mg/L, for fish of cold water below 0.1: FAO 589, table 3.1 (read in a
/// copy). The table does not say whether nitrogen or the ion is meant; the ion is the
/// smaller amount of nitrogen, so it is taken.
const NITRITE_ION_MG_L: f64 = 1.0;
const NITRITE_ION_COLD_WATER_MG_L: f64 = 0.1;
/// pH 6.5 to 8.5: FAO 589, chapter 7.3 and table 3.1 (6 to 8.5).
const PH: (f64, f64) = (6.5, 8.5);

const fn same(c: f64) -> Option<RiseFall> {
    Some(RiseFall { rise_c: c, fall_c: c })
}

/// The limits of a fish with these ends of alarm and of comfort, and `change_day_c` within a
/// day; the day's has no published source and is this project's own.
const fn limits(cold_c: f64, warm_c: f64, thrives_c: (f64, f64), change_day_c: f64) -> TankLimits {
    TankLimits {
        cold_c,
        warm_c,
        thrives_c,
        // 15 min, 30 min, an hour, six hours, a day.
        change: [None, Some(HALF_HOUR), same(CHANGE_HOUR_C), None, same(change_day_c)],
        oxygen_mg_l: OXYGEN_MG_L,
        oxygen_percent: None,
        ammonia_mg_l: AMMONIA_MG_L,
        total_ammonia_mg_l: TOTAL_MG_L,
        nitrite_mg_l: NITRITE_ION_MG_L * NITROGEN_IN_NITRITE,
        ph: PH,
    }
}

impl TankLimits {
    /// Where neither a species nor the file says more than the two temperatures.
    pub const fn of_range(cold_c: f64, warm_c: f64) -> Self {
        // The narrowest day of the species' own.
        limits(cold_c, warm_c, (cold_c, warm_c), 4.0)
    }
}

const fn from(limit: LimitOf, of: &'static str, says: &'static str) -> LimitSource {
    LimitSource { limit, of, says }
}

const OXYGEN: LimitSource = from(LimitOf::Oxygen, "oxygen", "required");
const TOTAL: LimitSource = from(LimitOf::TotalAmmonia, "total ammonia", "toxic above");
const NITRITE: LimitSource = from(LimitOf::Nitrite, "warm-water fish", "nitrite");

/// The table.
pub const SPECIES: &[Species] = &[
    Species {
        name: "silver perch",
        limits: limits(4.0, 32.0, (16.0, 30.0), 6.0),
        no_feeding_below_c: Some(12.0),
        sources: &[
            from(LimitOf::Cold, "silver perch", "tolerance range"),
            from(LimitOf::Warm, "silver perch", "tolerance"),
            from(LimitOf::ThrivesFrom, "silver perch", "winter disease breaks out below"),
            from(LimitOf::ThrivesTo, "silver perch", "optimum growth"),
            OXYGEN,
            TOTAL,
            NITRITE,
        ],
        source: "silver perch: tolerates 2 to 38 °C (NSW DPI), to 35 °C (Queensland Government); the alarm lies 2 °C and \
                 3 °C inside (this project's own margin)",
    },
    Species {
        name: "barramundi",
        limits: limits(15.0, 32.0, (20.0, 30.0), 4.0),
        no_feeding_below_c: None,
        sources: &[
            from(LimitOf::Cold, "barramundi", "deaths below"),
            from(LimitOf::Warm, "barramundi", "fingerlings survive"),
            from(LimitOf::ThrivesFrom, "barramundi", "required"),
            from(LimitOf::ThrivesTo, "barramundi", "required"),
            OXYGEN,
            TOTAL,
            NITRITE,
        ],
        source: "barramundi: deaths below 13 °C (Queensland Government; AgriFutures), fingerlings survive to 35 °C (NT \
                 Barramundi Farming Handbook 2007); the alarm lies 2 °C and 3 °C inside (this project's own margin)",
    },
    Species {
        name: "rainbow trout",
        limits: TankLimits {
            oxygen_mg_l: OXYGEN_COLD_WATER_MG_L,
            ammonia_mg_l: AMMONIA_COLD_WATER_MG_L,
            nitrite_mg_l: NITRITE_ION_COLD_WATER_MG_L * NITROGEN_IN_NITRITE,
            ..limits(NEAR_ICE_C, 22.0, (5.0, 20.0), 5.0)
        },
        no_feeding_below_c: None,
        sources: &[
            from(LimitOf::Warm, "rainbow trout", "50 % survival (acclimated 11.2 °C)"),
            from(LimitOf::ThrivesFrom, "rainbow trout", "thrives"),
            from(LimitOf::ThrivesTo, "rainbow trout", "thrives"),
            from(LimitOf::Oxygen, "cold-water fish", "oxygen"),
            from(LimitOf::TotalAmmonia, "cold-water fish", "ammonia"),
            from(LimitOf::Nitrite, "cold-water fish", "nitrite"),
        ],
        source: "rainbow trout: half of them die at 25 °C (Huysman and others 2020); the alarm lies 3 °C below, and at \
                 1 °C, near ice (both this project's own)",
    },
    Species {
        name: "goldfish",
        limits: limits(2.0, 32.0, (2.0, 30.3), 6.0),
        no_feeding_below_c: None,
        sources: &[
            from(LimitOf::Cold, "goldfish", "tolerance"),
            // It bears more than koi; the nearer row is taken.
            from(LimitOf::Warm, "koi", "tolerance"),
            from(LimitOf::ThrivesTo, "goldfish", "optimum (acclimated 12 °C)"),
            OXYGEN,
            TOTAL,
            NITRITE,
        ],
        source: "goldfish: tolerates from 0 °C (FishBase) and no less heat than koi, 35 °C (ICAR-NBFGR); the alarm lies \
                 2 °C and 3 °C inside (this project's own margin)",
    },
    Species {
        name: "koi",
        limits: limits(5.0, 32.0, (5.0, 30.0), 6.0),
        no_feeding_below_c: None,
        sources: &[
            from(LimitOf::Cold, "koi", "tolerance"),
            from(LimitOf::Warm, "koi", "tolerance"),
            from(LimitOf::ThrivesTo, "koi", "best growth"),
            OXYGEN,
            TOTAL,
            NITRITE,
        ],
        source: "koi: tolerates 3 to 35 °C (ICAR-NBFGR); the alarm lies 2 °C and 3 °C inside (this project's own margin)",
    },
    Species {
        name: "nile tilapia",
        limits: limits(14.0, 33.0, (17.0, 30.0), 5.0),
        no_feeding_below_c: Some(17.0),
        sources: &[
            from(LimitOf::Cold, "nile tilapia", "death below"),
            from(LimitOf::Warm, "nile tilapia", "brief extremes"),
            from(LimitOf::ThrivesFrom, "nile tilapia", "no feeding or growth below"),
            from(LimitOf::ThrivesTo, "nile tilapia", "ideal"),
            OXYGEN,
            TOTAL,
            NITRITE,
        ],
        source: "Nile tilapia: deaths below 12 °C, bears 36 °C briefly (FAO Technical Paper 589, chapter 7.4); the alarm \
                 lies 2 °C and 3 °C inside (this project's own margin)",
    },
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tank::{PUBLISHED, PublishedFigure};

    /// How far inside a published end of tolerance the alarm lies, °C.
    const WARM_MARGIN_C: f64 = 3.0;
    const COLD_MARGIN_C: f64 = 2.0;

    fn row(source: &LimitSource) -> &'static PublishedFigure {
        PUBLISHED
            .iter()
            .find(|row| row.of == source.of && row.says == source.says)
            .unwrap_or_else(|| panic!("no row {} {}", source.of, source.says))
    }

    /// What follows from the row; where it gives one end only, from that end.
    fn published(source: &LimitSource) -> f64 {
        let row = row(source);
        let (low, high) = (row.low.or(row.high), row.high.or(row.low));
        let value = match source.limit {
            LimitOf::Cold => low.map(|c| c + COLD_MARGIN_C),
            LimitOf::Warm => high.or(low).map(|c| c - WARM_MARGIN_C),
            // "Below 16" is where comfort begins.
            LimitOf::ThrivesFrom => low,
            LimitOf::ThrivesTo => high,
            // FAO asks warm-water fish for 4 to 5, cold-water fish for 6 to 8.
            LimitOf::Oxygen => {
                if source.of == "oxygen" {
                    high
                } else {
                    low
                }
            }
            LimitOf::TotalAmmonia => high,
            LimitOf::Nitrite => high.map(|mg_l| mg_l * NITROGEN_IN_NITRITE),
        };
        value.expect("a row has a number")
    }

    #[test]
    fn every_limit_is_what_its_row_says() {
        for species in SPECIES {
            let limits = species.limits;
            for source in species.sources {
                let held = match source.limit {
                    LimitOf::Cold => limits.cold_c,
                    LimitOf::Warm => limits.warm_c,
                    LimitOf::ThrivesFrom => limits.thrives_c.0,
                    LimitOf::ThrivesTo => limits.thrives_c.1,
                    LimitOf::Oxygen => limits.oxygen_mg_l,
                    LimitOf::TotalAmmonia => limits.total_ammonia_mg_l,
                    LimitOf::Nitrite => limits.nitrite_mg_l,
                };
                assert!((held - published(source)).abs() < 1e-9, "{}: {source:?} {held}", species.name);
            }
            let has = |limit| species.sources.iter().any(|source| source.limit == limit);
            for limit in [LimitOf::Warm, LimitOf::Oxygen, LimitOf::TotalAmmonia, LimitOf::Nitrite] {
                assert!(has(limit), "{} {limit:?}", species.name);
            }
            // A limit without a row of its own is named here.
            assert!(has(LimitOf::Cold) || limits.cold_c == NEAR_ICE_C, "{}", species.name);
            assert!(
                has(LimitOf::ThrivesFrom) || (limits.thrives_c.0 - limits.cold_c).abs() < 1e-9,
                "{}",
                species.name
            );
            let (from_c, to_c) = limits.thrives_c;
            assert!(limits.cold_c <= from_c && from_c < to_c && to_c < limits.warm_c, "{}", species.name);
        }
    }

    #[test]
    fn danger_is_not_comfort() {
        let perch = species("silver perch").expect("in the table").limits;
        assert!(perch.cold_c < 12.0 && perch.thrives_c.0 > 12.0);
        let (goldfish, koi) =
            (species("goldfish").expect("held").limits, species("koi").expect("held").limits);
        assert!(goldfish.cold_c <= koi.cold_c && goldfish.warm_c >= koi.warm_c);
        assert!(goldfish.thrives_c.0 <= koi.thrives_c.0 && goldfish.thrives_c.1 >= koi.thrives_c.1);
        let trout = species("rainbow trout").expect("in the table").limits;
        assert!(trout.nitrite_mg_l < 0.1 && trout.oxygen_mg_l > perch.oxygen_mg_l);
    }

    /// Half a unit in the last digit of the factors that water laboratories use: 0.304 and 0.226.
    #[test]
    fn nitrogen_is_the_part_of_the_atomic_masses() {
        assert!(
            (NITROGEN_IN_NITRITE - 0.304).abs() <= 0.0005 && (NITROGEN_IN_NITRATE - 0.226).abs() <= 0.0005
        );
    }
}
