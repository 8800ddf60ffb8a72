//! Crops: how deep they root, how much water may be used, and what they use.
//!
//! Source: FAO Irrigation and Drainage Paper 56 (1998), Tables 11 (growth
//! stages), 12 (crop coefficients and heights), 17 (basal coefficients) and 22
//! (rooting depth and depletion fraction), as digitised in the Python package
//! pyfao56 1.4.3. Names follow Table 22; where Table 12 has several rows for
//! one crop, the first is the one that is used.

use super::coefficient::Coefficients;
use super::stages::{self, StageRow};

/// A crop's roots, the water that may be used before it is stressed, and how
/// much it uses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crop {
    /// The name used in configuration files.
    pub name: &'static str,
    /// Range of the largest effective rooting depth, metres. The smaller one is
    /// for scheduling water, the larger for rainfed crops (Table 22, note 1).
    pub root_depth_m: (f64, f64),
    /// Fraction of total available water that may be used at a crop
    /// evapotranspiration of 5 mm a day.
    pub depletion_fraction: f64,
    /// Rows of Tables 12 and 17. For trees the first is of bare or mulched
    /// ground without frosts.
    pub uses: &'static [CropUse],
    /// Rows of Table 11, the crop's own before those of its family; empty
    /// where it has none.
    pub stages: &'static [&'static [StageRow]],
    /// Whether its season comes round with the calendar, not with a planting.
    pub tree: bool,
}

/// What a crop uses: a row of Table 12, with its row of Table 17.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CropUse {
    /// Ground and frosts, where the table tells rows apart by them.
    pub ground: &'static str,
    /// Crop coefficients Kc.
    pub single: Coefficients,
    /// Basal crop coefficients Kcb; `None` where Table 17 has no such row.
    pub basal: Option<Coefficients>,
    /// Largest height, metres.
    pub height_m: f64,
}

/// The crop of that name, if our part of Table 22 has it.
pub fn crop(name: &str) -> Option<&'static Crop> {
    CROPS.iter().find(|c| c.name == name)
}

type Three = (f64, f64, f64);

const fn used(ground: &'static str, kc: Three, kcb: Option<Three>, height_m: f64) -> CropUse {
    const fn of((initial, mid, end): Three) -> Coefficients {
        Coefficients { initial, mid, end }
    }
    let basal = match kcb {
        Some(kcb) => Some(of(kcb)),
        None => None,
    };
    CropUse { ground, single: of(kc), basal, height_m }
}

const fn annual(
    name: &'static str,
    root_depth_m: (f64, f64),
    depletion_fraction: f64,
    uses: &'static [CropUse],
    stages: &'static [&'static [StageRow]],
) -> Crop {
    Crop { name, root_depth_m, depletion_fraction, uses, stages, tree: false }
}

const fn tree(
    name: &'static str,
    root_depth_m: (f64, f64),
    depletion_fraction: f64,
    uses: &'static [CropUse],
    stages: &'static [&'static [StageRow]],
) -> Crop {
    Crop { tree: true, ..annual(name, root_depth_m, depletion_fraction, uses, stages) }
}

