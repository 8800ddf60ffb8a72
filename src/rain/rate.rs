//! The largest intensity, told from messages that come in their own time.

use std::collections::VecDeque;

use jiff::Timestamp;

use super::bucket::intensity_mm_h;

/// An intensity is a mean over at least this time: half an hour, the trade's
/// I30 (Wischmeier and Smith 1978, as later texts give it). Over less, a single
/// tip reads as heavy rain.
pub const WINDOW_S: i64 = 1800;

/// Messages closer together than this are taken as one.
const PIECE_S: i64 = 60;

/// Rain of an interval that has ended.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct RatePiece {
    from_s: i64,
    to_s: i64,
    mm: f32,
}

/// A mean intensity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Intensity {
    pub mm_h: f64,
    /// The time over which it is the mean: half an hour, or one longer interval
    /// between two readings.
    pub over_s: u32,
}

impl Intensity {
    /// What fell in its time, mm.
    pub fn depth_mm(self) -> f64 {
        self.mm_h * f64::from(self.over_s) / 3600.0
    }
}

/// The last half hour of one gauge, in at most 31 pieces and one more.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct RainRate {
    pieces: VecDeque<RatePiece>,
    mm: f64,
}

impl RainRate {
    /// Adds what fell after `from` and up to `to`, in order. Returns the mean
    /// intensity over the shortest time of at least [`WINDOW_S`] that
    /// ends at `to`; `None` until so much is known without a break.
    pub(super) fn push(&mut self, from: Timestamp, to: Timestamp, mm: f64) -> Option<Intensity> {
        let (from_s, to_s) = (from.as_second(), to.as_second());
        match self.pieces.back_mut() {
            Some(last) if to_s - last.from_s <= PIECE_S => {
                last.to_s = to_s;
                last.mm += mm as f32;
            }
            _ => self.pieces.push_back(RatePiece { from_s, to_s, mm: mm as f32 }),
        }
        self.mm += mm;
        while self.pieces.get(1).is_some_and(|next| to_s - next.from_s >= WINDOW_S) {
            self.pieces.pop_front();
            // From the pieces, so that rounding does not pile up.
            self.mm = self.pieces.iter().map(|piece| f64::from(piece.mm)).sum();
        }
        let span_s = to_s - self.pieces.front()?.from_s;
        let over_s = u32::try_from(span_s).unwrap_or(u32::MAX);
        (span_s >= WINDOW_S).then(|| Intensity { mm_h: intensity_mm_h(self.mm, f64::from(over_s)), over_s })
    }

    /// What comes next does not follow on what came before.
    pub(super) fn break_off(&mut self) {
        self.pieces.clear();
        self.mm = 0.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: i64) -> Timestamp {
        Timestamp::from_second(1_776_403_800 + s).unwrap()
    }

    #[test]
    fn an_intensity_is_a_mean_over_half_an_hour_or_one_longer_interval() {
        let mut rate = RainRate::default();
        assert_eq!(rate.push(at(0), at(900), 1.0), None);
        let is = |mm_h, over_s| Some(Intensity { mm_h, over_s });
        assert_eq!(rate.push(at(900), at(1800), 3.0), is(8.0, 1800));
        assert_eq!(rate.push(at(1800), at(2700), 2.0), is(10.0, 1800));
        assert_eq!(rate.push(at(2700), at(3600), 0.0), is(4.0, 1800));
        assert_eq!(rate.push(at(3600), at(7200), 5.0), is(5.0, 3600));
        rate.break_off();
        assert_eq!(rate.push(at(9000), at(9900), 9.0), None);
    }

    #[test]
    fn messages_of_every_tip_stay_few_and_keep_their_rain() {
        let mut rate = RainRate::default();
        let mut last = None;
        for n in 0..10_000_i64 {
            last = rate.push(at(n * 7), at(n * 7 + 7), 0.2).or(last);
            assert!(rate.pieces.len() <= 40, "{}", rate.pieces.len());
        }
        // 0.2 mm each 7 s.
        let expected = 0.2 * 3600.0 / 7.0;
        let last = last.unwrap();
        assert!((last.mm_h - expected).abs() < 0.02 * expected, "{last:?}");
        // The window is never shorter than half an hour, and a piece longer at most.
        assert!((1800..1900).contains(&last.over_s), "{last:?}");
        let depth_mm = 0.2 * f64::from(last.over_s) / 7.0;
        assert!((last.depth_mm() - depth_mm).abs() < 0.02 * depth_mm, "{last:?}");
    }
}
