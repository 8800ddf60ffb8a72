//! When a job is due: pure arithmetic of dates in the garden's own calendar.
//!
//! What is due stays due until the log says that it was done, so that nothing falls
//! between two weeks. A job of a season is due in its months alone: what was left undone
//! when the season ended is not asked for in the next one.

use jiff::civil::Date;
use jiff::{Span, ToSpan as _};

use crate::garden::jobs::job::{Job, JobDays};

/// A job of a date may be done this many days before it. Ours.
const AHEAD_DAYS: i64 = 14;
/// Days of one job that a list for the holidays holds at most.
const LISTED_MAX: usize = 400;

/// When a job is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum JobDue {
    /// On this day; before today it is overdue.
    On(Date),
    /// It comes so many days after the last time, and the log knows of none.
    NotKnown,
    /// Not again.
    Over,
}

/// A day on which a job is to be done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct JobDay {
    pub date: Date,
    /// It was due before.
    pub late: bool,
}

impl Job {
    /// When it is due next, having been done `last`.
    pub fn due(&self, last: Option<Date>, today: Date) -> JobDue {
        let first = match &self.days {
            JobDays::Every(days) => match (last, self.from) {
                (Some(last), from) => from.map_or(plus(last, i64::from(*days)), |from| {
                    if last < from { from } else { plus(last, i64::from(*days)) }
                }),
                (None, Some(from)) => from,
                (None, None) => return JobDue::NotKnown,
            },
            JobDays::Week(days) => {
                let start = last.map_or(self.from.unwrap_or(today), |last| plus(last, 1));
                let start = self.from.map_or(start, |from| start.max(from));
                let fits = |date: &Date| days[usize::from(date.weekday().to_monday_zero_offset() as u8)];
                match (0..7).map(|more| plus(start, more)).find(fits) {
                    Some(date) => date,
                    None => return JobDue::Over,
                }
            }
            JobDays::Dates(dates) => match date_due(dates, last, today) {
                Some(date) => date,
                None => return JobDue::Over,
            },
        };
        let Some(due) = self.in_season(first, today) else { return JobDue::Over };
        if self.to.is_some_and(|to| due > to || today > to) { JobDue::Over } else { JobDue::On(due) }
    }

    /// The first day from `first` on that lies in a season which is not over.
    fn in_season(&self, first: Date, today: Date) -> Option<Date> {
        let fits = |date: Date| self.months[usize::from(date.month().unsigned_abs()).saturating_sub(1)];
        let next = |date: Date| {
            let mut month = date.first_of_month();
            for _ in 0..12 {
                month = month.checked_add(1.month()).ok()?;
                if fits(month) {
                    return Some(month);
                }
            }
            None
        };
        if self.months == [true; 12] {
            return Some(first);
        }
        let due = if fits(first) { first } else { next(first)? };
        if due > today {
            return Some(due);
        }
        if !fits(today) {
            return next(today);
        }
        // What a season before left undone begins again with this one.
        let mut begins = today.first_of_month();
        for _ in 0..11 {
            match begins.checked_sub(1.month()) {
                Ok(before) if fits(before) => begins = before,
                _ => break,
            }
        }
        Some(due.max(begins))
    }

    /// The days from `from` to `to` on which it is to be done, if it is done each time.
    pub fn days_between(&self, last: Option<Date>, today: Date, from: Date, to: Date) -> Vec<JobDay> {
        let (mut last, mut asked, mut days) = (last, today, Vec::new());
        for _ in 0..4 * LISTED_MAX {
            let JobDue::On(due) = self.due(last, asked) else { break };
            if due > to || days.len() >= LISTED_MAX {
                break;
            }
            // What is due before somebody else takes over is done by then, but for what is
            // overdue when they do.
            let done = if due >= from {
                days.push(JobDay { date: due, late: due < today });
                due
            } else if from <= today {
                days.push(JobDay { date: from, late: true });
                from
            } else {
                due
            };
            if last.is_some_and(|last| done <= last) {
                break;
            }
            (last, asked) = (Some(done), asked.max(done));
        }
        days
    }
}

/// The date that is due of a list: the last one gone by unless it was done, else the next.
fn date_due(dates: &[Date], last: Option<Date>, today: Date) -> Option<Date> {
    let done = |place: usize| {
        let ahead = minus(dates[place], AHEAD_DAYS);
        let begins = place.checked_sub(1).map_or(ahead, |before| ahead.max(plus(dates[before], 1)));
        last.is_some_and(|last| last >= begins)
    };
    let next = dates.partition_point(|date| *date <= today);
    let gone_by = next.checked_sub(1).filter(|place| !done(*place));
    let place = gone_by.or_else(|| (next..dates.len()).find(|place| !done(*place)))?;
    dates.get(place).copied()
}

fn plus(date: Date, days: i64) -> Date {
    date.checked_add(Span::new().days(days)).unwrap_or(Date::MAX)
}

