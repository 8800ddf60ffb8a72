//! How dry a bed became on each of its last days.

use std::collections::VecDeque;

use jiff::civil::Date;

use crate::model::push_tight;

/// Days that are kept.
const KEPT: usize = 16;
/// Hours of a day in which a bed must have been heard for the day to be known.
const HEARD_HOURS: u32 = 20;

#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
struct DriestOfDay {
    date: Date,
    /// Depletion as a part of readily available water.
    used: f32,
    /// The hours of the clock in which it was heard, a bit each.
    heard: [u8; 3],
}

impl DriestOfDay {
    fn heard_hours(&self) -> u32 {
        self.heard.iter().map(|hours| hours.count_ones()).sum()
    }
}

/// The driest moment of each local day, the newest last.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct DriestDays {
    days: VecDeque<DriestOfDay>,
}

impl DriestDays {
    /// Takes what is used of a bed's readily available water at an hour of a local day,
    /// none older than the last. Returns whether a day has begun with it.
    pub(crate) fn push(&mut self, date: Date, hour: i8, used: f64) -> bool {
        let (used, hour) = (used as f32, hour.clamp(0, 23) as u8);
        let mut heard = [0; 3];
        heard[usize::from(hour / 8)] = 1 << (hour % 8);
        if let Some(last) = self.days.back_mut().filter(|last| last.date == date) {
            last.used = last.used.max(used);
            (0..3).for_each(|part| last.heard[part] |= heard[part]);
            return false;
        }
        if self.days.len() == KEPT {
            self.days.pop_front();
        }
        push_tight(&mut self.days, DriestOfDay { date, used, heard });
        true
    }

    /// What was used at most on the days from `first` up to the day before `end`; `None`
    /// where more than one of them is not known.
    pub(crate) fn most(&self, first: Date, end: Date) -> Option<f64> {
        let wanted = end.since(first).ok()?.get_days();
        let known = self
            .days
            .iter()
            .filter(|day| first <= day.date && day.date < end && day.heard_hours() >= HEARD_HOURS);
        let (count, most) =
            known.fold((0, f64::NEG_INFINITY), |(n, most), day| (n + 1, most.max(day.used.into())));
        (wanted > 0 && count + 1 >= wanted).then_some(most)
    }

    /// Forgets what is later than a local day: the clock was wrong.
    pub(crate) fn forget_after(&mut self, last: Date) {
        self.days.retain(|day| day.date <= last);
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;

    #[test]
    fn the_driest_hour_of_whole_days_counts() {
        let mut days = DriestDays::default();
        for day in 1..=5 {
            for hour in 0..24 {
                if day == 3 && hour > 10 {
                    continue;
                }
                let begun =
                    days.push(date(2026, 4, day), hour, if hour == 15 { 0.1 * f64::from(day) } else { 0.0 });
                assert_eq!(begun, hour == 0);
            }
        }
        let most = |first, end| days.most(date(2026, 4, first), date(2026, 4, end));
        let near = |found: Option<f64>, is: f64| found.is_some_and(|found| (found - is).abs() < 1e-7);
        assert!(near(most(1, 3), 0.2));
        assert!(near(most(1, 6), 0.5), "one of five is not known");
        assert_eq!(most(5, 9), None);
    }
}
