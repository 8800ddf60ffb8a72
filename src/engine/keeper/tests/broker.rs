//! What is around the daemon: devices that measure, and a broker that takes and brings.

use std::collections::{BTreeSet, VecDeque};

use jiff::Timestamp;

use super::Draw;
use crate::store::QueuedPublication;

/// 2026-04-17 05:30 UTC.
pub(super) const START_S: i64 = 1_776_403_800;

/// Readings of the tank; the bed has a third of them.
const READINGS: u64 = 12;

pub(super) fn moment(second: i64) -> Timestamp {
    Timestamp::from_second(second).expect("a time of this century")
}

/// A reading on its way from a device.
#[derive(Clone, Debug)]
pub(super) struct SentReading {
    pub(super) sensor: &'static str,
    pub(super) at_s: i64,
    pub(super) raw: f64,
}

impl SentReading {
    pub(super) fn topic(&self) -> String {
        format!("saltbush-gully/{}", self.sensor)
    }

    pub(super) fn payload(&self) -> String {
        format!(r#"{{"raw":{},"t":{}}}"#, self.raw, self.at_s)
    }
}

/// What the devices measure: both walk to and fro over the limits of an alarm.
pub(super) fn measured(draw: &mut Draw) -> Vec<SentReading> {
    let mut readings = Vec::new();
    let (mut water_c, mut moisture) = (26.0, 0.26);
    let (mut warmer, mut drier) = (draw.one_in(2), true);
    for n in 0..READINGS {
        let at_s = START_S + n as i64 * 300;
        if draw.one_in(7) {
            warmer = !warmer;
        }
        // Half a degree in five minutes is no spike.
        water_c += if warmer { 0.75 } else { -0.75 } + draw.below(100) as f64 / 1000.0;
        let raw = number(water_c, n);
        readings.push(SentReading { sensor: "perch-water", at_s, raw });
        if n % 3 == 0 {
            if draw.one_in(4) {
                drier = !drier;
            }
            moisture += if drier { -0.012 } else { 0.012 };
            let raw = number(moisture, n);
            readings.push(SentReading { sensor: "kitchen-15cm", at_s: at_s + 7, raw });
        }
    }
    readings
}

/// Rounded, and like no other.
fn number(value: f64, n: u64) -> f64 {
    (value * 1000.0).round() / 1000.0 + n as f64 * 1e-6
}

/// A message of the broker: its number, and which reading it brings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Publication {
    pub(super) id: u64,
    pub(super) reading: usize,
}

#[derive(Default)]
pub(super) struct SimulatedBroker {
    pub(super) queue: VecDeque<Publication>,
    /// Sent to Trug and not acknowledged.
    pub(super) unacknowledged: VecDeque<Publication>,
    pub(super) next_id: u64,
    pub(super) session: u64,
    pub(super) connected: bool,
    /// Everything that it ever took, in order.
    pub(super) taken: Vec<usize>,
    /// What Trug has told it is stored.
    pub(super) acknowledged: BTreeSet<usize>,
    /// Alarms that it heard, in order.
    pub(super) heard: Vec<QueuedPublication>,
}

impl SimulatedBroker {
    pub(super) fn take(&mut self, reading: usize) {
        self.queue.push_back(Publication { id: self.next_id, reading });
        self.next_id += 1;
        self.taken.push(reading);
    }

    pub(super) fn disconnect(&mut self) {
        if std::mem::take(&mut self.connected) {
            self.session += 1;
            while let Some(publication) = self.unacknowledged.pop_back() {
                self.queue.push_front(publication);
            }
        }
    }
}

/// What the task that publishes alarms knows (`deliver::mqtt`).
#[derive(Default)]
pub(super) struct SimulatedPublisher {
    pub(super) acknowledged: i64,
    pub(super) read_to: i64,
    pub(super) on_the_way: VecDeque<i64>,
}
