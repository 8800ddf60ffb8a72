//! A believable school garden that sends what its sensors would send and writes
//! down what truly happened.
//!
//! A [`Simulation`] is a [`School`] (what stands in the garden) under a
//! [`Scenario`] (what happens to it). It is deterministic by its seed, holds no
//! clock of its own, and gives its messages in the order of sending; its
//! [`Truth`] is worked out from the true state of soil and water, never from
//! what the sensors say.
//!
//! ```
//! use garden_simulator::{Scenario, School, Simulation};
//!
//! # let text = include_str!("../tests/garden.toml");
//! let school = School::parse(text)?;
//! let scenario = Scenario::named("ordinary-month")?;
//! let mut simulation = Simulation::new(&school, &scenario, scenario.seed);
//! let first = simulation.next().expect("a garden with sensors sends something");
//! assert!(first.send_at > first.at);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod battery;
mod calendar;
mod far_gauge;
mod field_month;
mod frost;
mod instrument;
mod judge;
mod payload;
mod plan;
mod probe;
mod random_month;
mod scenario;
mod school;
mod simulation;
mod sky;
mod soil;
mod tank;
mod troubled_month;
mod truth;
mod weather;
mod window;

pub use random_month::GaugeState;
pub use scenario::{FIELD_GARDEN, FIELD_SCENARIOS, SCENARIOS, Scenario, ScenarioError};
pub use school::{Bed, Inverse, Payload, Place, Quantity, School, SchoolError, Sensor, Tank};
pub use simulation::{Emission, Simulation};
pub use soil::Balance;
pub use truth::{RainDay, TopUp, TrueEvent, Truth, Watering};
