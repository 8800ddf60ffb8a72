//! Scenarios of the simulator, played to a real broker.
//!
//! The simulator's library is used and not its program: the program belongs to
//! another package, so Cargo does not build it for these tests, and a build from
//! inside a test makes the dependencies anew whose build scripts look at Cargo's
//! environment.

use garden_simulator::{Emission, Scenario, School, Simulation, Truth};

use super::sender::{Post, send};

/// What a scenario sends, in its order, and what truly happens.
pub(crate) struct Played {
    pub(crate) truth: Truth,
    pub(crate) sent: Vec<Emission>,
}

impl Played {
    /// The scenario with its own seed in this garden.
    pub(crate) fn new(scenario: &str, garden: &str) -> Self {
        let school = School::parse(garden).expect("a garden that the simulator knows");
        let scenario = Scenario::named(scenario).expect("a scenario of the list");
        let mut simulation = Simulation::new(&school, &scenario, scenario.seed);
        let sent = simulation.by_ref().collect();
        Self { truth: simulation.truth(), sent }
    }

    /// Publishes everything as fast as the broker acknowledges it.
    pub(crate) fn send(&self, port: u16) {
        send(port, self.sent.iter().map(|it| Post::new(&it.topic, &it.payload)).collect());
    }

    /// What was sent as a file: time, sensor, raw, as the simulator's program
    /// writes it.
    pub(crate) fn csv(&self) -> Vec<u8> {
        let mut rows = csv::Writer::from_writer(Vec::new());
        rows.write_record(["time", "sensor", "raw"]).expect("memory takes it");
        for it in &self.sent {
            rows.write_record([it.at.to_string(), it.sensor.clone(), it.raw.to_string()])
                .expect("memory takes it");
        }
        rows.into_inner().expect("memory takes it")
    }
}
