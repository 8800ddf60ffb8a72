//! What a sensor says of its battery.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::school::Sensor;

/// A fresh battery, and one that has run down, as parts of the limit.
pub(crate) const FULL: f64 = 1.15;
pub(crate) const EMPTY: f64 = 0.92;
/// Noise of the reports, either way, as a part of the limit.
pub(crate) const NOISE: f64 = 0.002;
/// Chance that the transmitter pulls the battery down while it is measured, and by
/// how much.
const SAGS: f64 = 1.0 / 300.0;
const SAG: f64 = 0.14;

/// A battery's meter.
#[derive(Clone, Debug)]
pub(crate) struct Battery {
    rng: ChaCha8Rng,
}

impl Battery {
    pub(crate) fn new(number: usize, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(2000 + number as u64);
        Self { rng }
    }

    /// The report of a battery that truly is at `part` of the sensor's limit, to two
    /// decimals; nothing where the sensor has no limit.
    pub(crate) fn report(&mut self, sensor: &Sensor, part: f64) -> Option<f64> {
        let low = sensor.battery_low?;
        let noise = self.rng.random_range(-NOISE..NOISE);
        let sag = if self.rng.random::<f64>() < SAGS { SAG } else { 0.0 };
        Some((low * (part + noise - sag) * 100.0).round() / 100.0)
    }
}
