//! Values with their times in little room: a garden keeps some dozens for each sensor.

use std::collections::VecDeque;

use jiff::Timestamp;

/// A value and its time, to the millisecond, in twelve bytes.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[repr(C, packed(4))]
pub(crate) struct TimedValue {
    at_ms: i64,
    value: f32,
}

impl TimedValue {
    pub(crate) fn new(at: Timestamp, value: f32) -> Self {
        Self { at_ms: at.as_millisecond(), value }
    }

    pub(crate) fn at(&self) -> Timestamp {
        Timestamp::from_millisecond(self.at_ms).unwrap_or(Timestamp::MIN)
    }

    /// Its second since 1970.
    pub(crate) fn second(&self) -> i64 {
        self.at_ms / 1000
    }

    pub(crate) fn value(&self) -> f32 {
        self.value
    }

    /// Both.
    pub(crate) fn pair(&self) -> (Timestamp, f32) {
        (self.at(), self.value)
    }
}

/// Adds one at the end, and makes little more room than that takes: what is kept of each
/// sensor grows to its full length and stays there.
pub(crate) fn push_tight<T>(kept: &mut VecDeque<T>, it: T) {
    if kept.len() == kept.capacity() {
        kept.reserve_exact((kept.len() / 8).max(4));
    }
    kept.push_back(it);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_time_comes_back_to_the_millisecond() {
        assert_eq!(size_of::<TimedValue>(), 12);
        for ms in [0, 1_776_403_800_123, -1, -86_400_001] {
            let at = Timestamp::from_millisecond(ms).expect("in range");
            let kept = TimedValue::new(at, 0.25);
            assert_eq!((kept.pair(), kept.second()), ((at, 0.25), at.as_second()));
        }
    }

    #[test]
    fn a_full_list_takes_an_eighth_more_room_at_most() {
        let mut kept = VecDeque::new();
        for it in 0..1000_u32 {
            push_tight(&mut kept, it);
            assert!(kept.capacity() <= kept.len() + (kept.len() / 8).max(4), "{}", kept.len());
        }
        assert!(kept.iter().copied().eq(0..1000));
    }
}
