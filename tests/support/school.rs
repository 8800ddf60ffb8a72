//! The demonstration school with a month behind it, in a store of its own.

use std::path::Path;

use garden_simulator::{Scenario, School, Simulation};
use jiff::Timestamp;
use trug::engine::Engine;
use trug::engine::RawMessage;
use trug::garden::Clock;
use trug::settings::Settings;

use super::garden::{SHIPPED, shipped};

/// Readings in one transaction.
const BATCH: usize = 2000;

/// Fills a new store with a scenario of the demonstration school, as it would have
/// come over MQTT, and gives the settings that it was made with and its last moment.
pub(crate) fn fill(store: &Path, scenario: &str) -> (Settings, Timestamp) {
    let mut settings = shipped();
    settings.store.path = store.to_owned();
    let mut keeper = Engine::open(&settings, Clock::Readings).expect("a new store");
    keeper.tell_nobody();
    keeper.on_change(Box::new(|_| {}));
    let scenario = Scenario::named(scenario).expect("a scenario that is shipped");
    let school = School::parse(SHIPPED).expect("the demonstration's garden");
    let simulation = Simulation::new(&school, &scenario, scenario.seed);
    let end = simulation.end();
    for emission in simulation {
        keeper.open_message(RawMessage {
            topic: emission.topic.as_bytes(),
            payload: &emission.payload,
            retained: false,
            arrival: emission.send_at,
        });
        if keeper.waiting() >= BATCH {
            keeper.commit(emission.send_at).expect("the store can be written");
        }
    }
    keeper.commit(end).expect("the store can be written");
    (settings, end)
}
