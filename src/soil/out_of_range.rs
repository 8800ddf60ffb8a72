//! A number outside the range for which an equation was published.

/// What was given, and the range that the source states.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{what} of {given} {unit} is out of range: {source_of} holds from {from} to {to} {unit}")]
pub struct SoilOutOfRange {
    /// "clay", "wind at 2 m".
    pub what: &'static str,
    pub given: f64,
    /// Included.
    pub from: f64,
    /// Included.
    pub to: f64,
    pub unit: &'static str,
    /// The equation or table: "FAO-56 eq. 62".
    pub source_of: &'static str,
}

/// `given` if it lies in the range of `range`; a number that is none lies outside.
pub(super) fn within(range: &SoilOutOfRange, given: f64) -> Result<f64, SoilOutOfRange> {
    if (range.from..=range.to).contains(&given) { Ok(given) } else { Err(SoilOutOfRange { given, ..*range }) }
}
