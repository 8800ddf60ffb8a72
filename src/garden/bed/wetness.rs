//! What is kept of a bed that may be too wet.

use jiff::Timestamp;

use crate::watering::DrainageWatch;

/// Who says that water runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(crate) enum Witness {
    Soil,
    Meter,
}

/// What is kept of a bed's water for the two rules of `too_wet`.
#[derive(Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct Wetness {
    /// Of the top probe that is heard, and which it is.
    pub(crate) ebb: DrainageWatch,
    pub(crate) ebb_of: Option<u16>,
    /// Who raised the alarm: it is this one's to clear.
    pub(crate) witness: Option<Witness>,
    /// Whether rain may have brought the probe above the limit, since it is there.
    pub(crate) filled_by_rain: Option<bool>,
}

impl Wetness {
    /// Forgets what is later than `limit`: the clock was wrong.
    pub(crate) fn forget_after(&mut self, limit: Timestamp) {
        self.ebb.forget_after(limit);
    }
}
