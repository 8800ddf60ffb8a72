//! A time in little room.

use std::num::NonZeroI64;

use jiff::Timestamp;

/// A time to the millisecond, to which the store keeps all times, in eight bytes; so is one
/// that may be missing, where a plain one takes twenty-four.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub(crate) struct KeptTime(NonZeroI64);

impl KeptTime {
    /// The time.
    pub(crate) fn at(self) -> Timestamp {
        let stored = self.0.get();
        let ms = if stored > 0 { stored - 1 } else { stored };
        // The last second of all times is not read back.
        Timestamp::from_millisecond(ms).unwrap_or(if ms > 0 { Timestamp::MAX } else { Timestamp::MIN })
    }
}

impl From<Timestamp> for KeptTime {
    fn from(at: Timestamp) -> Self {
        let ms = at.as_millisecond();
        // From 1970 on one more, so that no time is zero and their order stays.
        let stored = if ms >= 0 { ms + 1 } else { ms };
        Self(NonZeroI64::new(stored).unwrap_or(NonZeroI64::MIN))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_millisecond_comes_back_and_in_order() {
        let all = [i64::from(i32::MIN), -2, -1, 0, 1, 2, 1_776_000_000_123];
        let times = all.map(|ms| Timestamp::from_millisecond(ms).expect("in range"));
        for at in times.into_iter().chain([Timestamp::MIN, Timestamp::MAX]) {
            assert_eq!(KeptTime::from(at).at().as_millisecond(), at.as_millisecond());
        }
        assert!(times.map(KeptTime::from).is_sorted());
        assert_eq!(size_of::<Option<KeptTime>>(), 8);
    }
}
