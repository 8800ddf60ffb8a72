//! Hours of the local clock.

use jiff::civil::DateTime;

/// Minute of the local day, 0 to 1439.
pub fn minute_of_day(local: DateTime) -> u16 {
    u16::try_from(i32::from(local.hour()) * 60 + i32::from(local.minute())).unwrap_or(0)
}

/// A minute of the local day as files and programs have it: "06:30".
pub fn clock(minute: u16) -> String {
    format!("{:02}:{:02}", minute / 60, minute % 60)
}

/// The days of the week as files have them, Monday first.
pub const WEEK: [&str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];

/// Intervals of the local clock, sorted and without overlap.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LocalHours {
    /// Minutes after local midnight, `[from, to)`, `to` at most 1440.
    intervals: Vec<(u16, u16)>,
}

impl LocalHours {
    /// Takes intervals that the caller has sorted and checked for overlap.
    pub fn new(intervals: Vec<(u16, u16)>) -> Self {
        Self { intervals }
    }

    /// The intervals, minutes after local midnight, `[from, to)`.
    pub fn intervals(&self) -> &[(u16, u16)] {
        &self.intervals
    }

    /// The intervals as files have them: "18:00-24:00".
    pub fn written(&self) -> Vec<String> {
        self.intervals.iter().map(|(from, to)| format!("{}-{}", clock(*from), clock(*to))).collect()
    }

    /// What is in this, in the other, or in both.
    #[must_use]
    pub fn or(&self, other: &Self) -> Self {
        let mut all: Vec<(u16, u16)> = self.intervals.iter().chain(&other.intervals).copied().collect();
        all.sort_unstable();
        let mut joined: Vec<(u16, u16)> = Vec::new();
        for (from, to) in all {
            match joined.last_mut() {
                Some(last) if from <= last.1 => last.1 = last.1.max(to),
                _ => joined.push((from, to)),
            }
        }
        Self::new(joined)
    }

    /// What is in both.
    #[must_use]
    pub fn and(&self, other: &Self) -> Self {
        let pairs = self.intervals.iter().flat_map(|a| other.intervals.iter().map(move |b| (a, b)));
        let mut shared: Vec<(u16, u16)> =
            pairs.map(|(a, b)| (a.0.max(b.0), a.1.min(b.1))).filter(|(from, to)| from < to).collect();
        shared.sort_unstable();
        Self::new(shared)
    }

    /// Whether the local minute of the day (0 to 1439) is inside.
    pub fn contains(&self, minute: u16) -> bool {
        self.intervals.iter().any(|&(from, to)| from <= minute && minute < to)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against every minute by itself.
    #[test]
    fn joined_and_shared_hours_hold_the_minutes_that_they_should() {
        let some: Vec<LocalHours> = [
            vec![],
            vec![(0, 1440)],
            vec![(0, 540), (1080, 1440)],
            vec![(300, 540), (540, 600)],
            vec![(500, 1100)],
        ]
        .into_iter()
        .map(LocalHours::new)
        .collect();
        for a in &some {
            for b in &some {
                let (or, and) = (a.or(b), a.and(b));
                for minute in 0..1440 {
                    let (in_a, in_b) = (a.contains(minute), b.contains(minute));
                    assert_eq!(or.contains(minute), in_a || in_b, "{a:?} or {b:?} at {minute}");
                    assert_eq!(and.contains(minute), in_a && in_b, "{a:?} and {b:?} at {minute}");
                }
                for joined in [or, and] {
                    assert!(joined.intervals().windows(2).all(|it| it[0].1 <= it[1].0), "{joined:?}");
                }
            }
        }
    }
}
