//! Water is never lost and nothing gets hotter than gardens do.

use garden_simulator::{SCENARIOS, Scenario, Simulation};

use crate::common::{names, play, school, school_of};

#[test]
fn the_water_of_every_bed_balances() {
    for name in names() {
        let school = school_of(name);
        let scenario = Scenario::named(name).unwrap();
        let seeds = if SCENARIOS.iter().any(|(plain, _)| *plain == name) { 3 } else { 1 };
        for seed in 1..=seeds {
            let mut simulation = Simulation::new(&school, &scenario, seed);
            simulation.by_ref().for_each(drop);
            let truth = simulation.truth();
            let rain_mm: f64 = truth.rain.iter().map(|d| d.mm).sum();
            for (bed, balance) in simulation.balances() {
                assert!(balance.error_mm().abs() < 1e-9, "{name} {seed} {bed}: {balance:?}");
                assert!((balance.rain_mm - rain_mm).abs() < 1e-9, "{name} {seed} {bed}");
                let bare = name == "thaw" || name == "coarse-sensors";
                assert!(bare || balance.transpiration_mm > balance.evaporation_mm, "{name} {seed} {bed}");
            }
        }
    }
}

/// Bounds of common sense for an autumn at 35° south, no publication.
#[test]
fn a_hundred_autumns_stay_within_sane_bounds() {
    let school = school();
    let scenario = Scenario::parse(
        "title = \"autumn\"\nstart = 2026-04-01\ndays = 8\nseed = 1\n\
         [[watering]]\nbed = \"pea-bed\"\nfirst = 2026-04-01\nevery_days = 2\nat = \"06:00\"\nlitres = 50",
    )
    .unwrap();
    let mut wet_seeds = 0;
    for seed in 0..100 {
        let mut simulation = Simulation::new(&school, &scenario, seed);
        for e in simulation.by_ref() {
            let (low, high) = match e.sensor.as_str() {
                "shed-air-temp" => (0.0, 42.0),
                "perch-water-temp" => (10.0, 30.0),
                "kitchen-soil-temp" => (8.0, 33.0),
                // Counts of a probe between water contents of 0.02 and 0.40.
                "kitchen-15cm" | "kitchen-30cm" | "pea-15cm" | "pea-40cm" | "herb-15cm" => (1430.0, 2910.0),
                // Permittivity of dry to soaked soil.
                "orchard-20cm" | "orchard-60cm" => (3.0, 30.0),
                "yard-gauge" => (0.0, 200.0),
                other => panic!("{other} is not expected"),
            };
            // 85 °C is what a thermometer says when it has just been switched on.
            let value =
                if e.sensor.ends_with("-temp") && e.sensor != "shed-air-temp" { e.raw / 16.0 } else { e.raw };
            let just_on = (value - 85.0).abs() < 1e-9;
            assert!((low..=high).contains(&value) || just_on, "seed {seed}: {e:?}");
        }
        wet_seeds += u32::from(simulation.truth().rain.iter().any(|d| d.mm > 1.0));
    }
    // Eight days of autumn are mostly but not always without a drop.
    assert!((40..=99).contains(&wet_seeds), "{wet_seeds}");
}

/// The daily swing of 500 L outdoors in autumn: some degrees (common
/// experience, no publication), and never near a change that alarms.
#[test]
fn a_tank_swings_by_a_few_degrees_a_day() {
    let (emissions, _) = play("midday-watering", 1);
    let mut by_day = std::collections::BTreeMap::<i64, (f64, f64)>::new();
    for e in emissions.iter().filter(|e| e.sensor == "perch-water-temp" && e.raw < 1000.0) {
        let day = by_day.entry((e.at.as_second() + 34_200) / 86_400).or_insert((99.0, -99.0));
        *day = (day.0.min(e.raw / 16.0), day.1.max(e.raw / 16.0));
    }
    let swings: Vec<f64> = by_day.values().skip(1).map(|(low, high)| high - low).collect();
    let mean = swings.iter().sum::<f64>() / swings.len() as f64;
    assert!((1.5..=5.0).contains(&mean), "{swings:?}");
}
