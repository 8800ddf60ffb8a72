//! Times that devices give, and whether they can be true.

use std::fmt;

use jiff::Timestamp;

use crate::model::TimeFrom;

/// 2020-01-01T00:00:00Z, seconds since 1970. A clock before it was never set.
const EARLIEST_S: i64 = 1_577_836_800;

/// Seconds that a device's clock may run ahead of the arrival.
const AHEAD_S_MAX: i64 = 300;

/// Why a device's time cannot be true.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeRefused {
    /// Before 2020.
    NeverSet { given: Timestamp },
    /// More than 5 minutes after the arrival.
    Ahead { given: Timestamp },
}

impl fmt::Display for TimeRefused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NeverSet { given } => {
                write!(f, "the device says {given}, before 2020: its clock was never set")
            }
            Self::Ahead { given } => {
                write!(f, "the device says {given}, more than 5 minutes after the message arrived")
            }
        }
    }
}

/// A reading's time: the device's where it can be true (not before 2020 UTC and
/// not more than 5 minutes after the arrival, or the very arrival), else the
/// arrival. Cut to whole
/// milliseconds, towards the past.
pub fn time_of(given: Option<Timestamp>, arrival: Timestamp) -> (Timestamp, TimeFrom, Option<TimeRefused>) {
    let refused = match given {
        None => None,
        // Of a past that somebody vouches for, arrival and time are one.
        Some(given) if given == arrival => return (whole_ms(given), TimeFrom::Device, None),
        Some(given) if given.as_second() < EARLIEST_S => Some(TimeRefused::NeverSet { given }),
        Some(given)
            if given.as_nanosecond() > arrival.as_nanosecond() + i128::from(AHEAD_S_MAX) * 1_000_000_000 =>
        {
            Some(TimeRefused::Ahead { given })
        }
        Some(given) => return (whole_ms(given), TimeFrom::Device, None),
    };
    (whole_ms(arrival), TimeFrom::Arrival, refused)
}

fn whole_ms(at: Timestamp) -> Timestamp {
    // Mostly it is one already.
    if at.subsec_nanosecond() % 1_000_000 == 0 {
        return at;
    }
    from_ns(at.as_nanosecond().div_euclid(1_000_000) * 1_000_000)
}

/// The instant, or the nearest one that can be held (years -9999 to 9999): it
/// is refused by [`time_of`] all the same, and the reading is kept.
pub(super) fn from_ns(ns: i128) -> Timestamp {
    Timestamp::from_nanosecond(ns).unwrap_or(if ns < 0 { Timestamp::MIN } else { Timestamp::MAX })
}

/// Seconds since 1970 with a fraction, to the nearest microsecond: closer than
/// an `f64` holds the present, and far enough that `.001` stays a millisecond.
pub(super) fn from_s(seconds: f64) -> Timestamp {
    from_us(seconds * 1e6)
}

fn from_us(us: f64) -> Timestamp {
    // A cast from f64 saturates and takes NaN as 0; 1e25 microseconds is beyond
    // every instant and well inside i128 as nanoseconds.
    let us = us.round().clamp(-1e25, 1e25) as i128;
    from_ns(us * 1000)
}

/// A whole number since 1970 in the unit that its size tells: seconds below
/// 1e11 (the year 5138), milliseconds below 1e14, microseconds below 1e17, else
/// nanoseconds.
pub(super) fn from_unix_whole(number: i128) -> Timestamp {
    let ns_each = match number.unsigned_abs() {
        0..100_000_000_000 => 1_000_000_000,
        100_000_000_000..100_000_000_000_000 => 1_000_000,
        100_000_000_000_000..100_000_000_000_000_000 => 1000,
        _ => 1,
    };
    from_ns(number.saturating_mul(ns_each))
}

/// The same for a number with a fraction or an exponent.
pub(super) fn from_unix(number: f64) -> Timestamp {
    let size = number.abs();
    let us_each = if size < 1e11 {
        1e6
    } else if size < 1e14 {
        1e3
    } else if size < 1e17 {
        1.0
    } else {
        1e-3
    };
    from_us(number * us_each)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[test]
    fn a_time_is_the_devices_where_it_can_be_true() {
        let arrival = at("2026-04-17T05:30:00.5Z");
        for (given, device) in [
            ("1970-01-01T00:00:00Z", false),
            ("2019-12-31T23:59:59.999Z", false),
            ("2020-01-01T00:00:00Z", true),
            ("2026-04-15T05:30:00Z", true),
            ("2026-04-17T05:35:00.5Z", true),
            ("2026-04-17T05:35:00.500000001Z", false),
            ("2099-01-01T00:00:00Z", false),
        ] {
            let (got, from, refused) = time_of(Some(at(given)), arrival);
            assert_eq!(from == TimeFrom::Device, device, "{given}");
            assert_eq!(refused.is_none(), device, "{given}");
            assert_eq!(got, if device { at(given) } else { arrival }, "{given}");
        }
        assert_eq!(time_of(None, arrival), (arrival, TimeFrom::Arrival, None));
    }

    #[test]
    fn times_are_cut_to_whole_milliseconds() {
        let given = at("2026-04-17T05:29:59.123999999Z");
        let (got, ..) = time_of(Some(given), at("2026-04-17T05:30:00.000999Z"));
        assert_eq!(got, at("2026-04-17T05:29:59.123Z"));
        let (got, ..) = time_of(None, at("2026-04-17T05:30:00.000999Z"));
        assert_eq!(got, at("2026-04-17T05:30:00Z"));
    }

    #[test]
    fn a_numbers_size_tells_its_unit() {
        let expected = at("2026-04-17T05:30:00Z");
        for n in [1_776_403_800, 1_776_403_800_000, 1_776_403_800_000_000, 1_776_403_800_000_000_000_i64] {
            assert_eq!(from_unix_whole(i128::from(n)), expected, "{n}");
            let n = n as f64;
            assert_eq!(from_unix(n), expected, "{n}");
        }
        assert_eq!(from_unix(1_776_403_800.25), at("2026-04-17T05:30:00.25Z"));
        assert_eq!(from_unix(1_276_020_076.001), at("2010-06-08T18:01:16.001Z"));
    }

    #[test]
    fn times_beyond_every_calendar_stop_at_its_end() {
        assert_eq!(from_unix(1e300), Timestamp::MAX);
        assert_eq!(from_unix(-1e300), Timestamp::MIN);
        assert_eq!(from_s(f64::INFINITY), Timestamp::MAX);
        assert_eq!(from_unix_whole(i128::from(u64::MAX)), from_ns(i128::from(u64::MAX)));
        let arrival = at("2026-04-17T05:30:00Z");
        assert_eq!(time_of(Some(Timestamp::MAX), arrival).0, arrival);
        assert_eq!(time_of(Some(Timestamp::MIN), arrival).0, arrival);
        assert_eq!(time_of(None, Timestamp::MIN).0, Timestamp::MIN);
    }
}
