//! A sensor's number in the fleet, and one raw number from it.

use jiff::Timestamp;

/// A sensor's number in this run's fleet: all gardens' sensors in order.
/// It is not stored; the store has its own number for each series.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct SensorIx(pub u32);

/// Whose clock gave a reading its time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeFrom {
    /// The device's own time, found possible.
    Device,
    /// The moment of arrival: the device gave no time, or an impossible one.
    Arrival,
}

/// One raw number from a payload.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// The device's own time as it was given, not yet judged; `None`: it gave none.
    pub at: Option<Timestamp>,
    /// Finite.
    pub raw: f64,
    /// What the device says of its battery, finite, in whatever unit it has; `None`:
    /// nothing, or nothing that is a number. It never decides whether the payload
    /// is taken.
    pub battery: Option<f64>,
}
