//! The gardens of the scenarios, for tests.

use garden_simulator::{
    Emission, FIELD_GARDEN, FIELD_SCENARIOS, SCENARIOS, Scenario, School, Simulation, Truth,
};

pub(crate) fn school() -> School {
    School::parse(include_str!("../garden.toml")).unwrap()
}

/// The garden that a scenario plays in.
pub(crate) fn school_of(name: &str) -> School {
    if FIELD_SCENARIOS.iter().any(|(field, _)| *field == name) {
        School::parse(FIELD_GARDEN).unwrap()
    } else {
        school()
    }
}

/// Every scenario's name.
pub(crate) fn names() -> impl Iterator<Item = &'static str> {
    SCENARIOS.iter().chain(&FIELD_SCENARIOS).map(|(name, _)| *name)
}

/// A scenario played to its end.
pub(crate) fn play(name: &str, seed: u64) -> (Vec<Emission>, Truth) {
    let scenario = Scenario::named(name).unwrap();
    let mut simulation = Simulation::new(&school_of(name), &scenario, seed);
    let emissions = simulation.by_ref().collect();
    (emissions, simulation.truth())
}
