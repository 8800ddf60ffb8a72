//! Hours, moments, and the way between them on a bed's drying clock.

use jiff::Timestamp;

use super::clock::DryingClock;

/// Seconds of an hour.
pub(crate) const HOUR_S: i64 = 3600;
/// Hours after a wetting in which water still spreads and drains; no forecast is
/// made from them, and no point of the curve.
pub(crate) const SETTLE_H: i32 = 24;

/// From where paths are read.
pub(crate) struct View<'a> {
    pub(crate) theta: f64,
    pub(crate) hour: i32,
    pub(crate) clock: &'a DryingClock,
}

impl View<'_> {
    /// Days on the clock from now to some days later.
    pub(crate) fn days_after(&self, days: f64) -> f64 {
        let hour = f64::from(self.hour);
        self.clock.days(hour + 24.0 * days) - self.clock.days(hour)
    }

    /// The moment at which the clock has gone on by some days.
    pub(crate) fn time_after(&self, days: f64) -> Timestamp {
        time_of(self.clock.hour(self.clock.days(f64::from(self.hour)) + days))
    }
}

/// Hours since the epoch. jiff's years end at 9999, so that it always fits.
pub(crate) fn hour_of(at: Timestamp) -> i32 {
    i32::try_from(at.as_second().div_euclid(HOUR_S)).unwrap_or(i32::MAX)
}

/// The middle of an hour: what an hour's mean stands for.
pub(crate) fn time_of(hour: f64) -> Timestamp {
    Timestamp::from_second(((hour + 0.5) * HOUR_S as f64) as i64).unwrap_or(Timestamp::MAX)
}
