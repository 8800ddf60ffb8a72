//! Whether the times that a device gives can be its clock's fault.
//!
//! One time that is off says little: a broker gives back what it kept, a gateway sends
//! what it had stored, a device is started before it has asked for the time. So a clock
//! counts as wrong only after [`MESSAGES`] messages in a row, spread over
//! [`SPREAD_S`] seconds or more, none of which gave a time within [`OFF_S`] seconds of
//! its arrival. Of messages that come together the best one counts, since a packet of
//! earlier readings ends with the newest. All numbers are our own.

use jiff::Timestamp;

use crate::model::KeptTime;

/// A time this far from its arrival is wrong or very late, seconds.
pub(crate) const OFF_S: i64 = 600;
/// Messages in a row that show it.
pub(crate) const MESSAGES: u8 = 3;
/// The least time from the first to the last of them, seconds.
pub(crate) const SPREAD_S: i64 = 600;

/// What a device's times say of its clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum ClockFinding {
    /// The last message had a time that can be right.
    Right,
    /// Off by so many seconds: above 0, the device is behind its arrivals.
    Wrong {
        behind_s: i64,
        given: Timestamp,
    },
    Unsure,
}

/// The last messages of one sensor that gave a time of their own.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct ClockWatch {
    /// Messages in a row whose time was off, and the arrivals of the first and the last.
    row: Option<Box<(u8, KeptTime, KeptTime)>>,
}

impl ClockWatch {
    /// Takes the time that a reading of a sensor of this interval gave, and when it came.
    pub(crate) fn take(&mut self, given: Timestamp, arrival: Timestamp, every_s: u32) -> ClockFinding {
        let behind_s = arrival.as_second() - given.as_second();
        if behind_s.abs() <= OFF_S {
            self.row = None;
            return ClockFinding::Right;
        }
        let (count, first, last) =
            self.row.as_deref().copied().unwrap_or((0, arrival.into(), arrival.into()));
        // Sooner than half an interval after the one before, it is of the same sending.
        let counts =
            count == 0 || arrival.as_second() - last.at().as_second() >= i64::from(every_s / 2).max(1);
        if counts {
            self.row = Some(Box::new((count.saturating_add(1), first, arrival.into())));
        }
        match self.row.as_deref().copied() {
            Some((MESSAGES.., first, last)) if last.at().as_second() - first.at().as_second() >= SPREAD_S => {
                ClockFinding::Wrong { behind_s, given }
            }
            _ => ClockFinding::Unsure,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::ClockFinding::{Right, Unsure, Wrong};
    use super::*;

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(1_776_403_800 + second).expect("a time of this century")
    }

    /// Findings of messages that arrive at the first and give the second, seconds.
    fn findings(messages: &[(i64, i64)]) -> Vec<ClockFinding> {
        let mut watch = ClockWatch::default();
        messages.iter().map(|(arrival, given)| watch.take(at(*given), at(*arrival), 900)).collect()
    }

    #[test]
    fn three_messages_that_are_off_show_a_wrong_clock() {
        for off in [601, -601, 7200, -86_400, 1_000_000_000] {
            let found = findings(&[(0, -off), (900, 900 - off), (1800, 1800 - off), (2700, 2700)]);
            let wrong = Wrong { behind_s: off, given: at(1800 - off) };
            assert_eq!(found, [Unsure, Unsure, wrong, Right], "{off}");
        }
        // At the limit itself it is right.
        assert_eq!(findings(&[(0, 600), (900, 300), (1800, 1200)]), [Right, Right, Right]);
    }

    #[test]
    fn a_clock_that_stands_still_is_wrong() {
        let found = findings(&[(0, 0), (900, 0), (1800, 0), (2700, 0)]);
        assert_eq!(found[..3], [Right, Unsure, Unsure]);
        assert_eq!(found[3], Wrong { behind_s: 2700, given: at(0) });
    }

    #[test]
    fn what_was_stored_on_the_way_is_no_wrong_clock() {
        // A gateway was away for two hours and sends eight readings at once, then goes on.
        let mut messages: Vec<(i64, i64)> = (1..=8).map(|n| (7200 + n / 4, 900 * n)).collect();
        messages.extend([(8100, 8100), (9000, 9000)]);
        assert!(findings(&messages).iter().all(|it| !matches!(it, Wrong { .. })));
        // Each message holds the last hour, oldest first.
        let packets: Vec<(i64, i64)> =
            (0..6).flat_map(|n| (0..4).map(move |k| (3600 * n, 3600 * n - 900 * (3 - k)))).collect();
        assert!(findings(&packets).iter().all(|it| !matches!(it, Wrong { .. })));
        // Started before it knew the time.
        let started =
            findings(&[(0, -1_700_000_000), (60, -1_699_999_940), (120, -1_699_999_880), (180, 180)]);
        assert_eq!(started, [Unsure, Unsure, Unsure, Right]);
    }
}
