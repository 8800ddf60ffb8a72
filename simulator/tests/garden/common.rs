//! The demonstration school, for tests.

use garden_simulator::{Emission, Scenario, School, Simulation, Truth};

pub(crate) fn school() -> School {
    School::parse(include_str!("../garden.toml")).unwrap()
}

/// A scenario played to its end.
pub(crate) fn play(name: &str, seed: u64) -> (Vec<Emission>, Truth) {
    let scenario = Scenario::named(name).unwrap();
    let mut simulation = Simulation::new(&school(), &scenario, seed);
    let emissions = simulation.by_ref().collect();
    (emissions, simulation.truth())
}
