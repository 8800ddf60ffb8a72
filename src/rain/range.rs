//! What the equations of this room accept.

/// A number that an equation does not hold for.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{what} of {given} {unit} is out of range, which is {min} to {max} {unit}")]
pub struct RainOutOfRange {
    pub what: &'static str,
    pub given: f64,
    pub min: f64,
    pub max: f64,
    pub unit: &'static str,
}

/// The numbers from `min` to `max`, both included; NaN is not among them.
#[derive(Clone, Copy, Debug)]
pub(super) struct RainRange {
    pub(super) what: &'static str,
    pub(super) min: f64,
    pub(super) max: f64,
    pub(super) unit: &'static str,
}

impl RainRange {
    pub(super) fn check(self, given: f64) -> Result<f64, RainOutOfRange> {
        let Self { what, min, max, unit } = self;
        if (min..=max).contains(&given) {
            Ok(given)
        } else {
            Err(RainOutOfRange { what, given, min, max, unit })
        }
    }
}

/// The wettest month that was ever measured had about 9300 mm (from memory); a
/// year can have three times as much.
pub(super) const RAIN: RainRange = RainRange { what: "a rainfall", min: 0.0, max: 30_000.0, unit: "mm" };
