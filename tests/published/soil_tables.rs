//! Soil textures and crops.

use trug::soil;

use crate::harness::{Checks, table};

pub(crate) fn checks() -> Vec<Checks> {
    vec![soil_textures_of_fao_56(), crops_of_fao_56()]
}

/// Sand was read in a quotation of the table; the other rows are from memory,
/// so this shows that they were copied well and not that they are right.
fn soil_textures_of_fao_56() -> Checks {
    let mut checks = Checks::of("fao56_table19.csv");
    let rows = table(checks.table);
    assert_eq!(rows.len(), soil::TEXTURES.len());
    for row in rows {
        let name = row.text("texture");
        let texture = soil::texture(name).unwrap_or_else(|| panic!("no texture {name}"));
        for (column, got) in [
            ("fc_min_m3_m3", texture.field_capacity.0),
            ("fc_max_m3_m3", texture.field_capacity.1),
            ("wp_min_m3_m3", texture.wilting_point.0),
            ("wp_max_m3_m3", texture.wilting_point.1),
        ] {
            // The table prints two decimals.
            checks.near(&row, &format!("{name} {column}"), got, row.number(column), 0.005);
        }
    }
    checks
}

fn crops_of_fao_56() -> Checks {
    let mut checks = Checks::of("fao56_table22.csv");
    let rows = table(checks.table);
    assert_eq!(rows.len(), soil::CROPS.len());
    for row in rows {
        let name = row.text("crop");
        let crop = soil::crop(name).unwrap_or_else(|| panic!("no crop {name}"));
        for (column, got) in [
            ("zr_min_m", crop.root_depth_m.0),
            ("zr_max_m", crop.root_depth_m.1),
            ("p_fraction_at_etc5", crop.depletion_fraction),
        ] {
            checks.near(&row, &format!("{name} {column}"), got, row.number(column), row.tolerance(column));
        }
    }
    checks
}
