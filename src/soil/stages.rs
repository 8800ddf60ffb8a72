//! Lengths of growth stages.
//!
//! Source: FAO Irrigation and Drainage Paper 56 (1998), Table 11: rows as
//! digitised in the Python package pyfao56 1.4.3, and others read in the paper.
//! Where the paper prints two lengths in one cell, the one that makes the total.
//! The paper calls its lengths examples and asks for local ones: a garden file
//! may give its own.

use super::coefficient::Lengths;

/// A row of Table 11.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StageRow {
    pub lengths: Lengths,
    /// Months of planting (1 to 12) as printed, of the northern half of the
    /// earth; for trees the month in which the season begins.
    pub months: &'static [i8],
    /// Where it was seen, as people say it.
    pub region: &'static str,
}

const fn row(
    initial_d: u16,
    development_d: u16,
    mid_d: u16,
    late_d: u16,
    months: &'static [i8],
    region: &'static str,
) -> StageRow {
    StageRow { lengths: Lengths { initial_d, development_d, mid_d, late_d }, months, region }
}

/// Table 11: broccoli.
pub(super) const BROCCOLI: &[StageRow] = &[row(35, 45, 40, 15, &[9], "the Californian desert")];

/// Table 11: cabbage.
pub(super) const CABBAGE: &[StageRow] = &[row(40, 60, 50, 15, &[9], "the Californian desert")];

/// Table 11: carrots.
pub(super) const CARROTS: &[StageRow] = &[
    row(20, 30, 30, 20, &[10, 1], "an arid climate"),
    row(30, 40, 60, 20, &[2, 3], "the Mediterranean"),
    row(30, 50, 90, 30, &[10], "the Californian desert"),
];

/// Table 11: cauliflower.
pub(super) const CAULIFLOWER: &[StageRow] = &[row(35, 50, 40, 15, &[9], "the Californian desert")];

/// Table 11: lettuce.
pub(super) const LETTUCE: &[StageRow] = &[
    row(20, 30, 15, 10, &[4], "the Mediterranean"),
    row(30, 40, 25, 10, &[11, 1], "the Mediterranean"),
    row(25, 35, 30, 10, &[10, 11], "an arid region"),
    row(35, 50, 45, 10, &[2], "the Mediterranean"),
];

/// Table 11: onion dry.
pub(super) const ONION_DRY: &[StageRow] = &[
    row(15, 25, 70, 40, &[4], "the Mediterranean"),
    row(20, 35, 110, 45, &[10, 1], "an arid region and California"),
];

/// Table 11: onion green.
pub(super) const ONION_GREEN: &[StageRow] = &[
    row(25, 30, 10, 5, &[4, 5], "the Mediterranean"),
    row(20, 45, 20, 10, &[10], "an arid region"),
    row(30, 55, 55, 40, &[3], "California"),
];

/// Table 11: spinach.
pub(super) const SPINACH: &[StageRow] =
    &[row(20, 20, 20, 5, &[4, 9, 10], "the Mediterranean"), row(20, 30, 40, 10, &[11], "an arid region")];

/// Table 11: radish.
pub(super) const RADISH: &[StageRow] = &[
    row(5, 10, 15, 5, &[3, 4], "the Mediterranean and Europe"),
    row(10, 10, 15, 5, &[12, 1, 2], "an arid region"),
];

/// Table 11: tomato.
pub(super) const TOMATO: &[StageRow] = &[
    row(30, 40, 40, 25, &[1], "an arid region"),
    row(35, 40, 50, 30, &[4, 5], "California"),
    row(25, 40, 60, 30, &[1], "the Californian desert"),
    row(35, 45, 70, 30, &[10, 11], "an arid region"),
    row(30, 40, 45, 30, &[4, 5], "the Mediterranean"),
];

/// Table 11: peas.
pub(super) const PEAS: &[StageRow] = &[
    row(15, 25, 35, 15, &[5], "Europe"),
    row(20, 30, 35, 15, &[3, 4], "the Mediterranean"),
    row(35, 25, 30, 20, &[4], "Idaho"),
];

/// Table 11: citrus.
pub(super) const CITRUS: &[StageRow] = &[row(60, 90, 120, 95, &[1], "the Mediterranean")];

/// Table 11: deciduous orchard.
pub(super) const DECIDUOUS_ORCHARD: &[StageRow] = &[
    row(20, 70, 90, 30, &[3], "high latitudes"),
    row(20, 70, 120, 60, &[3], "low latitudes"),
    row(30, 50, 130, 30, &[3], "California"),
];

/// Table 11: olives.
pub(super) const OLIVES: &[StageRow] = &[row(30, 90, 60, 90, &[3], "the Mediterranean")];

/// Table 11: celery.
pub(super) const CELERY: &[StageRow] = &[
    row(25, 40, 95, 20, &[10], "a semi-arid climate"),
    row(25, 40, 45, 15, &[4], "the Mediterranean"),
    row(30, 55, 105, 20, &[1], "a semi-arid climate"),
];

/// Table 11: crucifers.
pub(super) const CRUCIFERS: &[StageRow] = &[
    row(20, 30, 20, 10, &[4], "the Mediterranean"),
    row(25, 35, 25, 10, &[2], "the Mediterranean"),
    row(30, 35, 90, 40, &[10, 11], "the Mediterranean"),
];

/// Table 11: sweet peppers.
pub(super) const SWEET_PEPPERS: &[StageRow] = &[
    row(30, 35, 40, 20, &[4, 6], "Europe and the Mediterranean"),
    row(30, 40, 110, 30, &[10], "an arid region"),
];

/// Table 11: cucumber.
pub(super) const CUCUMBER: &[StageRow] =
    &[row(20, 30, 40, 15, &[6, 8], "an arid region"), row(25, 35, 50, 20, &[11, 2], "an arid region")];

/// Table 11: squash zucchini.
pub(super) const SQUASH_ZUCCHINI: &[StageRow] = &[
    row(25, 35, 25, 15, &[4, 12], "the Mediterranean and an arid region"),
    row(20, 30, 25, 15, &[5, 6], "the Mediterranean and Europe"),
];

/// Table 11: beets table.
pub(super) const BEETS_TABLE: &[StageRow] = &[
    row(15, 25, 20, 10, &[4, 5], "the Mediterranean"),
    row(25, 30, 25, 10, &[2, 3], "the Mediterranean and an arid region"),
];

/// Table 11: potato.
pub(super) const POTATO: &[StageRow] = &[
    row(25, 30, 30, 30, &[1, 11], "a semi-arid climate"),
    row(25, 30, 45, 30, &[5], "a continental climate"),
    row(30, 35, 50, 30, &[4], "Europe"),
    row(45, 30, 70, 20, &[4, 5], "Idaho"),
    row(30, 35, 50, 25, &[12], "the Californian desert"),
];

/// Table 11: beans green.
pub(super) const BEANS_GREEN: &[StageRow] = &[
    row(20, 30, 30, 10, &[2, 3], "California and the Mediterranean"),
    row(15, 25, 25, 10, &[8, 9], "California, Egypt and Lebanon"),
];
