//! Rises of soil that come again at the same time of day: a timer's doing, since rain
//! keeps no timetable.

use std::collections::VecDeque;

use jiff::Timestamp;

use crate::rain::minutes_apart;

/// Rises that are remembered; the oldest goes first.
const KEPT_MAX: usize = 48;
/// Times of day this close together are the same, minutes.
const SAME_MIN: u16 = 30;
/// How long ago an earlier rise may be, seconds: a fortnight, so that a timer that
/// runs once a week is known at its third run.
const LOOK_BACK_S: i64 = 14 * 86_400 + ONE_DAY_S;
/// Rises closer together than this are of one day, seconds.
const ONE_DAY_S: i64 = 12 * 3600;
/// Rises this close together are of one event, seconds.
const SAME_EVENT_S: i64 = 3600;
/// Earlier rises at the same time of day that make a timer. Two, since of two dozen
/// random ones a pair within half an hour is likely, and three are not.
const EARLIER: usize = 2;

#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct KeptRise {
    at: Timestamp,
    /// Minute of the local day.
    minute: u16,
    /// Somebody said that a timer did it.
    said: bool,
}

/// What somebody said of the rises about a time.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct SaidOfRise {
    at: Timestamp,
    /// Minute of the local day.
    minute: u16,
    timer: bool,
}

/// Remembers rises that no gauge's catch explained. What people said of them is kept
/// beside them, so that it can be taken back.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct SameTimeWatch {
    kept: VecDeque<KeptRise>,
    /// In the order in which it was said: the last word on a rise holds.
    said: VecDeque<SaidOfRise>,
}

impl SameTimeWatch {
    /// Adds a rise that no gauge's catch explained, with its minute of the local day.
    /// Rises of several beds at one time are one.
    pub fn add(&mut self, at: Timestamp, minute: u16) {
        if self.kept.iter().any(|kept| apart_s(kept.at, at) < SAME_EVENT_S) {
            return;
        }
        if self.kept.len() >= KEPT_MAX {
            self.kept.pop_front();
        }
        self.kept.push_back(KeptRise { at, minute, said: false });
    }

    /// Somebody says what wetted the beds at about a time.
    pub fn people_said(&mut self, at: Timestamp, minute: u16, timer: bool) {
        if self.said.len() >= KEPT_MAX {
            self.said.pop_front();
        }
        self.said.push_back(SaidOfRise { at, minute, timer });
    }

    /// What somebody said of a time is taken back.
    pub fn people_unsaid(&mut self, at: Timestamp, timer: bool) {
        if let Some(place) = self.said.iter().rposition(|said| said.at == at && said.timer == timer) {
            self.said.remove(place);
        }
    }

    /// The rises as people's words leave them, in order of time.
    fn rises(&self) -> Vec<KeptRise> {
        let unspoken = |at: Timestamp, from: usize| {
            self.said.iter().skip(from).all(|said| apart_s(said.at, at) >= SAME_EVENT_S)
        };
        let mut rises: Vec<KeptRise> =
            self.kept.iter().copied().filter(|kept| unspoken(kept.at, 0)).collect();
        let last_words = self.said.iter().enumerate().filter(|(place, said)| unspoken(said.at, place + 1));
        rises.extend(last_words.filter(|(_, said)| said.timer).map(|(_, said)| KeptRise {
            at: said.at,
            minute: said.minute,
            said: true,
        }));
        rises.sort_by_key(|rise| rise.at);
        rises
    }

    /// Whether a rise is likely a timer's: somebody said so of this time of day, or at
    /// least two of the fortnight before came at it, each on a day of its own, and they are
    /// at least half of all that came since the first of them.
    pub fn is_timer(&self, at: Timestamp, minute: u16) -> bool {
        let before: Vec<_> = self
            .rises()
            .into_iter()
            .filter(|kept| (ONE_DAY_S..=LOOK_BACK_S).contains(&(at.as_second() - kept.at.as_second())))
            .collect();
        let mut days: Vec<Timestamp> = Vec::new();
        for kept in before.iter().filter(|kept| minutes_apart(kept.minute, minute) <= SAME_MIN) {
            if kept.said {
                return true;
            }
            if days.last().is_none_or(|last| apart_s(*last, kept.at) >= ONE_DAY_S) {
                days.push(kept.at);
            }
        }
        let Some(first) = days.first() else { return false };
        let all = before.iter().filter(|kept| kept.at >= *first).count();
        days.len() >= EARLIER && 2 * days.len() >= all
    }

    /// What was noted after `limit` is forgotten: the clock was wrong.
    pub fn forget_after(&mut self, limit: Timestamp) {
        self.kept.retain(|kept| kept.at <= limit);
        self.said.retain(|said| said.at <= limit);
    }
}

fn apart_s(a: Timestamp, b: Timestamp) -> i64 {
    (a.as_second() - b.as_second()).abs()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(day: i64, minute: u16) -> Timestamp {
        Timestamp::from_second(1_776_038_400 + day * 86_400 + i64::from(minute) * 60).expect("in range")
    }

    fn timer_after(rises: &[(i64, u16)], (day, minute): (i64, u16)) -> bool {
        let mut watch = SameTimeWatch::default();
        for &(day, minute) in rises {
            watch.add(at(day, minute), minute);
        }
        watch.is_timer(at(day, minute), minute)
    }

    #[test]
    fn the_third_rise_at_a_time_of_day_is_a_timers() {
        assert!(!timer_after(&[(0, 360)], (2, 360)));
        assert!(timer_after(&[(0, 360), (2, 375)], (4, 350)));
        assert!(timer_after(&[(0, 1435), (7, 5)], (14, 1430)), "across midnight, weekly");
        assert!(!timer_after(&[(0, 360), (2, 400)], (4, 360)), "only one of them came at that time");
        assert!(!timer_after(&[(0, 360), (7, 360)], (40, 360)), "too long ago");
    }

    #[test]
    fn what_comes_at_many_times_is_no_timers() {
        let rain: Vec<_> = (0..12).map(|i| (i, (i * 389 % 1440) as u16)).collect();
        assert!(!timer_after(&rain, (12, 380)));
        let mixed = [(0, 360), (1, 700), (2, 900), (3, 20), (4, 360), (5, 1100)];
        assert!(!timer_after(&mixed, (6, 360)), "two of six");
    }

    #[test]
    fn what_people_say_of_a_time_of_day_is_known_at_once() {
        let mut watch = SameTimeWatch::default();
        watch.people_said(at(0, 360), 360, true);
        assert!(watch.is_timer(at(1, 370), 370));
        assert!(!watch.is_timer(at(1, 700), 700));
        watch.people_said(at(0, 370), 370, false);
        assert!(!watch.is_timer(at(1, 370), 370), "taken back");
    }

    #[test]
    fn beds_that_rise_together_are_one_rise() {
        assert!(!timer_after(&[(0, 360), (0, 365), (0, 370)], (2, 360)));
    }
}
