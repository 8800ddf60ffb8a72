//! Checks against published standards and tables.
//!
//! Each table of `tests/published/` is checked by one function of one of the
//! modules below. Its last column names the source, and says where a row is from
//! memory: such a row is a starting point that is kept the same everywhere, not
//! a proof. The tolerance is half a unit in the last digit that the source
//! prints, or nothing at all.
//!
//! `tests/run published` prints, for each table, its source, how many checks
//! were made, the largest error and the tolerance beside which it stands.

#![allow(clippy::unwrap_used, reason = "a check fails by panicking")]

use std::path::{Path, PathBuf};

mod harness;

/// The modules, one for each group of sources; each is a test of its own.
macro_rules! sources {
    ($($name:ident)*) => {
        $(mod $name;)*

        /// Every check of every module.
        fn all() -> Vec<harness::Checks> {
            let mut all = Vec::new();
            $(all.extend($name::checks());)*
            all
        }

        mod of {
            $(
                #[test]
                fn $name() {
                    let faults: Vec<String> =
                        crate::$name::checks().iter().flat_map(crate::harness::Checks::faults).collect();
                    assert!(faults.is_empty(), "{}", faults.join("\n"));
                }
            )*
        }
    };
}

sources! {
    alarms
    customary
    drydown
    evapotranspiration
    payloads
    permittivity
    quality_flags
    rain
    repellency
    sensors
    soil_tables
    soil_water
    tank
    two_samples
}

/// Every table is there to be read, and one that nothing checks is noticed.
#[test]
fn the_table_of_all_checks() {
    let all = all();
    println!("\n{:<34}{:>7}  {:>9}  {:>9}", "table", "checks", "error", "tolerance");
    for checks in &all {
        println!("{checks}");
    }
    println!(
        "\n{} checks in {} tables; the error is that of the check nearest to its tolerance",
        all.iter().map(harness::Checks::count_all).sum::<usize>(),
        all.len()
    );
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/published");
    for entry in std::fs::read_dir(folder).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        if name.ends_with(".csv") {
            assert!(all.iter().any(|checks| checks.table == name), "{name} is checked by nothing");
        }
    }
    let faults: Vec<String> = all.iter().flat_map(harness::Checks::faults).collect();
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// What an alarm or a figure calls its check is there.
#[test]
fn every_equation_names_a_check_that_is_made() {
    let all = all();
    let mut count = 0;
    for (path, text) in sources_of(Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/src"))) {
        // Unit tests make up equations of their own.
        let text = text.split("#[cfg(test)]").next().unwrap();
        for equation in text.split(": Equation = Equation {").skip(1) {
            let (equation, _) = equation.split_once("};").unwrap();
            let name = equation.split('"').nth(1).unwrap();
            if let Some((_, file)) = equation.split_once("Check::Table(\"") {
                let (file, _) = file.split_once('"').unwrap();
                let made = all.iter().any(|checks| checks.table == file);
                assert!(made, "{}: {name}: no check {file}", path.display());
            }
            assert!(!equation.contains("source: \"\""), "{}: {name}: no source", path.display());
            count += 1;
        }
    }
    assert!(count > 100, "only {count} equations were found");
}

/// Every source file with its text.
fn sources_of(folder: &Path) -> Vec<(PathBuf, String)> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(sources_of(&path));
        } else {
            found.push((path.clone(), std::fs::read_to_string(&path).unwrap()));
        }
    }
    found
}
