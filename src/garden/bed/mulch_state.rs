//! What mulch lies on a bed: what somebody laid and wrote down, less what was found when
//! it was measured. What the garden's file plans is no mulch until somebody lays it.
//!
//! Depths and times are common practice, without a published source: coarse mulch (bark,
//! wood chip) about 100 mm deep, fine mulch (compost, sawdust, clippings) no deeper than
//! 50 mm, since it packs and keeps rain out; renewed after a year, or when less than half
//! is left.

use jiff::Timestamp;

use crate::garden::log::LogEvent;

/// Below this part of available water a soil has often become water-repellent, and a
/// drop of water is tried first. Common practice gives no number; this is ours.
pub(crate) const SHEDS_WATER_BELOW: f64 = 0.25;
/// Usual depth of coarse mulch, mm.
pub(crate) const COARSE_MM: f64 = 100.0;
/// Most of fine mulch, mm.
pub(crate) const FINE_MM: f64 = 50.0;
/// Mulch lasts about a year, seconds.
const LASTS_S: i64 = 365 * 86_400;
/// Below this part of what was laid it is renewed.
const LEAST_PART: f64 = 0.5;

/// Mulch on a bed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct MulchLayer {
    /// When it was laid, and how deep, mm.
    pub(crate) laid: Timestamp,
    pub(crate) laid_mm: f64,
    /// How deep it was when it was measured last, mm, and when.
    pub(crate) measured: Option<(Timestamp, f64)>,
}

/// Why mulch is to be renewed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum MulchRenewal {
    Old,
    /// Measured then, with so many mm left.
    Thin(Timestamp, f64),
}

impl MulchLayer {
    /// Of a bed's entries up to a moment, in order of time. `None`: none was laid, or
    /// none is left.
    pub(crate) fn of<'a>(entries: impl Iterator<Item = (Timestamp, &'a LogEvent)>) -> Option<Self> {
        let mut layer: Option<Self> = None;
        for (at, what) in entries {
            match (what, &mut layer) {
                (LogEvent::MulchLaid { depth_mm }, _) if *depth_mm > 0.0 => {
                    layer = Some(Self { laid: at, laid_mm: *depth_mm, measured: None });
                }
                // Taken off again.
                (LogEvent::MulchLaid { .. }, _) => layer = None,
                (LogEvent::MulchMeasured { depth_mm }, Some(known)) => {
                    known.measured = Some((at, *depth_mm));
                }
                _ => {}
            }
        }
        layer
    }

    /// How deep it lies, mm, as far as is known.
    pub(crate) fn depth_mm(&self) -> f64 {
        self.measured.map_or(self.laid_mm, |(_, depth_mm)| depth_mm)
    }

    /// Whether it covers the soil at a moment.
    pub(crate) fn covers(&self, at: Timestamp) -> bool {
        self.depth_mm() > 0.0 && at.as_second() - self.laid.as_second() <= LASTS_S
    }

    /// Whether it is to be renewed.
    pub(crate) fn renewal(&self, at: Timestamp) -> Option<MulchRenewal> {
        match self.measured {
            Some((when, depth_mm)) if depth_mm < LEAST_PART * self.laid_mm => {
                Some(MulchRenewal::Thin(when, depth_mm))
            }
            _ => (at.as_second() - self.laid.as_second() > LASTS_S).then_some(MulchRenewal::Old),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use LogEvent::{MulchLaid, MulchMeasured, MulchNotLaid};

    fn at(days: i64) -> Timestamp {
        Timestamp::from_second(1_776_000_000 + days * 86_400).expect("in range")
    }

    fn of(entries: &[(i64, LogEvent)]) -> Option<MulchLayer> {
        MulchLayer::of(entries.iter().map(|(days, what)| (at(*days), what)))
    }

    #[test]
    fn mulch_is_what_was_laid_and_not_what_was_planned() {
        assert_eq!(of(&[]), None);
        assert_eq!(of(&[(0, MulchNotLaid)]), None);
        assert_eq!(of(&[(0, MulchMeasured { depth_mm: 60.0 })]), None, "nobody knows since when");
        let laid = of(&[(0, MulchLaid { depth_mm: 100.0 })]).expect("laid");
        assert_eq!((laid.laid, laid.depth_mm()), (at(0), 100.0));
        assert!(laid.covers(at(365)) && !laid.covers(at(366)));
        assert_eq!(of(&[(0, MulchLaid { depth_mm: 100.0 }), (9, MulchLaid { depth_mm: 0.0 })]), None);
    }

    #[test]
    fn it_is_renewed_after_a_year_or_below_half() {
        let renewal = |entries: &[(i64, LogEvent)], day| of(entries).expect("laid").renewal(at(day));
        let laid = (0, MulchLaid { depth_mm: 100.0 });
        assert_eq!(renewal(std::slice::from_ref(&laid), 365), None);
        assert_eq!(renewal(std::slice::from_ref(&laid), 366), Some(MulchRenewal::Old));
        let measured = |depth_mm| [laid.clone(), (90, MulchMeasured { depth_mm })];
        assert_eq!(renewal(&measured(50.0), 100), None);
        assert_eq!(renewal(&measured(49.0), 100), Some(MulchRenewal::Thin(at(90), 49.0)));
        assert_eq!(renewal(&measured(50.0), 366), Some(MulchRenewal::Old));
        let topped_up =
            [laid.clone(), (90, MulchMeasured { depth_mm: 20.0 }), (91, MulchLaid { depth_mm: 80.0 })];
        assert_eq!(renewal(&topped_up, 400), None);
        let gone = of(&[laid, (90, MulchMeasured { depth_mm: 0.0 })]).expect("laid");
        assert!(!gone.covers(at(91)));
    }
}
