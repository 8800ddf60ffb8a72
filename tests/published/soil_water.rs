//! Soil water: what a soil holds, what a crop may use and does use, day by day.

use trug::soil::{
    Coefficients, Composition, Lengths, RootZone, depletion_fraction,
    mulch_reduction, root_depth_m, stress,
};

use crate::harness::{Checks, Row, table};

pub(crate) fn checks() -> Vec<Checks> {
    vec![
        saxton_rawls_table_3(),
        saxton_rawls_equations(),
        fao_56_example_36(),
        fao_56_example_37(),
        fao_56_example_38(),
        depletion_fractions(),
        stress_coefficients(),
        crop_coefficient_curve(),
        root_depths(),
        crop_coefficients_below_mulch(),
    ]
}

fn composition(row: &Row) -> Composition {
    Composition {
        sand_percent: row.number("sand_pct"),
        clay_percent: row.number("clay_pct"),
        organic_percent: row.number("organic_pct"),
    }
}

fn saxton_rawls_table_3() -> Checks {
    let mut checks = Checks::of("saxton_rawls_2006_table3.csv");
    for row in table(checks.table) {
        let held = composition(&row).held_water().unwrap();
        checks.printed(&row, "wp_pct", 100.0 * held.wilting_point);
        checks.printed(&row, "fc_pct", 100.0 * held.field_capacity);
        checks.printed(&row, "sat_pct", 100.0 * held.saturation);
        checks.printed(&row, "ksat_mm_h", held.conductivity_mm_h);
    }
    checks
}

fn saxton_rawls_equations() -> Checks {
    let mut checks = Checks::of("saxton_rawls_2006_equations.csv");
    for row in table(checks.table) {
        let held = composition(&row).held_water().unwrap();
        checks.printed(&row, "wp_m3_m3", held.wilting_point);
        checks.printed(&row, "fc_m3_m3", held.field_capacity);
        checks.printed(&row, "sat_m3_m3", held.saturation);
        checks.printed(&row, "ksat_mm_h", held.conductivity_mm_h);
    }
    checks
}

fn zone(row: &Row, root_depth_m: f64) -> RootZone {
    RootZone {
        field_capacity: row.number("fc_m3_m3"),
        wilting_point: row.number("wp_m3_m3"),
        root_depth_m,
        depletion_fraction: row.number("p"),
    }
}

fn fao_56_example_36() -> Checks {
    let mut checks = Checks::of("fao56_example_36.csv");
    for row in table(checks.table) {
        let zone = zone(&row, row.number("zr_m"));
        checks.printed(&row, "taw_mm", zone.total_available_mm());
        checks.printed(&row, "raw_mm", zone.readily_available_mm());
    }
    checks
}

/// Ten days without water, carried on at full precision from the first.
fn fao_56_example_37() -> Checks {
    let mut checks = Checks::of("fao56_example_37.csv");
    let mut depletion_mm = None;
    for row in table(checks.table) {
        let zone = zone(&row, row.number("zr_m"));
        let taw_mm = zone.total_available_mm();
        checks.printed(&row, "taw_mm", taw_mm);
        checks.printed(&row, "raw_mm", zone.readily_available_mm());
        let start_mm = depletion_mm.unwrap_or_else(|| row.number("dr_start_mm"));
        checks.printed(&row, "dr_start_mm", start_mm);
        let etc_mm = row.number("kc") * row.number("et0_mm");
        checks.printed(&row, "etc_mm", etc_mm);
        let ks = stress(taw_mm, zone.depletion_fraction, start_mm);
        checks.printed(&row, "ks", ks);
        checks.printed(&row, "etc_adj_mm", ks * etc_mm);
        let end_mm = start_mm + ks * etc_mm;
        checks.printed(&row, "dr_end_mm", end_mm);
        depletion_mm = Some(end_mm);
    }
    checks
}

/// Ten days in which the roots grow: water that is readily available, and no stress
/// on any of the days.
fn fao_56_example_38() -> Checks {
    let mut checks = Checks::of("fao56_example_38.csv");
    for row in table(checks.table) {
        // Note 3 of the example: from 0.3 m on day 1 to 0.35 m on day 10.
        let root_depth_m = 0.3 + 0.05 * (row.number("day") - 1.0) / 9.0;
        checks.printed(&row, "zr_m", root_depth_m);
        let zone = zone(&row, root_depth_m);
        checks.printed(&row, "raw_mm", zone.readily_available_mm());
        let ks = stress(zone.total_available_mm(), zone.depletion_fraction, row.number("dr_start_mm"));
        checks.same(&row, "ks", &ks, &1.0);
    }
    checks
}

fn depletion_fractions() -> Checks {
    let mut checks = Checks::of("fao56_p_adjust.csv");
    for row in table(checks.table) {
        let p = depletion_fraction(row.number("p_table"), row.number("etc_mm_d")).unwrap();
        checks.printed(&row, "p", p);
    }
    checks
}

fn stress_coefficients() -> Checks {
    let mut checks = Checks::of("fao56_ks.csv");
    for row in table(checks.table) {
        let ks = stress(row.number("taw_mm"), row.number("p"), row.number("dr_mm"));
        // Exact numbers, printed without their decimals.
        checks.near(&row, "ks", ks, row.number("ks"), 0.0);
    }
    checks
}

fn days(row: &Row, column: &str) -> u16 {
    row.text(column).parse().unwrap()
}

fn root_depths() -> Checks {
    let mut checks = Checks::of("fao56_root_depth.csv");
    for row in table(checks.table) {
        let lengths = Lengths {
            initial_d: days(&row, "l_ini_d"),
            development_d: days(&row, "l_dev_d"),
            mid_d: days(&row, "l_mid_d"),
            late_d: days(&row, "l_late_d"),
        };
        let (first_m, grown_m) = (row.number("zr_min_m"), row.number("zr_max_m"));
        checks.printed(&row, "zr_m", root_depth_m(days(&row, "day"), &lengths, first_m, grown_m));
    }
    checks
}

fn crop_coefficient_curve() -> Checks {
    let mut checks = Checks::of("fao56_kc_curve.csv");
    for row in table(checks.table) {
        let lengths = Lengths {
            initial_d: days(&row, "l_ini_d"),
            development_d: days(&row, "l_dev_d"),
            mid_d: days(&row, "l_mid_d"),
            late_d: days(&row, "l_late_d"),
        };
        let of = Coefficients {
            initial: row.number("kc_ini"),
            mid: row.number("kc_mid"),
            end: row.number("kc_end"),
        };
        checks.printed(&row, "kc", of.on_day(days(&row, "day"), &lengths).unwrap());
    }
    checks
}

fn crop_coefficients_below_mulch() -> Checks {
    let mut checks = Checks::of("fao56_mulch.csv");
    for row in table(checks.table) {
        let cover = row.number("cover");
        checks.printed(&row, "reduction", mulch_reduction(cover).unwrap());
        let Some(initial) = row.maybe("kc_ini") else { continue };
        let (mid, basal_mid) = (row.maybe("kc_mid"), row.maybe("kcb_mid"));
        let of = |mid: Option<f64>| Coefficients { initial, mid: mid.unwrap_or(1.0), end: 1.0 };
        let mulched = of(mid).mulched(&of(basal_mid), cover).unwrap();
        checks.printed(&row, "mulched_kc_ini", mulched.initial);
        if row.maybe("mulched_kc_mid").is_some() {
            checks.printed(&row, "mulched_kc_mid", mulched.mid);
        }
    }
    checks
}