fn minus(date: Date, days: i64) -> Date {
    date.checked_sub(Span::new().days(days)).unwrap_or(Date::MIN)
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;
    use crate::model::Id;

    /// 2026-04-13 is a Monday.
    const MONDAY: Date = date(2026, 4, 13);

    fn job(days: JobDays) -> Job {
        Job {
            id: Id::new("job-test"),
            name: "Test".to_owned(),
            place: None,
            who: Vec::new(),
            days,
            from: None,
            to: None,
            months: [true; 12],
            done_by: Vec::new(),
            how: None,
            tell: false,
            late_after_days: 0,
        }
    }

    #[test]
    fn so_many_days_count_from_the_last_time() {
        let job = job(JobDays::Every(7));
        assert_eq!(job.due(None, MONDAY), JobDue::NotKnown);
        assert_eq!(job.due(Some(MONDAY), MONDAY), JobDue::On(date(2026, 4, 20)));
        assert_eq!(job.due(Some(MONDAY), date(2026, 5, 1)), JobDue::On(date(2026, 4, 20)), "it stays due");
        let from = Job { from: Some(date(2026, 5, 1)), ..job };
        assert_eq!(from.due(None, MONDAY), JobDue::On(date(2026, 5, 1)));
        assert_eq!(from.due(Some(MONDAY), MONDAY), JobDue::On(date(2026, 5, 1)), "not before its first day");
        let to = Job { to: Some(date(2026, 5, 10)), ..from };
        assert_eq!(to.due(Some(date(2026, 5, 2)), date(2026, 5, 2)), JobDue::On(date(2026, 5, 9)));
        assert_eq!(to.due(Some(date(2026, 5, 9)), date(2026, 5, 9)), JobDue::Over);
        assert_eq!(to.due(Some(date(2026, 5, 2)), date(2026, 5, 11)), JobDue::Over);
    }

    #[test]
    fn days_of_the_week_stay_due_until_they_are_done() {
        // Monday, Wednesday, Friday.
        let job = job(JobDays::Week([true, false, true, false, true, false, false]));
        assert_eq!(job.due(None, date(2026, 4, 14)), JobDue::On(date(2026, 4, 15)));
        assert_eq!(job.due(Some(MONDAY), MONDAY), JobDue::On(date(2026, 4, 15)));
        assert_eq!(job.due(Some(MONDAY), date(2026, 4, 17)), JobDue::On(date(2026, 4, 15)));
        assert_eq!(job.due(Some(date(2026, 4, 17)), date(2026, 4, 18)), JobDue::On(date(2026, 4, 20)));
    }

    #[test]
    fn a_date_may_be_done_a_fortnight_ahead() {
        let dates = vec![date(2026, 4, 10), date(2026, 7, 3)];
        let job = job(JobDays::Dates(dates));
        assert_eq!(job.due(None, date(2026, 4, 1)), JobDue::On(date(2026, 4, 10)));
        assert_eq!(job.due(None, date(2026, 4, 12)), JobDue::On(date(2026, 4, 10)), "gone by");
        assert_eq!(job.due(Some(date(2026, 3, 27)), date(2026, 4, 12)), JobDue::On(date(2026, 7, 3)));
        assert_eq!(job.due(Some(date(2026, 3, 26)), date(2026, 4, 12)), JobDue::On(date(2026, 4, 10)));
        assert_eq!(
            job.due(None, date(2026, 8, 1)),
            JobDue::On(date(2026, 7, 3)),
            "only the last one gone by"
        );
        assert_eq!(job.due(Some(date(2026, 7, 5)), date(2026, 8, 1)), JobDue::Over);
    }

    #[test]
    fn a_season_is_asked_for_in_its_months_alone() {
        // October to March.
        let months = [1, 2, 3, 10, 11, 12].iter().fold([false; 12], |mut all, month: &usize| {
            all[month - 1] = true;
            all
        });
        let job = Job { months, ..job(JobDays::Every(7)) };
        let due = |last, today| job.due(Some(last), today);
        assert_eq!(due(date(2026, 3, 20), date(2026, 3, 21)), JobDue::On(date(2026, 3, 27)));
        assert_eq!(due(date(2026, 3, 30), date(2026, 3, 31)), JobDue::On(date(2026, 10, 1)));
        // Left undone in March: not overdue in May, and due with the next season.
        assert_eq!(due(date(2026, 3, 10), date(2026, 5, 1)), JobDue::On(date(2026, 10, 1)));
        assert_eq!(due(date(2026, 3, 10), date(2026, 12, 5)), JobDue::On(date(2026, 10, 1)));
        assert_eq!(
            due(date(2026, 11, 20), date(2027, 1, 5)),
            JobDue::On(date(2026, 11, 27)),
            "over New Year"
        );
    }

    #[test]
    fn several_take_turns_week_by_week() {
        let who = ["class 4", "class 5", "class 6"].map(str::to_owned).to_vec();
        let job = Job { who, from: Some(date(2026, 4, 15)), ..job(JobDays::Every(1)) };
        for (day, expected) in [
            (MONDAY, "class 4"),
            (date(2026, 4, 19), "class 4"),
            (date(2026, 4, 20), "class 5"),
            (date(2026, 5, 3), "class 6"),
            (date(2026, 5, 4), "class 4"),
            (date(2026, 4, 12), "class 6"),
        ] {
            assert_eq!(job.turn(day), Some(expected), "{day}");
        }
        assert_eq!(Job { who: Vec::new(), ..job }.turn(MONDAY), None);
    }

    #[test]
    fn a_list_of_days_begins_with_what_is_overdue() {
        let job = job(JobDays::Every(7));
        let dates = |days: Vec<JobDay>| -> Vec<(Date, bool)> {
            days.into_iter().map(|day| (day.date, day.late)).collect()
        };
        let (from, to) = (date(2026, 4, 20), date(2026, 5, 3));
        // Seen a week before: what is due until then is done by then.
        let days = job.days_between(Some(date(2026, 4, 8)), MONDAY, from, to);
        assert_eq!(dates(days), [(date(2026, 4, 22), false), (date(2026, 4, 29), false)]);
        let days = job.days_between(Some(date(2026, 4, 8)), from, from, to);
        assert_eq!(dates(days), [(from, true), (date(2026, 4, 27), false)]);
        assert_eq!(job.days_between(None, MONDAY, from, to), []);
        let daily = Job { from: Some(from), ..self::job(JobDays::Every(1)) };
        assert_eq!(daily.days_between(None, MONDAY, from, to).len(), 14);
    }
}
