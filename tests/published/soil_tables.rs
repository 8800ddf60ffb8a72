//! Soil textures and crops.

use trug::soil::{self, Coefficients, Crop, StageRow, CropUse};

use crate::harness::{Checks, Row, table};

pub(crate) fn checks() -> Vec<Checks> {
    vec![soil_textures(), texture_classes(), rooting_of_crops(), coefficients_of_crops(), stages_of_crops()]
}

fn soil_textures() -> Checks {
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
            checks.near(&row, &format!("{name} {column}"), got, row.number(column), row.tolerance(column));
        }
    }
    checks
}

/// The class of each point, and what the two parts that the row names leave for silt.
fn texture_classes() -> Checks {
    let mut checks = Checks::of("usda_texture_classes.csv");
    for row in table(checks.table) {
        let (sand, clay) = (row.number("sand_pct"), row.number("clay_pct"));
        let class = soil::TextureClass::of(sand, clay).map(soil::TextureClass::name);
        checks.same(&row, &format!("sand {sand} clay {clay}"), &class, &Some(row.text("texture")));
        let silt = 100.0 - sand - clay;
        checks.near(&row, "silt", silt, row.number("silt_pct"), 1e-9);
    }
    checks
}

fn rooting_of_crops() -> Checks {
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

/// The name of a crop's row in Table 12, which writes some otherwise than Table 22.
fn table_12_name(crop: &Crop, used: &CropUse) -> String {
    let ground = used.ground.replace(',', "");
    match crop.name {
        "radishes" => "radish".to_owned(),
        name if ground.is_empty() => name.to_owned(),
        name => match name.strip_prefix("citrus ") {
            Some(canopy) => format!("citrus {ground} {canopy}"),
            None => format!("{name} {ground}"),
        },
    }
}

fn coefficients_of_crops() -> Checks {
    let mut checks = Checks::of("fao56_table12.csv");
    let rows = table(checks.table);
    let mut known: Vec<(String, &CropUse)> =
        soil::CROPS.iter().flat_map(|c| c.uses.iter().map(|u| (table_12_name(c, u), u))).collect();
    assert_eq!(rows.len(), known.len());
    for row in rows {
        let name = row.text("crop");
        let at = known.iter().position(|(n, _)| n == name).unwrap_or_else(|| panic!("no crop {name}"));
        let (_, used) = known.swap_remove(at);
        let mut three = |columns: [&str; 3], c: &Coefficients| {
            for (column, got) in columns.into_iter().zip([c.initial, c.mid, c.end]) {
                let printed = row.number(column);
                checks.near(&row, &format!("{name} {column}"), got, printed, row.tolerance(column));
            }
        };
        three(["kc_ini", "kc_mid", "kc_end"], &used.single);
        match &used.basal {
            Some(basal) => three(["kcb_ini", "kcb_mid", "kcb_end"], basal),
            None => assert_eq!(row.maybe("kcb_ini"), None, "{name}"),
        }
        checks.printed(&row, "hmax_m", used.height_m);
    }
    checks
}

/// Whether the row of a table is this one of ours.
fn is(row: &Row, ours: &StageRow) -> bool {
    let l = ours.lengths;
    [("l_ini_d", l.initial_d), ("l_dev_d", l.development_d), ("l_mid_d", l.mid_d), ("l_late_d", l.late_d)]
        .iter()
        .all(|(column, days)| row.text(column) == days.to_string())
}

/// Months as the table writes them; "winter" is its arid region's radish.
fn months(written: &str) -> Vec<i8> {
    const NAMES: [&str; 12] =
        ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"];
    if written == "winter" {
        return vec![12, 1, 2];
    }
    let month = |name| i8::try_from(NAMES.iter().position(|n| *n == name).unwrap() + 1).unwrap();
    written.split(' ').map(month).collect()
}

/// The total is the sum of the four, as printed.
fn stages_of_crops() -> Checks {
    let mut checks = Checks::of("fao56_table11.csv");
    let rows = table(checks.table);
    for row in &rows {
        let name = row.text("crop");
        // Table 11 writes crops shorter than Table 22, and some for a family.
        let crop = match name {
            "crucifers" => "brussel sprouts",
            "onion dry" => "onions dry",
            "onion green" => "onions green",
            "radish" => "radishes",
            "peas" => "peas fresh",
            "citrus" => "citrus 50% canopy",
            "deciduous orchard" => "apples cherries pears",
            "olives" => "olives 40% to 60% ground coverage by canopy",
            "sweet peppers" => "sweet peppers bell",
            "cucumber" => "cucumber fresh market",
            same => same,
        };
        let crop = soil::crop(crop).unwrap_or_else(|| panic!("no crop {crop}"));
        let ours = crop.stages.iter().flat_map(|rows| rows.iter()).find(|ours| is(row, ours));
        checks.same(row, &format!("{name}: lengths"), &ours.is_some(), &true);
        let Some(ours) = ours else { continue };
        checks.printed(row, "total_d", f64::from(ours.lengths.total_d()));
        checks.same(row, &format!("{name}: months"), &ours.months.to_vec(), &months(row.text("plant_month")));
    }
    for ours in soil::CROPS.iter().flat_map(|c| c.stages.iter()).flat_map(|rows| rows.iter()) {
        assert!(rows.iter().any(|row| is(row, ours)), "{ours:?} is in no table");
    }
    checks
}
