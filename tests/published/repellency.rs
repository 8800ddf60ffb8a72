//! Classes of water-repellent soil.

use trug::soil::{ETHANOL_MAX_MOL_L, Ethanol, WaterDrop};

use crate::harness::{Checks, table};

pub(crate) fn checks() -> Vec<Checks> {
    vec![water_drop_times(), water_drop_classes(), ethanol_bands()]
}

fn number_of(class: WaterDrop) -> usize {
    WaterDrop::FROM_S.iter().position(|(c, _)| *c == class).unwrap()
}

fn water_drop_times() -> Checks {
    let mut checks = Checks::of("wdpt_checks.csv");
    for row in table(checks.table) {
        let class = WaterDrop::of_seconds(row.number("wdpt_s")).unwrap();
        checks.same(&row, row.text("wdpt_s"), &number_of(class), &row.text("class").parse().unwrap());
    }
    checks
}

/// Each class holds at its beginning and up to its end, and no further. The
/// names are from memory.
fn water_drop_classes() -> Checks {
    let mut checks = Checks::of("wdpt_classes.csv");
    let rows = table(checks.table);
    assert_eq!(rows.len(), WaterDrop::FROM_S.len());
    for row in rows {
        let from_s = row.number("t_min_s_inclusive");
        let first = WaterDrop::of_seconds(from_s).unwrap();
        checks.same(&row, "number", &number_of(first), &row.text("class").parse().unwrap());
        checks.same(&row, "name", &first.name(), &row.text("name"));
        let end_s = row.maybe("t_max_s_exclusive");
        let last = WaterDrop::of_seconds(end_s.map_or(1e9, |s| s - 0.001)).unwrap();
        checks.same(&row, "up to its end", &last, &first);
        if let Some(end_s) = end_s {
            checks.same(&row, "not at its end", &(WaterDrop::of_seconds(end_s).unwrap() > first), &true);
        }
    }
    checks
}

/// From memory: this shows that the bands are the same everywhere, not that
/// they are right.
fn ethanol_bands() -> Checks {
    let mut checks = Checks::of("med_classes.csv");
    let rows = table(checks.table);
    assert_eq!(rows.len(), Ethanol::BANDS_MOL_L.len());
    for row in rows {
        for mol_l in
            [row.number("med_min_mol_l"), row.maybe("med_max_mol_l").unwrap_or(ETHANOL_MAX_MOL_L)]
        {
            let rating = Ethanol::of_molarity(mol_l).unwrap();
            checks.same(&row, &format!("{mol_l} mol/L"), &rating.name(), &row.text("rating"));
        }
    }
    checks
}
