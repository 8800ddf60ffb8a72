//! Beds of potting mix, compost or peat: what their probes may read, and what does not
//! go together.

use jiff::SignedDuration;
use trug::alarms::Kind;
use trug::model::SensorIx;
use trug::quality::Flag;
use trug::settings::{Fault, from_text};

use crate::support::garden::{GardenFile, at};
use crate::support::run::Run;

const TRUG: &str = "[broker]\nurl = \"mqtt://127.0.0.1\"\n[store]\npath = \"x.db\"\n";
const REST: &str = "area_m2 = 2\nroot_depth_m = 0.3\ndepletion_fraction = 0.3\n";

fn file(bed: &str, probe: &str) -> GardenFile {
    let keys = format!("bed = \"bed\"\ndepth_cm = 10\nevery_s = 900\n{probe}");
    GardenFile::new("school").bed("bed", "Bed", &format!("{REST}{bed}\n")).sensor(
        "s0",
        "soil-moisture",
        &keys,
    )
}

/// Whether the probe of a bed may read so much for a day, with the last digit moving.
fn is_believed(bed: &str, water_content: f64) -> bool {
    let mut run = Run::new(file(bed, "").text());
    for n in 0..96 {
        let at = at(0) + SignedDuration::from_mins(15 * n);
        run.take(SensorIx(0), at, water_content - (n % 7) as f64 * 0.0005);
    }
    let well = run.rows.iter().all(|row| row.flag == Flag::Pass);
    assert_eq!(well, run.steps(Kind::SensorFault).is_empty(), "{:?}", run.told());
    well
}

const MIX: &str = "potting_mix = true\nfield_capacity = 0.55\nwilting_point = 0.2";

#[test]
fn a_potting_mix_may_be_full_of_water_and_mineral_soil_may_not() {
    for (bed, water_content, believed) in [
        (MIX, 0.95, true),
        (MIX, 1.0, true),
        (MIX, 1.1, false),
        ("soil = \"loam\"", 0.70, false),
        ("soil = \"loam\"", 0.60, true),
        // Numbers that no mineral soil has say it as well.
        ("field_capacity = 0.7\nwilting_point = 0.3", 0.9, true),
        ("field_capacity = 0.5\nwilting_point = 0.2\nsaturation = 0.9", 0.9, true),
        ("field_capacity = 0.5\nwilting_point = 0.2", 0.9, false),
    ] {
        assert_eq!(is_believed(bed, water_content), believed, "{bed}: {water_content}");
    }
}

/// Dry peat takes up much water at once.
#[test]
fn dry_peat_that_is_wetted_is_no_jump() {
    let mut run = Run::new(file(MIX, "").text());
    for n in 0..96 {
        let value = if n < 48 { 0.15 } else { 0.80 } + (n % 7) as f64 * 0.0005;
        run.take(SensorIx(0), at(0) + SignedDuration::from_mins(15 * n), value);
    }
    assert!(run.rows.iter().all(|row| row.flag == Flag::Pass));
}

fn faults(bed: &str, probe: &str) -> Vec<Fault> {
    let file = file(bed, probe);
    match from_text(("trug.toml", TRUG), &[("garden.toml", file.text())], std::iter::empty()) {
        Ok(_) => Vec::new(),
        Err(faults) => faults.as_slice().to_vec(),
    }
}

#[test]
fn what_does_not_go_together_is_refused_with_what_does() {
    for (bed, probe, key, words) in [
        ("potting_mix = true\nsoil = \"loam\"", "", "soil", "field_capacity and wilting_point of the mix"),
        ("potting_mix = true", "", "soil", "nothing"),
        ("potting_mix = \"peat\"\nsoil = \"loam\"", "", "potting_mix", "true"),
        (
            MIX,
            "quality = { gross_fail = [0, 0.5] }",
            "gross_fail",
            "the field capacity of the bed, 0.550 m3/m3",
        ),
        (MIX, "quality = { gross_suspect = [0, 0.5] }", "gross_suspect", "the field capacity of the bed"),
    ] {
        let found = faults(bed, probe);
        let text = format!("{found:#?}");
        assert_eq!(found.len(), 1, "{bed} {probe}: {text}");
        assert!(found[0].key.ends_with(key) && text.contains(words), "{bed} {probe}: {text}");
    }
    assert!(faults(MIX, "quality = { gross_fail = [0, 0.9], gross_suspect = [0, 0.8] }").is_empty());
}
