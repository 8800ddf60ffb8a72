//! `[roof]`: a roof and the tank that it fills.

use super::range::Range;
use super::table::SettingsTable;
use crate::garden::plan::RoofTank;
use crate::rain::{RUNOFF, Roof};

const AREA: Range = Range::from_to(0.1, 100_000.0, "m2 as seen from above");
const PART: Range = Range::from_to(0.1, 1.0, "of the rain; 0.80 to 0.85 is usual");
const TANK: Range = Range::above_to(0.0, 10_000_000.0, "litres");

/// Reads the roof; `None` where a fault was noted.
pub(super) fn roof(table: SettingsTable<'_>) -> Option<RoofTank> {
    let area_m2 = table.number("area_m2", AREA);
    let runoff = table.number_or("runoff", PART, RUNOFF);
    // A number that is refused has been told: the garden is not taken.
    let tank_l = table.number_if("tank_l", TANK);
    table.finish();
    Some(RoofTank { roof: Roof { area_m2: area_m2?, runoff: runoff? }, tank_l })
}