/// Crops of FAO-56 for school gardens.
pub const CROPS: &[Crop] = &[
    annual(
        "broccoli",
        (0.4, 0.6),
        0.45,
        &[used("", (0.7, 1.05, 0.95), Some((0.15, 0.95, 0.85)), 0.3)],
        &[stages::BROCCOLI, stages::CRUCIFERS],
    ),
    annual(
        "brussel sprouts",
        (0.4, 0.6),
        0.45,
        &[used("", (0.7, 1.05, 0.95), Some((0.15, 0.95, 0.85)), 0.4)],
        &[stages::CRUCIFERS],
    ),
    annual(
        "cabbage",
        (0.5, 0.8),
        0.45,
        &[used("", (0.7, 1.05, 0.95), Some((0.15, 0.95, 0.85)), 0.4)],
        &[stages::CABBAGE, stages::CRUCIFERS],
    ),
    annual(
        "carrots",
        (0.5, 1.0),
        0.35,
        &[used("", (0.7, 1.05, 0.95), Some((0.15, 0.95, 0.85)), 0.3)],
        &[stages::CARROTS],
    ),
    annual(
        "cauliflower",
        (0.4, 0.7),
        0.45,
        &[used("", (0.7, 1.05, 0.95), Some((0.15, 0.95, 0.85)), 0.4)],
        &[stages::CAULIFLOWER, stages::CRUCIFERS],
    ),
    annual(
        "celery",
        (0.3, 0.5),
        0.2,
        &[used("", (0.7, 1.05, 1.0), Some((0.15, 0.95, 0.9)), 0.6)],
        &[stages::CELERY],
    ),
    annual("garlic", (0.3, 0.5), 0.3, &[used("", (0.7, 1.0, 0.7), Some((0.15, 0.9, 0.6)), 0.3)], &[]),
    annual(
        "lettuce",
        (0.3, 0.5),
        0.3,
        &[used("", (0.7, 1.0, 0.95), Some((0.15, 0.9, 0.9)), 0.3)],
        &[stages::LETTUCE],
    ),
    annual(
        "onions dry",
        (0.3, 0.6),
        0.3,
        &[used("", (0.7, 1.05, 0.75), Some((0.15, 0.95, 0.65)), 0.4)],
        &[stages::ONION_DRY],
    ),
    annual(
        "onions green",
        (0.3, 0.6),
        0.3,
        &[used("", (0.7, 1.0, 1.0), Some((0.15, 0.9, 0.9)), 0.3)],
        &[stages::ONION_GREEN],
    ),
    annual(
        "spinach",
        (0.3, 0.5),
        0.2,
        &[used("", (0.7, 1.0, 0.95), Some((0.15, 0.9, 0.85)), 0.3)],
        &[stages::SPINACH],
    ),
    annual("radishes", (0.3, 0.5), 0.3, &[used("", (0.7, 0.9, 0.85), None, 0.3)], &[stages::RADISH]),
    annual(
        "tomato",
        (0.7, 1.5),
        0.4,
        &[used("", (0.6, 1.15, 0.8), Some((0.15, 1.1, 0.7)), 0.6)],
        &[stages::TOMATO],
    ),
    annual(
        "beets table",
        (0.6, 1.0),
        0.5,
        &[used("", (0.5, 1.05, 0.95), Some((0.15, 0.95, 0.85)), 0.4)],
        &[stages::BEETS_TABLE],
    ),
    annual(
        "potato",
        (0.4, 0.6),
        0.35,
        &[used("", (0.5, 1.15, 0.75), Some((0.15, 1.1, 0.65)), 0.6)],
        &[stages::POTATO],
    ),
    annual(
        "beans green",
        (0.5, 0.7),
        0.45,
        &[used("", (0.5, 1.05, 0.9), Some((0.15, 1.0, 0.8)), 0.4)],
        &[stages::BEANS_GREEN],
    ),
    annual(
        "peas fresh",
        (0.6, 1.0),
        0.35,
        &[used("", (0.5, 1.15, 1.1), Some((0.15, 1.1, 1.05)), 0.5)],
        &[stages::PEAS],
    ),
    annual(
        "peas dry seed",
        (0.6, 1.0),
        0.4,
        &[used("", (0.5, 1.15, 0.3), Some((0.15, 1.1, 0.2)), 0.5)],
        &[stages::PEAS],
    ),
    annual("mint", (0.4, 0.8), 0.4, &[used("", (0.6, 1.15, 1.1), Some((0.4, 1.1, 1.05)), 0.7)], &[]),
    annual("strawberries", (0.2, 0.3), 0.2, &[used("", (0.4, 0.85, 0.75), Some((0.3, 0.8, 0.7)), 0.2)], &[]),
    annual("berries bushes", (0.6, 1.2), 0.5, &[used("", (0.3, 1.05, 0.5), Some((0.2, 1.0, 0.4)), 1.5)], &[]),
    tree(
        "apples cherries pears",
        (1.0, 2.0),
        0.5,
        &[
            used("no ground cover, no frosts", (0.6, 0.95, 0.75), Some((0.5, 0.9, 0.7)), 4.0),
            used("no ground cover, killing frost", (0.45, 0.95, 0.7), Some((0.35, 0.9, 0.65)), 4.0),
            used("active ground cover, killing frost", (0.5, 1.2, 0.95), Some((0.45, 1.15, 0.9)), 4.0),
            used("active ground cover, no frosts", (0.8, 1.2, 0.85), Some((0.75, 1.15, 0.8)), 4.0),
        ],
        &[stages::DECIDUOUS_ORCHARD],
    ),
    tree(
        "apricots peaches stone fruit",
        (1.0, 2.0),
        0.5,
        &[
            used("no ground cover, no frosts", (0.55, 0.9, 0.65), Some((0.45, 0.85, 0.6)), 3.0),
            used("no ground cover, killing frost", (0.45, 0.9, 0.65), Some((0.35, 0.85, 0.6)), 3.0),
            used("active ground cover, killing frost", (0.5, 1.15, 0.9), Some((0.45, 1.1, 0.85)), 3.0),
            used("active ground cover, no frosts", (0.8, 1.15, 0.85), Some((0.75, 1.1, 0.8)), 3.0),
        ],
        &[stages::DECIDUOUS_ORCHARD],
    ),
    tree(
        "citrus 70% canopy",
        (1.2, 1.5),
        0.5,
        &[
            used("no ground cover", (0.7, 0.65, 0.7), Some((0.65, 0.6, 0.65)), 4.0),
            used("active ground cover or weeds", (0.75, 0.7, 0.75), None, 4.0),
        ],
        &[stages::CITRUS],
    ),
    tree(
        "citrus 50% canopy",
        (1.1, 1.5),
        0.5,
        &[
            used("no ground cover", (0.65, 0.6, 0.65), Some((0.6, 0.55, 0.6)), 3.0),
            used("active ground cover or weeds", (0.8, 0.8, 0.8), None, 3.0),
        ],
        &[stages::CITRUS],
    ),
    tree(
        "citrus 20% canopy",
        (0.8, 1.1),
        0.5,
        &[
            used("no ground cover", (0.5, 0.45, 0.55), Some((0.45, 0.4, 0.5)), 2.0),
            used("active ground cover or weeds", (0.85, 0.85, 0.85), None, 2.0),
        ],
        &[stages::CITRUS],
    ),
    tree(
        "olives 40% to 60% ground coverage by canopy",
        (1.2, 1.7),
        0.65,
        &[used("", (0.65, 0.7, 0.7), Some((0.55, 0.65, 0.65)), 4.0)],
        &[stages::OLIVES],
    ),
    annual(
        "sweet peppers bell",
        (0.5, 1.0),
        0.3,
        &[used("", (0.6, 1.05, 0.9), Some((0.15, 1.0, 0.8)), 0.7)],
        &[stages::SWEET_PEPPERS],
    ),
    annual(
        "cucumber fresh market",
        (0.7, 1.2),
        0.5,
        &[used("", (0.6, 1.0, 0.75), Some((0.15, 0.95, 0.7)), 0.3)],
        &[stages::CUCUMBER],
    ),
    annual(
        "squash zucchini",
        (0.6, 1.0),
        0.5,
        &[used("", (0.5, 0.95, 0.75), Some((0.15, 0.9, 0.7)), 0.3)],
        &[stages::SQUASH_ZUCCHINI],
    ),
    annual("turfgrass warm season", (0.5, 1.0), 0.5, &[used("", (0.8, 0.85, 0.85), None, 0.1)], &[]),
];
