//! How far a tank's temperature moved within an hour and within a day.

use std::collections::VecDeque;

use jiff::Timestamp;

/// One hour and one day, in seconds.
pub const HOUR_S: i64 = 3600;
/// One day, in seconds.
pub const DAY_S: i64 = 86_400;

/// Readings that are kept: a day at two a minute. Faster sensors keep less
/// than a day, and the change within a day is then that of the time kept.
const KEPT_MAX: usize = 2880;

/// The last day's temperatures of one probe.
#[derive(Clone, Debug, Default)]
pub struct Temperatures {
    kept: VecDeque<(Timestamp, f32)>,
}

/// The largest change in a window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// °C; negative where the water cooled.
    pub by_c: f64,
    /// The two readings, in order of time.
    pub from_c: f64,
    pub to_c: f64,
    pub from_at: Timestamp,
    pub to_at: Timestamp,
}

impl Temperatures {
    /// Adds a reading that is later than all before it.
    pub fn push(&mut self, at: Timestamp, value_c: f64) {
        while let Some(&(first, _)) = self.kept.front()
            && (at.as_second() - first.as_second() > DAY_S || self.kept.len() >= KEPT_MAX)
        {
            self.kept.pop_front();
        }
        self.kept.push_back((at, value_c as f32));
    }

    /// Takes back the reading of that time: its neighbour has shown it to be false.
    pub fn take_back(&mut self, at: Timestamp) {
        if let Some(i) = self.kept.iter().rposition(|&(t, _)| t == at) {
            self.kept.remove(i);
        }
    }

    /// Largest change between any two readings of the last `window_s` seconds,
    /// counted back from the newest. `None` with fewer than two readings.
    pub fn largest_change(&self, window_s: i64) -> Option<Change> {
        let &(newest, _) = self.kept.back()?;
        let recent =
            self.kept.iter().rev().take_while(|(at, _)| newest.as_second() - at.as_second() <= window_s);
        let mut count = 0;
        let (mut low, mut high) = ((newest, f32::INFINITY), (newest, f32::NEG_INFINITY));
        for &(at, value) in recent {
            count += 1;
            if value < low.1 {
                low = (at, value);
            }
            if value > high.1 {
                high = (at, value);
            }
        }
        if count < 2 {
            return None;
        }
        let (from, to) = if low.0 <= high.0 { (low, high) } else { (high, low) };
        Some(Change {
            by_c: f64::from(to.1) - f64::from(from.1),
            from_c: f64::from(from.1),
            to_c: f64::from(to.1),
            from_at: from.0,
            to_at: to.0,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn filled(values: &[(i64, f64)]) -> Temperatures {
        let mut kept = Temperatures::default();
        for &(minute, value) in values {
            kept.push(Timestamp::from_second(1_776_000_000 + minute * 60).expect("in range"), value);
        }
        kept
    }

    #[test]
    fn the_sign_tells_which_way_the_water_went() {
        let change = |values: &[(i64, f64)]| filled(values).largest_change(HOUR_S).map(|c| c.by_c);
        assert_eq!(change(&[(0, 22.0), (30, 19.5)]), Some(-2.5));
        assert_eq!(change(&[(0, 19.5), (30, 22.0)]), Some(2.5));
        assert_eq!(change(&[(0, 20.0), (10, 22.5), (20, 21.0)]), Some(2.5));
        assert_eq!(change(&[(0, 20.0)]), None);
    }

    #[test]
    fn readings_an_hour_apart_count_and_later_ones_do_not() {
        let change = |minute| filled(&[(0, 20.0), (minute, 23.0)]).largest_change(HOUR_S).map(|c| c.by_c);
        assert_eq!(change(60), Some(3.0));
        assert_eq!(change(61), None);
    }

    #[test]
    fn a_reading_taken_back_leaves_no_trace() {
        let mut kept = filled(&[(0, 20.0), (5, 31.0), (10, 20.5)]);
        kept.take_back(Timestamp::from_second(1_776_000_000 + 300).expect("in range"));
        assert_eq!(kept.largest_change(HOUR_S).map(|c| c.by_c), Some(0.5));
    }

    #[test]
    fn memory_stays_bounded() {
        let mut kept = Temperatures::default();
        for s in 0..200_000 {
            kept.push(Timestamp::from_second(1_776_000_000 + s).expect("in range"), 20.0);
        }
        assert!(kept.kept.len() <= KEPT_MAX);
    }
}
